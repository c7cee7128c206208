"""What did each stop and each colour of one magnification give, in figures?

``stop_table``: every stop's peak, uncertainty and predicted diffraction.
``colour_table``: where red and blue lie against green. Both are HTML and print
the record as it is, each figure to the digits that its uncertainty carries.
``plot_attributes`` and ``with_effective_stops`` tie the figure of the stops to the
first table and its switches, for the page's script.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from html import escape

from lab.inference.results import SeriesResult, StopPoint
from reports import words
from reports.drawing import PALETTE, Drawing
from reports.markup import switched, table, text

__all__ = ["colour_table", "plot_attributes", "stop_table", "with_effective_stops"]

_NOT_MEASURED = "not measured"
_SAME_PLACE_PT = 0.05  # the picture's numbers are rounded to 0.01
# Of all axes only that of the stops has its numbers centred on their marks.
_TICK = re.compile(
    r'(?P<open><text style="[^"]*text-anchor: middle[^"]*" x="(?P<x>[\d.]+)" y="[\d.]+")'
    r">(?P<mark>[\d.]+)<"
)


def stop_table(series: SeriesResult, *, name: str = "") -> str:
    """The measured stops of one magnification, a row each.

    Frequencies and stops can be switched: on the sensor or in the subject, marked or
    effective. The columns that hold the other form then hold the first.

    Parameters
    ----------
    series : SeriesResult
    name : str
        Identifier of the table; distinct within one page.
    """
    digits = words.decimals([p.mtf50_std for p in series.points])
    effective = "Effective f\N{NON-BREAKING HYPHEN}number"
    image, other = "MTF50, image side", "MTF50, object side"
    predicted = "Predicted diffraction, {} side"
    head = (
        switched("Marked stop", effective=effective),
        switched(effective, effective="Marked stop"),
        switched(image, object_side=other),
        "95 % interval",
        switched(other, object_side=image),
        switched(predicted.format("image"), object_side=predicted.format("object")),
        "Share of diffraction",
        "Best focus, µm",
        "Frames used of measured",
        "Flags",
    )
    rows = [_stop_row(p, digits) for p in series.points]
    caption = (
        f"Stops measured at {words.magnification_words(series.magnification)}. Frequencies in "
        "cycles/mm, with ± 1 standard uncertainty; image side is on the sensor. Effective "
        "f-numbers are those of the pupil ratio stated or assumed. Best focus is counted as the "
        "frames' focus positions are: where only steps are known, from each bracket's own middle, "
        "so that it does not compare between stops."
    )
    return table(caption, head, rows, wide=True, name=name)


def _stop_row(p: StopPoint, digits: int) -> tuple[str, ...]:
    marked, cone = words.marked_stop(p.marked_stop), words.number(p.effective_f_number)
    ratio = p.mtf50_object_cyc_per_mm / p.mtf50_image_cyc_per_mm if words.has_mtf50(p) else None
    there = words.number(p.mtf50_object_cyc_per_mm, digits)
    # In the subject a frequency has the records' own ratio to that on the sensor.
    there_std, low95, high95, diffraction = (
        None if ratio is None else ratio * value
        for value in (
            p.mtf50_std,
            p.mtf50_low95,
            p.mtf50_high95,
            p.diffraction_mtf50_image_cyc_per_mm,
        )
    )
    here = words.plus_minus(p.mtf50_image_cyc_per_mm, p.mtf50_std, digits)
    return (
        switched(marked, effective=cone),
        switched(cone, effective=marked),
        switched(here, object_side=words.plus_minus(p.mtf50_object_cyc_per_mm, there_std, digits)),
        switched(
            words.interval_words(p.mtf50_low95, p.mtf50_high95, digits),
            object_side=words.interval_words(low95, high95, digits),
        ),
        switched(there, object_side=words.number(p.mtf50_image_cyc_per_mm, digits)),
        switched(
            words.number(p.diffraction_mtf50_image_cyc_per_mm, digits),
            object_side=words.number(diffraction, digits),
        ),
        _percent(p.percent_of_diffraction),
        words.number(p.best_focus_um, 0),
        f"{p.frames_used} of {p.frames_measured}",
        ", ".join(text(words.flag_words(flag)) for flag in p.flags) or "none",
    )


def plot_attributes(series: SeriesResult, drawing: Drawing, *, table_name: str) -> str:
    """Where the measured points lie in the figure of the stops, as HTML attributes.

    Each as row of the table and place in percent of the picture's width and height, read
    off the picture; empty where it does not show a point for each stop.

    Parameters
    ----------
    series : SeriesResult
    drawing : Drawing
        From `reports.stops_figure.draw_stops`.
    table_name : str
        Identifier of the table of the stops.
    """
    places = _places(drawing.svg)
    rows = [row for row, point in enumerate(series.points) if words.has_mtf50(point)]
    size = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', drawing.svg)
    if size is None or len(places) != len(rows):
        return ""
    width, height = float(size[1]), float(size[2])
    points = [
        [row, round(100 * x / width, 2), round(100 * y / height, 2)]
        for row, (x, y) in zip(rows, places, strict=True)
    ]
    listed = json.dumps(points, separators=(",", ":"))
    label = f"Measured at {words.magnification_words(series.magnification)}"
    return f' data-points="{listed}" data-table="{table_name}" data-label="{escape(label)}"'


def with_effective_stops(series: SeriesResult, drawing: Drawing) -> Drawing:
    """The figure of the stops, its axis of stops with effective f-numbers to switch to.

    As it was where a mark of the axis is none of the stops: no axis holds two scales.
    """
    points = [point for point in series.points if words.has_mtf50(point)]
    at = list(zip(points, _places(drawing.svg), strict=False))

    def other(tick: re.Match[str]) -> str:
        near = (p for p, (x, _) in at if abs(x - float(tick["x"])) < _SAME_PLACE_PT)
        point = next((p for p in near if f"{p.marked_stop:g}" == tick["mark"]), None)
        return "" if point is None else words.number(point.effective_f_number)

    if not all(other(tick) for tick in _TICK.finditer(drawing.svg)):
        return drawing
    svg = _TICK.sub(
        lambda tick: f'{tick["open"]} data-effective="{escape(other(tick))}">{tick["mark"]}<',
        drawing.svg,
    )
    title = ' data-effective="effective f\N{NON-BREAKING HYPHEN}number">marked stop<'
    return replace(drawing, svg=svg.replace(">marked stop<", title, 1))


def _places(svg: str) -> Sequence[tuple[float, float]]:
    """Places of the measured points: the only marks in their colour."""
    marks = rf'<use [^>]*x="([\d.]+)" y="([\d.]+)" style="fill: {PALETTE["measured"]}'
    return [(float(x), float(y)) for x, y in re.findall(marks, svg)]


def colour_table(series: SeriesResult, *, parts: Sequence[str] = ()) -> str:
    """Lateral and longitudinal colour of one magnification, a row for each raw colour.

    Parameters
    ----------
    series : SeriesResult
    parts : sequence of str
        For each colour the part of the page by which a reader hides it; empty for none.

    Raises
    ------
    ValueError
        If the series holds no colours.
    """
    if not series.colours:
        raise ValueError("a table of colours needs at least one")
    px_digits = words.decimals([c.lateral_corner_std_px for c in series.colours])
    focus_digits = words.decimals([c.focus_difference_std_um for c in series.colours])
    # A pixel is some micrometres wide: one decimal fewer is as fine.
    um_digits = max(1, px_digits - 1)
    head = (
        "Channel",
        "Shift at the corner, px",
        "The same on the sensor, µm",
        "The same at the subject, µm",
        "Shift of best focus, µm",
    )
    rows = [
        (
            text(c.channel),
            words.plus_minus(
                c.lateral_corner_px,
                c.lateral_corner_std_px,
                px_digits,
                missing=_NOT_MEASURED,
                signed=True,
            ),
            *(
                words.number(um, um_digits, missing=_NOT_MEASURED, signed=True)
                for um in (c.lateral_corner_image_um, c.lateral_corner_object_um)
            ),
            words.plus_minus(
                c.focus_difference_um,
                c.focus_difference_std_um,
                focus_digits,
                missing=_NOT_MEASURED,
                signed=True,
            ),
        )
        for c in series.colours
    ]
    caption = (
        f"Colour at {words.magnification_words(series.magnification)}, "
        f"{words.marked_stop(series.colours[0].marked_stop)}: each raw colour's place against "
        "green's, with ± 1 standard uncertainty. At the frame's corner (lateral colour) outwards "
        "is positive; best focus (longitudinal colour) is on the object side, positive the way "
        "focus positions rise."
    )
    return table(caption, head, rows, parts=parts)


def _percent(value: float) -> str:
    known = words.number(value, 0)
    return known if known == "unknown" else f"{known} %"
