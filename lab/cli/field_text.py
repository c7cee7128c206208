"""The field of each magnification in the terminal, 80 columns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import typer

from lab.cli.summary import stop_text
from lab.cli.terminal import print_table, print_wrapped

if TYPE_CHECKING:
    from lab.inference.results import FieldPoint, LensSeries

__all__ = ["print_fields"]

_NONE = "-"


def print_fields(several: Sequence[LensSeries]) -> None:
    """Focus, aberrations and sharpness of each place, and how square and flat it all is."""
    from reports.field_words import shape_sentences

    shown = [series for series in several if series.field]
    if not shown:
        return
    for series in shown:
        _print_places(series)
    print_wrapped(
        "focus: in the subject, against the centre; astigmatism: on the sensor; coma: path "
        "length at the widest stop; MTF50 in cycles/mm along the radius and along the circle"
    )
    sizes: dict[str, list[str]] = {}  # by sentence: what holds at several is said once
    for series in shown:
        for sentence in () if series.shape is None else shape_sentences(series.shape):
            sizes.setdefault(sentence, []).append(f"{series.magnification:.4g}x")
    if sizes:
        typer.echo("\nhow square, flat and centred it is")
    for sentence, where in sorted(sizes.items(), key=lambda one: len(one[1])):
        print_wrapped(f"{', '.join(where)}: {sentence}".replace("µ", "u").replace("±", "+-"))


def _print_places(series: LensSeries) -> None:
    from reports.field_words import stop_nearest

    shown = stop_nearest(series.field[0], series.optimum_stop)
    at = "" if shown is None else f", MTF50 at {stop_text(shown.marked_stop)}"
    typer.echo(f"\n{series.magnification:.4g}x: places of the field at their best focus{at}")
    print_table(
        ["place", "focus um", "astig um", "coma um", "radial", "circle", "share", "best"],
        [_row(point, series.optimum_stop) for point in series.field],
    )


def _row(point: FieldPoint, stop: float | None) -> list[str]:
    from reports.field_words import place_words, sharpest_stop, stop_nearest

    at, best = stop_nearest(point, stop), sharpest_stop(point)
    return [
        place_words(point),
        f"{point.focus_offset_object_um:+z.1f} +- {point.focus_offset_object_std_um:.1f}",
        _NONE
        if "astigmatism-not-measured" in point.flags
        else f"{point.astigmatism_um:+z.0f} +- {point.astigmatism_std_um:.0f}",
        _NONE if "coma-not-measured" in point.flags else f"{point.coma_um:.2f}",
        *(
            (_NONE, _NONE, _NONE)
            if at is None
            else (
                f"{at.mtf50_radial_cyc_per_mm:.1f}",
                f"{at.mtf50_tangential_cyc_per_mm:.1f}",
                f"{(at.percent_radial + at.percent_tangential) / 2:.0f} %",
            )
        ),
        _NONE if best is None else stop_text(best.marked_stop),
    ]
