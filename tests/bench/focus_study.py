"""How well are the peak of a focus bracket, the target's tilt and the field's curvature found?

    python -m tests.bench.focus_study            both tables, some minutes

Brackets of seven frames with known steps come from the optics' own through-focus curves;
fields from a pupil sampled on a grid (``tests.inference.field_session``). Invented
throughout. Brackets rocked by hand are in ``tests.bench.lens_study``.
"""

from __future__ import annotations

import math

import numpy as np

from lab.inference.lens_result import lens_result
from lab.inference.through_focus import through_focus_peak
from tests.inference.conftest import lens_at
from tests.inference.field_session import FieldLens, noisy, session_config, true_frames

# Spherical aberration [um], exact stop, rail step [um], at 2x.
BRACKETS = (
    (0.0, 4.0, 25.0),
    (0.5, 2 * 2**0.5, 15.0),
    (1.0, 2 * 2**0.5, 25.0),
    (1.0, 4.0, 25.0),
    (1.0, 4 * 2**0.5, 40.0),
    (-1.0, 8.0, 70.0),
    (1.0, 16.0, 250.0),
)
NOISE = 0.004  # of MTF50, relative


def _print_peaks(runs: int) -> None:
    rng = np.random.default_rng(61)
    error, covered = [], []
    for spherical_um, stop, step_um in BRACKETS:
        lens = lens_at(spherical_um, stop, 4 * step_um)
        for _ in range(runs):
            position_um, mtf50 = lens.bracket(7, step_um, rng.uniform(-0.5, 0.5))
            seen = mtf50 * (1 + NOISE * rng.standard_normal(7))
            peak = through_focus_peak(position_um.tolist(), seen, NOISE * seen)
            error.append(peak.mtf50 / lens.peak - 1)
            covered.append(peak.mtf50_low95 <= lens.peak <= peak.mtf50_high95)
    off = np.abs(error)
    print(f"peak MTF50, {len(error)} brackets of 7 known steps, noise {NOISE:.1%}")
    print(
        f"  median {np.median(off):.2%}, 95 % {np.quantile(off, 0.95):.2%}, worst {off.max():.2%}; "
        f"within 1 % in {np.mean(off <= 0.01):.1%}; intervals cover {np.mean(covered):.1%}"
    )


def _print_fields(sessions: int) -> None:
    rng = np.random.default_rng(62)
    tilt, curvature, covered = [], [], []
    for _ in range(sessions):
        true = FieldLens(
            magnification=float(rng.uniform(1, 3)),
            n_frames=7,
            tilt_deg=(float(rng.uniform(-0.3, 0.3)), float(rng.uniform(-0.3, 0.3))),
            curvature_corner_um=float(rng.uniform(-80, 80)),
            astigmatism_corner_um=float(rng.uniform(-100, 100)),
            coma_corner_um=float(rng.uniform(0, 0.3)),
        )
        lens = lens_result(
            session_config(true), noisy(true_frames(true, rng), rng), loss_percent=10
        )
        shape = None if lens is None else lens.series[0].shape
        if shape is None or shape.tilt_x_deg is None or shape.tilt_y_deg is None:
            continue
        for value, std, truth in (
            (shape.tilt_x_deg, shape.tilt_x_std_deg, true.tilt_deg[0]),
            (shape.tilt_y_deg, shape.tilt_y_std_deg, true.tilt_deg[1]),
        ):
            tilt.append((abs(value - truth), max(0.02, 0.1 * abs(truth))))
            covered.append(abs(value - truth) <= 1.96 * (std or math.nan))
        assert shape.curvature_corner_um is not None
        curvature.append((shape.curvature_corner_um, true.curvature_corner_um))
        std_um = shape.curvature_corner_std_um or math.nan
        covered.append(abs(curvature[-1][0] - curvature[-1][1]) <= 1.96 * std_um)
    off, allowed = np.array(tilt).T
    found, truth_um = np.array(curvature).T
    print(f"field, {len(curvature)} sessions of 3 stops x 7 frames, 8 places")
    print(
        f"  tilt: median {np.median(off):.4f}, worst {off.max():.4f} degrees; within 10 % or 0.02 "
        f"in {np.mean(off <= allowed):.0%}"
    )
    clear = np.abs(truth_um) > 10
    print(
        f"  curvature at the corners: median off {np.median(np.abs(found - truth_um)):.1f}, worst "
        f"{np.abs(found - truth_um).max():.1f} um; sign right in "
        f"{np.mean(np.sign(found[clear]) == np.sign(truth_um[clear])):.0%} beyond 10 um"
    )
    print(f"  intervals of all three cover {np.mean(covered):.0%}")


def main() -> None:
    _print_peaks(200)
    _print_fields(24)


if __name__ == "__main__":
    main()
