"""What lies behind the answer of ``stopwise fit``, in the terminal, 80 columns.

What holds for several magnifications is said once.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import typer

from lab.cli.lens_text import print_lens
from lab.cli.summary import stop_text
from lab.cli.terminal import print_table, print_wrapped

if TYPE_CHECKING:
    from lab.inference.results import ColourResult, SeriesResult, SessionResult

__all__ = ["print_fit"]


def print_fit(result: SessionResult) -> None:
    """Each magnification's stops and what to doubt of them, then the lens."""
    explained: set[str] = set()
    for series in result.series:
        print_wrapped(_heading(series), indent="\n")
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
        _print_left_out(series)
        _print_flags(series, explained)
        _print_deepest(series)
        _print_colours(series.colours)
    if result.lens is not None:
        print_lens(result.lens)


def _heading(series: SeriesResult) -> str:
    """Magnification as stated and as measured, and the peak as the subject sees it."""
    size, sharpest = series.measured_magnification, series.optimum_mtf50_image_cyc_per_mm
    said = [f"{series.magnification:.4g}x"]
    if size is not None:
        said.append(f"measured {size:.3f}x")
    if sharpest is not None:
        object_side = sharpest * (size or series.magnification)
        said.append(f"at the sharpest stop {object_side:.0f} cycles per mm in the subject")
    return ", ".join(said)


def _print_left_out(series: SeriesResult) -> None:
    """Stops of which frames shape no peak."""
    said = [
        f"{p.frames_measured - p.frames_used} of {p.frames_measured} at {stop_text(p.marked_stop)}"
        for p in series.points
        if p.frames_used < p.frames_measured
    ]
    if said:
        print_wrapped(
            f"frames too far from focus to shape the peak, and left out: {', '.join(said)}"
        )


def _print_flags(series: SeriesResult, explained: set[str]) -> None:
    """What to doubt: each flag once, with the stops that carry it; explained the first time."""
    from reports.words import flag_sentence, flag_words

    carriers: dict[str, list[str]] = {flag: ["the series"] for flag in series.flags}
    for point in series.points:
        for flag in point.flags:
            carriers.setdefault(flag, []).append(stop_text(point.marked_stop))
    for flag, where in carriers.items():
        sentence = "as above" if flag in explained else flag_sentence(flag) or ""
        explained.add(flag)
        print_wrapped(f"{flag_words(flag)} ({', '.join(where)}): {sentence}".rstrip(": "))


def _print_deepest(series: SeriesResult) -> None:
    """The deepest sharp stop's interval."""
    if series.deepest_sharp_stop is not None and series.deepest_low95 is not None:
        typer.echo(
            f"sharp within {series.loss_percent:g} % down to "
            f"{stop_text(series.deepest_sharp_stop)} (95 %: {stop_text(series.deepest_low95)} "
            f"to {stop_text(series.deepest_high95)})"
        )


def _print_colours(colours: Sequence[ColourResult]) -> None:
    """Each raw colour against green in a line of its own, the stop before the first."""
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
