"""The transfer function of a round pupil: closed form, annulus, aberrated.

Frequencies here are ``s``, the fraction of the cut-off 1 / (wavelength N_eff);
outside [0, 1] the transfer is 0. Aberrations are in waves at the pupil's rim:
``W(rho) = w20 rho**2 + w040 rho**4`` (defocus and primary spherical). Both are
symmetric about the axis, so the transfer function is real; it is negative where
contrast is reversed. Coma and astigmatism are in ``lab.optics.off_axis``; polygonal
irises are left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray

__all__ = [
    "Overlap",
    "aberrated_otf",
    "aberrated_otf_gradient",
    "annular_pupil_mtf",
    "clear_pupil_mtf",
    "clear_pupil_slope",
    "of_equal_need",
]


def clear_pupil_mtf(s: npt.ArrayLike) -> FloatArray:
    """MTF of a clear circular pupil free of aberration.

    ``(2 / pi) (acos s - s sqrt(1 - s**2))``.

    Parameters
    ----------
    s : array_like
        Frequency over cut-off, >= 0; above 1 the result is 0. [-]

    References
    ----------
    .. [1] J. W. Goodman, Introduction to Fourier Optics, ch. 6 (from memory).
    """
    s = np.clip(np.asarray(s, dtype=np.float64), 0.0, 1.0)
    return np.asarray((2 / np.pi) * (np.arccos(s) - s * np.sqrt(1 - s * s)))


def clear_pupil_slope(s: npt.ArrayLike) -> FloatArray:
    """Derivative of ``clear_pupil_mtf`` with respect to s: ``-(4 / pi) sqrt(1 - s**2)``."""
    s = np.clip(np.asarray(s, dtype=np.float64), 0.0, 1.0)
    return np.asarray(-(4 / np.pi) * np.sqrt(1 - s * s))


def annular_pupil_mtf(s: npt.ArrayLike, obstruction: float) -> FloatArray:
    """MTF of a circular pupil with a central round stop.

    Autocorrelation of the annulus from three overlap areas of two circles.

    Parameters
    ----------
    s : array_like
        Frequency over cut-off. [-], >= 0
    obstruction : float
        Inner over outer diameter. [-], 0 <= obstruction < 1

    Raises
    ------
    ValueError
        If the obstruction is outside its range.

    References
    ----------
    .. [1] E. L. O'Neill, J. Opt. Soc. Am. 46, 285 (1956) (from memory).
    """
    if not 0 <= obstruction < 1:
        raise ValueError("obstruction must be in [0, 1)")
    if obstruction == 0:
        return clear_pupil_mtf(s)
    d = 2 * np.clip(np.asarray(s, dtype=np.float64), 0.0, 1.0)  # shear in outer radii
    inner = _overlap_area(d, obstruction, obstruction)
    cross = _overlap_area(d, 1.0, obstruction)
    outer = _overlap_area(d, 1.0, 1.0)
    return np.asarray((outer - 2 * cross + inner) / (np.pi * (1 - obstruction**2)))


def _overlap_area(d: FloatArray, r1: float, r2: float) -> FloatArray:
    """Area shared by circles of radius r1 >= r2 whose centres are d apart."""
    apart = np.clip(d, r1 - r2, r1 + r2)
    apart = np.where(apart == 0, 1e-300, apart)
    c1 = np.clip((apart**2 + r1**2 - r2**2) / (2 * apart * r1), -1, 1)
    c2 = np.clip((apart**2 + r2**2 - r1**2) / (2 * apart * r2), -1, 1)
    kite = (r1 + r2 - apart) * (apart + r1 - r2) * (apart - r1 + r2) * (apart + r1 + r2)
    lens = r1**2 * np.arccos(c1) + r2**2 * np.arccos(c2) - 0.5 * np.sqrt(np.maximum(kite, 0))
    return np.asarray(np.where(d <= r1 - r2, np.pi * r2**2, np.where(d >= r1 + r2, 0.0, lens)))


@lru_cache(maxsize=128)
def _quadrature(n: int) -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.legendre.leggauss(n)
    return (nodes + 1) / 2, weights / 2


def aberrated_otf(
    s: npt.ArrayLike,
    w20: npt.ArrayLike = 0.0,
    w040: npt.ArrayLike = 0.0,
    w060: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Optical transfer function of a round pupil with defocus and spherical aberration.

    Hopkins' overlap integral. With the two pupils at +-s along x and
    ``q = x**2 + y**2 + s**2``, the path difference is
    ``4 x s (w20 + 2 w040 q + w060 (3 q**2 + 4 x**2 s**2))``; ``x + s = cos a`` and
    ``y = sin a * eta`` make the integrand smooth on a rectangle, where Gauss-Legendre
    converges exponentially (error < 1e-10 up to 2 waves).

    Parameters
    ----------
    s : array_like
        Frequency over cut-off. [-], >= 0
    w20, w040, w060 : array_like
        Defocus, primary and secondary spherical aberration at the rim. [waves]. All
        arguments broadcast.

    Returns
    -------
    ndarray
        Real, 1 at s = 0, 0 for s >= 1. [-]

    References
    ----------
    .. [1] H. H. Hopkins, Proc. R. Soc. Lond. A 231, 91 (1955) (from memory).
    """
    s, w20, w040, w060 = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (s, w20, w040, w060))
    )
    case = [np.ascontiguousarray(v).ravel() for v in (np.clip(s, 0.0, 1.0), w20, w040, w060)]
    if not any(np.any(waves) for waves in case[1:]):
        return clear_pupil_mtf(s)
    transfer = np.empty(s.size)
    for k, n in of_equal_need(_nodes(*case[1:])):
        transfer[k] = _OnAxis(*(v[k] for v in case), n=n).transfer()
    return transfer.reshape(s.shape)


def aberrated_otf_gradient(
    s: FloatArray, w20: FloatArray, w040: FloatArray, w060: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """``aberrated_otf`` and its derivatives, to 1e-7 and 1e-6: enough for a fit, in half the time.

    Parameters
    ----------
    s, w20, w040, w060 : ndarray, (n,)
        As for ``aberrated_otf``, 0 < s < 1.

    Returns
    -------
    (ndarray, (n,), ndarray, (n, 4))
        Transfer, and its derivatives by s, w20, w040 and w060.
    """
    transfer, gradient = np.empty(s.size), np.empty((s.size, 4))
    for k, n in of_equal_need(2 / 3 * _nodes(w20, w040, w060)):
        overlap = _OnAxis(s[k], w20[k], w040[k], w060[k], n=n)
        transfer[k], gradient[k] = overlap.transfer(), overlap.gradient()
    return transfer, gradient


def _nodes(w20: FloatArray, w040: FloatArray, w060: FloatArray) -> FloatArray:
    """Along each side, for errors below 1e-10: they grow with the range of phase."""
    return np.asarray(12 + 3 * (np.abs(w20) + 2 * np.abs(w040) + 3 * np.abs(w060)))


def of_equal_need(nodes: FloatArray) -> Iterator[tuple[npt.NDArray[np.intp], int]]:
    """Cases that want equally many nodes, in parts whose integrand takes a few MB.

    Parameters
    ----------
    nodes : ndarray, (n_case,)
        Wanted along each side; rounded up.

    Yields
    ------
    (ndarray of int, int)
        Some of the cases, and their nodes along each side.
    """
    whole = np.ceil(nodes).astype(np.intp)
    for n in np.unique(whole).tolist():
        cases = np.flatnonzero(whole == n)
        step = max(1, 500_000 // (n * n))
        for i in range(0, cases.size, step):
            yield cases[i : i + step], n


class Overlap:
    """A quarter of the overlap of two pupils in (n_case,) cases on n x n nodes.

    Path differences that are even in x and in y integrate over a quarter as over all
    of it. ``phase`` is that of defocus and spherical aberration.

    Parameters
    ----------
    s, w20, w040, w060 : ndarray, (n_case,)
        As for ``aberrated_otf``.
    n : int
        Nodes along each side.
    """

    def __init__(
        self, s: FloatArray, w20: FloatArray, w040: FloatArray, w060: FloatArray, *, n: int
    ) -> None:
        self.node, self.weight = _quadrature(n)
        self.s, self.w040, self.w060 = s, w040[:, None, None], w060[:, None, None]
        self.shear = s[:, None, None]
        a = np.arccos(self.shear) * self.node[None, :, None]
        self.sin, self.cos = np.sin(a), np.cos(a)
        self.x = self.cos - self.shear
        self.y = self.sin * self.node
        self.q = self.x**2 + self.y**2 + self.shear**2
        self.xs = self.x * self.shear
        self.by_w060 = 3 * self.q**2 + 4 * self.xs**2
        self.path = w20[:, None, None] + 2 * self.w040 * self.q + self.w060 * self.by_w060
        self.phase = (8 * np.pi) * self.xs * self.path
        self.area = (self.sin**2)[:, :, 0] * self.weight

    def along(self, values: FloatArray) -> FloatArray:
        """Integral over the angle a of what was integrated across it, (n_case,)."""
        return np.asarray((4 / np.pi) * np.arccos(self.s) * np.sum(values, axis=1))

    def integral(self, integrand: FloatArray) -> FloatArray:
        """Of (n_case, n, n) values, over the area of a round pupil, (n_case,)."""
        return self.along((integrand @ self.weight) * self.area)

    def by_s(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Derivatives by s of x, y and ``phase`` at the nodes, (n_case, n, n) each.

        They move through the integration angle a = acos(s) * node, and directly.
        """
        da = -self.node[None, :, None] / np.sqrt(1 - self.shear**2)
        dx, dy = -self.sin * da - 1, self.cos * da * self.node
        dq = 2 * (self.x * dx + self.y * dy + self.shear)
        dxs = dx * self.shear + self.x
        dpath = 2 * self.w040 * dq + self.w060 * (6 * self.q * dq + 8 * self.xs * dxs)
        return dx, dy, (8 * np.pi) * (dxs * self.path + self.xs * dpath)

    def integral_by_s(self, across: FloatArray, dacross: FloatArray) -> FloatArray:
        """Derivative by s of an integral, (n_case,).

        Parameters
        ----------
        across, dacross : ndarray, (n_case, n)
            What was integrated across the angle a, and its derivative at the nodes.
        """
        root = np.sqrt(1 - self.s**2)
        da = -self.node / root[:, None]
        darea = (2 * self.sin * self.cos)[:, :, 0] * da * self.weight
        moved = self.along(dacross * self.area + across * darea)
        return np.asarray(moved - (4 / np.pi) / root * np.sum(across * self.area, axis=1))


class _OnAxis(Overlap):
    """Integrand of Hopkins' overlap integral."""

    def __init__(
        self, s: FloatArray, w20: FloatArray, w040: FloatArray, w060: FloatArray, *, n: int
    ) -> None:
        super().__init__(s, w20, w040, w060, n=n)
        self.across = np.cos(self.phase) @ self.weight

    def transfer(self) -> FloatArray:
        return self.along(self.across * self.area)

    def gradient(self) -> FloatArray:
        """Derivatives by s, w20, w040 and w060, (n_case, 4)."""
        sine = -np.sin(self.phase)
        by_path = (8 * np.pi) * sine * self.xs
        by_w = [
            self.integral(by_path * factor) for factor in (np.ones(1), 2 * self.q, self.by_w060)
        ]
        *_, dphase = self.by_s()
        by_s = self.integral_by_s(self.across, sine * dphase @ self.weight)
        return np.stack([by_s, *by_w], axis=1)
