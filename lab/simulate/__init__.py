"""Simulation: a known rig, the raw frames it would give, and the truth to find in them."""

from lab.simulate.demo import DemoPlan, DemoSeries, write_demo_session
from lab.simulate.render import mean_frame, render_edge, render_frame
from lab.simulate.rig import SimulatedRig, channel_transfer, cutoff_cyc_per_px
from lab.simulate.truth import (
    BestFocus,
    OptimumStop,
    SimulatedTruth,
    TruePoint,
    TrueSeries,
    best_focus,
    read_truth,
    true_mtf50,
    true_optimum_stop,
    write_truth,
)

__all__ = [
    "BestFocus",
    "DemoPlan",
    "DemoSeries",
    "OptimumStop",
    "SimulatedRig",
    "SimulatedTruth",
    "TruePoint",
    "TrueSeries",
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
