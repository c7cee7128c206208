"""How does a tilted scale get its slope, and which ramps share one sheet?

A ramp sheet holds one field for each magnification (``targets.ramp_field``), one below
the other with their middle lines in line. Printed on paper, the sheet is one face of a
strip that folds up into a wedge, a tube of three faces: the base in the plane of focus,
the riser along the lens axis, the ramp between them at the slope. Three sides fix a
triangle, so the slope comes from the folds alone. On film or glass the sheet has that
face's size and goes onto it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from targets.errors import TargetError
from targets.files import save_bytes
from targets.layout import LAYOUT_VERSION, Field, Layout, Point
from targets.page import (
    PAPERS_MM,
    Page,
    Polygon,
    Text,
    text_width_mm,
)
from targets.ramp_field import Ramp, RampWish, ramp_field
from targets.template import (
    PAGE_MARGIN_MM,
    Groups,
    block,
    cut_line,
    fold_line,
    head,
    place_line,
)

__all__ = ["RampLayout", "ramp_layout", "ramp_pages", "write_ramp_layout"]

RECORD_VERSION = 1
SLOPE_LOW_DEG, SLOPE_HIGH_DEG = 5.0, 80.0

# The sheet around the fields. [mm]
SIDE_MARGIN_MM = 4.0
HEAD_MM = 6.0
WORDS_MM = 5.0
FIELD_GAP_MM = 2.0
FOOT_MM = 4.0
WORDS_SIZE_MM = 2.4
NEAR_WORDS, FAR_WORDS = "nearer the lens", "farther"
POINTER_MM = 2.0

# The page around the wedge. [mm]
BLOCK_GAP_MM = 5.0
INSET_MM = 0.5  # of the strip from the page's margin, so that its whole line prints
FLAP_MM = 10.0
FLAP_BEVEL_MM = 4.0
COLUMN_GAP_MM = 8.0
CORNER_GAP_MM = 0.3
CORNER_ARM_MM, CORNER_ARM_OF_HEIGHT = 1.5, 0.2  # the shorter of the two
ZERO_MARK_MM = 2.0


@dataclass(frozen=True, kw_only=True)
class RampLayout:
    """A ramp sheet and the wedge that holds it.

    Attributes
    ----------
    slope_deg : float
        Between the ramp and the plane of focus.
    ramp_mm, base_mm, riser_mm : float
        Sides of the wedge. The ramp is as long as the sheet is wide.
    ramps : tuple of Ramp
        One for each field of the sheet, in their order.
    sheet : Layout
        What is printed on the ramp, for every writer.
    """

    slope_deg: float
    ramp_mm: float
    base_mm: float
    riser_mm: float
    ramps: tuple[Ramp, ...]
    sheet: Layout


def ramp_layout(
    wishes: Iterable[RampWish],
    *,
    sensor_width_mm: float,
    sensor_height_mm: float,
    smallest_line_mm: float,
    slope_deg: float = 45.0,
    name: str,
) -> RampLayout:
    """Ramps that fill the frame, one for each magnification asked, the largest first.

    Parameters
    ----------
    wishes : iterable of RampWish
        At least one, of different magnifications.
    sensor_width_mm, sensor_height_mm : float
        Light-sensitive area. > 0
    smallest_line_mm : float
        Finest line, and finest gap between lines, that can be printed. > 0
    slope_deg : float
        5 to 80.
    name : str
        For the title and the record.

    Raises
    ------
    ValueError
        If there is no wish, two are for one magnification, or a size is not above zero.
    TargetError
        If the slope is outside its range, ticks are finer than can be printed, or a
        field is too small for what must be in it.
    """
    ordered = sorted(wishes, key=lambda wish: wish.magnification)
    if not ordered:
        raise ValueError("a ramp sheet needs at least one wish")
    if len({wish.magnification for wish in ordered}) < len(ordered):
        raise ValueError("wishes must be for different magnifications")
    if not SLOPE_LOW_DEG <= slope_deg <= SLOPE_HIGH_DEG:
        raise TargetError(
            f"slope of {slope_deg:g} degrees: a flatter ramp has hardly any depth, a steeper one "
            f"hardly any width. Choose {SLOPE_LOW_DEG:g} to {SLOPE_HIGH_DEG:g} degrees, like 45."
        )
    made = [
        ramp_field(
            wish,
            sensor_width_mm=sensor_width_mm,
            sensor_height_mm=sensor_height_mm,
            smallest_line_mm=smallest_line_mm,
            slope_deg=slope_deg,
        )
        for wish in ordered
    ]
    ramps = tuple(ramp for ramp, _ in made)
    sheet = _sheet(ramps, tuple(field for _, field in made), name)
    slope = math.radians(slope_deg)
    return RampLayout(
        slope_deg=slope_deg,
        ramp_mm=sheet.sheet_width_mm,
        base_mm=round(sheet.sheet_width_mm * math.cos(slope), 6),
        riser_mm=round(sheet.sheet_width_mm * math.sin(slope), 6),
        ramps=ramps,
        sheet=sheet,
    )


def write_ramp_layout(layout: RampLayout, path: Path) -> None:
    """Write the record as JSON: the attributes of ``RampLayout``, ``kind`` and ``version``.

    Raises
    ------
    TargetError
        If the file cannot be written.
    """
    record = {"kind": "focus ramp", "version": RECORD_VERSION, **asdict(layout)}
    text = json.dumps(record, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    save_bytes(text.encode() + b"\n", path)


def ramp_pages(layout: RampLayout, *, paper: str = "A4") -> tuple[Page, ...]:
    """The wedge with its ramps, to print and fold, and how to use it.

    Parameters
    ----------
    layout : RampLayout
    paper : str
        A key of ``PAPERS_MM``; upright, or on its side where the wedge needs it.

    Returns
    -------
    tuple of Page
        One.

    Raises
    ------
    ValueError
        If the paper is unknown.
    TargetError
        If the wedge and the text do not fit on the paper.
    """
    if paper not in PAPERS_MM:
        raise ValueError(f"paper must be one of {', '.join(PAPERS_MM)}")
    short, long = PAPERS_MM[paper]
    for width, height in ((short, long), (long, short)):
        page, over_mm = _page(layout, width, height)
        if max(over_mm) <= 0:
            return (page,)
    several = len(layout.ramps) > 1 and over_mm[0] <= 0
    mend = "Ask for fewer magnifications" if several else "Choose a higher magnification"
    raise TargetError(
        f"the ramp is {layout.ramp_mm:.0f} x {layout.sheet.sheet_height_mm:.0f} mm, the strip that "
        f"folds up into its wedge {_strip_mm(layout):.0f} mm long, and text comes below; {paper} "
        f"is {short:g} x {long:g} mm. {mend}, or a flatter slope."
    )


def _page(layout: RampLayout, width: float, height: float) -> tuple[Page, Point]:
    """A page, and by how much it is too narrow and too low. [mm]."""
    title = f"{layout.sheet.name}: focus ramp, slope {layout.slope_deg:g} degrees"
    inner = width - 2 * PAGE_MARGIN_MM
    column = 0.5 * (inner - COLUMN_GAP_MM)
    heads, head_texts, top = head(title, width)
    top += BLOCK_GAP_MM
    start = 0.5 * (width - _strip_mm(layout))
    faces, face_texts = _face(layout, (start + FLAP_MM + layout.riser_mm, top))
    below = top + layout.sheet.sheet_height_mm + BLOCK_GAP_MM
    make, use = (
        block(heading, sentences, at_mm=(x, below), width_mm=column)
        for x, (heading, sentences) in zip(
            (PAGE_MARGIN_MM, PAGE_MARGIN_MM + column + COLUMN_GAP_MM),
            _instructions(layout),
            strict=True,
        )
    )
    page = Page(
        title=title,
        width_mm=width,
        height_mm=height,
        shapes_mm=(*heads, *_strip(layout, start, top), *faces),
        texts=(*head_texts, *_names(layout, start + FLAP_MM, top), *face_texts, *make[0], *use[0]),
    )
    bottom = max(make[1], use[1])
    return page, (_strip_mm(layout) + 2 * INSET_MM - inner, bottom - (height - PAGE_MARGIN_MM))


def _strip_mm(layout: RampLayout) -> float:
    return FLAP_MM + layout.riser_mm + layout.ramp_mm + layout.base_mm


def _strip(layout: RampLayout, left: float, top: float) -> Groups:
    """Flap, riser, ramp and base from the left: outline to cut, and three folds."""
    folds = [left + FLAP_MM]
    for panel in (layout.riser_mm, layout.ramp_mm):
        folds.append(folds[-1] + panel)
    right, bottom = folds[-1] + layout.base_mm, top + layout.sheet.sheet_height_mm
    outline = (
        *((folds[0], top), (right, top), (right, bottom), (folds[0], bottom)),
        *((left, bottom - FLAP_BEVEL_MM), (left, top + FLAP_BEVEL_MM), (folds[0], top)),
    )
    groups: list[tuple[Polygon, ...]] = [*cut_line(outline)]
    for x in folds:
        groups += fold_line((x, top), (x, bottom))
    return tuple(groups)


def _names(layout: RampLayout, left: float, top: float) -> tuple[Text, ...]:
    """Names on the two plain faces, where those are wide enough for them."""
    base = left + layout.riser_mm + layout.ramp_mm
    places = (("riser", left, layout.riser_mm), ("base", base, layout.base_mm))
    return tuple(
        Text(at_mm=(x + 1.0, top + 1.9 * WORDS_SIZE_MM), text=name, size_mm=WORDS_SIZE_MM)
        for name, x, width in places
        if text_width_mm(name, WORDS_SIZE_MM) + 2.0 < width
    )


def _face(layout: RampLayout, corner: Point) -> tuple[Groups, tuple[Text, ...]]:
    """The sheet on its face of the wedge: fields, their corner marks, and words."""
    left, top = corner
    sheet = layout.sheet
    right, bottom = left + sheet.sheet_width_mm, top + sheet.sheet_height_mm
    middle = left + 0.5 * sheet.sheet_width_mm
    size = WORDS_SIZE_MM
    baseline = top + 1.9 * size
    pointer_x, pointer_y = left + SIDE_MARGIN_MM, baseline - 0.35 * size
    half = 0.4 * POINTER_MM
    pointer = (
        (pointer_x, pointer_y),
        (pointer_x + POINTER_MM, pointer_y - half),
        (pointer_x + POINTER_MM, pointer_y + half),
    )
    far_x = right - SIDE_MARGIN_MM - text_width_mm(FAR_WORDS, size)
    texts = [
        Text(at_mm=(pointer_x + POINTER_MM + 1.0, baseline), text=NEAR_WORDS, size_mm=size),
        Text(at_mm=(far_x, baseline), text=FAR_WORDS, size_mm=size),
    ]
    groups: list[tuple[Polygon, ...]] = [(pointer,)]
    for y0, y1 in ((top, top + ZERO_MARK_MM), (bottom - ZERO_MARK_MM, bottom)):
        groups += place_line(((middle, y0), (middle, y1)))
    for ramp, field, (x, y) in zip(layout.ramps, sheet.fields, sheet.sheet_origins_mm, strict=True):
        shift_x, shift_y = left + x, top + y
        groups.append(
            tuple(tuple((shift_x + u, shift_y + v) for u, v in p) for p in field.polygons_mm())
        )
        half_x = 0.5 * field.width_mm + CORNER_GAP_MM
        half_y = 0.5 * field.height_mm + CORNER_GAP_MM
        arm = min(CORNER_ARM_MM, CORNER_ARM_OF_HEIGHT * field.height_mm)
        for across in (-1, 1):
            for down in (-1, 1):
                at_x, at_y = shift_x + across * half_x, shift_y + down * half_y
                groups += place_line(
                    (
                        (at_x - across * arm, at_y),
                        (at_x, at_y),
                        (at_x, at_y - down * arm),
                    )
                )
        words_x = middle - 0.5 * text_width_mm(_words(ramp), size)
        words_y = shift_y - half_y - 0.6 * size
        texts.append(Text(at_mm=(words_x, words_y), text=_words(ramp), size_mm=size))
    return tuple(groups), tuple(texts)


def _instructions(layout: RampLayout) -> tuple[tuple[str, tuple[str, ...]], ...]:
    slope = math.radians(layout.slope_deg)
    off_percent = 100 * (math.sin(slope + math.radians(1)) / math.sin(slope) - 1)
    make = (
        "Print at actual size (100 %), never fitted to the page, on stiff paper, or glue the "
        "print to card. Knives cut: local rules come first.",
        "Cut along the solid lines. Fold back along the dashed lines, print outside. Glue the "
        "flap at the left to the inside of the free end at the right.",
        f"From the left: flap, riser {layout.riser_mm:.1f} mm, ramp {layout.ramp_mm:.1f} mm, base "
        f"{layout.base_mm:.1f} mm. Set on its base, the high edge must stand "
        f"{layout.riser_mm:.1f} mm above the table: that is a slope of {layout.slope_deg:g} "
        f"degrees. A slope one degree steeper makes depths {off_percent:.1f} % larger than the "
        "numbers say.",
        "A film or plate with the same ramps goes onto the ramp, its zeros between the two "
        "marks at the ramp's edges. Glass edges cut.",
    )
    use = (
        "Set the base square to the lens axis: flat under a lens that looks down; for a level "
        "lens stand the wedge on an open end, the base away from the lens.",
        "Fill the frame with one ramp, its corner marks just outside. The triangle points to the "
        f"end nearer the lens. The high edge stands {0.5 * layout.riser_mm:.1f} mm in front of "
        "the middle line: keep the lens off it.",
        "Numbers are depth along the lens axis from the middle line (0): the way along the ramp "
        "times the sine of the slope. Minus is nearer the lens.",
        "The sharpest tick is the focus position; the range of ticks still sharp is the depth. "
        "If the two rows of ticks are sharpest at different numbers, the wedge leans sideways.",
        "Flash and bright LEDs dazzle at eye distance, lamps get hot: local rules come first.",
    )
    return ("To make it", make), ("To use it", use)


def _sheet(ramps: Sequence[Ramp], fields: tuple[Field, ...], name: str) -> Layout:
    """Fields one below the other, each with room for a line of words above it."""
    widest = max(text_width_mm(_words(ramp), WORDS_SIZE_MM) for ramp in ramps)
    width = 2 * SIDE_MARGIN_MM + max(widest, *(field.width_mm for field in fields))
    bottom = HEAD_MM
    origins: list[Point] = []
    for field in fields:
        bottom += WORDS_MM
        origins.append((round(0.5 * width, 6), round(bottom + 0.5 * field.height_mm, 6)))
        bottom += field.height_mm + FIELD_GAP_MM
    return Layout(
        name=name,
        version=LAYOUT_VERSION,
        sheet_width_mm=round(width, 6),
        sheet_height_mm=round(bottom - FIELD_GAP_MM + FOOT_MM, 6),
        fields=fields,
        sheet_origins_mm=tuple(origins),
    )


def _words(ramp: Ramp) -> str:
    return f"{ramp.magnification:g}x: one tick {ramp.depth_step_um:g} um, numbers in {ramp.unit}"
