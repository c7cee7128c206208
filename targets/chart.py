"""Which shapes make a good chart for one magnification, and how charts share a sheet?

A field is the camera's frame divided by the magnification. It holds 5 x 3
slanted dark squares to measure, and in the clear cells between rows a disc
(which way is up), a QR code (which chart) and a bar of known length (is the
print true to size). No mark comes nearer than half a side to the middle of an
edge: the zone outside each edge, as long as the edge and half a side wide,
stays clear ground, so that the bright level and the edge's tails can be
measured. Coordinates are rounded to one nanometre.

Marks sit in cells, not in line with a row: in line, the zones of two
neighbours leave only about a tenth of a side between them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from itertools import groupby

from targets.errors import TargetError
from targets.layout import LAYOUT_VERSION, Field, Layout, Mark, Point, Square
from targets.page import make_page

__all__ = ["PAPERS_MM", "chart_sheet", "square_field"]

# Paper sizes, upright. [mm]  A4: ISO 216. Letter: 8.5 x 11 inch.
PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}

COLUMNS = 5
ROWS = 3
COLUMN_PITCH = 0.21  # of the field's width
ROW_PITCH = 0.31  # of the field's height
SIDE = 0.095  # of the field's width, unless the rows are too near for it
# Row pitch over side at which a gap of one side stays between two squares,
# both turned by the largest angle below (1.138 sides high each).
ROW_PITCH_PER_SIDE = 2.15

# Sizes of the marks, in sides. A cell's clear ground is about 0.84 wide.
DISC_RADIUS = 0.22
DISC_CORNERS = 48
CODE_WIDTH = 0.8
BAR_LENGTH_LIMIT = 0.8
BAR_WIDTH = 0.06

CODE_VERSION_LIMIT = 2  # 25 modules across: each is 0.032 of a side or more

# Clear margin around and between fields: a frame at 1.25 x the field still
# sees no neighbour's square.
MARGIN_OF_WIDTH = 0.15
MARGIN_MIN_MM = 2.0
# Home and office printers leave an edge blank; common practice, no published source.
PAPER_MARGIN_MM = 10.0


def _rotations_deg() -> tuple[float, ...]:
    """Turns of the 15 squares, row by row, all different in size, alternating in sign.

    An edge of slope 1/k meets the pixel grid in only k different phases, over
    and over; slopes p/q with small p and q are little better. The slopes
    1/(k + g) and 1/(k + 1 - g), with g the golden section 0.618, end in ones as
    continued fractions, so they are as far from all such fractions as numbers
    can be, and their phases spread evenly for any length of edge. 15 of them
    lie between 1/13.6 and 1/6.6, that is 4.2 to 8.6 degrees.
    """
    golden = 0.5 * (math.sqrt(5) - 1)
    divisors = [6 + golden] + [k + part for k in range(7, 14) for part in (1 - golden, golden)]
    count = len(divisors)
    # A stride of 4 (no common factor with 15) keeps neighbours well apart in angle.
    return tuple(
        (-1) ** i * round(math.degrees(math.atan(1 / divisors[4 * i % count])), 6)
        for i in range(count)
    )


ROTATIONS_DEG = _rotations_deg()


def square_field(
    *,
    magnification: float,
    sensor_width_mm: float,
    sensor_height_mm: float,
    name: str | None = None,
) -> Field:
    """Chart that fills the frame at one magnification.

    Parameters
    ----------
    magnification : float
        Image size over object size. [-], > 0
    sensor_width_mm, sensor_height_mm : float
        Light-sensitive area. > 0
    name : str, optional
        Name of the chart, which enters its code: plain ASCII, about 10
        characters. The field is then called "name 2x", without it "2x".

    Returns
    -------
    Field
        Squares are named "1" to "15" row by row from the upper left; "8" is at
        the field's centre.

    Raises
    ------
    ValueError
        If a number is not above zero.
    TargetError
        If the name does not go into the code.
    """
    for value in (magnification, sensor_width_mm, sensor_height_mm):
        if not 0 < value < math.inf:
            raise ValueError("magnification and sensor size must be numbers > 0")
    width, height = sensor_width_mm / magnification, sensor_height_mm / magnification
    dx, dy = COLUMN_PITCH * width, ROW_PITCH * height
    side = min(SIDE * width, dy / ROW_PITCH_PER_SIDE)
    field_name = f"{magnification:g}x" if name is None else f"{name} {magnification:g}x"
    code_text = f"stopwise {LAYOUT_VERSION} {field_name}"
    squares = tuple(
        Square(
            name=str(i + 1),
            centre_mm=_rounded(
                ((i % COLUMNS - COLUMNS // 2) * dx, (i // COLUMNS - ROWS // 2) * dy)
            ),
            side_mm=round(side, 6),
            rotation_deg=rotation,
        )
        for i, rotation in enumerate(ROTATIONS_DEG)
    )
    marks = (
        Mark(role="orientation", polygon_mm=_disc((-1.5 * dx, -0.5 * dy), DISC_RADIUS * side)),
        *_code(code_text, (1.5 * dx, 0.5 * dy), CODE_WIDTH * side),
        Mark(
            role="scale",
            polygon_mm=_rectangle(
                (-1.5 * dx, 0.5 * dy), _round_length(BAR_LENGTH_LIMIT * side), BAR_WIDTH * side
            ),
        ),
    )
    return Field(
        name=field_name,
        magnification=magnification,
        width_mm=round(width, 6),
        height_mm=round(height, 6),
        squares=squares,
        marks=marks,
        code_text=code_text,
    )


def chart_sheet(fields: Iterable[Field], *, name: str, paper: str | None = None) -> Layout:
    """Fields side by side on one sheet, largest object first.

    Parameters
    ----------
    fields : iterable of Field
        At least one, with different names.
    name : str
        Name of the sheet, for the legend.
    paper : str, optional
        "A4" or "Letter": the sheet is that paper, upright or on its side, with
        room for the legend. Without it the sheet is as small as the fields and
        their clear margins allow, for a plate or film.

    Raises
    ------
    ValueError
        If there is no field or the paper is unknown.
    TargetError
        If fields and legend do not fit on the paper.
    """
    ordered = tuple(sorted(fields, key=lambda f: f.magnification))
    if not ordered:
        raise ValueError("a sheet needs at least one field")
    if paper is None:
        return _smallest_sheet(ordered, name, MARGIN_MIN_MM)
    if paper not in PAPERS_MM:
        raise ValueError(f"paper must be one of {', '.join(PAPERS_MM)}")
    smallest = _smallest_sheet(ordered, name, PAPER_MARGIN_MM)
    short, long = PAPERS_MM[paper]
    for width, height in ((short, long), (long, short)):
        shift = 0.5 * (width - smallest.sheet_width_mm)
        layout = replace(
            smallest,
            sheet_width_mm=width,
            sheet_height_mm=height,
            sheet_origins_mm=tuple(_rounded((x + shift, y)) for x, y in smallest.sheet_origins_mm),
        )
        page = make_page(layout)
        if shift >= 0 and (page.width_mm, page.height_mm) == (width, height):
            return layout
    several = len(ordered) > 1
    mend = "Make one sheet for each magnification" if several else "Choose a larger magnification"
    raise TargetError(
        f"the {'fields take' if several else 'field takes'} {smallest.sheet_width_mm:.0f} x "
        f"{smallest.sheet_height_mm:.0f} mm with clear margins, and the legend comes below; "
        f"{paper} is {short:g} x {long:g} mm. {mend}, or leave the paper out for a sheet as "
        "large as it needs."
    )


def _smallest_sheet(fields: tuple[Field, ...], name: str, margin_min_mm: float) -> Layout:
    """The fields in a row, centred on one line, on a sheet that just holds them."""
    gap = max(MARGIN_MIN_MM, MARGIN_OF_WIDTH * max(f.width_mm for f in fields))
    margin = max(gap, margin_min_mm)
    row_height = max(f.height_mm for f in fields)
    left = margin
    origins = []
    for field in fields:
        origins.append(_rounded((left + 0.5 * field.width_mm, margin + 0.5 * row_height)))
        left += field.width_mm + gap
    return Layout(
        name=name,
        version=LAYOUT_VERSION,
        sheet_width_mm=round(left - gap + margin, 6),
        sheet_height_mm=round(row_height + 2 * margin, 6),
        fields=fields,
        sheet_origins_mm=tuple(origins),
    )


def _code(text: str, centre: Point, width_mm: float) -> tuple[Mark, ...]:
    """QR code (ISO/IEC 18004, level M) as one bar for each run of dark modules in a row.

    Raises
    ------
    TargetError
        If the text is not plain ASCII or too long for a code that can be read.
    """
    import segno  # here: whoever only reads layouts does without it

    mend = "Choose a short name of plain letters and digits."
    if not (text.isascii() and text.isprintable()):
        raise TargetError(f"code text {text!r}: holds more than plain ASCII. {mend}")
    code = segno.make_qr(text, error="m", boost_error=False)
    if int(code.version) > CODE_VERSION_LIMIT:
        raise TargetError(f"code text {text!r}: too long for a code that can be read. {mend}")
    module = width_mm / len(code.matrix)
    left, top = centre[0] - 0.5 * width_mm, centre[1] - 0.5 * width_mm
    runs = []
    for row, modules in enumerate(code.matrix):
        column = 0
        for dark, group in groupby(modules):
            length = len(list(group))
            if dark:
                at = (left + module * (column + 0.5 * length), top + module * (row + 0.5))
                runs.append(Mark(role="code", polygon_mm=_rectangle(at, module * length, module)))
            column += length
    return tuple(runs)


def _disc(centre: Point, radius: float) -> tuple[Point, ...]:
    turns = (2 * math.pi * i / DISC_CORNERS for i in range(DISC_CORNERS))
    return tuple(
        _rounded((centre[0] + radius * math.cos(t), centre[1] + radius * math.sin(t)))
        for t in turns
    )


def _rectangle(centre: Point, width: float, height: float) -> tuple[Point, ...]:
    (x, y), u, v = centre, 0.5 * width, 0.5 * height
    return tuple(
        _rounded(p) for p in ((x - u, y - v), (x + u, y - v), (x + u, y + v), (x - u, y + v))
    )


def _round_length(limit_mm: float) -> float:
    """The longest of 1, 2, 5 x 10^n mm that is not above the limit."""
    decade = 10.0 ** math.floor(math.log10(limit_mm))
    return decade * max(step for step in (1, 2, 5) if step * decade <= limit_mm)


def _rounded(point: Point) -> Point:
    # adding 0 turns -0.0 into 0.0
    return round(point[0], 6) + 0.0, round(point[1], 6) + 0.0
