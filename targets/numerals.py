"""How are numbers drawn as polygons, for film and masks, which know no fonts?

Plain seven-bar digits, minus, point, and the letters m and u for units, as upright
rectangles that abut and never overlap. All bars of a number are one stroke thick; a
digit is four strokes wide (the one: one) and seven high, so that the ground inside it is
two strokes wide and high.
"""

from __future__ import annotations

from itertools import groupby

from targets.layout import Point

__all__ = ["HEIGHT_STROKES", "number_polygons", "number_strokes"]

# Columns and rows of a glyph, in strokes: bar, ground, bar, ground, bar.
_ROWS = (1, 2, 1, 2, 1)
_COLUMNS = (1, 2, 1)
_LETTER_COLUMNS = (1, 1, 1, 1, 1)
HEIGHT_STROKES = sum(_ROWS)
_GAP_STROKES = 1.5  # between glyphs

# The bars of a digit: T top, M middle, B bottom; upper and lower, left and right.
_CELLS = {
    "T": {(0, 0), (0, 1), (0, 2)},
    "M": {(2, 0), (2, 1), (2, 2)},
    "B": {(4, 0), (4, 1), (4, 2)},
    "ul": {(0, 0), (1, 0), (2, 0)},
    "ur": {(0, 2), (1, 2), (2, 2)},
    "ll": {(2, 0), (3, 0), (4, 0)},
    "lr": {(2, 2), (3, 2), (4, 2)},
}
_BARS = {
    "0": "T ul ur ll lr B",
    "1": "ul ll",  # its two bars stand alone, so they take no ground beside them
    "2": "T ur M ll B",
    "3": "T ur M lr B",
    "4": "ul ur M lr",
    "5": "T ul M lr B",
    "6": "T ul M ll lr B",
    "7": "T ur lr",
    "8": "T ul ur M ll lr B",
    "9": "T ul ur M lr B",
    "-": "M",
}
# Dark cells (row, column) of each glyph.
_GLYPHS: dict[str, set[tuple[int, int]]] = {
    **{glyph: set().union(*(_CELLS[bar] for bar in bars.split())) for glyph, bars in _BARS.items()},
    ".": {(4, 0)},
    "m": {(2, column) for column in range(5)} | {(r, c) for r in (3, 4) for c in (0, 2, 4)},
    "u": {(4, 0), (4, 1), (4, 2)} | {(r, c) for r in (2, 3) for c in (0, 2)},
}


def number_strokes(text: str) -> float:
    """Width of a number, in strokes.

    Parameters
    ----------
    text : str
        Digits, "-", ".", and "m" and "u"; at least one.

    Raises
    ------
    ValueError
        If the text is empty or holds anything else.
    """
    if not text or not set(text) <= set(_GLYPHS):
        raise ValueError(f"{text!r} is not made of {''.join(_GLYPHS)}")
    return sum(sum(_columns(letter)) for letter in text) + _GAP_STROKES * (len(text) - 1)


def number_polygons(
    text: str, *, centre_mm: Point, stroke_mm: float, stretch: float = 1.0
) -> tuple[tuple[Point, ...], ...]:
    """The rectangles of a number.

    Parameters
    ----------
    text : str
        As for ``number_strokes``.
    centre_mm : (float, float)
        Middle (x, y) of the number, y down. [mm]
    stroke_mm : float
        Thickness of the level bars. > 0
    stretch : float
        Factor on all widths, for numbers that are seen foreshortened. > 0

    Returns
    -------
    tuple of polygons
        Corners clockwise as seen, from the upper left one.

    Raises
    ------
    ValueError
        If the text cannot be drawn.
    """
    left = centre_mm[0] - 0.5 * stretch * stroke_mm * number_strokes(text)
    top = centre_mm[1] - 0.5 * stroke_mm * HEIGHT_STROKES
    polygons = []
    for letter in text:
        columns = _columns(letter)
        for (row, column), (row_end, column_end) in _boxes(_GLYPHS[letter]):
            x0, x1 = (left + stretch * stroke_mm * sum(columns[:n]) for n in (column, column_end))
            y0, y1 = (top + stroke_mm * sum(_ROWS[:n]) for n in (row, row_end))
            polygons.append(((x0, y0), (x1, y0), (x1, y1), (x0, y1)))
        left += stretch * stroke_mm * (sum(columns) + _GAP_STROKES)
    return tuple(polygons)


def _columns(letter: str) -> tuple[int, ...]:
    whole = _LETTER_COLUMNS if letter in "mu" else _COLUMNS
    return whole[: 1 + max(column for _, column in _GLYPHS[letter])]


def _boxes(cells: set[tuple[int, int]]) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Cells as few boxes (first row, column), (row, column past the end): runs of equal rows."""
    boxes = []
    rows = groupby(sorted({r for r, _ in cells}), key=lambda r: sorted(_runs(cells, r)))
    for runs, group in rows:
        found = list(group)
        boxes += [((found[0], first), (found[-1] + 1, end)) for first, end in runs]
    return boxes


def _runs(cells: set[tuple[int, int]], row: int) -> list[tuple[int, int]]:
    """Dark columns of a row, as pairs (first, past the last)."""
    columns = sorted(c for r, c in cells if r == row)
    starts = [c for c in columns if c - 1 not in columns]
    ends = [c + 1 for c in columns if c + 1 not in columns]
    return list(zip(starts, ends, strict=True))
