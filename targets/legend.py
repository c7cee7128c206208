"""What does a chart's page say under its fields?

A page is the sheet with a legend in plain words under the fields. Where the
sheet is too small for the legend (a plate of some millimetres) the page is
larger than the sheet; the fields keep their true size.
"""

from __future__ import annotations

from targets.layout import Field, Layout
from targets.page import LINE_PITCH, TEXT_SIZE_MM, Page, Text, lines_of_text
from targets.template import check_line

__all__ = ["chart_page"]

BLOCK_GAP_MM = 2.0
LEGEND_MARGIN_MM = 10.0
LEGEND_WIDTH_MM = 100.0  # narrowest page that carries the legend, margins not counted

TRUE_SIZE = "Print at actual size (100 %), never fitted to the page."
HOW_TO_USE = "Fill the frame with one field, its disc at the upper left."
HOW_TO_USE_ONE = (
    "Put its centre in the middle of the frame; the small discs in a row beside the centre are up."
)
WHAT_SERVES = (
    "Paper is not sharp enough to measure at 1x and above: use a paper print to practise.",
    "How sharp its edges must be depends on lens and magnification: film for the lowest, chrome "
    "on glass or a razor blade's edge from 1x to 5x.",
    "Glass and blades have sharp edges; bright light dazzles; lamps get hot. Local rules first.",
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
    lines_of_fields = tuple(map(_field_line, layout.fields))
    if any(field.magnification_low < field.magnification_high for field in layout.fields):
        how = HOW_TO_USE_ONE
    else:
        how = HOW_TO_USE
        lines_of_fields = ("Fields by magnification, from the left:", *lines_of_fields)
    for block in ((layout.name,), lines_of_fields, WHAT_SERVES, (TRUE_SIZE, how)):
        lines = lines_of_text(
            block, at_mm=(LEGEND_MARGIN_MM, baseline), width_mm=width - 2 * LEGEND_MARGIN_MM
        )
        texts += lines
        baseline = lines[-1].at_mm[1] + LINE_PITCH * TEXT_SIZE_MM + BLOCK_GAP_MM
    scale_line, check = check_line((LEGEND_MARGIN_MM, baseline))
    texts.append(check)
    return Page(
        title=layout.name,
        width_mm=width,
        height_mm=max(layout.sheet_height_mm, baseline + LEGEND_MARGIN_MM),
        shapes_mm=(*fields, (scale_line,)),
        texts=tuple(texts),
    )


def _field_line(field: Field) -> str:
    bars = [mark.polygon_mm for mark in field.marks if mark.role == "scale"]
    lengths = sorted({round(max(x for x, _ in bar) - min(x for x, _ in bar), 6) for bar in bars})
    size = f"{field.width_mm:.4g} x {field.height_mm:.4g} mm"
    if field.magnification_low == field.magnification_high:
        words = f"{field.magnification_low:g}x: {size}"
    else:
        words = (
            f"{field.magnification_low:g}x to {field.magnification_high:g}x, one chart: "
            f"{size} at {field.magnification_low:g}x"
        )
    if not lengths:
        return words
    if len(lengths) == 1:
        return f"{words}; the bar in it, to check its size, is {lengths[0]:.4g} mm long"
    shown = ", ".join(f"{length:.4g}" for length in lengths)
    return f"{words}; the bars in it, to check its size, are {shown} mm long"
