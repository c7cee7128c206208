"""Numbers that several commands take, checked alike."""

from __future__ import annotations

import math
import re

from lab.errors import LabError

__all__ = ["magnifications_of", "numbers", "pitch_um", "positive", "seconds", "sensor_mm"]

# Beyond these a chart is finer than can be made, or larger than can be printed.
_MAGNIFICATION_LOWEST, _MAGNIFICATION_HIGHEST = 0.05, 20.0
_LONGEST_S = 60.0  # of a hand-held or flash exposure anyone plans
_PITCH_LOWEST_UM, _PITCH_HIGHEST_UM = 0.5, 50.0  # as session.toml has it


def magnifications_of(values: tuple[float, ...]) -> tuple[float, ...]:
    """Each once, within what can be made; rising."""
    for m in values:
        if not _MAGNIFICATION_LOWEST <= m <= _MAGNIFICATION_HIGHEST:
            raise LabError(
                f"--magnification {m:g}: give a number from {_MAGNIFICATION_LOWEST:g} to "
                f"{_MAGNIFICATION_HIGHEST:g}, like 2."
            )
    shown = [f"{m:g}" for m in values]
    for m_shown in shown:
        if shown.count(m_shown) > 1:
            raise LabError(f"--magnification {m_shown}: is given twice. Give each once.")
    return tuple(sorted(values))


def numbers(option: str, text: str) -> tuple[float, ...]:
    """Numbers above zero from a text, parted by commas or blanks."""
    try:
        values = tuple(float(part) for part in re.split(r"[,\s]+", text.strip()))
    except ValueError:
        values = ()
    if not values or not all(0 < v < math.inf for v in values):
        raise LabError(f"{option} {text}: give numbers above zero, like 2.8,4,5.6.")
    return values


def pitch_um(value: float) -> float:
    """A pixel pitch that a camera may have."""
    if not _PITCH_LOWEST_UM <= value <= _PITCH_HIGHEST_UM:
        raise LabError(
            f"--pitch {value:g}: pixels are {_PITCH_LOWEST_UM:g} to {_PITCH_HIGHEST_UM:g} um wide. "
            "Give the pitch in um, like 4.35."
        )
    return value


def positive(option: str, value: float, like: str) -> float:
    """A finite number above zero."""
    if not 0 < value < math.inf:
        raise LabError(f"{option} {value:g}: give a number above zero, like {like}.")
    return value


def sensor_mm(text: str) -> tuple[float, float]:
    """Width and height from a text like 36x24."""
    size = re.fullmatch(r"\s*([\d.]+)\s*[xX]\s*([\d.]+)\s*", text)
    try:
        width, height = (float(part) for part in size.groups()) if size else (0.0, 0.0)
    except ValueError:
        width = height = 0.0
    if not (width > 0 and height > 0):
        raise LabError(f"--sensor {text}: give width x height in mm, like 36x24.")
    return width, height


def seconds(option: str, text: str) -> float:
    """A time as photographers write it: 1/200, 0.5 or 2."""
    parts = text.strip().split("/")
    try:
        value = float(parts[0]) / (float(parts[1]) if len(parts) == 2 else 1.0)
    except (ValueError, ZeroDivisionError):
        value = 0.0
    if len(parts) > 2 or not 0 < value < float("inf"):
        raise LabError(f"{option} {text}: give seconds, like 1/200 or 0.5.")
    if value > _LONGEST_S:
        raise LabError(f"{option} {text}: is {value:g} seconds. For a fraction write 1/{text}.")
    return value
