"""Simulation: a known rig, the raw frames it would give, and the truth to find in them."""

from lab.simulate.demo import DemoPlan, DemoSeries, write_demo_session
from lab.simulate.demo_trials import CLUB_TRIALS, DemoCondition, DemoTrial
from lab.simulate.hand import STAND, Hand, HandShot
from lab.simulate.movement import STILL, Movement
from lab.simulate.render import mean_frame, render_edge, render_frame
from lab.simulate.rig import SimulatedRig, channel_transfer, cutoff_cyc_per_px
from lab.simulate.truth import (
    BestFocus,
    OptimumStop,
    SimulatedTruth,
    TrueFrame,
    TruePoint,
    TrueSeries,
    TrueTrial,
    best_focus,
    read_truth,
    true_mtf50,
    true_optimum_stop,
    write_truth,
)

__all__ = [
    "CLUB_TRIALS",
    "STAND",
    "STILL",
    "BestFocus",
    "DemoCondition",
    "DemoPlan",
    "DemoSeries",
    "DemoTrial",
    "Hand",
    "HandShot",
    "Movement",
    "OptimumStop",
    "SimulatedRig",
    "SimulatedTruth",
    "TrueFrame",
    "TruePoint",
    "TrueSeries",
    "TrueTrial",
    "best_focus",
    "channel_transfer",
    "cutoff_cyc_per_px",
    "mean_frame",
    "read_truth",
    "render_edge",
    "render_frame",
    "true_mtf50",
    "true_optimum_stop",
    "write_demo_session",
    "write_truth",
]
