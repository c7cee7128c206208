"""A session's result as the short table that every command ends with."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from lab.cli.terminal import print_table, print_wrapped

if TYPE_CHECKING:
    from lab.inference.results import SeriesResult, SessionResult

__all__ = ["print_left_ended", "print_summary", "rule_text", "stop_text"]


def stop_text(stop: float | None) -> str:
    """A stop as the report writes it; a dash where there is none."""
    from reports.words import estimated_stop

    return estimated_stop(stop, missing="-")


def _row(series: SeriesResult) -> list[str]:
    from reports.words import is_deepest_beyond, marked_value

    optimum, deepest = series.optimum_stop, series.deepest_sharp_stop
    interval, deepest_end = "-", ""
    if "optimum-not-bracketed" in series.flags:
        optimum, interval = marked_value(series, optimum) or optimum, "(end)"
    elif series.optimum_low95 is not None:
        interval = f"{stop_text(series.optimum_low95)} to {stop_text(series.optimum_high95)}"
    if is_deepest_beyond(series):
        deepest, deepest_end = marked_value(series, deepest) or deepest, " (end)"
    sharpest = series.optimum_mtf50_image_cyc_per_mm
    return [
        f"{series.magnification:.4g}x",
        stop_text(optimum),
        interval,
        "-" if sharpest is None else f"{sharpest:.1f}",
        stop_text(deepest) + deepest_end,
    ]


def print_summary(result: SessionResult) -> None:
    """The answer for each magnification: sharpest and deepest sharp stop, rules, 80 columns.

    "(end)" marks a stop at the end of those measured: the true one may lie beyond.
    """
    rules = {} if result.lens is None else {s.magnification: s.rules for s in result.lens.series}
    table = [["size", "sharpest", "95 %", "cy/mm", "sharp to", "rules of thumb"]]
    for series in result.series:
        first = _row(series)
        verdicts = [
            f"{rule_text(one.rule)}: {one.verdict}" for one in rules.get(series.magnification, ())
        ]
        for k, verdict in enumerate(verdicts or ["-"]):
            table.append([*([""] * len(first) if k else first), verdict])
    print_left_ended(table)
    losses = {f"{series.loss_percent:g} %" for series in result.series}
    print_wrapped(
        "95 %: interval of the sharpest stop. cy/mm: MTF50 there, cycles per mm on the sensor. "
        f"sharp to: the deepest stop that loses no more than {', '.join(losses)} of it."
        + (
            " infinity f/11: on the ring f/11 / (1 + magnification)."
            if any(row[-1].startswith("infinity f/11:") for row in table)
            else ""
        )
        + (
            " (end): of the stops measured; the true one may lie beyond."
            if any("(end)" in cell for row in table for cell in row)
            else ""
        )
    )


def rule_text(rule: str) -> str:
    """A rule as it is called beside its magnification: "2x: f/8" is f/8 there."""
    return rule.split(": ")[-1]


def print_left_ended(table: Sequence[Sequence[str]]) -> None:
    """A table, heads first, whose last column stands left as its first does."""
    width = max(len(row[-1]) for row in table)
    header, *rows = [[*row[:-1], row[-1].ljust(width)] for row in table]
    print_table(header, rows)
