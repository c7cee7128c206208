"""How does a card hold a blade or cut film so that its edge can be measured?

The card has a window that is lit from behind. The blade lies on the side that faces the
lens, its back on the card, its edge through the middle of the window. The edge leans to
the card's sides by a golden-section slope (``targets.angles``), so that pixels sample it
in evenly spread phases. A quarter turn of the card makes a near-horizontal edge of the
near-vertical one. Under each of the two positions a flap folds back as a foot.

The record is in mm from the middle of the window, through which the edge passes: x to
the right, y down, seen from the lens, in position 1. Left out: how far behind it the
diffuser stands and which light serves; the caller's notes say that.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path

from targets.angles import ROTATIONS_DEG
from targets.errors import TargetError
from targets.files import save_bytes
from targets.layout import Point
from targets.marks import disc, rounded
from targets.page import (
    LINE_PITCH,
    PAPERS_MM,
    TEXT_SIZE_MM,
    Page,
    Polygon,
    Text,
    notes_page,
    stroke,
    text_width_mm,
)
from targets.template import (
    PAGE_MARGIN_MM,
    Groups,
    block,
    cut_line,
    fold_line,
    head,
    place_line,
)

__all__ = [
    "BladeHolder",
    "BladeOutline",
    "blade_holder_pages",
    "blade_holder_record",
    "write_blade_holder",
]

RECORD_VERSION = 1

# Turn of the edge: of the chart's, the one nearest to 5 degrees.
EDGE_ANGLE_DEG = min(map(abs, ROTATIONS_DEG), key=lambda angle: abs(angle - 5))

# Along the edge and back from it. [mm]  Common practice, no published source.
SIZES_MM = {
    "single-edge blade": (38.0, 19.0),
    "double-edge blade": (43.0, 22.0),
    "strip of cut film": (35.0, 45.0),
}

CARD_MM = 110.0
WINDOW_OF_FIELD = 1.3  # of the field's longer side, so that it fits both positions
WINDOW_LOW_MM, WINDOW_HIGH_MM = 20.0, 80.0  # from what fingers can cut to what leaves a rim
OVERHANG_MM = 3.0  # of the edge over the window's border
FOOT_MM = 25.0
BEVEL_MM = 5.0

INSET_MM = 0.5  # of the card from the page's margin, so that its whole line prints
COLUMN_GAP_MM = 6.0
WORDS_SIZE_MM = 2.2
NAMES_SIZE_MM = 2.0
CROSS_MM = 6.0
# Lines of the outlines' names, each at the left end of the first one's base line.
NAMES: tuple[tuple[tuple[str, ...], Point], ...] = (
    (("single-edge", "38 x 19 mm"), (-17.0, -2.0)),
    (("double-edge 43 x 22 mm",), (-27.0, -25.5)),
    (("cut film", "35 mm wide"), (-42.0, -2.0)),
)

CAUTIONS = (
    "Local rules and what you were taught come first.",
    "A razor edge cuts at a touch. Keep it covered until it is taped down, tape the other "
    "edge of a double-edge blade over, hold it by its back, and put it into a sharps bin "
    "afterwards.",
    "Flash and bright LEDs dazzle at eye distance: watch the screen, never look through the "
    "window into the light.",
    "Lamps get hot: keep paper and film away from them, and let them cool before you move them.",
)
MAKE = (
    "Print at actual size (100 %), never fitted to the page, on stiff card, best black, or "
    "glue the print to it.",
    "Cut along the firm lines, the window too, before any blade comes near. Fold the two flaps "
    "back along the dashed lines.",
    "Lay the blade into its outline, on the side with the print: its back on the card, its edge "
    "on the long line and free over the window. Tape down back and ends, never over the edge. "
    "Cover stray light beside it with black tape.",
    "Blades differ in size: the line counts, not the outline. Film: cut it in one stroke "
    "with a fresh blade along a steel rule, fingers behind the rule; lay the cut on the line.",
)


@dataclass(frozen=True, kw_only=True)
class BladeOutline:
    """Where something with a straight edge lies: a polygon whose first side is the edge."""

    name: str
    polygon_mm: tuple[Point, ...]


@dataclass(frozen=True, kw_only=True)
class BladeHolder:
    """A blade holder's geometry.

    Attributes
    ----------
    magnification_low : float
        Lowest magnification that it serves.
    field_width_mm, field_height_mm : float
        What the frame sees there.
    card_mm : float
        Side of the square card.
    edge_angle_deg : float
        Of the edge's normal, from dark to bright, in position 1: from the right
        towards down. In position 2 it is larger by 90.
    edge_line_mm : tuple of two points
        The line that the edge lies on, from border to border of the card.
    window_mm : tuple of points
        The window to cut out.
    outlines : tuple of BladeOutline
    """

    magnification_low: float
    field_width_mm: float
    field_height_mm: float
    card_mm: float
    edge_angle_deg: float
    edge_line_mm: tuple[Point, Point]
    window_mm: tuple[Point, ...]
    outlines: tuple[BladeOutline, ...]


def blade_holder_record(
    *, magnification_low: float, sensor_width_mm: float, sensor_height_mm: float
) -> BladeHolder:
    """The holder for a sensor, from one magnification upwards.

    Parameters
    ----------
    magnification_low : float
        [-], > 0
    sensor_width_mm, sensor_height_mm : float
        Light-sensitive area. > 0

    Raises
    ------
    ValueError
        If a number is not above zero.
    TargetError
        If the window would not leave enough card around it.
    """
    for value in (magnification_low, sensor_width_mm, sensor_height_mm):
        if not 0 < value < math.inf:
            raise ValueError("magnification and sensor size must be numbers > 0")
    width, height = sensor_width_mm / magnification_low, sensor_height_mm / magnification_low
    size = max(WINDOW_LOW_MM, WINDOW_OF_FIELD * max(width, height))
    if size > WINDOW_HIGH_MM:
        least = WINDOW_OF_FIELD * max(sensor_width_mm, sensor_height_mm) / WINDOW_HIGH_MM
        raise TargetError(
            f"blade holder for {magnification_low:g}x: a field of {width:.0f} x {height:.0f} mm "
            f"takes a window of {size:.0f} mm, the card holds one of {WINDOW_HIGH_MM:g} mm. Take "
            f"it from {math.ceil(100 * least) / 100:g}x upwards, and a chart below."
        )
    border = 0.5 * CARD_MM / math.cos(math.radians(EDGE_ANGLE_DEG))
    half = 0.5 * size
    square = ((-half, -half), (half, -half), (half, half), (-half, half))
    return BladeHolder(
        magnification_low=magnification_low,
        field_width_mm=round(width, 6),
        field_height_mm=round(height, 6),
        card_mm=CARD_MM,
        edge_angle_deg=EDGE_ANGLE_DEG,
        edge_line_mm=(_place(border, 0.0), _place(-border, 0.0)),
        window_mm=_bright_part(square),
        outlines=tuple(
            BladeOutline(
                name=name,
                polygon_mm=tuple(
                    _place(*at)
                    for at in ((-u / 2, 0.0), (u / 2, 0.0), (u / 2, back), (-u / 2, back))
                ),
            )
            for name, (u, back) in SIZES_MM.items()
        ),
    )


def write_blade_holder(holder: BladeHolder, path: Path) -> None:
    """Write the record as JSON: the attributes of ``BladeHolder``, ``kind`` and ``version``.

    Raises
    ------
    TargetError
        If the file cannot be written.
    """
    record = {"kind": "blade holder", "version": RECORD_VERSION, **asdict(holder)}
    save_bytes(json.dumps(record, allow_nan=False, indent=1).encode() + b"\n", path)


def blade_holder_pages(
    holder: BladeHolder, *, notes: Sequence[str] = (), paper: str = "A4"
) -> tuple[Page, ...]:
    """The sheet to print, cut and fold.

    Parameters
    ----------
    holder : BladeHolder
    notes : sequence of str
        Sentences on light and diffuser, and on what the edge serves for.
    paper : str
        A key of ``PAPERS_MM``.

    Returns
    -------
    tuple of Page
        One, and a second for the notes if the first has no room for them.

    Raises
    ------
    ValueError
        If the paper is unknown or the notes are longer than a page.
    """
    if paper not in PAPERS_MM:
        raise ValueError(f"paper must be one of {', '.join(PAPERS_MM)}")
    page, over_mm = _page(holder, tuple(notes), paper)
    if over_mm <= 0:
        return (page,)
    page, _ = _page(holder, (), paper)
    return page, notes_page("Blade holder: light and diffuser", notes, paper=paper)


def _page(holder: BladeHolder, notes: tuple[str, ...], paper: str) -> tuple[Page, float]:
    """The sheet, and by how much its text is too long for it. [mm]."""
    width, height = PAPERS_MM[paper]
    title = f"Blade holder for {holder.magnification_low:g}x and above"
    groups, texts, top = head(title, width)
    half = 0.5 * holder.card_mm
    middle = PAGE_MARGIN_MM + INSET_MM + half, top + half
    card_groups, card_texts = _card(holder, middle)

    beside_x = PAGE_MARGIN_MM + holder.card_mm + FOOT_MM + COLUMN_GAP_MM
    beside = width - PAGE_MARGIN_MM - beside_x
    cautions, _ = block("Take care", CAUTIONS, at_mm=(beside_x, top), width_mm=beside)
    below = top + holder.card_mm + FOOT_MM
    sketch_groups, sketch_texts = _sketch((beside_x, below), beside)

    column = 0.5 * (width - 2 * PAGE_MARGIN_MM - COLUMN_GAP_MM)
    below += COLUMN_GAP_MM
    make, _ = block("To make it", MAKE, at_mm=(PAGE_MARGIN_MM, below), width_mm=column)
    use, bottom = block(
        "To use it",
        (*_use(holder), *notes),
        at_mm=(PAGE_MARGIN_MM + column + COLUMN_GAP_MM, below),
        width_mm=column,
    )
    page = Page(
        title=title,
        width_mm=width,
        height_mm=height,
        shapes_mm=(*groups, *card_groups, *sketch_groups),
        texts=(*texts, *card_texts, *cautions, *sketch_texts, *make, *use),
    )
    return page, bottom - (height - PAGE_MARGIN_MM)


def _use(holder: BladeHolder) -> tuple[str, ...]:
    return (
        "With 1 upwards the edge stands near vertical. For a near-horizontal edge turn the card by "
        "a quarter, 2 upwards. The flap that is then below is the foot; tape it down.",
        "Set the card square to the lens and its sides parallel to the frame's: the edge then "
        f"leans by {holder.edge_angle_deg:.2f} degrees, so that pixels sample it in many phases.",
        "The four marks at the card's borders point at the middle of the window: bring it to the "
        "middle of the frame. The window holds the field of "
        f"{holder.field_width_mm:.3g} x {holder.field_height_mm:.3g} mm at "
        f"{holder.magnification_low:g}x with a margin.",
        "The light comes from behind, through a diffuser; the lens side stays dark.",
        'In session.toml write kind = "blade" under [target].',
    )


def _card(holder: BladeHolder, middle: Point) -> tuple[Groups, tuple[Text, ...]]:
    """The card with its flaps, its window, its lines and its names."""
    half = 0.5 * holder.card_mm
    out = half + FOOT_MM
    bevel = half - BEVEL_MM

    def on_page(points: Sequence[Point]) -> tuple[Point, ...]:
        return tuple((middle[0] + x, middle[1] + y) for x, y in points)

    def name(text: str, at: Point, size_mm: float) -> Text:
        return Text(at_mm=on_page([at])[0], text=text, size_mm=size_mm)

    outline = (
        *((-half, half), (-half, -half), (half, -half), (out, -bevel), (out, bevel)),
        *((half, half), (bevel, out), (-bevel, out), (-half, half)),
    )
    groups: list[tuple[Polygon, ...]] = [*cut_line(on_page(outline))]
    groups += fold_line(*on_page(((half, -half), (half, half))))
    groups += fold_line(*on_page(((-half, half), (half, half))))
    groups += cut_line(on_page((*holder.window_mm, holder.window_mm[0])))
    for one in holder.outlines:
        groups += place_line(on_page((*one.polygon_mm, one.polygon_mm[0])))
    groups += place_line(on_page(holder.edge_line_mm))

    # Marks that point at the middle, and the middle itself, which goes with the window.
    near, far = half - 3.0 - CROSS_MM, half - 3.0
    for start, end in (
        *(((-far, 0.0), (-near, 0.0)), ((near, 0.0), (far, 0.0))),
        *(((0.0, -far), (0.0, -near)), ((0.0, near), (0.0, far))),
        *(((-CROSS_MM / 2, 0.0), (CROSS_MM / 2, 0.0)), ((0.0, -CROSS_MM / 2), (0.0, CROSS_MM / 2))),
    ):
        groups += place_line(on_page((start, end)))
    # Which side is up in positions 1 and 2.
    up_1 = (-20.0, 4.0 - half), (-22.0, 7.5 - half), (-18.0, 7.5 - half)
    up_2 = (4.0 - half, 22.0), (7.5 - half, 20.0), (7.5 - half, 24.0)
    groups += [(on_page(up_1),), (on_page(up_2),)]
    texts = [
        name("1 up", (-16.0, 7.2 - half), TEXT_SIZE_MM),
        name("2 up", (9.0 - half, 23.0), TEXT_SIZE_MM),
        name("edge along this line", (8.0, 12.0 - half), WORDS_SIZE_MM),
        name("cut out", (1.5, 8.0), WORDS_SIZE_MM),
        name("foot in position 1", (-bevel + 3.0, half + 5.0), WORDS_SIZE_MM),
        name("foot in position 2", (half + 3.0, -bevel + 8.0), WORDS_SIZE_MM),
    ]
    for lines, at in NAMES:
        for i, text in enumerate(lines):
            down = at[1] + LINE_PITCH * NAMES_SIZE_MM * i
            texts.append(name(text, (at[0], down), NAMES_SIZE_MM))
    return tuple(groups), tuple(texts)


def _sketch(corner: Point, width_mm: float) -> tuple[Groups, tuple[Text, ...]]:
    """What stands where, from the side; ``corner`` is the lower left one."""
    left, bottom = corner
    axis = bottom - 16.0
    lens, card, diffuser, lamp = (left + share * width_mm for share in (0.04, 0.38, 0.68, 0.92))
    groups: list[tuple[Polygon, ...]] = [
        (stroke((lens, axis), (lens + 8.0, axis), 12.0),),
        (stroke((card, axis + 1.5), (card, axis + 10.0), 0.8),),
        (stroke((card - 1.2, axis), (card - 1.2, axis + 6.0), 0.4),),  # the blade on it
        (stroke((card, axis - 10.0), (card, axis - 6.0), 0.8),),
        (stroke((diffuser, axis - 9.0), (diffuser, axis + 9.0), 0.4),),
        (disc((lamp, axis), 2.2).polygon_mm,),
    ]
    names = (("lens", lens), ("blade on card", card), ("diffuser", diffuser), ("light", lamp))
    texts = [
        Text(at_mm=(left, axis - 14.0), text="From the side, not to scale", size_mm=WORDS_SIZE_MM)
    ]
    for text, x in names:
        shift = 0.0 if text == "lens" else 0.5 * text_width_mm(text, WORDS_SIZE_MM)
        texts.append(Text(at_mm=(x - shift, axis + 13.5), text=text, size_mm=WORDS_SIZE_MM))
    return tuple(groups), tuple(texts)


def _place(along: float, back: float) -> Point:
    """A point at a distance up along the edge from the middle, and back from the edge."""
    turn = math.radians(EDGE_ANGLE_DEG)
    x = along * math.sin(turn) - back * math.cos(turn)
    y = -along * math.cos(turn) - back * math.sin(turn)
    return rounded((x, y))


def _bright_part(square: Sequence[Point]) -> tuple[Point, ...]:
    """What of a square lies before the line that the edge overhangs."""
    turn = math.radians(EDGE_ANGLE_DEG)

    def before(point: Point) -> float:
        return point[0] * math.cos(turn) + point[1] * math.sin(turn) + OVERHANG_MM

    kept: list[Point] = []
    for a, b in pairwise((*square, square[0])):
        if before(a) >= 0:
            kept.append(rounded(a))
        if (before(a) >= 0) != (before(b) >= 0):
            share = before(a) / (before(a) - before(b))
            kept.append(rounded((a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]))))
    return tuple(kept)
