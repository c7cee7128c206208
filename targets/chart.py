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

from targets.angles import ROTATIONS_DEG
from targets.errors import TargetError
from targets.layout import LAYOUT_VERSION, Field, Layout, Square
from targets.legend import chart_page
from targets.marks import bar, code, disc, rounded
from targets.page import PAPERS_MM

__all__ = ["chart_sheet", "square_field"]

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
CODE_WIDTH = 0.8  # a module is 0.032 of a side or more
BAR_LENGTH_LIMIT = 0.8

# Clear margin around and between fields: a frame at 1.25 x the field still
# sees no neighbour's square.
MARGIN_OF_WIDTH = 0.15
MARGIN_MIN_MM = 2.0
# Home and office printers leave an edge blank; common practice, no published source.
PAPER_MARGIN_MM = 10.0


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
            centre_mm=rounded(((i % COLUMNS - COLUMNS // 2) * dx, (i // COLUMNS - ROWS // 2) * dy)),
            side_mm=round(side, 6),
            rotation_deg=rotation,
        )
        for i, rotation in enumerate(ROTATIONS_DEG)
    )
    marks = (
        disc((-1.5 * dx, -0.5 * dy), DISC_RADIUS * side),
        *code(code_text, (1.5 * dx, 0.5 * dy), CODE_WIDTH * side),
        bar((-1.5 * dx, 0.5 * dy), BAR_LENGTH_LIMIT * side),
    )
    return Field(
        name=field_name,
        magnification_low=magnification,
        magnification_high=magnification,
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
    ordered = tuple(sorted(fields, key=lambda f: f.magnification_low))
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
            sheet_origins_mm=tuple(rounded((x + shift, y)) for x, y in smallest.sheet_origins_mm),
        )
        page = chart_page(layout)
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
    extents = [field.extent_mm() for field in fields]
    gap = max(MARGIN_MIN_MM, MARGIN_OF_WIDTH * max(width for width, _ in extents))
    margin = max(gap, margin_min_mm)
    row_height = max(height for _, height in extents)
    left = margin
    origins = []
    for width, _ in extents:
        origins.append(rounded((left + 0.5 * width, margin + 0.5 * row_height)))
        left += width + gap
    return Layout(
        name=name,
        version=LAYOUT_VERSION,
        sheet_width_mm=round(left - gap + margin, 6),
        sheet_height_mm=round(row_height + 2 * margin, 6),
        fields=fields,
        sheet_origins_mm=tuple(origins),
    )
