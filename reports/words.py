"""How are the figures of a session said in words?

One place for the formats of stops, magnifications and intervals, for the
plain sentence behind each flag, and for the advice a photographer reads first:
which stop, how sure, what one stop further costs. Everything is read from the
records; the only arithmetic is a percentage between two of their values and
its propagated standard uncertainty. Plain text throughout: the page escapes.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from itertools import pairwise

from lab.inference.results import SeriesResult, StopPoint

__all__ = [
    "FLAG_SENTENCES",
    "capital",
    "cost_words",
    "decimals",
    "deepest_stop_words",
    "deepest_words",
    "end_words",
    "estimated_stop",
    "flag_sentence",
    "flag_words",
    "has_mtf50",
    "interval_words",
    "is_bracketed",
    "is_deepest_beyond",
    "is_known",
    "magnification_words",
    "marked_stop",
    "marked_value",
    "measured_magnification_words",
    "mtf50_words",
    "number",
    "optimum_words",
    "plus_minus",
    "recommended_point",
    "stop_span",
    "stop_words",
    "telling_digits",
    "with_micro",
]

FLAG_SENTENCES = {
    "clipped": "More than 0.1 % of one colour is clipped: lower the exposure.",
    "deepest-beyond-range": "The narrowest stop measured is still sharp enough: the deepest sharp "
    "stop may lie beyond it.",
    "bracket-too-coarse": "Few frames lie near the peak: the step is too coarse for this stop, and "
    "the peak rests on its expected shape.",
    "demosaiced": "Colours were interpolated before measuring, which changes MTF50; read the "
    "figure as indicative.",
    "duplicate": "The same frame lies in the session more than once; it was counted once or not "
    "at all.",
    "few-frames": "Few frames were usable at this stop, so scatter between frames is poorly known.",
    "focus-fit-failed": "No focus curve could be fitted through these frames; the sharpest frame "
    "stands for the peak.",
    "focus-from-model": "The frames carry no focus positions; the peak is the one that the model "
    "of the lens finds between them.",
    "focus-order-unknown": "The frames carry no focus positions, so no curve could be fitted "
    "through them; the peak is taken from the frames as a set.",
    "frame-size-off": "The frame's size in pixels times the pixel pitch is not the stated sensor "
    "size: check both.",
    "grey": "The file holds one grey plane: the colour it was measured in is not known.",
    "little-headroom": "Less than a quarter of a stop is left to clipping.",
    "magnification-off": "The measured magnification is more than 10 % from the stated one: is it "
    "the right series, pixel pitch or chart?",
    "noisy": "Noise is high for the length of edge, so the interval is wide.",
    "noise-above-model": "More is left over than the noise explains; the interval was widened "
    "to match.",
    "not-raw": "A finished picture among raw frames: its figures do not compare with theirs.",
    "optimum-not-bracketed": "Sharpness still rises at the first or last stop measured: the true "
    "optimum may lie beyond it.",
    "peak-not-bracketed": "The sharpest frame is at an end of the focus bracket: true best focus "
    "may lie outside it, and the figure is a lower limit.",
    "overshoot": "The edge overshoots, which no lens does in diffuse light: the file was "
    "sharpened, or the light behind the target is too narrow. MTF50 is too high.",
    "ragged-edge": "The edge is not straight beyond noise: the target may be too rough.",
    "raw-companion": "A camera picture beside a raw file of the same name; it was left out.",
    "shape-disagrees": "The physical blur shape and the free one differ; the interval covers "
    "only one of them.",
    "shape-outside-model": "The blur has a shape that diffraction, focus, spherical aberration "
    "and a residual do not make; the free shape carries the figure.",
    "sharper-than-diffraction": "Sharper than diffraction allows: a wrong stop, magnification, "
    "pixel pitch or pupil ratio.",
    "specks-left-out": "Single pixels far off (dust, dead pixels) were left out.",
    "stop-disagreement": "The sources of the stop contradict each other; check which stop was set.",
    "target-limited": "The target's own edge takes more than 5 % of the contrast at MTF50: the "
    "figure rests on how well that edge is known. Use a target with a sharper edge.",
    "too-few-stops": "Fewer than two stops could be measured: no optimum can be named.",
    "tone-mapped": "The frame is a processed image, not raw data. Its tone curve and sharpening "
    "change MTF50; read the figure as indicative.",
    "underexposed": "The target's step is less than 50 times the noise: more light.",
    "uneven-light": "The light differs by more than half a stop from side to side, or by a stop to "
    "the corners.",
    "wide-blur": "The blur nearly fills the region: its outer parts were not seen.",
}
# A unit: after a figure or a dash of one, in a list of units, or alone.
_UM = re.compile(r"(?<=[\d.)] )um\b|^um\b")
_CHANGED = "changed-"  # then the setting's name


def is_known(value: float | None) -> bool:
    """True for a finite number."""
    return value is not None and math.isfinite(value)


def is_bracketed(series: SeriesResult) -> bool:
    """True when an optimum was found between the first and the last stop measured."""
    return is_known(series.optimum_stop) and "optimum-not-bracketed" not in series.flags


def is_deepest_beyond(series: SeriesResult) -> bool:
    """True when the narrowest stop measured is still sharp enough."""
    return "deepest-beyond-range" in series.flags


def capital(sentence: str) -> str:
    """The same with a capital first letter."""
    return sentence[:1].upper() + sentence[1:]


def has_mtf50(point: StopPoint) -> bool:
    """True when the stop holds an MTF50 that can be drawn and compared."""
    return is_known(point.mtf50_image_cyc_per_mm) and point.mtf50_image_cyc_per_mm > 0


def number(
    value: float | None, digits: int = 1, *, missing: str = "unknown", signed: bool = False
) -> str:
    """A number to fixed decimals, or ``missing`` for None, NaN and infinity.

    A signed one shows a plus as well as a minus; zero shows neither.
    """
    if value is None or not math.isfinite(value):
        return missing
    text = f"{value:{'+' if signed else ''}.{digits}f}"
    return text.lstrip("+-") if float(text) == 0 else text.replace("-", "\N{MINUS SIGN}")


def decimals(stds: Iterable[float | None]) -> int:
    """Decimals that show every standard uncertainty to a figure, 1 to 4."""
    known = [std for std in stds if std is not None and math.isfinite(std) and std > 0]
    return min(max(1, -math.floor(math.log10(min(known)))), 4) if known else 1


def plus_minus(
    value: float | None,
    std: float | None,
    digits: int,
    *,
    missing: str = "unknown",
    signed: bool = False,
) -> str:
    """``value ± std``, a line break only before the ±; the value as in `number`."""
    shown = number(value, digits, missing=missing, signed=signed)
    if not is_known(value):
        return shown
    doubt = f"±\xa0{number(std, digits)}" if is_known(std) else "(uncertainty unknown)"
    return f"{shown} {doubt}"


def interval_words(low95: float | None, high95: float | None, digits: int) -> str:
    """``low to high``, or that an end is unknown."""
    if not (is_known(low95) or is_known(high95)):
        return "unknown"
    return f"{number(low95, digits)} to {number(high95, digits)}"


def telling_digits(low95: float | None, high95: float | None, digits: int) -> int:
    """Decimals, one more where both ends of an interval would read the same."""
    alike = number(low95, digits) == number(high95, digits)
    return digits + 1 if alike and low95 != high95 else digits


def marked_stop(stop: float) -> str:
    """A stop as engraved: f/8, f/5.6."""
    return f"f/{stop:g}"


def estimated_stop(
    stop: float | None, digits: int | None = None, *, missing: str = "not bracketed"
) -> str:
    """A stop that was estimated between the marks, as rings write theirs: f/6.1, f/8, f/11.

    One decimal below f/10 and none from there on; no zero at the end. So every estimated
    stop is written, here and in the terminal, but for fixed ``digits`` where differences
    are read.
    """
    if stop is None or not is_known(stop):
        return missing
    if digits is not None:
        return f"f/{number(stop, digits)}"
    return f"f/{round(stop, 1 if round(stop, 1) < 10 else 0):g}"


def marked_value(series: SeriesResult, stop: float | None) -> float | None:
    """The engraved number of a stop of the series, given by that or by its exact value.

    None for a stop between the marks.
    """
    for point in series.points:
        for own in (point.marked_stop, point.exact_stop):
            if stop is not None and math.isclose(own, stop, rel_tol=1e-6):
                return point.marked_stop
    return None


def stop_words(series: SeriesResult, stop: float | None) -> str:
    """A stop as engraved when it is one of the series, else as an estimate."""
    mark = marked_value(series, stop)
    return estimated_stop(stop) if mark is None else marked_stop(mark)


def with_micro(sentence: str) -> str:
    """A sentence with micrometres as pages write them, not as a terminal does."""
    return _UM.sub("\N{MICRO SIGN}m", sentence)


def magnification_words(magnification: float) -> str:
    """A magnification with its sign: 2x, 2.5x, set with a multiplication sign."""
    return f"{magnification:g}\N{MULTIPLICATION SIGN}"


def measured_magnification_words(series: SeriesResult) -> str:
    """The measured magnification with its uncertainty, or that it is not known."""
    value, std = series.measured_magnification, series.measured_magnification_std
    if not is_known(value):
        return "magnification as stated, not measured"
    digits = max(2, decimals([std]))
    if std is not None:
        std = max(std, 10.0**-digits)  # no figure is exact
    return f"magnification measured as {plus_minus(value, std, digits)}"


def flag_words(flag: str) -> str:
    """A flag to read: hyphens out of the ones we know, others as they are."""
    return flag.replace("-", " ") if flag_sentence(flag) else flag


def flag_sentence(flag: str) -> str | None:
    """What a flag means in plain words, or None for a flag without a sentence."""
    if flag.startswith(_CHANGED):
        setting = flag.removeprefix(_CHANGED).replace("-", " ")
        return (
            f"This setting differs from most of the frames: {setting}. The frame was measured; "
            "check that it belongs."
        )
    return FLAG_SENTENCES.get(flag)


def recommended_point(series: SeriesResult) -> StopPoint | None:
    """The measured stop nearest to the optimum (in stops), else the sharpest one."""
    points = [p for p in series.points if has_mtf50(p)]
    if not points:
        return None
    optimum = series.optimum_stop
    if optimum is None or not math.isfinite(optimum):
        return max(points, key=lambda p: p.mtf50_image_cyc_per_mm)
    return min(points, key=lambda p: abs(math.log2(p.exact_stop / optimum)))


def mtf50_words(point: StopPoint) -> str:
    """The MTF50 of a stop with its interval, to the digits of its uncertainty."""
    digits = decimals([point.mtf50_std])
    return (
        f"{number(point.mtf50_image_cyc_per_mm, digits)} cycles/mm (95 % interval "
        f"{interval_words(point.mtf50_low95, point.mtf50_high95, digits)})"
    )


def stop_span(low95: float | None, high95: float | None, digits: int | None = None) -> str:
    """``f/5.4 to f/6.9``: a 95 % interval of a stop."""
    if not (is_known(low95) or is_known(high95)):
        return "unknown"
    return (
        f"{estimated_stop(low95, digits, missing='no lower end found')} to "
        f"{estimated_stop(high95, digits, missing='no upper end found')}"
    )


def end_words(series: SeriesResult) -> str:
    """``sharpest measured stop f/4``: what is known where no optimum is bracketed.

    Raises
    ------
    ValueError
        If no stop holds an MTF50.
    """
    best = recommended_point(series)
    if best is None:
        raise ValueError("no stop of the series was measured")
    return f"sharpest measured stop {marked_stop(best.marked_stop)}"


def optimum_words(series: SeriesResult) -> str:
    """The optimum and its interval, or that the stops measured do not enclose it."""
    if recommended_point(series) is None:
        return "Unknown: no stop was measured."
    if not is_bracketed(series):
        return f"{capital(end_words(series))}; the optimum may lie beyond the stops measured."
    span = stop_span(series.optimum_low95, series.optimum_high95)
    return f"{estimated_stop(series.optimum_stop)}, 95 % interval {span}."


def deepest_stop_words(series: SeriesResult) -> str:
    """``f/9.3 (95 % interval f/8.1 to f/10.5)``, ``at least f/16``, or ``unknown``."""
    if not is_known(series.deepest_sharp_stop):
        return "unknown"
    stop = stop_words(series, series.deepest_sharp_stop)
    low95, high95 = series.deepest_low95, series.deepest_high95
    if not is_deepest_beyond(series):
        return f"{stop} (95 % interval {stop_span(low95, high95)})"
    # The narrowest stop measured cuts the interval off: only its lower end says something.
    return f"at least {stop}" + (
        f" (95 % interval from {estimated_stop(low95)})" if is_known(low95) else ""
    )


def deepest_words(series: SeriesResult) -> str:
    """The deepest sharp stop and what it is good for."""
    if not is_known(series.deepest_sharp_stop):
        return "Unknown: no measured stop could be held against the optimum."
    stop = deepest_stop_words(series)
    within = f"within {series.loss_percent:g} % of the peak"
    if is_deepest_beyond(series):
        return f"{capital(stop)}: the narrowest stop measured is still {within}."
    return f"{stop}, the last {within}: the limit when depth matters more."


def cost_words(series: SeriesResult) -> str:
    """What closing the recommended stop by one more stop costs, in percent.

    From two measured stops where the series holds both, their uncertainties
    taken as independent; otherwise read off the smooth curve.
    """
    best = recommended_point(series)
    if best is None:
        return "Unknown: no stop was measured."
    further = best.exact_stop * math.sqrt(2)
    # A measured stop within a sixth of a stop stands for "one stop further".
    near = [
        p
        for p in series.points
        if abs(2 * math.log2(p.exact_stop / further)) < 1 / 6 and has_mtf50(p)
    ]
    if near:
        point = near[0]
        ratio = point.mtf50_image_cyc_per_mm / best.mtf50_image_cyc_per_mm
        relative = math.hypot(
            point.mtf50_std / point.mtf50_image_cyc_per_mm,
            best.mtf50_std / best.mtf50_image_cyc_per_mm,
        )
        return _cost_sentence(
            marked_stop(point.marked_stop), 100 * (1 - ratio), 196 * ratio * relative
        )
    here, there = _on_curve(series, best.exact_stop), _on_curve(series, further)
    if here is None or there is None:
        return f"Unknown: no stop near {estimated_stop(further)} was measured."
    return _cost_sentence(estimated_stop(further), 100 * (1 - there / here), None)


def _cost_sentence(stop: str, loss_percent: float, half95: float | None) -> str:
    verb = "costs" if loss_percent >= 0 else "gains"
    size = number(abs(loss_percent), 0)
    if half95 is None:
        return f"{stop} {verb} {size} % of MTF50, read off the curve."
    if not math.isfinite(half95):
        return f"{stop} {verb} {size} % of MTF50, uncertainty unknown."
    spread = number(half95, 0 if half95 >= 1 else 1)
    doubt = " That is within the uncertainty." if abs(loss_percent) < half95 else ""
    return f"{stop} {verb} {size} % of MTF50 (± {spread} at 95 %).{doubt}"


def _on_curve(series: SeriesResult, stop: float) -> float | None:
    """The smooth curve at a stop, linear in log2 between its samples; None outside."""
    samples = zip(series.curve_stop, series.curve_mtf50_image_cyc_per_mm, strict=True)
    for (stop0, mtf50_0), (stop1, mtf50_1) in pairwise(samples):
        if stop0 <= stop <= stop1:
            share = math.log2(stop / stop0) / math.log2(stop1 / stop0)
            return mtf50_0 + share * (mtf50_1 - mtf50_0)
    return None
