"""What does a printed sheet look like as a whole: shapes, legend, page size?

A page is the sheet with a legend in plain words under the fields. Where the
sheet is too small for the legend (a plate of some millimetres) the page is
larger than the sheet; the fields keep their true size. Page coordinates are in
mm from the page's upper left corner, x to the right, y down. The writers draw
a page and decide nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

from targets.layout import Field, Layout, Point

__all__ = ["TEXT_SIZE_MM", "Page", "Text", "make_page"]

TEXT_SIZE_MM = 3.0  # 8.5 pt
LINE_PITCH_MM = 4.2
BLOCK_GAP_MM = 2.0
LEGEND_MARGIN_MM = 10.0
LEGEND_WIDTH_MM = 100.0  # narrowest page that carries the legend, margins not counted
SCALE_LINE_MM = 10.0
SCALE_LINE_WIDTH_MM = 0.3

# Upper bounds of advance widths in Helvetica, in text sizes (Adobe font metrics,
# from memory; the tests measure the printed lines): letters of THIN up to 0.334,
# of MIDDLE up to 0.556, the rest of Windows Latin up to 1.015.
THIN = frozenset("fijlrtI .,:;-()'")
MIDDLE = frozenset("abcdeghknopqsuvxyz0123456789")

HOW_TO_USE = (
    "Print at actual size (100 %), never fitted to the page.",
    "Fill the frame with one field, its disc at the upper left.",
)
WHAT_SERVES = (
    "Paper is not sharp enough to measure at 1x and above: use a paper print to practise.",
    "Film serves up to about 1x. From 1x to 5x use chrome on glass, or a razor blade's edge.",
)


@dataclass(frozen=True, kw_only=True)
class Text:
    """One line of legend; ``at_mm`` is the left end of its base line."""

    at_mm: Point
    text: str


@dataclass(frozen=True, kw_only=True)
class Page:
    """All that a writer draws.

    ``fields_mm`` holds the dark polygons of each field, ``scale_line_mm`` the
    outline of the line in the legend, 10 mm long.
    """

    title: str
    width_mm: float
    height_mm: float
    fields_mm: tuple[tuple[tuple[Point, ...], ...], ...]
    scale_line_mm: tuple[Point, ...]
    texts: tuple[Text, ...]


def make_page(layout: Layout) -> Page:
    """Place a sheet and its legend on a page that holds both.

    Returns
    -------
    Page
        Of the sheet's size if the legend fits on it, else larger to the sides
        and downwards.
    """
    width = max(layout.sheet_width_mm, LEGEND_WIDTH_MM + 2 * LEGEND_MARGIN_MM)
    left = 0.5 * (width - layout.sheet_width_mm)
    fields = tuple(
        tuple(tuple((left + x0 + x, y0 + y) for x, y in p) for p in field.polygons_mm())
        for field, (x0, y0) in zip(layout.fields, layout.sheet_origins_mm, strict=True)
    )
    spans = [
        (y - 0.5 * field.height_mm, y + 0.5 * field.height_mm)
        for field, (_, y) in zip(layout.fields, layout.sheet_origins_mm, strict=True)
    ]
    top, bottom = min(span[0] for span in spans), max(span[1] for span in spans)

    # Below the fields the same clear margin as above them, at least.
    baseline = bottom + max(LEGEND_MARGIN_MM, top) + TEXT_SIZE_MM
    texts = []
    fields_block = ("Fields by magnification, from the left:", *map(_field_line, layout.fields))
    for block in ((layout.name,), fields_block, WHAT_SERVES, HOW_TO_USE):
        for sentence in block:
            for line in _wrapped(sentence, width - 2 * LEGEND_MARGIN_MM):
                texts.append(Text(at_mm=(LEGEND_MARGIN_MM, baseline), text=line))
                baseline += LINE_PITCH_MM
        baseline += BLOCK_GAP_MM
    right = LEGEND_MARGIN_MM + SCALE_LINE_MM
    middle = baseline - 0.3 * TEXT_SIZE_MM  # half way up a small letter
    low, high = middle + 0.5 * SCALE_LINE_WIDTH_MM, middle - 0.5 * SCALE_LINE_WIDTH_MM
    texts.append(
        Text(at_mm=(right + TEXT_SIZE_MM, baseline), text="This line is 10 mm long. Check it.")
    )
    return Page(
        title=layout.name,
        width_mm=width,
        height_mm=max(layout.sheet_height_mm, baseline + LEGEND_MARGIN_MM),
        fields_mm=fields,
        scale_line_mm=(
            (LEGEND_MARGIN_MM, high),
            (right, high),
            (right, low),
            (LEGEND_MARGIN_MM, low),
        ),
        texts=tuple(texts),
    )


def _field_line(field: Field) -> str:
    bars = [mark.polygon_mm for mark in field.marks if mark.role == "scale"]
    lengths = [max(x for x, _ in bar) - min(x for x, _ in bar) for bar in bars]
    size = f"{field.magnification:g}x: {field.width_mm:.4g} x {field.height_mm:.4g} mm"
    return size + "".join(f", the bar in it is {length:.4g} mm long" for length in lengths)


def _wrapped(text: str, width_mm: float) -> list[str]:
    """Lines surely no wider than ``width_mm``, broken at spaces, long words cut."""
    lines = [""]
    for word in text.split():
        if lines[-1] and _width_bound_mm(f"{lines[-1]} {word}") <= width_mm:
            lines[-1] += f" {word}"
            continue
        lines.append("")
        for letter in word:
            if _width_bound_mm(lines[-1] + letter) > width_mm:
                lines.append("")
            lines[-1] += letter
    return [line for line in lines if line]


def _width_bound_mm(text: str) -> float:
    return TEXT_SIZE_MM * sum(
        0.334 if letter in THIN else 0.556 if letter in MIDDLE else 1.015 for letter in text
    )
