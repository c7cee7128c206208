"""How does a round pupil pass contrast along one direction, off the axis?

Axes of the pupil are the edge's: x along the frequency, y across it, radius 1 at the
rim. The wavefront in waves is::

    W = w20 x**2 + b y**2 + cross x y + (coma_along x + coma_across y) rho**2
        + w040 rho**4 + w060 rho**6

``b`` does not reach the transfer along x. ``astigmatism_along`` and ``coma_along`` turn
an aberration that has an axis of its own into these. Frequencies are ``s``, the
fraction of the cut-off 1 / (wavelength N_eff), as in ``lab.optics.pupil``.

Leaves out: vignetting, the slanted pupil of oblique light, and coma of higher order.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.optics.pupil import Overlap, of_equal_need

__all__ = [
    "astigmatism_along",
    "coma_along",
    "off_axis_mtf_axial_gradient",
    "off_axis_mtf_gradient",
    "off_axis_otf",
]

_LEAST_MTF = 1e-9  # of a modulus with a direction; below it the derivative is of the real part


def astigmatism_along(
    axis: npt.ArrayLike, across_axis: npt.ArrayLike, angle_deg: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Wavefront ``axis u**2 + across_axis v**2`` as (w20, cross) along a direction.

    Parameters
    ----------
    axis, across_axis : array_like
        Along the wavefront's axis u and across it, v. [waves]
    angle_deg : array_like
        From the frequency to the axis. [deg]

    Returns
    -------
    (ndarray, ndarray)
        Coefficients of x**2 and of x y. [waves]
    """
    u, v = np.asarray(axis, dtype=np.float64), np.asarray(across_axis, dtype=np.float64)
    angle = np.deg2rad(angle_deg)
    return u * np.cos(angle) ** 2 + v * np.sin(angle) ** 2, (u - v) * np.sin(2 * angle)


def coma_along(amount: npt.ArrayLike, angle_deg: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Coma ``amount u rho**2`` as (along, across) a direction; arguments as above."""
    coma, angle = np.asarray(amount, dtype=np.float64), np.deg2rad(angle_deg)
    return coma * np.cos(angle), coma * np.sin(angle)


def off_axis_otf(
    s: npt.ArrayLike,
    w20: npt.ArrayLike = 0.0,
    *,
    cross: npt.ArrayLike = 0.0,
    coma_along: npt.ArrayLike = 0.0,
    coma_across: npt.ArrayLike = 0.0,
    w040: npt.ArrayLike = 0.0,
    w060: npt.ArrayLike = 0.0,
) -> npt.NDArray[np.complex128]:
    """Optical transfer function of a round pupil with aberrations off the axis.

    Hopkins' overlap integral, as ``aberrated_otf``. Beside that one's path difference,
    odd in x, stand ``2 y s cross``, odd in y; ``4 x y s coma_across``, odd in both; and
    ``2 s coma_along (3 x**2 + y**2 + s**2)``, even in both. With A, B, D and C the phases
    of these, the four quarters add up to
    ``exp(i C) (cos A cos B cos D - i sin A sin B sin D)``.

    Parameters
    ----------
    s : array_like
        Frequency over cut-off. [-], >= 0
    w20, cross, coma_along, coma_across, w040, w060 : array_like
        As in the module's docstring. [waves]. All arguments broadcast.

    Returns
    -------
    ndarray of complex
        1 at s = 0, 0 for s >= 1. The image of a point is not centred: the phase holds
        its shift.

    References
    ----------
    .. [1] H. H. Hopkins, Proc. R. Soc. Lond. A 231, 91 (1955) (from memory).
    """
    arrays = np.broadcast_arrays(
        *(
            np.asarray(v, dtype=np.float64)
            for v in (s, w20, cross, coma_along, coma_across, w040, w060)
        )
    )
    shape = arrays[0].shape
    case = [np.ascontiguousarray(v).ravel() for v in arrays]
    case[0] = np.clip(case[0], 0.0, 1.0)
    transfer = np.empty(case[0].size, dtype=np.complex128)
    for k, n in of_equal_need(12 + 3 * _range_of_phase(*case[1:])):
        transfer[k] = _OffAxis(*(v[k] for v in case), n=n).transfer()
    return transfer.reshape(shape)


def off_axis_mtf_gradient(
    s: FloatArray,
    w20: FloatArray,
    cross: FloatArray,
    coma_along: FloatArray,
    coma_across: FloatArray,
    w040: FloatArray,
    w060: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Modulus of ``off_axis_otf`` and its derivatives, for a fit.

    On fewer nodes: errors stay below 1e-5 while the aberrations together are below 4 waves.

    Parameters
    ----------
    s, w20, cross, coma_along, coma_across, w040, w060 : ndarray, (n,)
        As for ``off_axis_otf``.

    Returns
    -------
    (ndarray, (n,), ndarray, (n, 4))
        MTF, and its derivatives by w20, cross, coma_along and coma_across.
    """
    case = (s, w20, cross, coma_along, coma_across, w040, w060)
    mtf, gradient = np.empty(s.size), np.empty((s.size, 4))
    for k, n in of_equal_need(8 + 2 * _range_of_phase(*case[1:])):
        mtf[k], gradient[k] = _OffAxis(*(v[k] for v in case), n=n).modulus()
    return mtf, gradient


def off_axis_mtf_axial_gradient(
    s: FloatArray,
    w20: FloatArray,
    cross: FloatArray,
    coma_along: FloatArray,
    coma_across: FloatArray,
    w040: FloatArray,
    w060: FloatArray,
) -> FloatArray:
    """Derivatives of the same modulus by s, w040 and w060, (n, 3); 0 < s < 1."""
    case = (s, w20, cross, coma_along, coma_across, w040, w060)
    gradient = np.empty((s.size, 3))
    for k, n in of_equal_need(8 + 2 * _range_of_phase(*case[1:])):
        gradient[k] = _OffAxis(*(v[k] for v in case), n=n).axial_gradient()
    return gradient


def _range_of_phase(
    w20: FloatArray,
    cross: FloatArray,
    along: FloatArray,
    across: FloatArray,
    w040: FloatArray,
    w060: FloatArray,
) -> FloatArray:
    """Of the path difference across the overlap. [waves], roughly."""
    # Shares of cross and coma: what keeps the error below 1e-10, by trial up to 4 waves.
    off_axis = 0.35 * np.abs(cross) + 1.1 * np.abs(along) + 0.6 * np.abs(across)
    return np.asarray(np.abs(w20) + 2 * np.abs(w040) + 3 * np.abs(w060) + off_axis)


def _turn(unit: FloatArray, waves: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Cosine and sine of phases, without computing them where all are 0."""
    if not np.any(waves):
        return np.ones(1), np.zeros(1)
    phase = unit * waves[:, None, None]
    return np.cos(phase), np.sin(phase)


class _OffAxis(Overlap):
    """Integrand of the four quarters together; phases as in ``off_axis_otf``."""

    def __init__(
        self,
        s: FloatArray,
        w20: FloatArray,
        cross: FloatArray,
        along: FloatArray,
        across: FloatArray,
        w040: FloatArray,
        w060: FloatArray,
        *,
        n: int,
    ) -> None:
        super().__init__(s, w20, w040, w060, n=n)
        self.waves = tuple(v[:, None, None] for v in (cross, along, across))
        # What one wave of each coefficient adds.
        self.unit_cross = (4 * np.pi) * (self.shear * self.y)
        self.unit_across = (8 * np.pi) * (self.xs * self.y)
        self.unit_along = (4 * np.pi) * self.shear * (self.q + 2 * self.x**2)
        self.a = np.cos(self.phase), np.sin(self.phase)
        self.b = _turn(self.unit_cross, cross)
        self.d = _turn(self.unit_across, across)
        self.c = _turn(self.unit_along, along)

    def _turned(self, real: FloatArray, imaginary: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Integral of (real + i imaginary) exp(i C), its two parts."""
        cos, sin = self.c
        return (
            self.integral(cos * real - sin * imaginary),
            self.integral(sin * real + cos * imaginary),
        )

    def transfer(self) -> npt.NDArray[np.complex128]:
        (ca, sa), (cb, sb), (cd, sd) = self.a, self.b, self.d
        real, imaginary = self._turned(ca * cb * cd, -sa * sb * sd)
        return np.asarray(real + 1j * imaginary)

    def _towards(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Modulus, and the cosine and sine of C seen from the transfer's own direction."""
        transfer = self.transfer()
        mtf = np.abs(transfer)
        flat = mtf < _LEAST_MTF
        unit = np.where(flat, 1.0, transfer / np.where(flat, 1.0, mtf))[:, None, None]
        (cos, sin) = self.c
        return mtf, cos * unit.real + sin * unit.imag, sin * unit.real - cos * unit.imag

    def _by_phases(self, cos: FloatArray, sin: FloatArray) -> tuple[FloatArray, ...]:
        """Integrand of the modulus, and its derivatives by the phases A, B, C and D."""
        (ca, sa), (cb, sb), (cd, sd) = self.a, self.b, self.d
        cab, sab = ca * cb, sa * sb
        even, odd = cab * cd, -sab * sd
        return (
            cos * even - sin * odd,
            -(cos * (sa * cb) * cd - sin * (ca * sb) * sd),
            -(cos * (ca * sb) * cd - sin * (sa * cb) * sd),
            -(sin * even + cos * odd),
            -(cos * cab * sd - sin * sab * cd),
        )

    def modulus(self) -> tuple[FloatArray, FloatArray]:
        """MTF and its derivatives by w20, cross, coma along and coma across."""
        mtf, cos, sin = self._towards()
        _, by_a, by_b, by_c, by_d = self._by_phases(cos, sin)
        by = (
            by_a * ((8 * np.pi) * self.xs),
            by_b * self.unit_cross,
            by_c * self.unit_along,
            by_d * self.unit_across,
        )
        return mtf, np.stack([self.integral(one) for one in by], axis=1)

    def axial_gradient(self) -> FloatArray:
        """Derivatives of the MTF by s, w040 and w060."""
        _, cos, sin = self._towards()
        value, by_a, by_b, by_c, by_d = self._by_phases(cos, sin)
        cross, along, across = self.waves
        dx, dy, da = self.by_s()
        x, y, s = self.x, self.y, self.shear
        db = (4 * np.pi) * cross * (y + s * dy)
        dd = (8 * np.pi) * across * (y * (x + s * dx) + self.xs * dy)
        # 2 s (3 x**2 + y**2 + s**2) by s
        dc = 3 * x * x + y * y + 3 * s * s + s * (6 * x * dx + 2 * y * dy)
        dc = (4 * np.pi) * along * dc
        moved = by_a * da + by_b * db + by_c * dc + by_d * dd
        by_path = by_a * ((8 * np.pi) * self.xs)
        return np.stack(
            [
                self.integral_by_s(value @ self.weight, moved @ self.weight),
                self.integral(by_path * (2 * self.q)),
                self.integral(by_path * self.by_w060),
            ],
            axis=1,
        )
