"""Where do the brightness gradients of an image line up?

Line-support regions after Burns, Hanson and Riseman, "Extracting straight
lines", IEEE PAMI 8(4), 1986 (from memory): connected bins whose gradients point
into one sector of 45 degrees, for two sets of sectors that overlap by half. No
judgement here on whether a line is an edge worth measuring: see ``find``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from lab.edges.types import FloatArray

__all__ = ["Float32Array", "Line", "noise_std", "support_lines"]

_GRADIENT_SIGMA = 1.2  # [bins]
_GRADIENT_SNR = 4.0  # noise alone passes once in 3000 bins, never in a row
_GRADIENT_FLOOR = 0.01  # of the local signal, per bin: vignetting stays below

Float32Array = npt.NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class Line:
    """An edge in search-image bins; the angle as in ``EdgeRegion``, in radians."""

    row: float
    col: float
    angle: float
    length: float
    weight: float  # length x contrast

    def at(self, along: npt.ArrayLike, across: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Rows and columns at distances along the line and along its normal."""
        t, x = np.asarray(along, np.float64), np.asarray(across, np.float64)
        sin, cos = math.sin(self.angle), math.cos(self.angle)
        return self.row + cos * t + sin * x, self.col - sin * t + cos * x

    def shifted(self, along: float, across: float, turn: float, length: float) -> Line:
        """The line moved along and across itself [bins], turned [rad], with a new length."""
        row, col = self.at(along, across)
        return Line(
            row=float(row),
            col=float(col),
            angle=self.angle + turn,
            length=length,
            weight=self.weight,
        )


def noise_std(image: Float32Array) -> float:
    """Noise of one bin, from a mask blind to planes and edges along an axis."""
    mask = np.array([1.0, -2.0, 1.0], np.float32)
    curved = ndimage.correlate1d(ndimage.correlate1d(image, mask, axis=0), mask, axis=1)
    # Gain of the mask is 6; 0.6745 turns a median deviation into a std.
    return float(np.median(np.abs(curved))) / (6 * 0.6745)


def support_lines(image: Float32Array, shortest: float) -> list[Line]:
    """Line-support regions: connected bins whose gradients point alike."""
    from skimage.measure import label

    along_row = ndimage.gaussian_filter(image, _GRADIENT_SIGMA, order=(1, 0))
    along_col = ndimage.gaussian_filter(image, _GRADIENT_SIGMA, order=(0, 1))
    size = np.hypot(along_row, along_col)
    # Std of one gradient component for white noise of std 1.
    noise_gain = 1 / (math.sqrt(8 * math.pi) * _GRADIENT_SIGMA**2)
    signal = ndimage.uniform_filter(image, 9)
    base = np.float32(0.05) * max(float(np.percentile(image[::4, ::4], 99)), 0.0)
    floor = np.float32(_GRADIENT_FLOOR) * (np.maximum(signal, 0) + base)
    strong = size > np.maximum(np.float32(_GRADIENT_SNR * noise_gain * noise_std(image)), floor)
    rows, cols = np.nonzero(strong)
    if rows.size == 0:
        return []
    g_row, g_col = along_row[rows, cols], along_col[rows, cols]
    octant = np.arctan2(g_row, g_col) / (math.pi / 4)
    lines: list[Line] = []
    for offset in (0.0, 0.5):
        sectors = np.zeros(image.shape, np.uint8)
        sectors[rows, cols] = 1 + np.floor(octant + offset).astype(int) % 8
        labels = label(sectors, connectivity=2)[rows, cols]
        lines += _lines_of(labels, rows, cols, g_row, g_col, shortest)
    return lines


def _lines_of(
    labels: npt.NDArray[np.int_],
    rows: npt.NDArray[np.int_],
    cols: npt.NDArray[np.int_],
    g_row: Float32Array,
    g_col: Float32Array,
    shortest: float,
) -> list[Line]:
    """Principal axis of each region, from its gradient-weighted moments."""
    weight = np.hypot(g_row, g_col)
    count = np.bincount(labels)
    big = count >= shortest
    total = np.maximum(np.bincount(labels, weight), np.finfo(np.float32).tiny)

    def mean(values: npt.NDArray[np.generic]) -> FloatArray:
        return np.asarray(np.bincount(labels, weight * values) / total)

    row, col = mean(rows), mean(cols)
    d_row, d_col = rows - row[labels], cols - col[labels]
    rr, cc, rc = mean(d_row**2), mean(d_col**2), mean(d_row * d_col)
    spread = np.hypot((rr - cc) / 2, rc)
    major, minor = (rr + cc) / 2 + spread, np.maximum((rr + cc) / 2 - spread, 0)
    length = np.sqrt(12 * major)
    pointing = np.arctan2(np.bincount(labels, g_row), np.bincount(labels, g_col))
    normal = np.arctan2(2 * rc, cc - rr) / 2 + math.pi / 2  # of the principal axis
    turn = normal - pointing
    turn -= math.pi * np.round(turn / math.pi)
    slim = major > 9 * minor  # else the axis says less than the mean gradient
    angle = pointing + np.where(slim, turn, 0.0)
    keep = big & (length >= 0.6 * shortest) & (~slim | (np.abs(turn) < math.radians(15)))
    return [
        Line(
            row=float(row[i]),
            col=float(col[i]),
            angle=float(angle[i]),
            length=float(length[i]),
            weight=float(total[i]),
        )
        for i in np.flatnonzero(keep)
    ]
