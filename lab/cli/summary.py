"""A session's result as the short table that every command ends with."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lab.cli.terminal import print_table

if TYPE_CHECKING:
    from lab.inference.results import SeriesResult, SessionResult

__all__ = ["print_summary", "stop_text"]


def stop_text(stop: float | None) -> str:
    """An f-number as photographers write it; a dash where there is none."""
    if stop is None:
        return "-"
    return f"f/{stop:.1f}" if stop < 9.95 else f"f/{stop:.0f}"


def _row(series: SeriesResult) -> list[str]:
    from reports.words import is_deepest_beyond, marked_value

    optimum, deepest = series.optimum_stop, series.deepest_sharp_stop
    interval, end, deepest_end = "-", "", ""
    if "optimum-not-bracketed" in series.flags:
        optimum, end = marked_value(series, optimum) or optimum, " (end)"
    elif series.optimum_low95 is not None:
        interval = f"{stop_text(series.optimum_low95)} to {stop_text(series.optimum_high95)}"
    if is_deepest_beyond(series):
        deepest, deepest_end = marked_value(series, deepest) or deepest, " (end)"
    sharpest = series.optimum_mtf50_image_cyc_per_mm
    size = series.measured_magnification
    return [
        f"{series.magnification:g}x",
        "-" if size is None else f"{size:.3f}",
        stop_text(optimum) + end,
        interval,
        "-" if sharpest is None else f"{sharpest:.1f}",
        "-" if sharpest is None else f"{sharpest * (size or series.magnification):.0f}",
        stop_text(deepest) + deepest_end,
    ]


def print_summary(result: SessionResult) -> None:
    """Optimum and deepest sharp stop of each magnification, 80 columns.

    "(end)" marks a stop at the end of those measured: the true one may lie beyond.
    """
    print_table(
        ["series", "size", "sharpest stop", "95 %", "cy/mm image", "object", "sharp down to"],
        [_row(series) for series in result.series],
    )
