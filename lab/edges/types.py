"""What the edge rooms hand to each other: noise model, region, results.

Frequencies run along the edge's normal, in cycles per pixel pitch. Positions
are (row, col) with pixel centres at whole numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["EdgeRegion", "FloatArray", "MaskArray", "NoiseModel", "Rejection"]

FloatArray = npt.NDArray[np.float64]
MaskArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class NoiseModel:
    """Pixel noise: variance = read_std**2 + gain * signal, one unit throughout.

    EMVA 1288's linear model. ``read_std`` holds everything that does not grow
    with the signal (read and quantisation noise), ``gain`` is the system gain
    (unit per electron). [DN, DN], both >= 0
    """

    read_std: float
    gain: float

    def __post_init__(self) -> None:
        if not (self.read_std >= 0 and self.gain >= 0):
            raise ValueError("read_std and gain must be numbers >= 0")

    def variance(self, signal: npt.ArrayLike) -> FloatArray:
        """Noise variance at a signal level (negative signal counts as 0)."""
        level = np.maximum(np.asarray(signal, dtype=np.float64), 0.0)
        return np.asarray(self.read_std**2 + self.gain * level)


@dataclass(frozen=True, kw_only=True)
class EdgeRegion:
    """A straight edge to measure: a rectangle along it, in frame pixels.

    ``angle_deg`` is the direction of the normal that points from dark to
    bright: 0 = towards higher columns, 90 = towards higher rows, range
    (-180, 180].
    """

    name: str
    centre_row: float
    centre_col: float
    angle_deg: float
    length_px: float
    half_width_px: float


@dataclass(frozen=True, kw_only=True)
class Rejection:
    """Why a region gave no figure, in words a photographer understands."""

    reason: str
