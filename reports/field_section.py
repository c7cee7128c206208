"""What does each place of the field show, in a table and sentences of one magnification?

Nothing is measured here.
"""

from __future__ import annotations

from lab.inference.results import FieldPoint, LensSeries
from reports import words
from reports.field_words import place_words, shape_sentences, sharpest_stop, stop_nearest
from reports.markup import prose, switched, table, text

__all__ = ["field_section", "field_sentences"]


def field_section(series: LensSeries, *, object_ratio: float | None = None) -> str:
    """Table of places; empty where none was measured.

    Parameters
    ----------
    series : LensSeries
    object_ratio : float, optional
        Object-side over image-side frequency, for the page's switch; None for no switch.
        [-], > 0
    """
    if not series.field:
        return ""
    shown = stop_nearest(series.field[0], series.optimum_stop)
    stop = "each stop" if shown is None else words.marked_stop(shown.marked_stop)
    caption = (
        f"Places of the field at {words.magnification_words(series.magnification)}, the way from "
        f"centre to corner in percent. Focus: in the subject, against the centre. MTF50 in "
        f"cycles/mm at {stop}, each place at its own best focus; image side is on the sensor. "
        "± 1 standard uncertainty."
    )
    head = (
        "Place",
        "Focus, µm",
        "Astigmatism on the sensor, µm",
        "Coma, µm of path (95 %)",
        *(_headed(f"MTF50 along the {way}", object_ratio) for way in ("radius", "circle")),
        "Share of diffraction",
        "Sharpest stop measured",
    )
    rows = [_row(point, series.optimum_stop, object_ratio) for point in series.field]
    return table(caption, head, rows, wide=True)


def field_sentences(series: LensSeries) -> str:
    """How square, flat and well centred the field is, in a paragraph; empty if not known."""
    sentences = () if series.shape is None else shape_sentences(series.shape)
    return f"<p>{prose(' '.join(sentences))}</p>" if sentences else ""


def _headed(name: str, ratio: float | None) -> str:
    other = f"{name}, object side" if ratio is not None else ""
    return switched(f"{name}, image side", object_side=other)


def _both_sides(value: float, std: float, ratio: float | None) -> str:
    other = "" if ratio is None else words.plus_minus(ratio * value, ratio * std, 1)
    return switched(words.plus_minus(value, std, 1), object_side=other)


def _row(point: FieldPoint, stop: float | None, ratio: float | None) -> tuple[str, ...]:
    at, best = stop_nearest(point, stop), sharpest_stop(point)
    coma = words.interval_words(point.coma_low95_um, point.coma_high95_um, 2)
    figures = ("not measured",) * 3
    if at is not None:
        figures = (
            _both_sides(at.mtf50_radial_cyc_per_mm, at.mtf50_radial_std, ratio),
            _both_sides(at.mtf50_tangential_cyc_per_mm, at.mtf50_tangential_std, ratio),
            f"{words.number(at.percent_radial, 0)} and {words.number(at.percent_tangential, 0)} %",
        )
    return (
        text(place_words(point).replace(" ", "\xa0")),  # a row's header stays on one line
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
