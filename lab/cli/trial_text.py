"""A trial as the lines that ``stopwise trial`` prints, 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from lab.cli.summary import stop_text
from lab.cli.terminal import print_table, print_wrapped

if TYPE_CHECKING:
    from lab.inference.trial_records import TrialCondition, TrialResult

__all__ = ["print_frames", "print_trial"]


# Heads of narrow columns; the report has the kinds in full.
_KINDS = {
    "sharp": "sharp",
    "focus": "focus",
    "linear": "moved",
    "oscillating": "shaken",
    "pulse": "in flash",
}


def print_trial(result: TrialResult) -> None:
    """Keepers and blur of each condition, then what can be said of them."""
    from reports import trial_words

    print_wrapped(
        f"{result.name}: {result.magnification:.4g}x, {stop_text(result.marked_stop)} "
        f"(effective f/{result.effective_f_number:.1f})"
    )
    print_wrapped(trial_words.headline(result))
    print_wrapped(trial_words.limit_sentence(result))
    typer.echo("")
    print_table(
        ["condition", "keepers", "share", "95 %", "for one", "median", "of it"],
        [_keeper_row(c) for c in result.conditions],
    )
    typer.echo("")
    seen = [k for k in _KINDS if any(c.kinds.get(k) for c in result.conditions)]
    print_table(
        ["condition", *(_KINDS[k] for k in seen), "speed um/s", "9 in 10", "expected"],
        [
            [
                _short(c.name),
                *(str(c.kinds.get(k, 0)) for k in seen),
                _speed(c.speed_median_um_per_s),
                _speed(c.speed_p90_um_per_s),
                _percent(c.predicted_of_reference),
            ]
            for c in result.conditions
        ],
    )
    typer.echo("")
    said = (
        trial_words.blur_sentences(result),
        trial_words.difference_sentences(result),
        trial_words.speed_sentences(result),
        trial_words.shutter_sentences(result),
        trial_words.prediction_sentences(result),
        trial_words.caveats(result),
    )
    for sentence in (one for some in said for one in some):
        print_wrapped(sentence.replace("µm", "um"))  # as in tables of the terminal


def _short(name: str) -> str:
    return name if len(name) <= 22 else name[:21] + "…"


def _keeper_row(c: TrialCondition) -> list[str]:
    many = c.frames_for_one
    return [
        _short(c.name),
        f"{c.keepers}/{c.frames}",
        _percent(c.share),
        f"{100 * c.share_low95:.0f} to {100 * c.share_high95:.0f} %",
        "-" if many is None else str(many),
        "-"
        if c.median_mtf50_image_cyc_per_mm is None
        else f"{c.median_mtf50_image_cyc_per_mm:.1f}",
        _percent(c.measured_of_reference),
    ]


def _percent(share: float | None) -> str:
    return "-" if share is None else f"{100 * share:.0f} %"


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.3g}"


def _speed(um_per_s: float | None) -> str:
    """Two digits: no more are known."""
    return "-" if um_per_s is None else f"{float(f'{um_per_s:.2g}'):.0f}"


def print_frames(result: TrialResult) -> None:
    """Every frame: its sharpness, what blurred it, and how sure that is."""
    print_table(
        ["frame", "condition", "cy/mm", "of it", "blur", "sure", "px", "um", "axis"],
        [
            [
                f.file.rsplit("/", 1)[-1][-14:],
                f.condition[:18],
                "-" if f.mtf50_image_cyc_per_mm is None else f"{f.mtf50_image_cyc_per_mm:.1f}",
                _percent(f.of_reference),
                _KINDS.get(f.kind or "", "-"),
                _percent(f.probability.get(f.kind) if f.kind else None),
                "-" if f.length_px is None else f"{f.length_px:.1f}",
                _number(f.length_object_um),
                "-" if f.axis_deg is None else f"{f.axis_deg:.0f}",
            ]
            for f in result.frames
        ],
    )
