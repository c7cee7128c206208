"""How far may a lens be stopped down, by which criterion, and where do rules come from?

Four criteria, each for a perfect lens at one magnification on one pixel pitch:

- *loss*: MTF50 of lens and pixel has fallen by a share from the widest stop's, the best
  that diffraction allows this lens;
- *pixels*: the Airy disc, first dark ring to first dark ring, is a number of pixels wide;
- *print*: the Airy disc is as wide as the blur disc that a print bears, the sensor's
  diagonal / 1500 (common practice, no published source). On 36 x 24 mm that is 29 um and
  an effective f-number of 22: the rules f/8 at 2x, f/5.6 at 3x and f/4 at 4x say no more;
- *detail*: lines and gaps of one width in the subject keep a share of their contrast.

Limits are ring positions (exact numbers). Left out: depth, for which one stops down.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from scipy.special import jn_zeros

from lab.inference.rules import DEFAULT_RULES, parse_rule
from lab.optics.sensor import pixel_mtf
from lab.optics.system import channel_band, diffraction_mtf, diffraction_mtf50

__all__ = ["ApertureLimit", "Criteria", "airy_f_number", "aperture_limit"]

_PRINT_DIAGONALS = 1500.0
_ROUNDING = 1e-6  # f/11 / (1 + 3) is f/2.8
_WIDEST, _DEEPEST = 0.05, 5000.0  # effective f-numbers looked at


@dataclass(frozen=True, kw_only=True)
class Criteria:
    """What the limits are judged by.

    Attributes
    ----------
    loss_percent : float
        Of MTF50 against the widest stop. [%], 0 < loss_percent < 100
    airy_pixels : float
        Width of the Airy disc. [pixels], > 0. Two: common practice, no published source.
    detail_um : float or None
        Width of a line, and of the gap beside it, in the subject. [um], > 0
    contrast : float
        That the detail keeps. [-], 0 < contrast < 1. 0.2: ours.
    """

    loss_percent: float = 10.0
    airy_pixels: float = 2.0
    detail_um: float | None = None
    contrast: float = 0.2

    def __post_init__(self) -> None:
        if not (0 < self.loss_percent < 100 and 0 < self.contrast < 1):
            raise ValueError("loss_percent must be in (0, 100) and contrast in (0, 1)")
        detail = () if self.detail_um is None else (self.detail_um,)
        if not all(0 < v < math.inf for v in (self.airy_pixels, *detail)):
            raise ValueError("airy_pixels and detail_um must be > 0")


@dataclass(frozen=True, kw_only=True)
class ApertureLimit:
    """Limits at one magnification and pitch, as ring positions beside the rules'.

    Attributes
    ----------
    magnification, pixel_pitch_um, per_marked : float
        ``per_marked`` turns ring positions into effective f-numbers.
    widest_stop, smallest_stop : float
        Ends of the lens, which limits may lie beyond.
    loss_stop, pixels_stop, print_stop : float
    detail_stop : float or None
        None where no stop shows the detail, or none was named.
    is_detail_finer : bool
        The detail is finer than half a cycle a pixel.
    rules : tuple of (str, float)
        Rules of thumb that speak of this magnification, and where they stop.
    """

    magnification: float
    pixel_pitch_um: float
    per_marked: float
    widest_stop: float
    smallest_stop: float
    loss_stop: float
    pixels_stop: float
    print_stop: float
    detail_stop: float | None
    is_detail_finer: bool
    rules: tuple[tuple[str, float], ...]

    def on_lens(self, stop: float) -> Literal["within", "wider", "smaller"]:
        """Where a limit lies: within the lens's stops, or beyond one of their ends.

        Parameters
        ----------
        stop : float
            Ring position. [-], > 0
        """
        if stop < self.widest_stop * (1 - _ROUNDING):
            return "wider"
        return "smaller" if stop > self.smallest_stop * (1 + _ROUNDING) else "within"


def airy_f_number(disc_um: float, wavelength_um: float) -> float:
    """Effective f-number whose Airy disc is so wide, first dark ring to first dark ring.

    The disc is ``2 x 1.2197 wavelength N`` across (first zero of J1 over pi).

    Parameters
    ----------
    disc_um, wavelength_um : float
        [um], > 0

    Raises
    ------
    ValueError
        If an argument is outside its range.

    References
    ----------
    .. [1] J. W. Goodman, Introduction to Fourier Optics, ch. 4 (from memory).

    Examples
    --------
    >>> round(airy_f_number(28.8, 0.53), 1)
    22.3
    """
    if not (disc_um > 0 and wavelength_um > 0):
        raise ValueError("disc_um and wavelength_um must be > 0")
    return disc_um / (2 * float(jn_zeros(1, 1)[0]) / math.pi * wavelength_um)


def aperture_limit(
    *,
    magnification: float,
    pixel_pitch_um: float,
    sensor_mm: tuple[float, float],
    widest_effective: float,
    smallest_effective: float,
    per_marked: float,
    wavelength_um: float,
    criteria: Criteria | None = None,
    rules: Sequence[str] = DEFAULT_RULES,
) -> ApertureLimit:
    """How far to stop down by each criterion, beside the rules of thumb.

    Parameters
    ----------
    magnification : float
        [-], > 0
    pixel_pitch_um : float
        [um], > 0
    sensor_mm : (float, float)
        Width and height. [mm], > 0
    widest_effective, smallest_effective : float
        Effective f-numbers at the widest and the smallest stop. [-], > 0, rising
    per_marked : float
        Effective f-number over the ring's. [-], > 0; ``effective_f_number(1, m, P)``
    wavelength_um : float
        [um], > 0
    criteria : Criteria, optional
    rules : sequence of str
        As ``lab.inference.rules.parse_rule`` reads them.

    Returns
    -------
    ApertureLimit

    Raises
    ------
    ValueError
        If an argument is outside its range.
    LabError
        If a text is no rule.
    """
    ends = widest_effective, smallest_effective
    lengths = (magnification, pixel_pitch_um, *ends, per_marked, *sensor_mm)
    if not all(0 < v < math.inf for v in lengths):
        raise ValueError(
            "magnification, pixel_pitch_um, sensor_mm, widest_effective, smallest_effective and "
            "per_marked must be > 0"
        )
    if not widest_effective <= smallest_effective:
        raise ValueError("widest_effective must not lie above smallest_effective")
    wanted = criteria or Criteria()
    band = channel_band(wavelength_um)

    def mtf50(effective: float) -> float:
        return diffraction_mtf50(
            wavelength_um=band, f_number=effective, pixel_pitch_um=pixel_pitch_um
        )

    least = (1 - wanted.loss_percent / 100) * mtf50(widest_effective)
    detail, is_finer = None, False
    if wanted.detail_um is not None:
        frequency = 1e3 / (2 * wanted.detail_um * magnification)
        is_finer = frequency > 1e3 / (2 * pixel_pitch_um) * (1 + 1e-9)
        pixel = float(pixel_mtf(frequency * pixel_pitch_um * 1e-3))

        def contrast(effective: float) -> float:
            lens = diffraction_mtf(frequency, wavelength_um=band, f_number=effective)
            return float(lens) * abs(pixel)

        if not is_finer and contrast(widest_effective) >= wanted.contrast:
            detail = _last(lambda n: contrast(n) >= wanted.contrast) / per_marked
    found = []
    for rule in map(parse_rule, rules):
        if rule.applies_to(magnification):
            ring = rule.ring_limit(magnification)
            found.append((rule.text, rule.f_number / per_marked if ring is None else ring))
    return ApertureLimit(
        magnification=magnification,
        pixel_pitch_um=pixel_pitch_um,
        per_marked=per_marked,
        widest_stop=widest_effective / per_marked,
        smallest_stop=smallest_effective / per_marked,
        loss_stop=_last(lambda n: mtf50(n) >= least) / per_marked,
        pixels_stop=airy_f_number(wanted.airy_pixels * pixel_pitch_um, wavelength_um) / per_marked,
        print_stop=airy_f_number(1e3 * math.hypot(*sensor_mm) / _PRINT_DIAGONALS, wavelength_um)
        / per_marked,
        detail_stop=detail,
        is_detail_finer=is_finer,
        rules=tuple(found),
    )


def _last(holds: Callable[[float], bool]) -> float:
    """Largest effective f-number at which a falling criterion still holds."""
    low, high = math.log(_WIDEST), math.log(_DEEPEST)
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if holds(math.exp(middle)) else (low, middle)
    return math.exp(low)
