"""What shape has MTF50 against focus? That of a round pupil with spherical aberration.

Primary spherical aberration flattens the peak and makes one side fall faster than the
other; a shape that only leans misses the peak of such a lens by up to a percent.
Defocus and aberration are at the pupil's rim, in waves.

Leaves out: pixel, residual blur and the band of wavelengths, all of which round the
peak a little, and aberrations of higher order.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from lab.edges.types import FloatArray
from lab.optics.pupil import aberrated_otf

if TYPE_CHECKING:
    from scipy.interpolate import RectBivariateSpline

__all__ = ["W040_END", "focus_shape"]

W040_END = 2.0
_DEFOCUS_END = 2.0  # from best focus
_BESIDE = 0.3  # best focus is at most this far from minus the spherical aberration
_STEP = 0.1


def _mtf50(w20: FloatArray, w040: FloatArray) -> FloatArray:
    """Over the cut-off, to 1e-5, of any number of pupils."""
    grid = np.geomspace(0.03, 0.5, 10)
    below = aberrated_otf(grid[:, np.newaxis], w20, w040) < 0.5
    k = np.maximum(np.argmax(below, axis=0), 1)
    low, high = grid[k - 1], grid[k]
    # By turns where the secant crosses and half way, which draws both ends in.
    for turn in range(6):
        share = np.full(low.size, 0.5)
        ends = aberrated_otf(np.stack([low, high]), w20, w040) - 0.5
        secant = np.clip(ends[0] / (ends[0] - ends[1]), 0, 1)
        share = secant if turn % 2 == 0 else share
        middle = low + share * (high - low)
        above = aberrated_otf(middle, w20, w040) > 0.5
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    ends = aberrated_otf(np.stack([low, high]), w20, w040) - 0.5
    return np.asarray(low + ends[0] / (ends[0] - ends[1]) * (high - low))


@lru_cache(maxsize=1)
def _table() -> RectBivariateSpline:
    """Logarithm of MTF50 over its peak, by spherical aberration and defocus from the peak."""
    from scipy.interpolate import CubicSpline, RectBivariateSpline

    w040 = np.linspace(0, W040_END, 11)
    reach = _DEFOCUS_END + _BESIDE
    beside = np.linspace(-reach, reach, 2 * round(reach / _STEP) + 1)
    spherical, defocus = np.meshgrid(w040, beside, indexing="ij")
    found = _mtf50((defocus - spherical).ravel(), spherical.ravel())
    from_peak = np.linspace(-_DEFOCUS_END, _DEFOCUS_END, 2 * round(_DEFOCUS_END / _STEP) + 1)
    fine = np.linspace(-_BESIDE, _BESIDE, 1201)
    rows = []
    for row in np.log(found).reshape(spherical.shape):
        curve = CubicSpline(beside, row)
        best = fine[np.argmax(curve(fine))]
        rows.append(curve(best + from_peak) - curve(best))
    # The MTF stays where both aberrations turn their signs.
    both = np.concatenate([np.array(rows)[:0:-1, ::-1], rows])
    return RectBivariateSpline(np.append(-w040[:0:-1], w040), from_peak, both)


def focus_shape(defocus: FloatArray, w040: float) -> FloatArray:
    """MTF50 over its peak.

    Parameters
    ----------
    defocus : ndarray, (n,)
        From best focus. [waves]
    w040 : float
        Primary spherical aberration, within +-``W040_END``; beyond, that of the end. [waves]

    Returns
    -------
    ndarray, (n,)
        1 at best focus.
    """
    inside = np.clip(defocus, -_DEFOCUS_END, _DEFOCUS_END)
    # Beyond the table blur is geometric: MTF50 falls as 1 / defocus.
    far = _DEFOCUS_END / np.maximum(np.abs(defocus), _DEFOCUS_END)
    return np.asarray(np.exp(_table().ev(np.full_like(inside, w040), inside)) * far)
