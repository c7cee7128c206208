"""Disc, code and scale of a chart: dark shapes that must be there but are not measured.

Each role's marks are drawn together as a bitmap of covered area and blurred by a
Gaussian with the system's own green MTF50 at the field's centre, across and down where
the image moved. That keeps their
size, place and visible softness; their tails and colours are not right, and need not
be.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from itertools import groupby

import numpy as np
import numpy.typing as npt

from lab.optics.system import crossing
from lab.simulate.rig import SimulatedRig
from lab.simulate.through_focus import ThroughFocus
from targets.fidelity import gaussian_product
from targets.layout import Mark

__all__ = ["mark_darkness"]

Image = npt.NDArray[np.float32]
Patch = tuple[tuple[int, int], Image]  # (row, col) of the upper left pixel, darkness

_OVERSAMPLE = 4
_MAX_BLUR_PX = 40.0  # a code this soft is gone anyway; keeps the patches small


def mark_darkness(
    rig: SimulatedRig,
    marks: tuple[Mark, ...],
    *,
    magnification: float,
    stop: float,
    focus_shift_um: float,
) -> Iterator[Patch]:
    """Blurred patches of darkness, one for each role of mark."""
    from scipy.ndimage import gaussian_filter

    focus = ThroughFocus(
        rig,
        magnification=magnification,
        stop=stop,
        channel="green",
        low_um=focus_shift_um,
        high_um=focus_shift_um,
    )

    def blur_px(angle_deg: float) -> float:
        mtf50 = crossing(focus.transfer(focus_shift_um, angle_deg), 0.5, focus.cutoff_cyc_per_px)
        assert mtf50 is not None  # the transfer is 0 at the cut-off
        return min(gaussian_product(0.5) / mtf50, _MAX_BLUR_PX)

    across_px = blur_px(0.0)
    down_px = across_px if rig.movement.is_still else blur_px(90.0)
    pad = int(np.ceil(4 * max(across_px, down_px)))
    for (row, col), covered in _covered(
        marks,
        rig.rotation_deg,
        magnification * 1000 / rig.pixel_pitch_um,
        ((rig.n_rows - 1) / 2 + rig.centre_shift_px[1]),
        ((rig.n_cols - 1) / 2 + rig.centre_shift_px[0]),
    ):
        yield (
            (row - pad, col - pad),
            gaussian_filter(np.pad(covered, pad), (down_px, across_px), mode="constant"),
        )


@lru_cache(maxsize=4)  # a through-focus series draws the same marks again and again
def _covered(
    marks: tuple[Mark, ...],
    rotation_deg: float,
    px_per_mm: float,
    centre_row: float,
    centre_col: float,
) -> tuple[Patch, ...]:
    """Share of each pixel that the marks of a role cover."""
    turn = np.deg2rad(rotation_deg)
    to_row_col = px_per_mm * np.array([[np.sin(turn), np.cos(turn)], [np.cos(turn), -np.sin(turn)]])
    patches = []
    for _, group in groupby(sorted(marks, key=lambda mark: mark.role), key=lambda m: m.role):
        shapes = [
            np.array(mark.polygon_mm) @ to_row_col.T + (centre_row, centre_col) for mark in group
        ]
        low = np.floor(np.min([shape.min(axis=0) for shape in shapes], axis=0)).astype(int) - 1
        high = np.ceil(np.max([shape.max(axis=0) for shape in shapes], axis=0)).astype(int) + 2
        n_row, n_col = high - low
        canvas = np.zeros((n_row * _OVERSAMPLE, n_col * _OVERSAMPLE), dtype=np.bool_)
        for shape in shapes:
            _fill(canvas, (shape - low + 0.5) * _OVERSAMPLE - 0.5)
        blocks = canvas.reshape(n_row, _OVERSAMPLE, n_col, _OVERSAMPLE)
        patches.append(((int(low[0]), int(low[1])), blocks.mean(axis=(1, 3), dtype=np.float32)))
    return tuple(patches)


def _fill(canvas: npt.NDArray[np.bool_], corners: npt.NDArray[np.float64]) -> None:
    """Set the points inside a polygon of (row, col) corners, in place (even-odd rule)."""
    top, left = np.maximum(np.ceil(corners.min(axis=0)).astype(int), 0)
    bottom, right = np.floor(corners.max(axis=0)).astype(int) + 1
    inside = np.zeros_like(canvas[top:bottom, left:right])
    cols = np.arange(left, left + inside.shape[1])
    for (row0, col0), (row1, col1) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if row0 != row1:
            first, last = np.ceil(np.sort([row0, row1])).astype(int)
            rows = np.arange(first, last)
            crossing_col = col0 + (rows - row0) * ((col1 - col0) / (row1 - row0))
            inside[first - top : last - top] ^= cols < crossing_col[:, None]
    canvas[top:bottom, left:right] |= inside
