"""Which pixels does an edge region cover, and how does a frame look when made small?

Positions are (row, col) in frame pixels, pixel centres at whole numbers. The
finder and the registration look at ``Reduced`` images only: whole periods of
the colour pattern are averaged, so the mosaic vanishes and no colour needs to
be interpolated. What is measured later is measured at the raw sites.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lab.edges.types import EdgeRegion, FloatArray, MaskArray
from lab.frames.frame import Frame

__all__ = [
    "Reduced",
    "reduce_frame",
    "region_box",
    "region_corners",
    "region_inside",
    "region_mask",
    "region_window",
]

_STRIP_BINS = 16


@dataclass(frozen=True, kw_only=True, eq=False)
class Reduced:
    """A frame averaged over square bins, all colours together.

    Attributes
    ----------
    image : ndarray, (n_row, n_col) float32
        Mean of each bin. [DN]
    bin_px : int
        Side of a bin. [frame px], >= 1
    """

    image: npt.NDArray[np.float32]
    bin_px: int

    def to_frame(self, at: npt.ArrayLike) -> FloatArray:
        """Frame coordinates of coordinates in ``image`` (rows or columns alike)."""
        return np.asarray(at, np.float64) * self.bin_px + (self.bin_px - 1) / 2

    def from_frame(self, at: npt.ArrayLike) -> FloatArray:
        """Coordinates in ``image`` of frame coordinates."""
        return (np.asarray(at, np.float64) - (self.bin_px - 1) / 2) / self.bin_px


def reduce_frame(frame: Frame, *, longest: int) -> Reduced:
    """Average a frame down until its long side has at most ``longest`` bins.

    Parameters
    ----------
    frame : Frame
    longest : int
        Upper limit for the long side of the result. [bins], > 0

    Returns
    -------
    Reduced
        A remainder at the right and at the bottom that fills no bin is left out.

    Raises
    ------
    ValueError
        If ``longest`` is not > 0 or the frame is smaller than one bin.
    """
    if not longest > 0:
        raise ValueError("longest must be > 0")
    period = math.lcm(*frame.pattern.shape) if frame.is_mosaic else 1
    bin_px = period * math.ceil(max(frame.shape) / longest / period)
    n_row, n_col = (n // bin_px for n in frame.shape)
    if not min(n_row, n_col) > 0:
        raise ValueError("the frame is smaller than one bin")
    planes = 1 if frame.is_mosaic else frame.pixels.shape[2]
    width = bin_px * planes
    # Rows first: a pass over the whole frame is then a sum of contiguous lines. In strips,
    # as the linear values of a whole frame would take twice its memory.
    lines = np.concatenate(
        [
            frame.pixels[i * bin_px : min(i + _STRIP_BINS, n_row) * bin_px]
            .reshape(-1, bin_px, frame.shape[1] * planes)
            .sum(axis=1)
            for i in range(0, n_row, _STRIP_BINS)
        ]
    )
    image = lines[:, : n_col * width].reshape(n_row, n_col, width).sum(axis=2)
    image /= np.float32(bin_px * width)
    return Reduced(image=image, bin_px=bin_px)


def region_corners(region: EdgeRegion) -> FloatArray:
    """The four corners [px] of a region's rectangle, (4, 2), each (row, col)."""
    angle = math.radians(region.angle_deg)
    normal = region.half_width_px * np.array([math.sin(angle), math.cos(angle)])
    along = region.length_px / 2 * np.array([math.cos(angle), -math.sin(angle)])
    centre = np.array([region.centre_row, region.centre_col])
    return np.stack(
        [centre + a * normal + b * along for a, b in ((-1, -1), (-1, 1), (1, 1), (1, -1))]
    )


def region_inside(region: EdgeRegion, frame_shape: tuple[int, int]) -> bool:
    """True if the whole rectangle lies between the frame's outermost pixel centres."""
    corners = region_corners(region)
    return bool((corners >= 0).all() and (corners <= np.array(frame_shape) - 1).all())


def region_box(region: EdgeRegion, frame_shape: tuple[int, int]) -> tuple[slice, slice]:
    """Bounding box of a region's pixels, clipped to the frame.

    Parameters
    ----------
    region : EdgeRegion
    frame_shape : tuple of int
        (n_row, n_col) of the frame. [px]

    Returns
    -------
    rows, cols : slice
        Explicit start and stop.

    Raises
    ------
    ValueError
        If no pixel of the frame lies in the box.
    """
    corners = region_corners(region)
    start = np.maximum(np.ceil(corners.min(axis=0)), 0).astype(int)
    stop = np.minimum(np.floor(corners.max(axis=0)) + 1, frame_shape).astype(int)
    if not (start < stop).all():
        raise ValueError(f"region {region.name!r} lies outside the frame")
    return slice(int(start[0]), int(stop[0])), slice(int(start[1]), int(stop[1]))


def region_mask(region: EdgeRegion, row: FloatArray, col: FloatArray) -> MaskArray:
    """Which places of a grid lie in a region's rectangle.

    Parameters
    ----------
    region : EdgeRegion
    row, col : ndarray, (n_row,), (n_col,)
        Lines of the grid. [px]

    Returns
    -------
    ndarray of bool, (n_row, n_col)
    """
    angle = math.radians(region.angle_deg)
    sin, cos = math.sin(angle), math.cos(angle)
    row, col = row - region.centre_row, col - region.centre_col
    across = (row * sin)[:, np.newaxis] + col * cos
    along = (row * cos)[:, np.newaxis] - col * sin
    inside = np.abs(across, out=across) <= region.half_width_px
    inside &= np.abs(along, out=along) <= region.length_px / 2
    return np.asarray(inside)


def region_window(
    region: EdgeRegion, frame_shape: tuple[int, int]
) -> tuple[slice, slice, MaskArray]:
    """The pixels of a region: its ``region_box`` and a mask in it.

    Returns
    -------
    rows, cols : slice
    inside : ndarray of bool, (rows.stop - rows.start, cols.stop - cols.start)
        True where the pixel centre lies in the rectangle.
    """
    rows, cols = region_box(region, frame_shape)
    row = np.arange(rows.start, rows.stop, dtype=np.float64)
    return rows, cols, region_mask(region, row, np.arange(cols.start, cols.stop, dtype=np.float64))
