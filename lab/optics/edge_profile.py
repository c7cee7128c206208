"""From a transfer function to the profile of an edge, diffraction tails and all.

``ESF(x) = 1/2 + integral over f of M(f) sin(2 pi f x) / (pi f)`` for a symmetric
line spread. Distances are in units of 1 / cut-off, ``u = x * cutoff``, so one
quadrature matrix serves every blur. Beyond the table the profile follows its
own asymptote: an Airy edge approaches its plateau as ``-M'(0) / (2 pi**2 x)``,
so slowly that a profile cut off early would carry a bias of percents.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray

__all__ = ["EdgeProfile", "cubic_hermite"]

_REACH = 40.0  # table end, in 1 / cut-off
_STEP = 0.05  # cubic Hermite error at this step is below 1e-6 of the edge's height
_NODES = 256


@lru_cache(maxsize=1)
def _matrices() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Nodes s, u grid, and the matrices that give ESF - 1/2 and LSF from M(s)."""
    node, weight = np.polynomial.legendre.leggauss(_NODES)
    v = (node + 1) / 2
    s = 1 - v**2  # the transfer ends as (1 - s)**1.5: smooth in v
    weight = weight * v
    u = np.arange(0, _REACH + _STEP / 2, _STEP)
    phase = 2 * np.pi * np.outer(u, s)
    return s, u, np.sin(phase) * (weight / (np.pi * s)), np.cos(phase) * (2 * weight)


def cubic_hermite(
    value: FloatArray, slope: FloatArray, at: npt.NDArray[np.intp], part: FloatArray
) -> FloatArray:
    """Cubic Hermite interpolation on unit nodes.

    Parameters
    ----------
    value, slope : ndarray, (n_node,)
        At the nodes; slopes per node.
    at : ndarray of int, any shape
        Node below each place, 0 to n_node - 2.
    part : ndarray, same shape
        Distance from that node, 0 to 1.
    """
    v0, d0, d1 = value[at], slope[at], slope[at + 1]
    rise = value[at + 1] - v0
    return np.asarray(
        v0 + part * (d0 + part * (3 * rise - 2 * d0 - d1 + part * (d0 + d1 - 2 * rise)))
    )


class EdgeProfile:
    """The image of an ideal dark-to-bright edge (0 to 1) across its normal.

    Parameters
    ----------
    transfer : callable
        Signed transfer function of frequency in cycles per pixel, vectorised, real.
    cutoff_cyc_per_px : float
        Frequency from which the transfer is 0. [cycles per pixel], > 0

    Raises
    ------
    ValueError
        If the cut-off is not > 0.
    """

    def __init__(
        self, transfer: Callable[[FloatArray], FloatArray], cutoff_cyc_per_px: float
    ) -> None:
        if not cutoff_cyc_per_px > 0:
            raise ValueError("cutoff_cyc_per_px must be > 0")
        s, u, to_esf, to_lsf = _matrices()
        samples = transfer(s * cutoff_cyc_per_px)
        self._cutoff = cutoff_cyc_per_px
        self._esf = to_esf @ samples
        self._slope = (to_lsf @ samples) * _STEP
        # Initial slope of M in s, from the two lowest frequencies by Richardson.
        tiny = np.array([1e-4, 2e-4])
        drop = 1 - transfer(tiny * cutoff_cyc_per_px)
        self._tail = float(2 * drop[0] / tiny[0] - drop[1] / tiny[1]) / (2 * np.pi**2)
        rest = 0.5 - self._esf[-1] - self._tail / u[-1]
        self._tail3 = float(rest) * u[-1] ** 3

    def __call__(self, x_px: npt.ArrayLike) -> FloatArray:
        """ESF at signed distances from the edge, bright side positive.

        Parameters
        ----------
        x_px : array_like
            [px], any shape

        Returns
        -------
        ndarray
            Same shape, 0 far on the dark side, 1 far on the bright side. [-]
        """
        x = np.asarray(x_px, dtype=np.float64)
        u = np.atleast_1d(np.abs(x) * self._cutoff)
        at = np.minimum(u / _STEP, self._esf.size - 1.000001)
        i = at.astype(np.intp)
        half = cubic_hermite(self._esf, self._slope, i, at - i)
        far = u > _REACH
        if np.any(far):
            u_far = u[far]
            half[far] = 0.5 - self._tail / u_far - self._tail3 / u_far**3
        return np.asarray(0.5 + np.copysign(half.reshape(x.shape), x))
