"""What does a trial say, in words: keepers, what blurred the frames, what to doubt?

Plain text, one finding a sentence, each with its uncertainty; the page and the terminal
share them. Directions are those of the picture as the frame shows it. Counting aside,
nothing is computed here. Differences and shutter times: ``reports.trial_comparison``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from lab.inference.trial_records import TrialCondition, TrialFrame, TrialResult
from reports import words
from reports.trial_comparison import difference_sentences, prediction_sentences, shutter_sentences
from reports.trial_formats import axis_words, frames_words, percent, percent_span, speed_words

__all__ = [
    "KINDS",
    "MOVEMENT",
    "blur_sentences",
    "caveats",
    "difference_sentences",
    "frames_for_one_words",
    "headline",
    "keeper_sentences",
    "limit_sentence",
    "median_span",
    "median_words",
    "moved_frames",
    "prediction_sentences",
    "shutter_sentences",
    "speed_sentences",
]

KINDS = {
    "sharp": "sharp",
    "focus": "out of focus",
    "linear": "even movement",
    "oscillating": "vibration",
    "pulse": "movement under flash",
}
MOVEMENT = ("linear", "oscillating", "pulse")
_IN_DOUBT = 0.1  # probability of the other movement from which on the kind is in doubt
_FEW = 6  # below as many frames no two of them enclose the median with 95 %


def moved_frames(result: TrialResult, condition: str) -> tuple[TrialFrame, ...]:
    """Frames of a condition that movement blurred, their length known."""
    return tuple(
        f
        for f in result.frames
        if f.condition == condition and f.kind in MOVEMENT and words.is_known(f.length_px)
    )


def headline(result: TrialResult) -> str:
    """The condition with most keepers, and those that these frames do not tell from it."""
    most = max(c.share for c in result.conditions)
    if most == 0:
        return "No condition gave a keeper."
    best = [c for c in result.conditions if c.share == most]
    names = _listed(c.name for c in best)
    if len(best) > 1:
        return f"Most keepers: {names}, {percent(most)} each."
    sentence = f"Most keepers: {names}, {_share(best[0])}."
    alike = [
        d.other if d.one == best[0].name else d.one
        for d in result.differences
        if not d.is_told and best[0].name in (d.one, d.other)
    ]
    if alike:
        sentence += f" These frames do not tell it apart from: {'; '.join(alike)}."
    return sentence


def limit_sentence(result: TrialResult) -> str:
    """What counts as a keeper."""
    return (
        f"A keeper shows at least {words.number(result.limit_mtf50_image_cyc_per_mm)} cycles/mm: "
        f"no more than {result.loss_percent:g} % below the median of the reference "
        f"({result.reference}). A frame is judged by the softer direction at its sharpest place; "
        "one too blurred to be measured is no keeper."
    )


def frames_for_one_words(condition: TrialCondition) -> str:
    """``7 (4 to 16)``: frames to be 95 % sure of one keeper, with the ends of its interval."""
    low, high = condition.frames_for_one_low95, condition.frames_for_one_high95
    if condition.frames_for_one is None:
        return "unknown" if low is None else f"{low} or more"
    if high is None:
        return f"{condition.frames_for_one} ({low} or more)"
    if low == high:
        return str(condition.frames_for_one)
    return f"{condition.frames_for_one} ({low} to {high})"


def median_span(condition: TrialCondition) -> str:
    """``12.4 to 24.6``: the median's 95 % interval in cycles/mm, as far as it has ends."""
    low, high = condition.median_low95, condition.median_high95
    if high is None:
        return "no interval"
    return f"up to {words.number(high)}" if low is None else words.interval_words(low, high, 1)


def median_words(condition: TrialCondition) -> str:
    """``median 17.3 (95 % interval 12.4 to 24.6)``, without its unit."""
    if condition.median_mtf50_image_cyc_per_mm is None:
        return "median too blurred to be measured"
    span = median_span(condition)
    doubt = span if span == "no interval" else f"95 % interval {span}"
    return f"median {words.number(condition.median_mtf50_image_cyc_per_mm)} ({doubt})"


def keeper_sentences(result: TrialResult) -> tuple[str, ...]:
    """Each condition's keepers, and how many frames to shoot for one."""
    return tuple(_keepers(c) for c in result.conditions)


def _keepers(c: TrialCondition) -> str:
    sentence = f"{c.name}: {_share(c)}. "
    low, high = c.frames_for_one_low95, c.frames_for_one_high95
    if c.frames_for_one is None:
        floor = "" if low is None else f": at least {low} frames for one, by the interval"
        return f"{sentence}No keeper seen{floor}."
    sentence += f"Shoot {frames_words(c.frames_for_one)} to be 95 % sure of one keeper"
    if high is None:
        return f"{sentence}; the interval sets no upper limit."
    return f"{sentence}, {high} to be safe by the interval."


def blur_sentences(result: TrialResult) -> tuple[str, ...]:
    """What blurred the frames of each condition: kinds, lengths, directions, focus."""
    return tuple(_blur(result, c) for c in result.conditions)


def _blur(result: TrialResult, c: TrialCondition) -> str:
    counts = [f"{c.kinds[kind]} {name}" for kind, name in KINDS.items() if c.kinds.get(kind)]
    unmeasured = c.frames - c.measured
    if unmeasured:
        counts.append(f"{unmeasured} too blurred to be measured")
    unknown = c.frames - sum(c.kinds.values()) - unmeasured
    if unknown > 0:
        counts.append(f"{unknown} of unknown kind")
    sentence = f"{c.name}, {frames_words(c.frames)}: {', '.join(counts)}."
    moved = moved_frames(result, c.name)
    if moved:
        px = [f.length_px for f in moved if f.length_px is not None]
        um = [f.length_object_um for f in moved if f.length_object_um is not None]
        span = f" Movement blurred {_span(px, 1)} px"
        span += f", {_span(um, 0)} µm in the subject" if um else ""
        ways = Counter(axis_words(f.axis_deg) for f in moved if f.axis_deg is not None)
        listed = ", ".join(f"{n} {way}" for way, n in ways.most_common())
        sentence += f"{span}" + (f"; {listed}." if listed else ".")
    return sentence


def speed_sentences(result: TrialResult) -> tuple[str, ...]:
    """How fast the subject went past the lens, where movement blurred at all."""
    out = []
    for c in result.conditions:
        moved = sum(c.kinds.get(kind, 0) for kind in MOVEMENT)
        if not moved or c.speed_median_um_per_s is None or c.speed_p90_um_per_s is None:
            continue
        sentence = (
            f"{c.name}: half of the frames at no more than {speed_words(c.speed_median_um_per_s)} "
            f"in the subject, nine in ten at no more than {speed_words(c.speed_p90_um_per_s)}."
        )
        if 2 * moved < sum(c.kinds.values()):
            sentence += " Most show no movement, so the first is an upper limit."
        out.append(sentence)
    return tuple(out)


def caveats(result: TrialResult) -> tuple[str, ...]:
    """What these frames cannot say, as far as it concerns this result."""
    out = list(result.notes)
    moved = [f for f in result.frames if f.kind in MOVEMENT]
    back_and_forth = [f for f in moved if f.kind != "pulse"]
    doubtful = sum(
        f.probability.get("oscillating" if f.kind == "linear" else "linear", 0.0) >= _IN_DOUBT
        for f in back_and_forth
    )
    if doubtful:
        out.append(
            f"Even movement and vibration blur alike where the blur is short: in {doubtful} of "
            f"{len(back_and_forth)} such frames the other has a chance of 10 % or more. That they "
            "moved is surer than how."
        )
    if moved:
        out.append(
            "Astigmatism of the lens blurs one direction too, and is not fitted here: slight "
            "movement that always lies the same way may be the lens. Set it against the "
            "reference, which has the same lens."
        )
        out.append("Movement along the lens axis shows as focus, not as movement.")
    dark = [
        c.name for c in result.conditions if c.flash_t01_s is not None and c.ambient_share is None
    ]
    if dark and result.curves:
        out.append(f"Ambient light beside the flash is taken as none: {_listed(dark)}.")
    few = [c.name for c in result.conditions if c.frames < _FEW]
    if few:
        out.append(f"Fewer than {_FEW} frames give no interval of the median: {_listed(few)}.")
    if result.curves:
        out.append(
            "The safe shutter times hold for the hands, grip and day of this trial, and for even "
            "movement; they have no interval beyond the two speeds."
        )
    return tuple(out)


def _share(c: TrialCondition) -> str:
    return (
        f"{c.keepers} of {c.frames} (share {percent(c.share)}, 95 % interval "
        f"{percent_span(c.share_low95, c.share_high95)})"
    )


def _span(values: Sequence[float], digits: int) -> str:
    low, high = words.number(min(values), digits), words.number(max(values), digits)
    return low if low == high else f"{low} to {high}"


def _listed(names: Iterable[str]) -> str:
    return "; ".join(names)
