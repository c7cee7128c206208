"""What does each place of the field show, in a table of one magnification?

Nothing is measured here.
"""

from __future__ import annotations

from lab.inference.results import FieldPoint, LensSeries
from reports import words
from reports.field_words import place_words, shape_sentences, sharpest_stop, stop_nearest
from reports.markup import prose, table, text

__all__ = ["field_section"]


def field_section(series: LensSeries) -> str:
    """Table of places and sentences on squareness; empty where none was measured."""
    if not series.field:
        return ""
    shown = stop_nearest(series.field[0], series.optimum_stop)
    stop = "each stop" if shown is None else words.marked_stop(shown.marked_stop)
    caption = (
        f"Places of the field at {words.magnification_words(series.magnification)}, the way from "
        f"centre to corner in percent. Focus: in the subject, against the centre. MTF50 in "
        f"cycles/mm on the sensor at {stop}, each place at its own best focus. ± 1 standard "
        "uncertainty."
    )
    head = (
        "Place",
        "Focus, µm",
        "Astigmatism on the sensor, µm",
        "Coma, µm of path (95 %)",
        "MTF50 along the radius",
        "MTF50 along the circle",
        "Share of diffraction",
        "Sharpest stop measured",
    )
    rows = [_row(point, series.optimum_stop) for point in series.field]
    out = table(caption, head, rows, wide=True)
    if series.shape is not None:
        sentences = " ".join(shape_sentences(series.shape))
        out += f"\n<p>{prose(sentences)}</p>"
    return out


def _row(point: FieldPoint, stop: float | None) -> tuple[str, ...]:
    at, best = stop_nearest(point, stop), sharpest_stop(point)
    coma = words.interval_words(point.coma_low95_um, point.coma_high95_um, 2)
    figures = ("not measured",) * 3
    if at is not None:
        figures = (
            words.plus_minus(at.mtf50_radial_cyc_per_mm, at.mtf50_radial_std, 1),
            words.plus_minus(at.mtf50_tangential_cyc_per_mm, at.mtf50_tangential_std, 1),
            f"{words.number(at.percent_radial, 0)} and {words.number(at.percent_tangential, 0)} %",
        )
    return (
        text(place_words(point)),
        words.plus_minus(
            point.focus_offset_object_um, point.focus_offset_object_std_um, 1, signed=True
        ),
        "not measured"
        if "astigmatism-not-measured" in point.flags
        else words.plus_minus(point.astigmatism_um, point.astigmatism_std_um, 1, signed=True),
        "not measured" if "coma-not-measured" in point.flags else coma,
        *figures,
        "unknown" if best is None else words.marked_stop(best.marked_stop),
    )
