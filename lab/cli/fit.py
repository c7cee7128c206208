"""``stopwise fit``: optimum stops of a measured session, as table or JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lab.cli.terminal import print_json, print_problems, print_table, print_wrapped

if TYPE_CHECKING:
    from lab.inference.results import (
        ColourResult,
        LensSeries,
        SeriesResult,
        SessionResult,
    )

__all__ = ["fit"]


def fit(
    session: Annotated[Path, typer.Argument(help="Measured session folder.")],
    loss: Annotated[
        float,
        typer.Option(min=0.1, max=90, help="Loss of MTF50 that still counts as sharp, percent."),
    ] = 10.0,
    rule: Annotated[
        list[str] | None,
        typer.Option(help='Rule of thumb to test, like "2x: f/8"; repeat. [default: the usual]'),
    ] = None,
    detail: Annotated[
        float | None,
        typer.Option(
            min=0.01,
            help="Width of a line in the subject, um, to follow over the stops. "
            "[default: two pixels]",
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Figures as JSON.")] = False,
) -> None:
    """Find each magnification's sharpest stop and the deepest stop still sharp.

    One optical model is fitted to the whole session: pupil ratio, ring, spherical
    aberration, residual blur. Rules: "2x: f/8", "4x+: f/4", "effective f/22",
    "infinity f/11" (divided by 1 + magnification).

    Example: stopwise fit my-session
    """
    from lab.cli.lens_text import print_lens
    from lab.cli.summary import print_summary, stop_text
    from lab.inference.lens_result import lens_result, with_lens
    from lab.inference.rules import DEFAULT_RULES
    from lab.inference.session_analysis import analyse_session
    from lab.session.running import stored_session

    measured = stored_session(session)
    print_problems(measured.assignment.problems, err=True)
    result = analyse_session(
        measured.config, measured.frames, measured.assignment.problems, loss_percent=loss
    )
    lens = lens_result(
        measured.config,
        measured.frames,
        loss_percent=loss,
        rules=rule or DEFAULT_RULES,
        detail_um=detail,
    )
    result = with_lens(result, lens)
    if as_json:
        print_json(_document(result))
    else:
        print_summary(result)
        for series in result.series:
            typer.echo(f"\n{series.magnification:g}x")
            print_table(
                ["stop", "effective", "MTF50 cy/mm", "95 %", "diffraction", "share", "frames"],
                [
                    [
                        stop_text(p.marked_stop),
                        f"{p.effective_f_number:.1f}",
                        f"{p.mtf50_image_cyc_per_mm:.2f}",
                        f"{p.mtf50_low95:.2f} to {p.mtf50_high95:.2f}",
                        f"{p.diffraction_mtf50_image_cyc_per_mm:.2f}",
                        f"{p.percent_of_diffraction:.0f} %",
                        f"{p.frames_used}/{p.frames_measured}",
                    ]
                    for p in series.points
                ],
            )
            for p in series.points:
                if p.frames_used < p.frames_measured:
                    left_out = p.frames_measured - p.frames_used
                    print_wrapped(
                        f"{stop_text(p.marked_stop)}: {left_out} of {p.frames_measured} frames lie "
                        "too far from focus to shape the peak and are left out"
                    )
            _print_flags(series)
            _print_deepest(series)
            _print_colours(series.colours)
        if lens is not None:
            print_lens(lens)
    if not any(series.points for series in result.series):
        raise typer.Exit(1)


def _print_flags(series: SeriesResult) -> None:
    """What to doubt: each flag once, with the stops that carry it."""
    from textwrap import fill

    from lab.cli.summary import stop_text
    from reports.words import flag_sentence, flag_words

    carriers: dict[str, list[str]] = {flag: ["the series"] for flag in series.flags}
    for point in series.points:
        for flag in point.flags:
            carriers.setdefault(flag, []).append(stop_text(point.marked_stop))
    for flag, where in carriers.items():
        text = f"{flag_words(flag)} ({', '.join(where)}): {flag_sentence(flag) or ''}"
        typer.echo(fill(text, 79, subsequent_indent="  "))


def _print_deepest(series: SeriesResult) -> None:
    """The deepest sharp stop with its interval."""
    from lab.cli.summary import stop_text

    if series.deepest_sharp_stop is not None and series.deepest_low95 is not None:
        typer.echo(
            f"sharp within {series.loss_percent:g} % down to "
            f"{stop_text(series.deepest_sharp_stop)} (95 %: {stop_text(series.deepest_low95)} "
            f"to {stop_text(series.deepest_high95)})"
        )


def _print_colours(colours: Sequence[ColourResult]) -> None:
    """Each raw colour against green in a line of its own, the stop before the first."""
    from lab.cli.summary import stop_text

    if colours:
        start = f"colour at {stop_text(colours[0].marked_stop)}: "
        typer.echo(start + f";\n{' ' * len(start)}".join(map(_colour_words, colours)))


def _colour_words(colour: ColourResult) -> str:
    corner = focus = "not measured"
    if colour.lateral_corner_px is not None:
        corner = (
            f"{colour.lateral_corner_px:+z.2f} px ({colour.lateral_corner_image_um:+z.1f} um image)"
        )
    if colour.focus_difference_um is not None:
        focus = f"{colour.focus_difference_um:+z.0f} um"
    return f"{colour.channel} {corner} at the corner, focus {focus}"


def _document(result: SessionResult) -> dict[str, Any]:
    lens = result.lens
    pupil = None if lens is None else next(f for f in lens.figures if f.name == "pupil ratio")
    by_magnification = {} if lens is None else {one.magnification: one for one in lens.series}
    return {
        "pupil_ratio": {
            "value": result.pupil_ratio if pupil is None else pupil.value,
            "std": None if pupil is None else pupil.std,
            "measured": pupil is not None and pupil.measured,
        },
        "stated_pupil_ratio": result.pupil_ratio,
        "pupil_ratio_source": result.pupil_ratio_source,
        "series": [
            _series_document(series, by_magnification.get(series.magnification))
            for series in result.series
        ],
        "lens": None
        if lens is None
        else {
            **{k: v for k, v in asdict(lens).items() if k != "series"},
        },
    }


def _series_document(series: SeriesResult, lens: LensSeries | None) -> dict[str, Any]:
    return {
        "magnification": series.magnification,
        "measured_magnification": series.measured_magnification,
        "points": [
            {
                "marked_stop": p.marked_stop,
                "effective_f_number": p.effective_f_number,
                "mtf50_image_cyc_per_mm": p.mtf50_image_cyc_per_mm,
                "mtf50_std": p.mtf50_std,
                "mtf50_low95": p.mtf50_low95,
                "mtf50_high95": p.mtf50_high95,
                "mtf50_object_cyc_per_mm": p.mtf50_object_cyc_per_mm,
                "diffraction_mtf50_image_cyc_per_mm": p.diffraction_mtf50_image_cyc_per_mm,
                "best_focus_um": p.best_focus_um,
                "frames_measured": p.frames_measured,
                "frames_used": p.frames_used,
                "flags": list(p.flags),
            }
            for p in series.points
        ],
        "colours": [asdict(colour) for colour in series.colours],
        "optimum_stop": series.optimum_stop,
        "optimum_low95": series.optimum_low95,
        "optimum_high95": series.optimum_high95,
        "interpolated_optimum_stop": series.interpolated_optimum_stop,
        "interpolated_low95": series.interpolated_low95,
        "interpolated_high95": series.interpolated_high95,
        "deepest_sharp_stop": series.deepest_sharp_stop,
        "deepest_low95": series.deepest_low95,
        "deepest_high95": series.deepest_high95,
        "rules": [] if lens is None else [asdict(one) for one in lens.rules],
        "lens_stops": [] if lens is None else [asdict(stop) for stop in lens.stops],
        "lens_channels": [] if lens is None else [asdict(one) for one in lens.channels],
        "lens_curve": None
        if lens is None
        else {
            "stop": list(lens.curve_stop),
            "mtf50_image_cyc_per_mm": list(lens.curve_mtf50_image_cyc_per_mm),
            "mtf50_std": list(lens.curve_mtf50_std),
            "detail_um": lens.detail_um,
            "contrast": list(lens.curve_contrast),
            "contrast_std": list(lens.curve_contrast_std),
        },
        "detail_stop": None if lens is None else lens.detail_stop,
        "detail_low95": None if lens is None else lens.detail_low95,
        "detail_high95": None if lens is None else lens.detail_high95,
        "field": [] if lens is None else [asdict(one) for one in lens.field],
        "shape": None if lens is None or lens.shape is None else asdict(lens.shape),
        "residuals": [] if lens is None else [asdict(one) for one in lens.residuals],
        "flags": list(series.flags),
    }
