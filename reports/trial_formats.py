"""How are a trial's figures written: shutter times, speeds, shares, directions?

Plain text, shared by the sentences, the figures and the tables of a trial.
"""

from __future__ import annotations

import math

from reports import words

__all__ = [
    "axis_words",
    "exposure_words",
    "frames_words",
    "percent",
    "percent_span",
    "safe_time_words",
    "speed_words",
]

_SLANT_DEG = 22.5  # further from sideways, or from up and down, is said to slant


def exposure_words(seconds: float) -> str:
    """A shutter time as it was set: ``1/200 s``, ``0.5 s``."""
    return f"{seconds:.2g} s" if seconds >= 0.3 else f"1/{float(f'{1 / seconds:.3g}'):.0f} s"


def safe_time_words(seconds: float) -> str:
    """A limit of shutter time to two digits, rounded to the short side."""
    turned = seconds if seconds >= 0.3 else 1 / seconds
    unit = 10.0 ** (math.floor(math.log10(turned)) - 1)
    steps = round(turned / unit, 6)  # so that 1/200 s stays what it is
    if seconds >= 0.3:
        return f"{math.floor(steps) * unit:.2g} s"
    return f"1/{math.ceil(steps) * unit:g} s"


def speed_words(um_per_s: float) -> str:
    """A speed in the subject to two digits, in µm/s or mm/s."""
    value, unit = (um_per_s, "µm/s") if um_per_s < 1000 else (um_per_s / 1000, "mm/s")
    return f"{float(f'{value:.2g}'):g} {unit}"


def axis_words(axis_deg: float) -> str:
    """The line along which an image moved, as the frame shows it.

    Parameters
    ----------
    axis_deg : float
        From the columns' direction (right) towards the rows' (down). [deg], any; the line
        is the same after half a turn.
    """
    folded = (axis_deg + 90) % 180 - 90
    if abs(folded) <= _SLANT_DEG:
        return "sideways"
    if abs(folded) >= 90 - _SLANT_DEG:
        return "up and down"
    return "slanting down to the right" if folded > 0 else "slanting up to the right"


def percent(share: float) -> str:
    """A share as ``95 %``."""
    return f"{words.number(100 * share, 0)} %"


def percent_span(low: float | None, high: float | None) -> str:
    """Ends of an interval of a share, as ``22 to 61 %``."""
    ends = (None if low is None else 100 * low, None if high is None else 100 * high)
    span = words.interval_words(*ends, words.telling_digits(*ends, 0))
    return span if span == "unknown" else f"{span} %"


def frames_words(n: int, more: str = "") -> str:
    """``1 frame``, ``2 more frames``."""
    return f"{n} {more}{'frame' if n == 1 else 'frames'}"
