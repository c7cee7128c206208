"""Close-range geometry: which cone reaches the sensor, and how deep is sharp?

Magnification is image size over object size, unsigned. Image side means on the
sensor; object side means in the subject: frequencies there are image side x
magnification, lengths image side / magnification. Thin or thick lens alike, in
air; the pupil ratio holds all that matters of the lens's construction.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray

__all__ = [
    "defocus_waves",
    "depth_of_field",
    "effective_f_number",
    "object_numerical_aperture",
]


def _positive(name: str, value: npt.ArrayLike) -> FloatArray:
    array = np.asarray(value, dtype=np.float64)
    if not np.all(array > 0):
        raise ValueError(f"{name} must be > 0")
    return array


def effective_f_number(
    marked: npt.ArrayLike, magnification: npt.ArrayLike, pupil_ratio: npt.ArrayLike
) -> FloatArray:
    """F-number of the cone that reaches the sensor, ``N (1 + m / P)``.

    Parameters
    ----------
    marked : array_like
        F-number on the ring, object at infinity. [-], > 0
    magnification : array_like
        Image size over object size, unsigned. [-], >= 0
    pupil_ratio : array_like
        Exit-pupil over entrance-pupil diameter. [-], > 0

    Returns
    -------
    ndarray
        Broadcast shape of the arguments. [-]

    Raises
    ------
    ValueError
        If an argument is outside its range.

    References
    ----------
    .. [1] J. Conrad, Depth of Field in Depth, 2006 (relation from memory).
    """
    m = np.asarray(magnification, dtype=np.float64)
    if not np.all(m >= 0):
        raise ValueError("magnification must be >= 0")
    return np.asarray(_positive("marked", marked) * (1 + m / _positive("pupil_ratio", pupil_ratio)))


def object_numerical_aperture(effective: npt.ArrayLike, magnification: npt.ArrayLike) -> FloatArray:
    """Object-side numerical aperture of a cone of given effective f-number.

    The sine condition gives ``NA = m / (2 N_eff)``.

    Parameters
    ----------
    effective : array_like
        Effective f-number. [-], > 0
    magnification : array_like
        [-], > 0

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    return np.asarray(
        _positive("magnification", magnification) / (2 * _positive("effective", effective))
    )


def defocus_waves(
    shift_image_um: npt.ArrayLike, effective: npt.ArrayLike, wavelength_um: npt.ArrayLike
) -> FloatArray:
    """Defocus coefficient W20 at the pupil's rim for a focus shift at the sensor.

    ``W20 / wavelength = shift / (8 wavelength N_eff**2)``; a shift on the object
    side is first multiplied by magnification squared.

    Parameters
    ----------
    shift_image_um : array_like
        Distance between sensor and image, signed. [um]
    effective : array_like
        Effective f-number. [-], > 0
    wavelength_um : array_like
        [um], > 0

    Returns
    -------
    ndarray
        [waves], signed

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    shift = np.asarray(shift_image_um, dtype=np.float64)
    n = _positive("effective", effective)
    return np.asarray(shift / (8 * _positive("wavelength_um", wavelength_um) * n * n))


def depth_of_field(
    effective: npt.ArrayLike,
    magnification: npt.ArrayLike,
    *,
    wavelength_um: float,
    circle_um: float,
) -> tuple[FloatArray, FloatArray]:
    """Total depth on the object side: wave (+-1/4 wave) and geometric.

    Parameters
    ----------
    effective : array_like
        Effective f-number. [-], > 0
    magnification : array_like
        [-], > 0
    wavelength_um : float
        [um], > 0
    circle_um : float
        Permitted blur disc on the sensor, diameter. [um], > 0

    Returns
    -------
    wave_um : ndarray
        ``4 wavelength N_eff**2 / m**2``, the range of focus within a quarter
        wave either way. [um]
    geometric_um : ndarray
        ``2 circle N_eff / m**2``. [um]

    Raises
    ------
    ValueError
        If an argument is outside its range.

    References
    ----------
    .. [1] Fundamentals of Light Microscopy and Electronic Imaging, p. 90:
       depth n wavelength / NA**2, equal to the wave depth with NA = m / (2 N_eff).
    """
    n = _positive("effective", effective)
    m2 = _positive("magnification", magnification) ** 2
    wave = 4 * _positive("wavelength_um", wavelength_um) * n * n / m2
    return np.asarray(wave), np.asarray(2 * _positive("circle_um", circle_um) * n / m2)
