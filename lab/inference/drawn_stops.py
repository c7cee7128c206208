"""Which stops does a curve drawn within its uncertainty single out?

A curve is the logarithm of sharpness on a fine, even grid of stops with its
covariance. Drawn many times, each draw has a sharpest stop and a deepest one still
sharp: their scatter is the uncertainty of both. Places are in stops from f/1.
"""

from __future__ import annotations

import numpy as np

from lab.edges.types import FloatArray

__all__ = ["FORM_STD_STOPS", "drawn_curves", "last_sharp", "tops"]

_DRAWS = 4000
# What the fitted shapes miss of a real lens's best stop, as a standard deviation: seen
# on simulated lenses with zonal spherical aberration, polygonal irises and vibration.
FORM_STD_STOPS = 0.052


def drawn_curves(
    height: FloatArray, covariance: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Curves drawn within their uncertainty.

    Parameters
    ----------
    height : ndarray, (n,)
        Logarithm of sharpness.
    covariance : ndarray, (n, n)
        Of ``height``; may be singular.
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, (4000, n)
    """
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    root = vectors * np.sqrt(np.maximum(values, 0))
    return np.asarray(height + rng.standard_normal((_DRAWS, height.size)) @ root.T)


def tops(x: FloatArray, heights: FloatArray) -> FloatArray:
    """Place of each row's maximum, by a parabola through it and its neighbours.

    Parameters
    ----------
    x : ndarray, (n,)
        Places, evenly rising, n >= 3. [stops]
    heights : ndarray, (k, n)
    """
    best = heights.argmax(axis=1)
    inner = np.clip(best, 1, x.size - 2)
    row = np.arange(heights.shape[0])
    below, here, above = (heights[row, inner + k] for k in (-1, 0, 1))
    bend = below - 2 * here + above
    move = np.where(bend < 0, 0.5 * (below - above) / np.where(bend < 0, bend, 1), 0.0)
    place = x[inner] + np.clip(move, -1, 1) * (x[1] - x[0])
    return np.asarray(np.where(best == inner, place, x[best]))


def last_sharp(x: FloatArray, heights: FloatArray, loss_percent: float) -> FloatArray:
    """Where each row, from its top on, first falls by more than the permitted loss.

    Parameters
    ----------
    x : ndarray, (n,)
        Places, rising. [stops]
    heights : ndarray, (k, n)
        Logarithms of sharpness.
    loss_percent : float
        [%], 0 to 100

    Returns
    -------
    ndarray, (k,)
        ``x[-1]`` where the row never falls that far.
    """
    limit = heights.max(axis=1) + np.log1p(-loss_percent / 100)
    beyond = np.arange(x.size) > heights.argmax(axis=1)[:, np.newaxis]
    fallen = (heights < limit[:, np.newaxis]) & beyond
    first = np.where(fallen.any(axis=1), fallen.argmax(axis=1), x.size - 1)
    row = np.arange(heights.shape[0])
    high, low = heights[row, first - 1], heights[row, first]
    share = np.clip((high - limit) / np.where(high > low, high - low, 1), 0, 1)
    place = x[first - 1] + share * (x[1] - x[0])
    return np.asarray(np.where(fallen.any(axis=1), place, x[-1]))
