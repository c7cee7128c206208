"""The whole chain on axis: lens in each raw colour's light, then the pixel.

Frequencies are on the image side in cycles per mm. A raw channel sees a band,
not a line: its transfer function is the weighted mean over wavelengths. Focus
error is given as a shift at the sensor and spherical aberration as a path
length, both in um, because those stay the same for every wavelength.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.optics.geometry import defocus_waves
from lab.optics.pupil import aberrated_otf, clear_pupil_mtf
from lab.optics.sensor import pixel_mtf

__all__ = [
    "DEFAULT_WAVELENGTH_UM",
    "Band",
    "channel_band",
    "crossing",
    "diffraction_mtf",
    "diffraction_mtf50",
    "system_mtf",
]

# Effective wavelength of each raw colour under daylight flash. Common practice for a
# Bayer sensor, no published source; settable in session.toml [light].
DEFAULT_WAVELENGTH_UM = {"red": 0.600, "green": 0.530, "blue": 0.460}
# Full width at half maximum of a raw colour's band. Common practice, no published
# source; it moves MTF50 by 0.06 % at 530 nm, so a rough figure serves.
_BAND_FWHM_UM = 0.1


@dataclass(frozen=True, kw_only=True)
class Band:
    """Light of one raw colour as a few wavelengths with weights that sum to 1."""

    wavelength_um: tuple[float, ...]
    weight: tuple[float, ...]

    def __post_init__(self) -> None:
        if not all(w > 0 for w in self.wavelength_um) or not self.wavelength_um:
            raise ValueError("every wavelength must be > 0")
        if not abs(sum(self.weight) - 1) < 1e-6:
            raise ValueError("weights must sum to 1")

    @property
    def mean_um(self) -> float:
        """Weighted mean wavelength. [um]."""
        return float(np.dot(self.wavelength_um, self.weight))


def channel_band(mean_um: float, fwhm_um: float = _BAND_FWHM_UM) -> Band:
    """A Gaussian band as three Gauss-Hermite wavelengths (exact to 5th order).

    Parameters
    ----------
    mean_um, fwhm_um : float
        [um], > 0 and >= 0

    Raises
    ------
    ValueError
        If the mean is not > 0 or the width not >= 0.
    """
    if not mean_um > 0 or not fwhm_um >= 0:
        raise ValueError("mean_um must be > 0 and fwhm_um >= 0")
    if fwhm_um == 0:
        return Band(wavelength_um=(mean_um,), weight=(1.0,))
    step = np.sqrt(3.0) * fwhm_um / np.sqrt(8 * np.log(2))
    return Band(
        wavelength_um=(mean_um - step, mean_um, mean_um + step), weight=(1 / 6, 2 / 3, 1 / 6)
    )


def diffraction_mtf(
    frequency_cyc_per_mm: npt.ArrayLike, *, wavelength_um: float | Band, f_number: float
) -> FloatArray:
    """MTF of a perfect lens with a round iris, closed form.

    Parameters
    ----------
    frequency_cyc_per_mm : array_like
        Image side. [cycles per mm], >= 0
    wavelength_um : float or Band
        [um], > 0
    f_number : float
        Effective f-number. [-], > 0

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    if not f_number > 0:
        raise ValueError("f_number must be > 0")
    f = np.asarray(frequency_cyc_per_mm, dtype=np.float64)
    if not np.all(f >= 0):
        raise ValueError("frequency_cyc_per_mm must be >= 0")
    total = np.zeros_like(f)
    for wavelength, weight in _lines(wavelength_um):
        total = total + weight * clear_pupil_mtf(f * (wavelength * 1e-3 * f_number))
    return total


def _lines(light: float | Band) -> list[tuple[float, float]]:
    if isinstance(light, Band):
        return list(zip(light.wavelength_um, light.weight, strict=True))
    if not light > 0:
        raise ValueError("wavelength_um must be > 0")
    return [(light, 1.0)]


def system_mtf(
    frequency_cyc_per_mm: npt.ArrayLike,
    *,
    wavelength_um: float | Band,
    f_number: float,
    pixel_pitch_um: float,
    edge_angle_deg: float = 0.0,
    focus_shift_um: float = 0.0,
    spherical_um: float = 0.0,
    blur_std_um: float = 0.0,
) -> FloatArray:
    """Transfer function of lens, residual blur and pixel, image side.

    Parameters
    ----------
    frequency_cyc_per_mm : array_like
        [cycles per mm], >= 0
    wavelength_um : float or Band
        [um], > 0
    f_number : float
        Effective f-number. [-], > 0
    pixel_pitch_um : float
        [um], > 0
    edge_angle_deg : float
        Of the edge's normal against the pixel rows. [deg]
    focus_shift_um : float
        Distance between sensor and paraxial image, signed. [um]
    spherical_um : float
        Primary spherical aberration at the rim, as path length. [um]
    blur_std_um : float
        Standard deviation of a residual Gaussian blur. [um], >= 0

    Returns
    -------
    ndarray
        Signed (contrast may reverse), 1 at frequency 0. [-]

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    if not (f_number > 0 and pixel_pitch_um > 0 and blur_std_um >= 0):
        raise ValueError("f_number and pixel_pitch_um must be > 0, blur_std_um >= 0")
    f = np.asarray(frequency_cyc_per_mm, dtype=np.float64)
    if not np.all(f >= 0):
        raise ValueError("frequency_cyc_per_mm must be >= 0")
    lens = np.zeros_like(f)
    for wavelength, weight in _lines(wavelength_um):
        w20 = defocus_waves(focus_shift_um, f_number, wavelength)
        s = f * (wavelength * 1e-3 * f_number)
        lens = lens + weight * aberrated_otf(s, w20, spherical_um / wavelength)
    blur = np.exp(-2 * (np.pi * blur_std_um * 1e-3 * f) ** 2)
    return np.asarray(lens * blur * pixel_mtf(f * (pixel_pitch_um * 1e-3), edge_angle_deg))


def crossing(
    transfer: Callable[[FloatArray], FloatArray], level: float, highest: float
) -> float | None:
    """First frequency at which a transfer function falls to a level.

    Parameters
    ----------
    transfer : callable
        Vectorised function of frequency, above ``level`` at 0.
    level : float
        [-], 0 < level < 1
    highest : float
        Frequency up to which to look, > 0.

    Returns
    -------
    float or None
        In the unit of ``highest``, to 1e-12 of it; None if never reached.

    Raises
    ------
    ValueError
        If level or highest is outside its range.
    """
    if not (0 < level < 1 and highest > 0):
        raise ValueError("need 0 < level < 1 and highest > 0")
    low, high = 0.0, highest
    for _ in range(6):  # each pass narrows the bracket 128-fold
        grid = np.linspace(low, high, 129)
        below = np.flatnonzero(transfer(grid) < level)
        if below.size == 0:
            return None
        first = int(below[0])
        if first == 0:
            return low
        low, high = float(grid[first - 1]), float(grid[first])
    return (low + high) / 2


def diffraction_mtf50(
    *,
    wavelength_um: float | Band,
    f_number: float,
    pixel_pitch_um: float | None = None,
    edge_angle_deg: float = 0.0,
) -> float:
    """MTF50 of a perfect lens, alone or with the pixel. [cycles per mm], image side.

    Parameters
    ----------
    wavelength_um : float or Band
        [um], > 0
    f_number : float
        Effective f-number. [-], > 0
    pixel_pitch_um : float or None
        [um], > 0; None leaves the pixel out.
    edge_angle_deg : float
        Of the edge's normal against the pixel rows. [deg]

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    if not f_number > 0:
        raise ValueError("f_number must be > 0")
    if pixel_pitch_um is not None and not pixel_pitch_um > 0:
        raise ValueError("pixel_pitch_um must be > 0")
    shortest = min(wavelength for wavelength, _ in _lines(wavelength_um))

    def transfer(f: FloatArray) -> FloatArray:
        lens = diffraction_mtf(f, wavelength_um=wavelength_um, f_number=f_number)
        if pixel_pitch_um is None:
            return lens
        return np.asarray(lens * pixel_mtf(f * (pixel_pitch_um * 1e-3), edge_angle_deg))

    found = crossing(transfer, 0.5, 1e3 / (shortest * f_number))
    assert found is not None  # the transfer is 0 at the cut-off
    return found
