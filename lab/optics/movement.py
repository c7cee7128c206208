"""What does movement during the exposure do to the image's transfer function?

Frequencies run along the movement, lengths are those on the side where the frequency
counts: any unit of length, with cycles per that unit. A frequency at an angle to the
movement sees its component along it. The functions broadcast. Symmetric movement gives
a real factor, signed beyond its first zero; an asymmetric one is complex, with the
phase counted from where the movement starts.

Left out: movement that turns or speeds up within one exposure, rotation about the
axis, the rows of a rolling shutter. Random tremor is a Gaussian, which
``targets.fidelity.gaussian_mtf`` holds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import j0

from lab.edges.types import FloatArray

__all__ = ["Flash", "linear_otf", "mixed_otf", "oscillating_otf", "pulse_otf"]

ComplexArray = npt.NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True)
class Flash:
    """A flash that dies away, and the ambient light beside it.

    Attributes
    ----------
    t01_s : float
        Time above a tenth of its peak. [s], > 0
    ambient_share : float
        Of all the light. [-], 0 to 1
    fires_at : float
        When it fires, as a share of the time that the shutter is open. [-], 0 to 1.
        0, the start: what cameras do unless told otherwise (common practice, no
        published source), and the end (1) alike leave the ambient image lopsided, which
        costs more than a flash half way through.
    """

    t01_s: float
    ambient_share: float = 0.0
    fires_at: float = 0.0

    def __post_init__(self) -> None:
        if not 0 < self.t01_s < math.inf:
            raise ValueError("t01_s must be > 0")
        for name in ("ambient_share", "fires_at"):
            if not 0 <= getattr(self, name) <= 1:
                raise ValueError(f"{name} must be in [0, 1]")


def linear_otf(frequency: npt.ArrayLike, length: npt.ArrayLike) -> FloatArray:
    """Even movement from end to end in an even exposure, ``sin(pi f d) / (pi f d)``.

    Parameters
    ----------
    frequency : array_like
        Along the movement. [cycles per unit of length]
    length : array_like
        From end to end, ``m v t`` on the image side. [unit of length], >= 0

    Returns
    -------
    ndarray
        Real, counted from the middle of the movement. [-]

    Raises
    ------
    ValueError
        If a length is outside its range.

    References
    ----------
    .. [1] O. Hadar, M. Fisher, N. S. Kopeika, Opt. Eng. 31, 581 (1992): image motion's
       transfer function (abstract read).
    """
    return np.asarray(np.sinc(np.asarray(frequency, dtype=np.float64) * _lengths("length", length)))


def oscillating_otf(frequency: npt.ArrayLike, amplitude: npt.ArrayLike) -> FloatArray:
    """Sinusoidal vibration over whole periods or many, ``J0(2 pi f a)``.

    Parameters
    ----------
    frequency : array_like
        Along the movement. [cycles per unit of length]
    amplitude : array_like
        Half of the way from peak to peak. [unit of length], >= 0

    Returns
    -------
    ndarray
        Real, counted from the middle. [-]

    Raises
    ------
    ValueError
        If an amplitude is outside its range.

    References
    ----------
    .. [1] O. Hadar, M. Fisher, N. S. Kopeika, Opt. Eng. 31, 581 (1992): image motion's
       transfer function (abstract read).
    """
    f = np.asarray(frequency, dtype=np.float64)
    return np.asarray(j0(2 * np.pi * f * _lengths("amplitude", amplitude)))


def pulse_otf(frequency: npt.ArrayLike, length_t01: npt.ArrayLike) -> ComplexArray:
    """Even movement in a flash that dies away, ``1 / (1 + 2 pi i f v tau)``.

    The light falls as ``exp(-t / tau)`` from its peak (common practice, no published
    source), so that it lies above a tenth for ``t0.1 = tau ln 10``.

    Parameters
    ----------
    frequency : array_like
        Along the movement, signed where the phase counts. [cycles per unit of length]
    length_t01 : array_like
        Way during t0.1, ``v t0.1 = v tau ln 10``. [unit of length], >= 0

    Returns
    -------
    ndarray
        Complex, counted from where the flash peaks; its modulus is
        ``1 / sqrt(1 + (2 pi f v tau)**2)``. [-]

    Raises
    ------
    ValueError
        If a length is outside its range.

    References
    ----------
    .. [1] The transform of a falling exponential; any text on Fourier transforms.
    """
    decay = _lengths("length_t01", length_t01) / math.log(10)
    return np.asarray(1 / (1 + 2j * np.pi * np.asarray(frequency, dtype=np.float64) * decay))


def mixed_otf(
    flash: npt.ArrayLike, ambient: npt.ArrayLike, ambient_share: npt.ArrayLike
) -> ComplexArray:
    """Flash and ambient light together: images add, so ``(1 - a) flash + a ambient``.

    Parameters
    ----------
    flash, ambient : array_like
        Transfer functions of either light alone, counted from the same point. [-]
    ambient_share : array_like
        Of all the light. [-], 0 to 1

    Raises
    ------
    ValueError
        If a share is outside its range.
    """
    share = np.asarray(ambient_share, dtype=np.float64)
    if not np.all((share >= 0) & (share <= 1)):
        raise ValueError("ambient_share must be in [0, 1]")
    return np.asarray((1 - share) * np.asarray(flash) + share * np.asarray(ambient), complex)


def _lengths(name: str, value: npt.ArrayLike) -> FloatArray:
    length = np.asarray(value, dtype=np.float64)
    if not np.all((length >= 0) & np.isfinite(length)):
        raise ValueError(f"{name} must be finite and >= 0")
    return length
