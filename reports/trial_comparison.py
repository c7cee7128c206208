"""What does a trial say of differences, and of shutter times, in words?

Which conditions are told apart and what it would take to tell the others; which shutter
time the measured speeds permit; what they predict for another condition and what was
found there. Plain text; but for one ratio of stored values nothing is computed here.
"""

from __future__ import annotations

from lab.inference.trial_records import ShutterCurve, TrialCondition, TrialDifference, TrialResult
from reports import words
from reports.trial_formats import frames_words, percent, percent_span, safe_time_words, speed_words

__all__ = [
    "difference_sentences",
    "measured_interval",
    "prediction_sentences",
    "shutter_sentences",
    "verdict_words",
]


def shutter_sentences(result: TrialResult) -> tuple[str, ...]:
    """The slowest shutter time that keeps sharpness, for each speed and light."""
    return tuple(_safe(curve, result.loss_percent) for curve in result.curves)


def _safe(curve: ShutterCurve, loss_percent: float) -> str:
    where = words.capital(f"{curve.label}, at {speed_words(curve.speed_um_per_s)}")
    loss = f"{loss_percent:g} % of MTF50"
    if not curve.slowest_safe_s:
        if min(curve.of_sharp) >= 1 - loss_percent / 100:
            return f"{where}: no shutter time costs more than {loss}."
        return f"{where}: even the shortest shutter time costs more than {loss}."
    time = safe_time_words(curve.slowest_safe_s)
    return f"{where}: {time} or shorter costs no more than {loss}."


def prediction_sentences(result: TrialResult) -> tuple[str, ...]:
    """What the measured speed predicts for each other condition, against what was found."""
    return tuple(
        _prediction(c, c.predicted_of_reference)
        for c in result.conditions
        if c.predicted_of_reference is not None
    )


def _prediction(c: TrialCondition, predicted: float) -> str:
    said = f"{c.name}: predicted to keep {percent(predicted)} of the still image's MTF50"
    if c.measured_of_reference is None:
        return f"{said}; most frames were too blurred to be measured."
    low, high = measured_interval(c)
    said += f", measured {percent(c.measured_of_reference)} of the reference's median"
    if low is None or high is None:
        return f"{said} (no interval)."
    verdict = "as predicted"
    if not low <= predicted <= high:
        verdict = "steadier than predicted" if predicted < low else "softer than predicted"
    return f"{said} (95 % interval {percent_span(low, high)}): {verdict}."


def measured_interval(c: TrialCondition) -> tuple[float | None, float | None]:
    """Ends of ``measured_of_reference``, scaled from those of the condition's median."""
    median = c.median_mtf50_image_cyc_per_mm
    if not median or c.measured_of_reference is None:
        return None, None
    scale = c.measured_of_reference / median
    ends = (c.median_low95, c.median_high95)
    return (
        None if ends[0] is None else scale * ends[0],
        None if ends[1] is None else scale * ends[1],
    )


def verdict_words(d: TrialDifference) -> str:
    """Is a pair told apart: ``yes``, or ``no; 40 more of each``."""
    if d.is_told:
        return "yes"
    if d.more_frames is None:
        return "no; too alike"
    return "no; repeat it" if d.more_frames == 0 else f"no; {d.more_frames} more of each"


def difference_sentences(result: TrialResult) -> tuple[str, ...]:
    """Which conditions these frames tell apart, by how much, and what the others would take."""
    pairs = result.differences
    if not pairs:
        return ()
    told = [d for d in pairs if d.is_told]
    out = [
        f"{len(told)} of {len(pairs)} {'pair' if len(pairs) == 1 else 'pairs'} of conditions told "
        "apart, by keepers or by median sharpness, with a chance of at most 5 % that any of it is "
        "luck. Not told apart is no proof of being equal."
    ]
    beaten: dict[str, list[str]] = {}
    for d in told:
        if not _is_by_keepers(d) and d.median_difference_image_cyc_per_mm is None:
            out.append(
                f"{d.one} and {d.other} are told apart by sharpness; most frames of one were too "
                "blurred to be measured."
            )
            continue
        winner, loser, by = _advantage(d)
        beaten.setdefault(winner, []).append(f"{loser} ({by})")
    out += [f"{winner} does better than {'; '.join(some)}." for winner, some in beaten.items()]
    out += [_not_told(d) for d in pairs if not d.is_told]
    return tuple(out)


def _advantage(d: TrialDifference) -> tuple[str, str, str]:
    """Who does better, than whom, and by how much."""
    by_keepers = not d.is_told or _is_by_keepers(d)
    value = d.share_difference if by_keepers else d.median_difference_image_cyc_per_mm or 0.0
    low, high = (d.share_low95, d.share_high95) if by_keepers else (d.median_low95, d.median_high95)
    winner, loser = d.one, d.other
    if value < 0:
        winner, loser, value = loser, winner, -value
        low, high = (None if high is None else -high), (None if low is None else -low)
    scale, unit = (100, "points more keepers") if by_keepers else (1, "cycles/mm more in median")
    ends = (None if low is None else scale * low, None if high is None else scale * high)
    digits = words.telling_digits(*ends, 0 if by_keepers else 1)
    span = words.interval_words(*ends, digits)
    return winner, loser, f"{words.number(scale * value, digits)} {unit}, 95 % interval {span}"


def _not_told(d: TrialDifference) -> str:
    first, second, by = _advantage(d)
    said = f"{first} and {second} are not told apart ({by})."
    if d.more_frames is None:
        return f"{said} No number of frames tells so small a difference in keepers."
    if d.more_frames == 0:
        return f"{said} As many frames tell such a difference four times in five: repeat it."
    return f"{said} {frames_words(d.more_frames, 'more ')} of each would, four times in five."


def _is_by_keepers(d: TrialDifference) -> bool:
    """True where keepers tell a pair apart at least as surely as medians do."""
    return d.share_p_corrected <= d.median_p_corrected
