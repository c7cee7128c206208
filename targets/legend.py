"""What does a chart's page say under its fields?

A page is the sheet with a legend in plain words under the fields. Where the
sheet is too small for the legend (a plate of some millimetres) the page is
larger than the sheet; the fields keep their true size.
"""

from __future__ import annotations

from targets.layout import Field, Layout
from targets.page import LINE_PITCH, TEXT_SIZE_MM, Page, Text, lines_of_text, stroke

__all__ = ["chart_page"]

BLOCK_GAP_MM = 2.0
LEGEND_MARGIN_MM = 10.0
LEGEND_WIDTH_MM = 100.0  # narrowest page that carries the legend, margins not counted
SCALE_LINE_MM = 10.0
SCALE_LINE_WIDTH_MM = 0.3

HOW_TO_USE = (
    "Print at actual size (100 %), never fitted to the page.",
    "Fill the frame with one field, its disc at the upper left.",
)
WHAT_SERVES = (
    "Paper is not sharp enough to measure at 1x and above: use a paper print to practise.",
    "Film serves up to about 1x. From 1x to 5x use chrome on glass, or a razor blade's edge.",
)


def chart_page(layout: Layout) -> Page:
    """Place a sheet and its legend on a page that holds both.

    Returns
    -------
    Page
        Of the sheet's size if the legend fits on it, else larger to the sides
        and downwards. One group of shapes for each field, then one for the
        legend's scale line.
    """
    width = max(layout.sheet_width_mm, LEGEND_WIDTH_MM + 2 * LEGEND_MARGIN_MM)
    left = 0.5 * (width - layout.sheet_width_mm)
    fields = tuple(
        tuple(tuple((left + x0 + x, y0 + y) for x, y in p) for p in field.polygons_mm())
        for field, (x0, y0) in zip(layout.fields, layout.sheet_origins_mm, strict=True)
    )
    heights = [y for field in fields for polygon in field for _, y in polygon]
    spans = [
        (y - 0.5 * field.height_mm, y + 0.5 * field.height_mm)
        for field, (_, y) in zip(layout.fields, layout.sheet_origins_mm, strict=True)
    ]
    top = min(*heights, *(span[0] for span in spans))
    bottom = max(*heights, *(span[1] for span in spans))

    # Below the fields the same clear margin as above them, at least.
    baseline = bottom + max(LEGEND_MARGIN_MM, top) + TEXT_SIZE_MM
    texts: list[Text] = []
    fields_block = ("Fields by magnification, from the left:", *map(_field_line, layout.fields))
    for block in ((layout.name,), fields_block, WHAT_SERVES, HOW_TO_USE):
        lines = lines_of_text(
            block, at_mm=(LEGEND_MARGIN_MM, baseline), width_mm=width - 2 * LEGEND_MARGIN_MM
        )
        texts += lines
        baseline = lines[-1].at_mm[1] + LINE_PITCH * TEXT_SIZE_MM + BLOCK_GAP_MM
    right = LEGEND_MARGIN_MM + SCALE_LINE_MM
    middle = baseline - 0.3 * TEXT_SIZE_MM  # half way up a small letter
    texts.append(
        Text(at_mm=(right + TEXT_SIZE_MM, baseline), text="This line is 10 mm long. Check it.")
    )
    scale_line = stroke((LEGEND_MARGIN_MM, middle), (right, middle), SCALE_LINE_WIDTH_MM)
    return Page(
        title=layout.name,
        width_mm=width,
        height_mm=max(layout.sheet_height_mm, baseline + LEGEND_MARGIN_MM),
        shapes_mm=(*fields, (scale_line,)),
        texts=tuple(texts),
    )


def _field_line(field: Field) -> str:
    bars = [mark.polygon_mm for mark in field.marks if mark.role == "scale"]
    lengths = [max(x for x, _ in bar) - min(x for x, _ in bar) for bar in bars]
    size = f"{field.magnification:g}x: {field.width_mm:.4g} x {field.height_mm:.4g} mm"
    return size + "".join(f", the bar in it is {length:.4g} mm long" for length in lengths)
