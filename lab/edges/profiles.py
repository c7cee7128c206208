"""The edge spread function that a region's pixels show, in bins across the edge.

``measure_edge`` fits raw pixels and keeps a few figures; a profile keeps the shape
itself, small enough to store, so that the edges of a frame can be fitted together
later. Bins are ``BIN_PX`` wide along the edge's normal and centred at whole multiples
of it from the fitted line, the same for every edge. A bin's mean is moved to its centre
along the local slope: pixels do not fill a bin evenly, and where the edge is steep that
would weigh as much as the noise.

Left out: the edge's bend. Its few hundredths of a pixel of blur are in the reference's
edges too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray, MaskArray, NoiseModel, Rejection

__all__ = ["BIN_PX", "BinnedProfile", "binned_profile"]

BIN_PX = 0.25
_FEWEST_PIXELS = 3  # of a bin: fewer say little and may be one speck
_FEWEST_BINS = 24
_SPECK = 8.0  # noise standard deviations from the bins around: dust, dead pixels
_SPECK_STEP = 0.2  # and at least this share of the step: a bin of a steep edge is less
_STEPS_PER_STD = 512
_SLOPE_REACH = 2  # bins on either side that the local slope is taken over


@dataclass(frozen=True, kw_only=True, eq=False)
class BinnedProfile:
    """Mean level against distance from an edge.

    Attributes
    ----------
    x_px : ndarray, (n,)
        Bin centres, ascending, bright side positive; bins without pixels are left out. [px]
    level_dn, std_dn : ndarray, (n,)
        Mean level and its standard uncertainty by noise. [DN]
    """

    x_px: FloatArray
    level_dn: FloatArray
    std_dn: FloatArray

    def __post_init__(self) -> None:
        for name in ("x_px", "level_dn", "std_dn"):
            copy = np.array(getattr(self, name), dtype=np.float64)
            copy.setflags(write=False)
            object.__setattr__(self, name, copy)


def binned_profile(
    pixels: npt.NDArray[np.float64],
    mask: MaskArray,
    noise: NoiseModel,
    *,
    angle_deg: float,
    offset_px: float,
    reach_px: float,
) -> BinnedProfile | Rejection:
    """Bin a region's pixels by their distance from its edge.

    Parameters
    ----------
    pixels : ndarray, (n_row, n_col) float64
        Linear, black-subtracted. [DN or any linear unit]
    mask : ndarray of bool, (n_row, n_col)
        True = use; one raw colour's sites, unsaturated.
    noise : NoiseModel
        In the same unit.
    angle_deg, offset_px : float
        Of the edge, as ``EdgeMeasurement`` has them. [deg], [px]
    reach_px : float
        Distance on either side to keep. [px], > 0

    Returns
    -------
    BinnedProfile or Rejection

    Raises
    ------
    ValueError
        If an array has the wrong shape or a number is outside its range.
    """
    pixels = np.asarray(pixels, dtype=np.float64)
    mask = np.asarray(mask, dtype=bool)
    if pixels.ndim != 2 or mask.shape != pixels.shape:
        raise ValueError("pixels and mask must have one shape (n_row, n_col)")
    if not (np.isfinite(angle_deg) and np.isfinite(offset_px)):
        raise ValueError("angle_deg and offset_px must be finite numbers")
    if not 0 < reach_px < np.inf:
        raise ValueError("reach_px must be a finite number > 0")
    row, col = np.nonzero(mask & np.isfinite(pixels))
    value = pixels[row, col]
    angle = np.deg2rad(angle_deg)
    distance = (
        (col - (pixels.shape[1] - 1) / 2) * np.cos(angle)
        + (row - (pixels.shape[0] - 1) / 2) * np.sin(angle)
        - offset_px
    )
    last = int(reach_px / BIN_PX)
    at = np.rint(distance / BIN_PX).astype(np.intp) + last
    near = (at >= 0) & (at <= 2 * last)
    at, value, distance = at[near], value[near], distance[near]
    x = np.arange(-last, last + 1, dtype=np.float64) * BIN_PX
    count, level, place = _means(at, value, distance, x.size)
    filled = count >= _FEWEST_PIXELS
    if np.count_nonzero(filled) < _FEWEST_BINS:
        return Rejection(reason="too few pixels across the edge for a profile of it")
    step = float(np.ptp(level[filled]))
    off = value - _middle_of_three(level, filled)[at]
    limit = np.maximum(_SPECK * np.sqrt(noise.variance(level[at])), _SPECK_STEP * step)
    good = np.abs(off) <= limit
    if not good.all():
        count, level, place = _means(at[good], value[good], distance[good], x.size)
        filled = count >= _FEWEST_PIXELS
    if np.count_nonzero(filled) < _FEWEST_BINS:
        return Rejection(reason="too few pixels across the edge for a profile of it")
    level = (level + _slope(level, place, filled) * (x - place))[filled]
    std = np.sqrt(noise.variance(level) / count[filled])
    if not std.min() > 0:
        return BinnedProfile(x_px=x[filled], level_dn=level, std_dn=std)
    return BinnedProfile(
        x_px=x[filled], level_dn=_rounded(level, std), std_dn=_rounded(std, std / 16)
    )


def _rounded(value: FloatArray, std: FloatArray) -> FloatArray:
    """Values without the digits far below their noise, which no one can use or compress.

    Steps are powers of two, a 512th of the uncertainty or less: what rounding adds to the
    variance is below a millionth of it.
    """
    step = np.exp2(np.floor(np.log2(std / _STEPS_PER_STD)))
    return np.asarray(np.rint(value / step) * step)


def _means(
    at: npt.NDArray[np.intp], value: FloatArray, distance: FloatArray, size: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pixels, mean value and mean distance of each bin; 0 where it is empty."""
    count = np.bincount(at, minlength=size).astype(np.float64)
    weight = 1 / np.maximum(count, 1)
    return (
        count,
        np.bincount(at, value, size) * weight,
        np.bincount(at, distance, size) * weight,
    )


def _middle_of_three(level: FloatArray, filled: MaskArray) -> FloatArray:
    """Median of each filled bin and its neighbours: one speck cannot move it."""
    k = np.flatnonzero(filled)
    middle = level.copy()
    beside = np.stack([level[k[:-2]], level[k[1:-1]], level[k[2:]]])
    middle[k[1:-1]] = np.median(beside, axis=0)
    return middle


def _slope(level: FloatArray, place: FloatArray, filled: MaskArray) -> FloatArray:
    """Local slope at each bin, from the filled bins around it; 0 where it is empty."""
    k = np.flatnonzero(filled)
    slope = np.zeros(level.size)
    low = k[np.maximum(np.arange(k.size) - _SLOPE_REACH, 0)]
    high = k[np.minimum(np.arange(k.size) + _SLOPE_REACH, k.size - 1)]
    slope[k] = (level[high] - level[low]) / (place[high] - place[low])
    return slope
