"""Where is the edge, roughly? Starting values for the fit from coarse cells.

The region is averaged into square cells of at least two pixels, large enough
that any colour mosaic fills every cell. The gradient of the cells gives angle
and place; a Gaussian edge fitted to them, then to single sites near the edge, gives
the blur. Nothing here carries a figure: the fit to the pixels replaces every value.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from lab.edges.sites import Sites
from lab.edges.types import FloatArray, Rejection

__all__ = ["EdgeStart", "cell_size_px", "find_start"]

_CELLS_ACROSS = 28
_NEAR = 1.0, 3.0  # cells, and standard deviations of the blur: where single sites are used
_NEAR_SITES = 1000  # enough to see the blur through noise of a tenth of the step


@dataclass(frozen=True, kw_only=True)
class EdgeStart:
    """Rough edge: normal from dark to bright, offset along it from the region's centre."""

    angle_rad: float
    offset_px: float
    blur_std_px: float
    low: float
    high: float


def cell_size_px(shape: tuple[int, int]) -> int:
    """Side of the cells of a window with so many rows and columns. [px]."""
    return max(2, math.ceil(max(shape) / _CELLS_ACROSS))


def _cell_means(sites: Sites, shape: tuple[int, int], size: int) -> tuple[FloatArray, FloatArray]:
    """Mean and count of the sites in square cells."""
    n_row, n_col = (math.ceil(n / size) for n in shape)
    row = (sites.row + (shape[0] - 1) / 2).astype(np.intp) // size
    col = (sites.col + (shape[1] - 1) / 2).astype(np.intp) // size
    cell = row * n_col + col
    count = np.bincount(cell, minlength=n_row * n_col).reshape(n_row, n_col).astype(np.float64)
    total = np.bincount(cell, sites.value, n_row * n_col).reshape(n_row, n_col)
    return total / np.maximum(count, 1), count


def find_start(sites: Sites, shape: tuple[int, int]) -> EdgeStart | Rejection:
    """Rough edge parameters, or why there is no single edge.

    Parameters
    ----------
    sites : Sites
        Linear, finite.
    shape : (int, int)
        Rows and columns of the window. [px]
    """
    size = cell_size_px(shape)
    mean, count = _cell_means(sites, shape, size)
    used = count > 0
    if min(mean.shape) < 4 or used.sum() < 16:
        return Rejection(reason="the region is too small to hold an edge and both its sides")
    # Smooth by 3x3 with the counts as weights; fills the odd empty cell.
    smooth = _smooth3(mean * count) / np.maximum(_smooth3(count), 1e-9)
    valid = _smooth3(used.astype(np.float64)) > 8.5
    gradient_row, gradient_col = np.gradient(smooth)
    strength = np.where(valid, gradient_row**2 + gradient_col**2, 0.0)
    strength[[0, -1], :] = 0
    strength[:, [0, -1]] = 0
    top = strength.max()
    if not top > 0:
        return Rejection(reason="the region is uniform: no edge in it")
    weight = np.where(strength > 0.3 * top, strength, 0.0)
    angle = float(np.arctan2((weight * gradient_row).sum(), (weight * gradient_col).sum()))
    row = (np.arange(mean.shape[0]) + 0.5) * size - 0.5 - (shape[0] - 1) / 2
    col = (np.arange(mean.shape[1]) + 0.5) * size - 0.5 - (shape[1] - 1) / 2
    # The last cells are narrower; their centre is off by less than half a cell.
    total = weight.sum()
    centre_row = float((weight.sum(1) * row).sum() / total)
    centre_col = float((weight.sum(0) * col).sum() / total)
    offset = float(centre_col * np.cos(angle) + centre_row * np.sin(angle))
    distance = col[None, :] * np.cos(angle) + row[:, None] * np.sin(angle) - offset
    bright, dark = used & (distance > 2 * size), used & (distance < -2 * size)
    if bright.sum() < 4 or dark.sum() < 4:
        return Rejection(
            reason="the edge lies at the border of the region: one of its sides is missing"
        )
    low, high = float(np.median(mean[dark])), float(np.median(mean[bright]))
    grid_col, grid_row = np.broadcast_arrays(col[None, :], row[:, None])
    first = _Rough(angle=angle, offset=offset, log_blur=math.log(1.5 * size), low=low, high=high)
    rough = _refined(
        first, grid_row[used], grid_col[used], mean[used], np.sqrt(count[used]), float(size)
    )
    if rough is not None and size > 2:
        # Where the cells do not resolve the blur it is smaller than they are.
        variance = math.exp(2 * rough.log_blur) - 1.2 * size**2 / 12
        blur = math.sqrt(max(variance, (0.15 * size) ** 2))
        distance = sites.col * math.cos(rough.angle) + sites.row * math.sin(rough.angle)
        reach = max(_NEAR[0] * size, _NEAR[1] * blur)
        near = np.flatnonzero(np.abs(distance - rough.offset) < reach)
        near = near[:: 2 * (near.size // (2 * _NEAR_SITES)) + 1]
        rough = _refined(
            replace(rough, log_blur=math.log(blur)),
            sites.row[near],
            sites.col[near],
            sites.value[near],
            np.ones(near.size),
            1.0,
        )
    if rough is None:
        return Rejection(reason="no single straight edge could be followed in the region")
    return rough.start()


def _smooth3(a: FloatArray) -> FloatArray:
    padded = np.zeros((a.shape[0] + 2, a.shape[1] + 2))
    padded[1:-1, 1:-1] = a
    lines = padded[:-2] + padded[1:-1] + padded[2:]
    return np.asarray(lines[:, :-2] + lines[:, 1:-1] + lines[:, 2:])


@dataclass(frozen=True, kw_only=True)
class _Rough:
    """An edge on the way; ``size`` is the box that its points were averaged over. [px]."""

    angle: float
    offset: float
    log_blur: float
    low: float
    high: float
    size: float = 0.0

    def start(self) -> EdgeStart:
        angle, offset, low, high = self.angle, self.offset, self.low, self.high
        if high < low:  # point the normal from dark to bright
            low, high = high, low
            angle, offset = angle + math.pi, -offset
        # Cells blur too: take their box out again. A site's is the pixel's own.
        variance = math.exp(2 * self.log_blur)
        if self.size > 1:
            variance -= self.size**2 / 12
        return EdgeStart(
            angle_rad=(angle + math.pi) % (2 * math.pi) - math.pi,
            offset_px=offset,
            blur_std_px=math.sqrt(max(variance, 0.3**2)),
            low=low,
            high=high,
        )


def _refined(
    rough: _Rough,
    row: FloatArray,
    col: FloatArray,
    value: FloatArray,
    root: FloatArray,
    size: float,
) -> _Rough | None:
    """Gauss-Newton on a Gaussian edge: angle, offset, log blur; levels solved along.

    Points at (row, col), weighed by the squares of ``root``; None where there is no edge.
    """
    angle, offset, log_blur = rough.angle, rough.offset, rough.log_blur
    low, high = rough.low, rough.high
    columns = np.empty((value.size, 5))
    columns[:, 0] = 1
    for step in range(12):
        cos, sin, blur = math.cos(angle), math.sin(angle), math.exp(log_blur)
        along = row * cos - col * sin
        z = (col * cos + row * sin - offset) / blur
        slope = np.exp(-0.5 * z * z) * ((high - low) / math.sqrt(2 * math.pi))
        columns[:, 1] = ndtr(z)
        columns[:, 2] = slope * along / blur
        columns[:, 3] = -slope / blur
        columns[:, 4] = -slope * z
        weighed = columns * root[:, None]
        target = (value - low - (high - low) * columns[:, 1]) * root
        # A touch of damping: a hopeless region must not send the blur to infinity.
        normal = weighed.T @ weighed
        normal[np.diag_indices(5)] *= 1 + 1e-6
        try:
            delta = np.linalg.solve(normal, weighed.T @ target).tolist()
        except np.linalg.LinAlgError:
            return None
        low, high = low + delta[0], high + delta[0] + delta[1]
        angle += _clipped(delta[2], 0.3)
        offset += _clipped(delta[3], 4 * size)
        log_blur += _clipped(delta[4], 0.7)
        log_blur = min(max(log_blur, math.log(0.15 * size)), math.log(40 * size))
        if step > 1 and abs(delta[2]) * np.ptp(along) < 0.05 * size and abs(delta[4]) < 0.1:
            break
    if not all(map(math.isfinite, (angle, offset, log_blur, low, high))):
        return None
    return _Rough(angle=angle, offset=offset, log_blur=log_blur, low=low, high=high, size=size)


def _clipped(value: float, limit: float) -> float:
    return min(max(value, -limit), limit)
