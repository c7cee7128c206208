"""Which dark blob of a frame is which square of the chart?

Blobs of about one size are matched to squares of about one size by trying
similarities through neighbouring pairs. Where a field's squares differ in size, the
match rests on its anchors: the largest that are many and lie inside the frame in any
turn. Several turns, shifts and scales may match equally well: ``likeness`` tells which
is right.

Positions in the reduced frame are (col, row) [bins].
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lab.edges.squares import Float32Array, over_ground
from lab.edges.types import FloatArray
from lab.edges.window import Reduced, reduce_frame
from lab.frames.frame import Frame
from targets.layout import Field

__all__ = ["FrameView", "frame_view", "matches", "spans_plane"]

# A square's centroid on bins of 1/100 of the frame has an error far below one
# pixel: what a bin rounds off at one side it adds at the other, and slanted
# sides average the rest. Full resolution would only cost time.
_LONGEST_BINS = 1100
_SCALE_RANGE = (0.8, 1.25)  # of the nominal magnification; 15 % and a margin
_TURN_RANGE_DEG = 15.0  # about each quarter turn
_MATCH_SIDES = 0.4  # distance of a blob from its square's place [sides]
_MOST_PAIRS = 45
_ANCHOR_RATIO = 1.2  # largest over smallest side of the anchors
_FEWEST_ANCHORS = 12
_SURE_REACH = 0.87  # of half the frame's short side: inside at 15 % more magnification


@dataclass(frozen=True, kw_only=True, eq=False)
class FrameView:
    """The frame as the registration sees it.

    Attributes
    ----------
    reduced : Reduced
    ratio : ndarray, (n_row, n_col) float32
        Brightness over its local ground.
    anchors : ndarray of int
        The squares to be matched first, indices into those of the field.
    side : float
        Nominal side of an anchor. [bins]
    side_mm : float
        Side of an anchor: the median where they differ. [mm]
    px_per_mm : float
        Nominal. [frame px per mm]
    """

    reduced: Reduced
    ratio: Float32Array
    anchors: npt.NDArray[np.intp]
    side: float
    side_mm: float
    px_per_mm: float


def frame_view(frame: Frame, field: Field, px_per_mm: float) -> FrameView:
    """Reduce a frame and choose the anchors.

    Parameters
    ----------
    frame : Frame
    field : Field
    px_per_mm : float
        Nominal. [frame px per mm], > 0
    """
    reduced = reduce_frame(frame, longest=_LONGEST_BINS)
    side_mm = np.array([s.side_mm for s in field.squares])
    anchors = _anchors(field, side_mm, min(frame.shape) / px_per_mm)
    bins_per_mm = px_per_mm / reduced.bin_px
    anchor_mm = float(np.median(side_mm[anchors]))
    away = np.array([math.hypot(*s.centre_mm) for s in field.squares])
    in_sight = away < np.hypot(*frame.shape) / 2 / px_per_mm
    return FrameView(
        reduced=reduced,
        ratio=over_ground(
            reduced.image, np.max(side_mm, where=in_sight, initial=anchor_mm) * bins_per_mm
        ),
        anchors=anchors,
        side=anchor_mm * bins_per_mm,
        side_mm=anchor_mm,
        px_per_mm=px_per_mm,
    )


def _anchors(field: Field, side_mm: FloatArray, short_mm: float) -> npt.NDArray[np.intp]:
    reach = np.array([math.hypot(*s.centre_mm) for s in field.squares]) + side_mm / math.sqrt(2)
    inside = reach < _SURE_REACH * short_mm / 2
    for side in np.unique(side_mm[inside])[::-1]:
        alike = inside & (side_mm <= side) & (side_mm > side / _ANCHOR_RATIO)
        if alike.sum() >= _FEWEST_ANCHORS and side_mm.max() > _ANCHOR_RATIO * side_mm.min():
            return np.flatnonzero(alike)
    return np.arange(side_mm.size)


def matches(blobs: FloatArray, field: Field, view: FrameView) -> list[dict[int, int]]:
    """Ways to pair anchors with blobs {square: blob}, most pairs first, each way once.

    A similarity through two blobs and two neighbouring squares is one guess;
    complex numbers make it z -> turn * z + shift.

    Parameters
    ----------
    blobs : ndarray, (n, 2)
        Centroids (col, row). [bins]
    field : Field
    view : FrameView
    """
    square = np.array([complex(*field.squares[i].centre_mm) for i in view.anchors])
    blob = blobs[:, 0] + 1j * blobs[:, 1]
    distance = np.abs(square[:, np.newaxis] - square)
    near = np.argsort(distance, axis=1)[:, 1:4]
    j = np.repeat(np.arange(square.size), near.shape[1])
    k = near.ravel()
    if j.size > _MOST_PAIRS:  # pairs from all over the anchors are enough
        some = np.linspace(0, j.size - 1, _MOST_PAIRS).astype(np.intp)
        j, k = j[some], k[some]
    a, b = np.nonzero(~np.eye(blob.size, dtype=np.bool_))
    turn = (blob[b] - blob[a])[:, np.newaxis] / (square[k] - square[j])
    scale = np.abs(turn) / (view.px_per_mm / view.reduced.bin_px)
    angle = np.degrees(np.angle(turn))
    off = np.abs(angle - 90 * np.round(angle / 90))
    low, high = _SCALE_RANGE
    guess, pair = np.nonzero((scale > low) & (scale < high) & (off < _TURN_RANGE_DEG))
    ways: dict[tuple[tuple[int, int], ...], dict[int, int]] = {}
    for part in np.array_split(np.arange(guess.size), max(1, guess.size // 2000)):
        t = turn[guess[part], pair[part]][:, np.newaxis]
        place = t * square + (blob[a[guess[part]]][:, np.newaxis] - t * square[j[pair[part]], None])
        gap = np.abs(place[:, :, np.newaxis] - blob)
        nearest = gap.argmin(axis=2)
        hit = np.take_along_axis(gap, nearest[:, :, np.newaxis], axis=2)[:, :, 0]
        hit = np.where(hit < _MATCH_SIDES * view.side, nearest, -1)
        for line in np.unique(hit, axis=0):
            seen = np.flatnonzero(line >= 0)
            if spans_plane(square[seen]):
                way = {int(view.anchors[i]): int(line[i]) for i in seen}
                ways[tuple(way.items())] = way
    return sorted(ways.values(), key=len, reverse=True)


def spans_plane(points: npt.NDArray[np.complex128]) -> bool:
    """Four points or more that do not lie in one row?"""
    if points.size < 4:
        return False
    off = points - points.mean()
    extent = np.linalg.svd(np.stack([off.real, off.imag]), compute_uv=False)
    return bool(extent[1] > 0.1 * extent[0])
