"""Do rules of thumb about apertures hold for this lens, this pixel pitch, this size?

A rule names a limit: a stop not to be passed. The measured curve names the deepest
stop still sharp: the last that loses no more than a permitted share of the optimum's
MTF50. A rule *holds* where the two lie within a tolerance, is *too cautious* where one
may stop further down than it says (what it gives away is depth), and *too bold* where
its limit lies deeper than is still sharp (what it costs is sharpness). Each verdict has
its probability from curves drawn within their uncertainty.

Rules are written ``2x: f/8`` (at that magnification), ``4x+: f/4`` (from there on),
``effective f/22`` (at the sensor, any magnification) and ``infinity f/11`` (divided by
1 + magnification).

Works on plain arrays, from a fitted lens or an interpolated curve alike. Leaves out:
the uncertainty of the effective f-number, which only "effective" rules lean on.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.errors import LabError
from lab.inference.drawn_stops import FORM_STD_STOPS, drawn_curves, last_sharp
from lab.inference.lens_model import EDGE_TILT_DEG, log2_stop
from lab.optics.geometry import effective_f_number
from lab.optics.system import DEFAULT_WAVELENGTH_UM, channel_band, diffraction_mtf50
from lab.session.stops import exact_stop

__all__ = [
    "DEFAULT_RULES",
    "PredictedRule",
    "Rule",
    "RuleVerdict",
    "Verdict",
    "judge_rules",
    "parse_rule",
    "rules_table_predicted",
]

Verdict = Literal["holds", "too cautious", "too bold", "cannot tell"]

# Common practice, no published source. The first three are one rule, an effective
# f-number of 20 to 24 on a symmetric lens; the last is the landscape photographer's on
# 36 x 24 mm.
DEFAULT_RULES = ("2x: f/8", "3x: f/5.6", "4x+: f/4", "infinity f/11")

_SAME_SIZE = 1.15  # a rule speaks of magnifications within this factor of its own
# A verdict is named where it is wrong in no more than one of ten such curves: the reader
# acts on it, but a wrong stop costs a frame, not a lens.
_SURE = 0.9
# Rules name whole stops, so that the nearest one lies up to half a stop from any limit.
_TOLERANCE_STOPS = 0.5
_END_STOPS = 1e-6  # rounding, at the first and last stop

_PATTERN = re.compile(
    r"(?:(?P<m>\d+(?:\.\d+)?)\s*x\s*(?P<on>\+?)\s*:|(?P<kind>effective|infinity))"
    r"\s*f\s*/\s*(?P<f>\d+(?:\.\d+)?)",
    re.IGNORECASE,
)


@dataclass(frozen=True, kw_only=True)
class Rule:
    """A limit for the stop.

    Attributes
    ----------
    kind : "magnification", "effective" or "infinity"
    f_number : float
        As written. [-], > 0
    magnification : float or None
        Of the first kind only. [-], > 0
    and_above : bool
        Whether it also speaks of all higher magnifications.
    """

    kind: Literal["magnification", "effective", "infinity"]
    f_number: float
    magnification: float | None = None
    and_above: bool = False

    @property
    def text(self) -> str:
        """The rule as ``parse_rule`` reads it."""
        if self.magnification is None:
            return f"{self.kind} f/{self.f_number:g}"
        return f"{self.magnification:g}x{'+' if self.and_above else ''}: f/{self.f_number:g}"

    def applies_to(self, magnification: float) -> bool:
        """Whether the rule speaks of a magnification."""
        if self.magnification is None:
            return True
        ratio = magnification / self.magnification
        return ratio >= 1 / _SAME_SIZE and (self.and_above or ratio <= _SAME_SIZE)

    def ring_limit(self, magnification: float) -> float | None:
        """Limit as an exact ring position; None where it is an effective f-number."""
        if self.kind == "effective":
            return None
        limit = exact_stop(self.f_number)
        return limit / (1 + magnification) if self.kind == "infinity" else limit


@dataclass(frozen=True, kw_only=True)
class RuleVerdict:
    """A rule put to the test at one magnification.

    Attributes
    ----------
    rule : str
    verdict : str
        "holds", "too cautious", "too bold" or "cannot tell".
    reason : str
        Why it cannot be told, or what bounds it; empty otherwise.
    probabilities : dict
        Of the three verdicts. What they lack to 1 lies beyond the stops measured.
    limit_stop, limit_effective_f_number : float
        The rule's limit, as a ring position and at the sensor.
    loss_percent, loss_low95, loss_high95 : float or None
        Of MTF50 at the limit against the optimum; None beyond the stops measured.
    deepest_stop, deepest_low95, deepest_high95 : float
        Deepest stop still sharp, as a ring position.
    apart_stops : float
        From the limit to the deepest stop; positive where the rule is the more cautious.
    depth_given_away : float or None
        Depth of field at the deepest stop over that at the limit, by the wave criterion
        (it grows as the square of the effective f-number; a fixed disc of blur as its
        first power). None where the rule gives none away.
    flags : tuple of str
        "deepest-beyond-range": the deepest stop lies beyond those measured, so that it,
        ``apart_stops`` and ``depth_given_away`` are least values.
        "optimum-not-bracketed": the sharpest stop is the first or last measured.
    """

    rule: str
    verdict: Verdict
    reason: str
    probabilities: dict[str, float]
    limit_stop: float
    limit_effective_f_number: float
    loss_percent: float | None
    loss_low95: float | None
    loss_high95: float | None
    deepest_stop: float
    deepest_low95: float
    deepest_high95: float
    apart_stops: float
    depth_given_away: float | None
    flags: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class PredictedRule:
    """What a rule's limit leaves of a perfect lens on a sensor.

    A perfect lens is sharpest wide open, so that no loss against its optimum can be
    named: ``mtf50_object_cyc_per_mm`` is what is left in the subject, lens and pixel
    together, and ``nyquist_percent`` its share of the finest pattern that the pixels
    hold, half a cycle a pixel.
    """

    rule: str
    magnification: float
    pixel_pitch_um: float
    limit_stop: float
    effective_f_number: float
    mtf50_image_cyc_per_mm: float
    mtf50_object_cyc_per_mm: float
    nyquist_percent: float


def parse_rule(text: str) -> Rule:
    """Read a rule of thumb.

    Parameters
    ----------
    text : str
        Like ``2x: f/8``, ``4x+: f/4``, ``effective f/22`` or ``infinity f/11``.

    Raises
    ------
    LabError
        If the text is no rule.

    Examples
    --------
    >>> parse_rule("4x+: f/4").text, parse_rule("Effective F/22").f_number
    ('4x+: f/4', 22.0)
    """
    found = _PATTERN.fullmatch(text.strip())
    if found is None:
        raise LabError(
            f"{text!r} is no rule. Write 2x: f/8, 4x+: f/4 (from there on), effective f/22 "
            "or infinity f/11."
        )
    f_number = float(found["f"])
    size = None if found["m"] is None else float(found["m"])
    if not f_number > 0 or size == 0:
        raise LabError(f"{text!r}: magnification and f-number must be above 0. Mend the rule.")
    if size is not None:
        return Rule(
            kind="magnification",
            f_number=f_number,
            magnification=size,
            and_above=found["on"] == "+",
        )
    if found["kind"].lower() == "effective":
        return Rule(kind="effective", f_number=f_number)
    return Rule(kind="infinity", f_number=f_number)


def judge_rules(
    rules: Sequence[Rule],
    *,
    magnification: float,
    stop: FloatArray,
    f_number: FloatArray,
    mtf50: FloatArray,
    covariance: FloatArray,
    loss_percent: float = 10.0,
    tolerance_stops: float = _TOLERANCE_STOPS,
    rng: np.random.Generator,
) -> tuple[RuleVerdict, ...]:
    """Put the rules that speak of a magnification to the test.

    Parameters
    ----------
    rules : sequence of Rule
    magnification : float
        Of the curve. [-], > 0
    stop : ndarray, (n,)
        Exact ring positions on a fine grid, even in stops, n >= 3.
    f_number : ndarray, (n,)
        Effective f-number of each.
    mtf50 : ndarray, (n,)
        Of each, in any unit. > 0
    covariance : ndarray, (n, n)
        Of the logarithm of MTF50.
    loss_percent : float
        Permitted loss of MTF50 against the optimum. [%], 0 < loss < 100
    tolerance_stops : float
        How far limit and deepest stop may lie apart where a rule holds. [stops], > 0
    rng : numpy.random.Generator
        For the drawn curves.

    Returns
    -------
    tuple of RuleVerdict
        In the order of the rules, without those that do not speak of it.

    Raises
    ------
    ValueError
        If an argument is outside its range, or the stops are no fine, even grid.
    """
    if not (magnification > 0 and 0 < loss_percent < 100 and tolerance_stops > 0):
        raise ValueError("need magnification > 0, 0 < loss_percent < 100 and tolerance_stops > 0")
    x = log2_stop(stop)
    if x.size < 3 or not (np.diff(x) > 0).all() or np.ptp(np.diff(x)) > 1e-6 * (x[-1] - x[0]):
        raise ValueError("stop must rise evenly in stops, on three places or more")
    height = np.log(mtf50)
    drawn = drawn_curves(height, covariance, rng)
    form = FORM_STD_STOPS * rng.standard_normal(len(drawn))
    deepest = last_sharp(x, drawn, loss_percent)
    # A curve still sharp at its last stop only says that the deepest lies beyond.
    is_beyond = deepest >= x[-1] - _END_STOPS
    deepest = np.where(is_beyond, x[-1], np.minimum(deepest + form, x[-1]))
    curve = _Curve(
        x=x,
        f_number=f_number,
        height=height,
        drawn=drawn,
        deepest=deepest,
        is_beyond=is_beyond,
        best_deepest=float(last_sharp(x, height[np.newaxis], loss_percent)[0]),
    )
    return tuple(
        _judged(rule, curve, magnification, tolerance_stops)
        for rule in rules
        if rule.applies_to(magnification)
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Curve:
    """A curve, its draws, and the deepest sharp stop of each. Places in stops from f/1."""

    x: FloatArray
    f_number: FloatArray
    height: FloatArray
    drawn: FloatArray
    deepest: FloatArray
    is_beyond: npt.NDArray[np.bool_]
    best_deepest: float

    def f_number_at(self, place: float) -> float:
        """Effective f-number; beyond the ends it follows the ring."""
        inside = float(np.clip(place, self.x[0], self.x[-1]))
        found = float(np.exp(np.interp(inside, self.x, np.log(self.f_number))))
        return found * 2 ** ((place - inside) / 2)

    def place_of(self, f_number: float) -> float:
        """Inverse of ``f_number_at``."""
        logs = np.log(self.f_number)
        inside = float(np.clip(math.log(f_number), logs[0], logs[-1]))
        return float(np.interp(inside, logs, self.x)) + float(
            log2_stop(f_number) - log2_stop(math.exp(inside))
        )

    def loss_percent(self, heights: FloatArray, place: float) -> FloatArray:
        """Loss at a place against each row's top, (k,)."""
        k = int(np.clip(np.searchsorted(self.x, place), 1, self.x.size - 1))
        share = (place - self.x[k - 1]) / (self.x[k] - self.x[k - 1])
        here = heights[:, k - 1] + share * (heights[:, k] - heights[:, k - 1])
        return np.asarray(-100 * np.expm1(np.minimum(here - heights.max(axis=1), 0)))


def _judged(rule: Rule, curve: _Curve, magnification: float, tolerance: float) -> RuleVerdict:
    ring = rule.ring_limit(magnification)
    limit = curve.place_of(rule.f_number) if ring is None else float(log2_stop(ring))
    first, last = float(curve.x[0]), float(curve.x[-1])
    apart = curve.deepest - limit
    # What lies beyond the last stop decides where even the last stop decides.
    open_draws = curve.is_beyond & (apart <= tolerance)
    share = {
        "holds": float(np.mean(~open_draws & (np.abs(apart) <= tolerance))),
        "too cautious": float(np.mean(apart > tolerance)),
        "too bold": float(np.mean(~open_draws & (apart < -tolerance))),
    }
    verdict: Verdict = "cannot tell"
    for name in ("holds", "too cautious", "too bold"):
        if share[name] >= _SURE:
            verdict = name
    is_measured = first - _END_STOPS <= limit <= last + _END_STOPS
    low, high = np.quantile(curve.deepest, [0.025, 0.975])
    flags = []
    if curve.best_deepest >= last - _END_STOPS:
        flags.append("deepest-beyond-range")
    if int(curve.height.argmax()) in (0, curve.x.size - 1):
        flags.append("optimum-not-bracketed")
    loss: list[float | None] = [None, None, None]
    if is_measured:
        drawn = curve.loss_percent(curve.drawn, limit)
        at_limit = curve.loss_percent(curve.height[np.newaxis], limit)
        loss = [float(v) for v in (at_limit[0], *np.quantile(drawn, [0.025, 0.975]))]
    limit_f_number = curve.f_number_at(limit)
    gained = (curve.f_number_at(curve.best_deepest) / limit_f_number) ** 2
    return RuleVerdict(
        rule=rule.text,
        verdict=verdict,
        reason=_reason(
            verdict,
            is_measured=is_measured,
            open_share=float(np.mean(open_draws)),
            is_wider=bool(limit < first),
            is_vague=bool(high - low > tolerance),
        ),
        probabilities=share,
        limit_stop=2 ** (limit / 2),
        limit_effective_f_number=limit_f_number,
        loss_percent=loss[0],
        loss_low95=loss[1],
        loss_high95=loss[2],
        deepest_stop=2 ** (curve.best_deepest / 2),
        deepest_low95=float(2 ** (low / 2)),
        deepest_high95=float(2 ** (high / 2)),
        apart_stops=curve.best_deepest - limit,
        depth_given_away=gained if gained > 1 else None,
        flags=tuple(flags),
    )


def _reason(
    verdict: Verdict, *, is_measured: bool, open_share: float, is_wider: bool, is_vague: bool
) -> str:
    """Why a verdict cannot be told, or that it was bounded from one side."""
    side = "wider than the first" if is_wider else "beyond the last"
    if verdict != "cannot tell":
        return "" if is_measured else f"the limit lies {side} stop measured; those measured decide"
    if open_share > 1 - _SURE:
        if not is_measured:
            return f"the limit lies {side} stop measured, and the lens is still sharp there"
        return "the lens is still sharp at the last stop measured"
    if is_vague:
        return "the deepest sharp stop is not known well enough"
    return "half a stop from the deepest sharp stop, the limit is neither clearly near nor far"


def rules_table_predicted(
    rules: Sequence[Rule],
    *,
    pixel_pitches_um: Sequence[float] = (3.0, 3.8, 4.35, 6.0),
    magnifications: Sequence[float] = (1.0, 2.0, 3.0, 4.0, 5.0),
    pupil_ratio: float = 1.0,
    wavelength_um: float = DEFAULT_WAVELENGTH_UM["green"],
) -> tuple[PredictedRule, ...]:
    """What each rule's limit leaves of a perfect lens.

    Parameters
    ----------
    rules : sequence of Rule
    pixel_pitches_um, magnifications : sequence of float
        > 0; each rule at those magnifications that it speaks of.
    pupil_ratio, wavelength_um : float
        > 0

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    band = channel_band(wavelength_um)
    out = []
    for rule in rules:
        for m in (m for m in magnifications if rule.applies_to(m)):
            per_marked = float(effective_f_number(1.0, m, pupil_ratio))
            ring = rule.ring_limit(m)
            effective = rule.f_number if ring is None else ring * per_marked
            for pitch_um in pixel_pitches_um:
                mtf50 = diffraction_mtf50(
                    wavelength_um=band,
                    f_number=effective,
                    pixel_pitch_um=pitch_um,
                    edge_angle_deg=EDGE_TILT_DEG,
                )
                out.append(
                    PredictedRule(
                        rule=rule.text,
                        magnification=m,
                        pixel_pitch_um=pitch_um,
                        limit_stop=effective / per_marked,
                        effective_f_number=effective,
                        mtf50_image_cyc_per_mm=mtf50,
                        mtf50_object_cyc_per_mm=mtf50 * m,
                        nyquist_percent=100 * mtf50 * 2 * pitch_um * 1e-3,
                    )
                )
    return tuple(out)
