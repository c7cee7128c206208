"""What do sheets to cut and fold have in common: lines, a check line, blocks of words?

Solid and firm: cut. Dashed: fold. Solid and fine: lay something there. Each piece of a
line is a group of its own, since pieces meet at corners and the shapes of one group must
not overlap.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise

from targets.layout import Point
from targets.page import TEXT_SIZE_MM, Polygon, Text, lines_of_text, stroke

__all__ = [
    "PAGE_MARGIN_MM",
    "Groups",
    "block",
    "check_line",
    "cut_line",
    "fold_line",
    "head",
    "place_line",
]

Groups = tuple[tuple[Polygon, ...], ...]

PAGE_MARGIN_MM = 10.0  # printers leave an edge blank; common practice, no published source
CHECK_LINE_MM = 10.0
_CHECK_WIDTH_MM = 0.3
_CUT_WIDTH_MM = 0.35
_FOLD_WIDTH_MM = 0.25
_PLACE_WIDTH_MM = 0.15
_DASH_MM, _GAP_MM = 2.0, 1.5
_TITLE_SIZE_MM = 5.0
_HEADING_SIZE_MM = 3.6


def check_line(at_mm: Point) -> tuple[Polygon, Text]:
    """A line of 10 mm, for the user's ruler, and the words that say so.

    Parameters
    ----------
    at_mm : (float, float)
        Left end (x, y) of the base line that the words stand on.
    """
    left, baseline = at_mm
    right = left + CHECK_LINE_MM
    middle = baseline - 0.3 * TEXT_SIZE_MM  # half way up a small letter
    words = Text(
        at_mm=(right + TEXT_SIZE_MM, baseline),
        text="This line is 10 mm long. Check it with a ruler: 0.1 mm is 1 %.",
    )
    return stroke((left, middle), (right, middle), _CHECK_WIDTH_MM), words


def cut_line(points: Sequence[Point]) -> Groups:
    """A line through points, to cut along. At least two points, neighbours different."""
    return _line(points, _CUT_WIDTH_MM)


def place_line(points: Sequence[Point]) -> Groups:
    """A line through points, to lay something against. As for ``cut_line``."""
    return _line(points, _PLACE_WIDTH_MM)


def fold_line(start: Point, end: Point) -> Groups:
    """A line to fold along: dashes, of which the first and the last reach the ends."""
    (x0, y0), (x1, y1) = start, end
    length = math.hypot(x1 - x0, y1 - y0)
    gaps = max(0, round((length - _DASH_MM) / (_DASH_MM + _GAP_MM)))
    pitch = (length + _GAP_MM) / (gaps + 1)

    def at(distance: float) -> Point:
        share = distance / length
        return x0 + share * (x1 - x0), y0 + share * (y1 - y0)

    return tuple(
        (stroke(at(i * pitch), at((i + 1) * pitch - _GAP_MM), _FOLD_WIDTH_MM),)
        for i in range(gaps + 1)
    )


def head(title: str, page_width_mm: float) -> tuple[Groups, tuple[Text, ...], float]:
    """Title and check line at the top of a page; the last value is where they end. [mm]."""
    left = PAGE_MARGIN_MM
    titles = lines_of_text(
        [title],
        at_mm=(left, PAGE_MARGIN_MM + _TITLE_SIZE_MM),
        width_mm=page_width_mm - 2 * PAGE_MARGIN_MM,
        size_mm=_TITLE_SIZE_MM,
    )
    baseline = titles[-1].at_mm[1] + 1.4 * _TITLE_SIZE_MM
    line, words = check_line((left, baseline))
    return ((line,),), (*titles, words), baseline + TEXT_SIZE_MM


def block(
    heading: str, sentences: Iterable[str], *, at_mm: Point, width_mm: float
) -> tuple[tuple[Text, ...], float]:
    """A heading and sentences, half a line apart, and where they end. [mm].

    Parameters
    ----------
    heading : str
    sentences : iterable of str
    at_mm : (float, float)
        Upper left corner (x, y).
    width_mm : float
        > 0
    """
    left, top = at_mm
    first = Text(at_mm=(left, top + _HEADING_SIZE_MM), text=heading, size_mm=_HEADING_SIZE_MM)
    spaced = [part for sentence in sentences for part in ("", sentence)][1:]
    below = first.at_mm[1] + 1.7 * TEXT_SIZE_MM
    body = lines_of_text(spaced, at_mm=(left, below), width_mm=width_mm)
    texts = (first, *body)
    return texts, texts[-1].at_mm[1] + 0.3 * TEXT_SIZE_MM


def _line(points: Sequence[Point], width_mm: float) -> Groups:
    pieces = []
    for (x0, y0), (x1, y1) in pairwise(points):
        # Half a width longer at both ends, so that corners close.
        longer = 0.5 * width_mm / math.hypot(x1 - x0, y1 - y0)
        dx, dy = longer * (x1 - x0), longer * (y1 - y0)
        pieces.append((stroke((x0 - dx, y0 - dy), (x1 + dx, y1 + dy), width_mm),))
    return tuple(pieces)
