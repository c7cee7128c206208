"""The optical model of a session in the terminal, 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from lab.cli.field_text import print_fields
from lab.cli.rules_text import print_rules
from lab.cli.summary import stop_text
from lab.cli.terminal import print_table, print_wrapped

if TYPE_CHECKING:
    from lab.inference.results import LensFigure, LensResult, LensSeries

__all__ = ["print_lens"]

_WORST_BEYOND_PERCENT = 2.0


def print_lens(lens: LensResult) -> None:
    """Figures of the lens, what limits each stop, and the rules of thumb."""
    if any(series.rules for series in lens.series):
        typer.echo("\nrules of thumb")
        print_rules([(series.magnification, series.rules) for series in lens.series])
    is_shift_explained = False
    for series in lens.series:
        typer.echo(f"\n{series.magnification:.4g}x: effective f-number and what takes the contrast")
        print_table(
            [
                *("stop", "effective", "std", "diffraction", "spherical", "focus", "pixel"),
                *("rest", "shift um"),
            ],
            _stop_rows(series),
        )
        if len(series.stops) > 1 and not is_shift_explained:
            print_wrapped("shift: of best focus in the subject, against the first stop")
            is_shift_explained = True
        for stop in series.stops:
            if abs(stop.beyond_model_percent) > _WORST_BEYOND_PERCENT:
                print_wrapped(
                    f"{stop_text(stop.marked_stop)}: {stop.beyond_model_percent:+.1f} % against "
                    "the model"
                )
        others = [
            f"{one.channel} at {stop_text(one.optimum_stop)} ({stop_text(one.optimum_low95)} to "
            f"{stop_text(one.optimum_high95)})"
            for one in series.channels
            if one.channel != "green"
        ]
        if others:
            print_wrapped(f"sharpest: {', '.join(others)}")
        if series.detail_um is not None and series.detail_stop is not None:
            span = (
                ""
                if series.detail_low95 is None
                else f" ({stop_text(series.detail_low95)} to {stop_text(series.detail_high95)})"
            )
            print_wrapped(
                f"lines {series.detail_um:.1f} um wide in the subject: most contrast at "
                f"{stop_text(series.detail_stop)}{span}"
            )
    print_fields(lens.series)
    typer.echo("\nthe lens, from all frames together")
    print_table(["figure", "value", "std", ""], [_figure_row(one) for one in lens.figures])
    for cone in lens.cones:
        print_wrapped(
            f"effective f-number over N (1 + m) by {cone.name} alone: "
            f"{cone.over_nominal:.3f} +- {cone.std:.3f}"
        )
    for one, other, value in lens.correlated:
        print_wrapped(f"errors of {one} and {other} go together (correlation {value:+.2f})")
    print_wrapped(
        f"brackets scatter {lens.excess_percent:.1f} % about the model; single frames depart from "
        f"it by {lens.chi_square**0.5:.2g} times what their noise allows (1: as expected; "
        f"chi-square {lens.chi_square:.2g})"
        + ("" if lens.describes else ": it does not describe this lens well")
    )
    if lens.frames_in_doubt:
        print_wrapped("frames that do not fit: " + ", ".join(lens.frames_in_doubt))
    for sentence in lens.cannot_say:
        print_wrapped(sentence)


def _figure_row(figure: LensFigure) -> list[str]:
    unit = f" {figure.unit}" if figure.unit else ""
    return [
        figure.name,
        f"{figure.value:z.3f}{unit}",
        f"{figure.std:.3f}",
        "" if figure.measured else "not measured",
    ]


def _stop_rows(series: LensSeries) -> list[list[str]]:
    return [
        [
            stop_text(stop.marked_stop),
            f"{stop.effective_f_number:.2f}",
            f"{stop.effective_f_number_std:.2f}",
            *(
                f"{100 * share:.0f} %"
                for share in (
                    stop.diffraction_share,
                    stop.aberration_share,
                    stop.defocus_share,
                    stop.pixel_share,
                    stop.residual_share,
                )
            ),
            f"{stop.focus_shift_um:+z.1f}",
        ]
        for stop in series.stops
    ]
