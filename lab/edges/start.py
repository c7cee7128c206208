"""Where is the edge, roughly? Starting values for the fit from coarse cells.

The region is averaged into square cells of at least two pixels, large enough
that any colour mosaic fills every cell. The gradient of the cells gives angle
and place, a Gaussian edge fitted to them the blur. Nothing here carries a
figure: the fit to the pixels replaces every value.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from lab.edges.types import FloatArray, MaskArray, Rejection

__all__ = ["EdgeStart", "find_start"]

_CELLS_ACROSS = 28


@dataclass(frozen=True, kw_only=True)
class EdgeStart:
    """Rough edge: normal from dark to bright, offset along it from the region's centre."""

    angle_rad: float
    offset_px: float
    blur_std_px: float
    low: float
    high: float


def _cell_means(
    pixels: FloatArray, mask: MaskArray
) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Mean, count and centre offsets of cells; cells of size max(2, extent / 28)."""
    n_row, n_col = pixels.shape
    size = max(2, int(np.ceil(max(n_row, n_col) / _CELLS_ACROSS)))
    rows = np.arange(0, n_row, size)
    cols = np.arange(0, n_col, size)
    total = np.add.reduceat(np.add.reduceat(np.where(mask, pixels, 0.0), rows, 0), cols, 1)
    count = np.add.reduceat(np.add.reduceat(mask.astype(np.float64), rows, 0), cols, 1)
    mean = total / np.maximum(count, 1)
    return mean, count, np.array([n_row, n_col], dtype=np.float64), float(size)


def find_start(pixels: FloatArray, mask: MaskArray) -> EdgeStart | Rejection:
    """Rough edge parameters, or why there is no single edge.

    Parameters
    ----------
    pixels : ndarray, (n_row, n_col)
        Linear, finite where used. [DN]
    mask : ndarray of bool, (n_row, n_col)
        True = use.
    """
    mean, count, shape, size = _cell_means(pixels, mask)
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
    offset = centre_col * np.cos(angle) + centre_row * np.sin(angle)
    distance = col[None, :] * np.cos(angle) + row[:, None] * np.sin(angle) - offset
    bright, dark = used & (distance > 2 * size), used & (distance < -2 * size)
    if bright.sum() < 4 or dark.sum() < 4:
        return Rejection(
            reason="the edge lies at the border of the region: one of its sides is missing"
        )
    low, high = float(np.median(mean[dark])), float(np.median(mean[bright]))
    return _refine(mean, count, row, col, angle, offset, size, low, high)


def _smooth3(a: FloatArray) -> FloatArray:
    padded = np.pad(a, 1)
    lines = padded[:-2] + padded[1:-1] + padded[2:]
    return np.asarray(lines[:, :-2] + lines[:, 1:-1] + lines[:, 2:])


def _refine(
    mean: FloatArray,
    count: FloatArray,
    row: FloatArray,
    col: FloatArray,
    angle: float,
    offset: float,
    size: float,
    low: float,
    high: float,
) -> EdgeStart | Rejection:
    """Gauss-Newton on a Gaussian edge: angle, offset, log blur; levels solved along."""
    used = count > 0
    grid_col, grid_row = np.broadcast_arrays(col[None, :], row[:, None])
    x_col, x_row, y = grid_col[used], grid_row[used], mean[used]
    root = np.sqrt(count[used])
    log_blur = np.log(1.5 * size)
    for step in range(12):
        along = x_row * np.cos(angle) - x_col * np.sin(angle)
        blur = np.exp(log_blur)
        z = (x_col * np.cos(angle) + x_row * np.sin(angle) - offset) / blur
        slope = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi) * (high - low)
        columns = np.stack(
            [np.ones_like(z), ndtr(z), slope * along / blur, -slope / blur, -slope * z], axis=1
        )
        target = y - low - (high - low) * columns[:, 1]
        # A touch of damping: a hopeless region must not send the blur to infinity.
        normal = (columns * root[:, None]).T @ (columns * root[:, None])
        normal[np.diag_indices(5)] *= 1 + 1e-6
        try:
            delta = np.linalg.solve(normal, (columns * root[:, None]).T @ (target * root))
        except np.linalg.LinAlgError:
            return Rejection(reason="no single straight edge could be followed in the region")
        low, high = low + delta[0], high + delta[0] + delta[1]
        angle += float(np.clip(delta[2], -0.3, 0.3))
        offset += float(np.clip(delta[3], -4 * size, 4 * size))
        log_blur += float(np.clip(delta[4], -0.7, 0.7))
        log_blur = float(np.clip(log_blur, np.log(0.15 * size), np.log(40 * size)))
        if step > 1 and np.abs(delta[2]) * np.ptp(along) < 0.05 and np.abs(delta[4]) < 0.05:
            break
    if high < low:  # point the normal from dark to bright
        low, high = high, low
        angle, offset = angle + np.pi, -offset
    # Cells blur too: take their box out again.
    variance = np.exp(2 * log_blur) - size**2 / 12
    angle = (angle + np.pi) % (2 * np.pi) - np.pi
    return EdgeStart(
        angle_rad=float(angle),
        offset_px=float(offset),
        blur_std_px=float(np.sqrt(max(variance, 0.3**2))),
        low=float(low),
        high=float(high),
    )
