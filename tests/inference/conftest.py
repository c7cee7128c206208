"""Model lenses whose through-focus curves come straight from the optics."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from lab.optics.system import crossing
from lab.simulate.rig import SimulatedRig, channel_transfer
from lab.simulate.through_focus import ThroughFocus
from lab.simulate.truth import best_focus

ANGLE_DEG = 6.0
MAGNIFICATION = 2.0


@dataclass(frozen=True, kw_only=True)
class ModelLens:
    """MTF50 [cycles per mm, image side] against rail position [um, object side]."""

    mtf50: CubicSpline
    best_um: float
    peak: float

    def bracket(
        self, n_frames: int, step_um: float, offset: float = 0.0
    ) -> tuple[np.ndarray, np.ndarray]:
        """Positions about best focus, ``offset`` steps beside it, and MTF50 there."""
        place = np.arange(n_frames) - (n_frames - 1) / 2 + offset
        position_um = self.best_um + step_um * place
        return position_um, self.mtf50(position_um, extrapolate=False)


@lru_cache
def lens_at(spherical_um: float, stop: float, reach_um: float) -> ModelLens:
    """Lens of a spherical aberration [um of path at f/2.8] at a stop, out to a reach [um]."""
    rig = SimulatedRig(spherical_um=spherical_um)
    best = best_focus(
        rig, magnification=MAGNIFICATION, stop=stop, channel="green", edge_angle_deg=ANGLE_DEG
    )
    reach = reach_um * MAGNIFICATION**2
    low, high = best.shift_um - reach, best.shift_um + reach
    table = ThroughFocus(
        rig, magnification=MAGNIFICATION, stop=stop, channel="green", low_um=low, high_um=high
    )
    shifts = np.linspace(low, high, 81)
    per_px = [crossing(table.transfer(s, ANGLE_DEG), 0.5, table.cutoff_cyc_per_px) for s in shifts]
    # The table against the same transfer without one, at a place of no importance.
    exact = channel_transfer(
        rig,
        magnification=MAGNIFICATION,
        stop=stop,
        channel="green",
        focus_shift_um=shifts[30],
        edge_angle_deg=ANGLE_DEG,
    )
    assert per_px[30] == pytest.approx(crossing(exact, 0.5, table.cutoff_cyc_per_px), rel=1e-4)
    mtf50 = np.array(per_px, dtype=float) * 1000 / rig.pixel_pitch_um
    return ModelLens(
        mtf50=CubicSpline(shifts / MAGNIFICATION**2, mtf50),
        best_um=best.shift_um / MAGNIFICATION**2,
        peak=best.mtf50_cyc_per_mm,
    )


@pytest.fixture(scope="session")
def model_lens() -> Callable[[float, float, float], ModelLens]:
    """Lens of a spherical aberration [um of path at f/2.8] at a stop, out to a reach [um]."""
    return lens_at
