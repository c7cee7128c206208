"""Which dark shapes go onto a chart beside its squares, and how are they drawn?

A disc (which way is up), a QR code (which chart), a bar of known length (is the print
true to size). Coordinates are rounded to one nanometre. Where they stand is the chart's
business.
"""

from __future__ import annotations

import math

from targets.code import code_bars, code_modules
from targets.layout import Mark, Point

__all__ = ["bar", "code", "disc", "rounded"]

_DISC_CORNERS = 48
_BAR_WIDTH_OF_LIMIT = 0.075


def disc(centre: Point, radius_mm: float) -> Mark:
    """Orientation mark: a disc, as a polygon of 48 corners on its circle."""
    turns = (2 * math.pi * i / _DISC_CORNERS for i in range(_DISC_CORNERS))
    return Mark(
        role="orientation",
        polygon_mm=tuple(
            rounded((centre[0] + radius_mm * math.cos(t), centre[1] + radius_mm * math.sin(t)))
            for t in turns
        ),
    )


def bar(centre: Point, limit_mm: float) -> Mark:
    """Scale: a level bar as long as the longest of 1, 2, 5 x 10^n mm up to a limit."""
    decade = 10.0 ** math.floor(math.log10(limit_mm))
    length = decade * max(step for step in (1, 2, 5) if step * decade <= limit_mm)
    outline = _rectangle(centre, length, _BAR_WIDTH_OF_LIMIT * limit_mm)
    return Mark(role="scale", polygon_mm=outline)


def code(text: str, centre: Point, width_mm: float) -> tuple[Mark, ...]:
    """QR code (ISO/IEC 18004, level M) as one mark for each run of dark modules in a row.

    Raises
    ------
    TargetError
        If the text is not plain ASCII or too long for a code that can be read.
    """
    bars = code_bars(code_modules(text), centre_mm=centre, width_mm=width_mm)
    return tuple(Mark(role="code", polygon_mm=outline) for outline in bars)


def _rectangle(centre: Point, width: float, height: float) -> tuple[Point, ...]:
    (x, y), u, v = centre, 0.5 * width, 0.5 * height
    return tuple(
        rounded(p) for p in ((x - u, y - v), (x + u, y - v), (x + u, y + v), (x - u, y + v))
    )


def rounded(point: Point) -> Point:
    """A point to one nanometre."""
    # adding 0 turns -0.0 into 0.0
    return round(point[0], 6) + 0.0, round(point[1], 6) + 0.0
