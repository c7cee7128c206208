"""How much light does getting close cost, and how long may an exposure last?

Light at the sensor falls with the square of the effective f-number. Movement blurs by
magnification x speed x time; flash and ambient light blur each by its own time, and
their images add. All closed forms. Durations of flashes are t0.1: the time above a
tenth of the peak.

Left out: the transfer functions themselves (``lab.optics.movement``), MTF50 under movement
(``lab.optics.shutter``), reciprocity of film, colour, the guide numbers of flashes, vibration.
"""

from __future__ import annotations

import math

__all__ = [
    "ambient_share",
    "bellows_stops",
    "blur_budget_um",
    "blur_length_um",
    "effective_exposure_s",
    "flash_as_rectangle_s",
    "longest_exposure_s",
    "longest_flash_s",
    "stops_under_for",
]

# Where movement.linear_otf(1, x) falls to 0.9 and to one half. Computed.
_SINC_TENTH_LOST = 0.25040899912669945
_SINC_HALF = 0.6033545644016143
# The modulus of movement.pulse_otf is one half at f v tau = sqrt(3) / (2 pi), with
# t0.1 = tau ln 10. A rectangle of equal MTF50 lasts this share of t0.1.
_FLASH_SHARE = _SINC_HALF * 2 * math.pi / (math.sqrt(3) * math.log(10))


def _positive(name: str, value: float) -> float:
    if not 0 < value < math.inf:
        raise ValueError(f"{name} must be > 0")
    return value


def bellows_stops(marked: float, effective: float) -> float:
    """Exposure to add for close range, ``2 log2(N_eff / N)``. [stops].

    Meters that look through the lens include it. The bellows factor, by which a time is
    multiplied, is 2 to this power, ``(N_eff / N)**2``.

    Parameters
    ----------
    marked : float
        F-number on the ring, exact. [-], > 0
    effective : float
        Effective f-number. [-], > 0

    Raises
    ------
    ValueError
        If an argument is outside its range.

    References
    ----------
    .. [1] R. E. Jacobson et al., The Manual of Photography, exposure in close-up work
       (from memory).

    Examples
    --------
    >>> bellows_stops(8, 16)  # 1x, symmetric lens: four times the light
    2.0
    """
    return 2 * math.log2(_positive("effective", effective) / _positive("marked", marked))


def ambient_share(stops_under: float) -> float:
    """Share of the exposure that ambient light makes, ``1 / (1 + 2**stops_under)``.

    Parameters
    ----------
    stops_under : float
        By how much ambient light alone underexposes against flash alone. [stops], finite

    Raises
    ------
    ValueError
        If it is not finite.
    """
    if not math.isfinite(stops_under):
        raise ValueError("stops_under must be finite")
    return 1 / (1 + math.exp2(stops_under))


def stops_under_for(share: float) -> float:
    """Inverse of ``ambient_share``. [stops].

    Parameters
    ----------
    share : float
        [-], 0 < share < 1

    Raises
    ------
    ValueError
        If it is outside its range.
    """
    if not 0 < share < 1:
        raise ValueError("share must be in (0, 1)")
    return math.log2(1 / share - 1)


def blur_length_um(magnification: float, speed_um_per_s: float, time_s: float) -> float:
    """Length of an even movement's blur on the sensor, ``m v t``. [um].

    Parameters
    ----------
    magnification : float
        [-], > 0
    speed_um_per_s : float
        In the subject, across the axis. [um/s], > 0
    time_s : float
        [s], > 0

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    speed = _positive("speed_um_per_s", speed_um_per_s)
    return _positive("magnification", magnification) * speed * _positive("time_s", time_s)


def longest_exposure_s(blur_um: float, magnification: float, speed_um_per_s: float) -> float:
    """Inverse of ``blur_length_um``: the longest time within a budget of blur. [s].

    Parameters
    ----------
    blur_um : float
        Permitted on the sensor. [um], > 0
    magnification, speed_um_per_s : float
        As there.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    speed = _positive("speed_um_per_s", speed_um_per_s)
    return _positive("blur_um", blur_um) / (_positive("magnification", magnification) * speed)


def blur_budget_um(mtf50_cyc_per_mm: float) -> float:
    """Length of even movement on the sensor that takes a tenth of the contrast at MTF50. [um].

    ``sin(pi f d) / (pi f d) = 0.9`` at ``f d = 0.2504``.

    Parameters
    ----------
    mtf50_cyc_per_mm : float
        Image side. [cycles per mm], > 0

    Raises
    ------
    ValueError
        If it is not > 0.

    References
    ----------
    .. [1] O. Hadar, M. Fisher, N. S. Kopeika, Opt. Eng. 31, 581 (1992): image motion's
       transfer function (abstract read).
    """
    return 1e3 * _SINC_TENTH_LOST / _positive("mtf50_cyc_per_mm", mtf50_cyc_per_mm)


def flash_as_rectangle_s(t01_s: float) -> float:
    """Even exposure that halves the same detail as a flash that dies away, 0.9506 t0.1. [s].

    Parameters
    ----------
    t01_s : float
        Time above a tenth of the flash's peak. [s], > 0; the t0.5 that makers like to
        print is shorter 3.32 times.

    Raises
    ------
    ValueError
        If it is not > 0.
    """
    return _FLASH_SHARE * _positive("t01_s", t01_s)


def longest_flash_s(time_s: float) -> float:
    """Inverse of ``flash_as_rectangle_s``: longest t0.1 that blurs no more. [s].

    Parameters
    ----------
    time_s : float
        Longest even exposure. [s], > 0

    Raises
    ------
    ValueError
        If it is not > 0.
    """
    return _positive("time_s", time_s) / _FLASH_SHARE


def effective_exposure_s(flash_s: float, ambient_s: float, share: float) -> float:
    """One even exposure that blurs like flash and ambient light together. [s].

    Images add, so that transfer functions mix by their shares of light. For little blur
    each loses the square of its time: ``sqrt((1 - a) t_flash**2 + a t_ambient**2)``,
    with the flash half way through the ambient exposure.

    Parameters
    ----------
    flash_s : float
        As an even exposure, see ``flash_as_rectangle_s``. [s], > 0
    ambient_s : float
        Time that the shutter is open. [s], > 0
    share : float
        Of the ambient light, see ``ambient_share``. [-], 0 to 1

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    if not 0 <= share <= 1:
        raise ValueError("share must be in [0, 1]")
    flash, ambient = _positive("flash_s", flash_s), _positive("ambient_s", ambient_s)
    return math.sqrt((1 - share) * flash**2 + share * ambient**2)
