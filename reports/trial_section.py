"""What does a trial say, in figures, tables and plain sentences?

``trial_section``: keepers of each condition, what blurred the others, whether the
conditions differ, which shutter time is safe, and what these frames cannot say.
"""

from __future__ import annotations

from collections.abc import Iterable

from lab.inference.trial_records import TrialCondition, TrialDifference, TrialResult
from reports import trial_words, words
from reports.drawing import Draw, Drawing, Drawings
from reports.markup import figure, prose, table, text
from reports.trial_comparison import verdict_words
from reports.trial_figures import draw_keepers, draw_sharpness
from reports.trial_formats import exposure_words, percent, percent_span, speed_words
from reports.trial_movement import draw_directions, draw_shutter

__all__ = ["TRIAL_FIGURES", "trial_section"]

_SHORT = 20  # characters
TRIAL_FIGURES: dict[str, Draw[TrialResult]] = {
    "keepers": draw_keepers,
    "sharpness": draw_sharpness,
    "directions": draw_directions,
    "shutter": draw_shutter,
}


def trial_section(
    result: TrialResult, *, name: str = "trial", drawings: Drawings | None = None
) -> str:
    """The section of the page, headings included.

    Parameters
    ----------
    result : TrialResult
    name : str
        Identifier of its heading, and prefix of all others in it; distinct within one page.
    drawings : Drawings, optional
        Of the report, where it shows them elsewhere too.
    """
    drawings = Drawings() if drawings is None else drawings
    drawn = {key: drawings.of(draw, result, f"{name}-{key}") for key, draw in TRIAL_FIGURES.items()}
    rig = (
        f"{words.magnification_words(result.magnification)}, "
        f"{words.marked_stop(result.marked_stop)} (effective "
        f"f\N{NON-BREAKING HYPHEN}number {words.number(result.effective_f_number)}), pixel pitch "
        f"{words.number(result.pixel_pitch_um, 2)} µm."
    )
    parts = [
        f'<h2 id="{name}">Trial: {text(result.name)}</h2>',
        f'<p class="quiet">{prose(rig)}</p>',
        f"<p><strong>{prose(trial_words.headline(result))}</strong></p>",
        "<h3>How many keepers</h3>",
        f"<p>{prose(trial_words.limit_sentence(result))}</p>",
        _sentences(trial_words.keeper_sentences(result)),
        *(_figure(drawn[key]) for key in ("keepers", "sharpness")),
        "<h3>What blurred the frames</h3>",
        _sentences(trial_words.blur_sentences(result)),
        _kinds(result),
        _figure(drawn["directions"]),
        *_differences(result),
        *_shutter(result, drawn["shutter"]),
        "<h3>All figures of the conditions</h3>",
        _conditions(result),
    ]
    doubts = trial_words.caveats(result)
    if doubts:
        parts += ["<h3>What this trial cannot say</h3>", _sentences(doubts)]
    return "\n".join(part for part in parts if part)


def _sentences(sentences: Iterable[str]) -> str:
    items = "\n".join(f"<li>{prose(sentence)}</li>" for sentence in sentences)
    return f"<ul>\n{items}\n</ul>" if items else ""


def _figure(drawing: Drawing | None) -> str:
    return "" if drawing is None else figure(drawing)


def _kinds(result: TrialResult) -> str:
    rows = [
        (
            text(c.name),
            str(c.frames),
            *(str(c.kinds.get(kind, 0)) for kind in trial_words.KINDS),
            str(c.frames - sum(c.kinds.values())),
        )
        for c in result.conditions
    ]
    caption = (
        "Frames of each condition by the most probable kind of their blur. Sharp: no more blur "
        "than the lens makes. Not known: too blurred to be measured, or too few edges."
    )
    head = ("Condition", "Frames", *map(words.capital, trial_words.KINDS.values()), "Not known")
    return table(caption, head, rows)


def _differences(result: TrialResult) -> tuple[str, ...]:
    if not result.differences:
        return ()
    caption = (
        "Every pair: the first less the second, with 95 % intervals. p: two-sided, of the test by "
        "keepers and of that by medians, each corrected for all comparisons of the trial. More "
        "of each: frames that would tell the difference in keepers seen, four times in five."
    )
    head = (
        "First",
        "Second",
        "Keepers, percentage points",
        "p by keepers",
        "Median MTF50, cycles/mm",
        "p by medians",
        "Told apart?",
    )
    return (
        "<h3>Do the conditions differ</h3>",
        _sentences(trial_words.difference_sentences(result)),
        table(caption, head, [_difference_row(d) for d in result.differences], wide=True),
    )


def _difference_row(d: TrialDifference) -> tuple[str, ...]:
    median = "not known"
    if d.median_difference_image_cyc_per_mm is not None:
        median = _with_span(
            d.median_difference_image_cyc_per_mm, d.median_low95, d.median_high95, 1
        )
    return (
        _name(d.one),
        text(d.other),
        _with_span(100 * d.share_difference, 100 * d.share_low95, 100 * d.share_high95, 0),
        _p(d.share_p_corrected),
        median,
        _p(d.median_p_corrected),
        prose(verdict_words(d)),
    )


def _shutter(result: TrialResult, drawing: Drawing | None) -> tuple[str, ...]:
    topics = (
        ("How fast it moved", trial_words.speed_sentences(result), None),
        ("Which shutter time is safe", trial_words.shutter_sentences(result), drawing),
        ("Do shutter times explain it", trial_words.prediction_sentences(result), None),
    )
    return tuple(
        f"<h3>{heading}</h3>\n{_sentences(said)}\n{_figure(picture)}"
        for heading, said, picture in topics
        if said
    )


def _conditions(result: TrialResult) -> str:
    caption = (
        "Medians with 95 % intervals, in cycles/mm on the sensor. Speeds in the subject. Kept: "
        "share of the reference's median MTF50."
    )
    head = (
        "Condition",
        "Shutter time",
        "Flash, t0.1",
        "Ambient light",
        "Keepers",
        "Share, 95 % interval",
        "Frames for one keeper",
        "Median MTF50",
        "Speed of half, of nine in ten",
        "Kept, measured (predicted)",
    )
    return table(caption, head, [_condition_row(c) for c in result.conditions], wide=True)


def _condition_row(c: TrialCondition) -> tuple[str, ...]:
    median = "too blurred to measure"
    if c.median_mtf50_image_cyc_per_mm is not None:
        median = f"{words.number(c.median_mtf50_image_cyc_per_mm)} ({trial_words.median_span(c)})"
    speed = "not known"
    if c.speed_median_um_per_s is not None and c.speed_p90_um_per_s is not None:
        speed = ", ".join(speed_words(v) for v in (c.speed_median_um_per_s, c.speed_p90_um_per_s))
    kept = _share(c.measured_of_reference, "not known")
    if c.predicted_of_reference is not None:
        kept += f" ({percent(c.predicted_of_reference)})"
    return (
        _name(c.name),
        "not known" if c.exposure_s is None else exposure_words(c.exposure_s),
        "not stated" if c.flash_t01_s is None else exposure_words(c.flash_t01_s),
        _share(c.ambient_share, "not stated"),
        f"{c.keepers} of {c.frames}",
        f"{percent(c.share)} ({percent_span(c.share_low95, c.share_high95)})",
        trial_words.frames_for_one_words(c),
        median,
        speed,
        kept,
    )


def _name(condition: str) -> str:
    """Header of a wide table's row: a short name stays on one line."""
    return text(condition.replace(" ", "\xa0") if len(condition) <= _SHORT else condition)


def _share(value: float | None, missing: str) -> str:
    return missing if value is None else percent(value)


def _with_span(value: float, low95: float | None, high95: float | None, digits: int) -> str:
    span = words.interval_words(low95, high95, digits)
    return f"{words.number(value, digits, signed=True)} ({span})"


def _p(p: float) -> str:
    return "&lt; 0.001" if p < 0.001 else words.number(p, 3)
