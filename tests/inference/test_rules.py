"""Rules of thumb put to the test: closed forms, calibrated verdicts, ends, bad input.

Closed form. On a curve whose log MTF50 falls in a straight line from its optimum, the
deepest sharp stop and the loss at any limit follow from the slope alone.
"""

from __future__ import annotations

import json
from dataclasses import asdict

import numpy as np
import pytest

from lab.errors import LabError
from lab.inference.drawn_stops import FORM_STD_STOPS
from lab.inference.lens_model import log2_stop
from lab.inference.rules import (
    DEFAULT_RULES,
    RuleVerdict,
    judge_rules,
    parse_rule,
    rules_table_predicted,
)
from lab.optics.system import channel_band, diffraction_mtf50

TOP = float(log2_stop(5.0))  # place of the optimum, stops from f/1
RISE, FALL = 0.3, 0.2  # of log MTF50 a stop, before and after it
SIZE, PUPIL = 2.0, 0.9


def judged(
    *rules: str,
    std: float = 1e-4,
    shared_std: float = 0.0,
    span: tuple[float, float] = (2.8284, 16.0),
    magnification: float = SIZE,
    loss_percent: float = 10.0,
    tolerance_stops: float = 0.5,
    seed: int = 3,
) -> tuple[RuleVerdict, ...]:
    """Verdicts on a roof: two straight lines that meet at f/5.

    The slope after the optimum is uncertain by ``std``, the whole curve by ``shared_std``.
    """
    x = np.linspace(*log2_stop(list(span)), 241)
    stop = 2 ** (x / 2)
    after = np.maximum(x - TOP, 0)
    return judge_rules(
        [parse_rule(rule) for rule in rules],
        magnification=magnification,
        stop=stop,
        f_number=stop * (1 + magnification / PUPIL),
        mtf50=90 * np.exp(-RISE * np.maximum(TOP - x, 0) - FALL * np.maximum(x - TOP, 0)),
        covariance=std**2 * np.outer(after, after) + shared_std**2,
        loss_percent=loss_percent,
        tolerance_stops=tolerance_stops,
        rng=np.random.default_rng(seed),
    )


DEEPEST = TOP + -np.log(0.9) / FALL  # 10 % loss


# Exact


def test_loss_deepest_stop_and_depth_follow_from_the_slope() -> None:
    (bold,) = judged("2x: f/11")
    limit = float(log2_stop(11.3137085))
    assert bold.rule == "2x: f/11"
    assert bold.verdict == "too bold" and bold.reason == ""
    assert bold.limit_stop == pytest.approx(11.3137085)
    assert bold.limit_effective_f_number == pytest.approx(11.3137085 * (1 + SIZE / PUPIL))
    assert bold.loss_percent == pytest.approx(100 * (1 - np.exp(-FALL * (limit - TOP))), rel=1e-3)
    assert bold.apart_stops == pytest.approx(DEEPEST - limit, abs=2e-3)
    assert log2_stop(bold.deepest_stop) == pytest.approx(DEEPEST, abs=2e-3)
    assert bold.depth_given_away is None
    assert bold.flags == ()


def test_a_rule_is_cautious_bold_or_holds_by_its_distance() -> None:
    # The deepest sharp stop lies at f/6: f/5.6 is near, f/4 and f/8 are not.
    assert pytest.approx(6.0, abs=0.01) == 2 ** (DEEPEST / 2)
    near, wide, small = judged("2x: f/5.6", "2x: f/4", "2x: f/8")
    assert (near.verdict, wide.verdict, small.verdict) == ("holds", "too cautious", "too bold")
    assert wide.depth_given_away == pytest.approx((wide.deepest_stop / wide.limit_stop) ** 2)
    assert wide.depth_given_away == pytest.approx(2 ** (DEEPEST - 4.0), rel=2e-3)
    # A limit wider than the optimum also costs sharpness.
    assert wide.loss_percent == pytest.approx(100 * (1 - np.exp(-RISE * (TOP - 4.0))), rel=3e-3)


def test_tolerance_and_permitted_loss_move_the_verdict() -> None:
    assert judged("2x: f/5.6", tolerance_stops=0.05)[0].verdict == "too cautious"
    assert judged("2x: f/8", loss_percent=40.0)[0].verdict == "too cautious"
    (within,) = judged("2x: f/8", loss_percent=17.5)
    assert within.verdict == "holds"
    assert within.probabilities["holds"] > 0.95


def test_effective_and_infinity_rules_at_any_size() -> None:
    effective, infinity = judged("effective f/22", "infinity f/11", magnification=1.4)
    assert effective.limit_stop == pytest.approx(22 / (1 + 1.4 / PUPIL), rel=1e-6)
    assert effective.limit_effective_f_number == pytest.approx(22, rel=1e-6)
    assert infinity.limit_stop == pytest.approx(11.3137085 / 2.4)


def test_effective_limit_beyond_the_stops_follows_the_ring() -> None:
    wide, deep = judged("effective f/5", "effective f/90")
    assert wide.limit_stop == pytest.approx(5 / (1 + SIZE / PUPIL), rel=1e-6)
    assert deep.limit_stop == pytest.approx(90 / (1 + SIZE / PUPIL), rel=1e-6)
    assert (wide.verdict, deep.verdict) == ("too cautious", "too bold")


@pytest.mark.parametrize(
    ("rule", "size", "applies"),
    [
        ("2x: f/8", 1.75, True),
        ("2x: f/8", 1.7, False),
        ("2x: f/8", 2.29, True),
        ("2x: f/8", 2.31, False),
        ("4x+: f/4", 3.4, False),
        ("4x+: f/4", 3.5, True),
        ("4x+: f/4", 7.0, True),
        ("effective f/22", 0.3, True),
        ("infinity f/11", 5.0, True),
    ],
)
def test_which_sizes_a_rule_speaks_of(rule: str, size: float, applies: bool) -> None:
    assert parse_rule(rule).applies_to(size) is applies
    assert len(judged(rule, magnification=size)) == applies


# The ends of what was measured


def test_still_sharp_at_the_last_stop() -> None:
    near, wide, beyond = judged("2x: f/5.6", "2x: f/2.8", "2x: f/8", span=(2.8284, 5.6569))
    # Whether it holds or is too cautious hangs on stops that were not measured.
    assert near.verdict == "cannot tell"
    assert near.reason == "the lens is still sharp at the last stop measured"
    assert sum(near.probabilities.values()) == pytest.approx(0.0)
    assert near.flags == ("deepest-beyond-range",)
    # Bounded from one side: deeper than f/5.6 is more than enough.
    assert wide.verdict == "too cautious" and wide.reason == ""
    assert wide.depth_given_away == pytest.approx(4.0, rel=1e-3)  # at least: two stops
    assert beyond.verdict == "cannot tell" and beyond.loss_percent is None
    assert beyond.reason == (
        "the limit lies beyond the last stop measured, and the lens is still sharp there"
    )


def test_a_limit_beyond_the_stops_may_still_be_decided() -> None:
    (bold,) = judged("2x: f/22")
    assert bold.verdict == "too bold"
    assert bold.reason == "the limit lies beyond the last stop measured; those measured decide"
    assert (bold.loss_percent, bold.loss_low95) == (None, None)
    (cautious,) = judged("2x: f/2", span=(4.0, 16.0))
    assert cautious.verdict == "too cautious"
    assert (
        cautious.reason
        == "the limit lies wider than the first stop measured; those measured decide"
    )


def test_an_optimum_at_the_end_is_flagged() -> None:
    (found,) = judged("2x: f/8", span=(5.6569, 16.0))
    assert found.flags == ("optimum-not-bracketed",)


def test_a_vague_curve_cannot_tell() -> None:
    (found,) = judged("2x: f/8", std=0.1)
    assert found.verdict == "cannot tell"
    assert found.reason == "the deepest sharp stop is not known well enough"
    assert max(found.probabilities.values()) < 0.9
    assert found.deepest_low95 < 6.0 < found.deepest_high95
    assert found.loss_low95 is not None and found.loss_high95 is not None
    assert found.loss_high95 - found.loss_low95 > 15


def test_a_common_error_of_all_stops_costs_no_certainty() -> None:
    (found,) = judged("2x: f/8", shared_std=0.3)
    assert found.verdict == "too bold"
    assert found.loss_high95 == pytest.approx(found.loss_low95, abs=0.1)


# Recovery


@pytest.mark.parametrize(("rule", "tolerance_stops"), [("2x: f/7.1", 0.5), ("2x: f/5.6", 0.2)])
def test_probabilities_are_the_share_of_true_curves(rule: str, tolerance_stops: float) -> None:
    """Curves that the uncertainty allows, their verdicts by the closed form."""
    (found,) = judged(rule, std=0.03, tolerance_stops=tolerance_stops)
    noise = np.random.default_rng(8)
    slope = FALL + 0.03 * noise.standard_normal(20_000)
    form = FORM_STD_STOPS * noise.standard_normal(slope.size)
    apart = TOP - np.log(0.9) / slope + form - float(log2_stop(found.limit_stop))
    shares = {
        "holds": np.mean(np.abs(apart) <= tolerance_stops),
        "too cautious": np.mean(apart > tolerance_stops),
        "too bold": np.mean(apart < -tolerance_stops),
    }
    assert 0.2 < max(shares.values()) < 0.8
    # 4000 draws: 0.008 at worst, three times, and the grid.
    assert found.probabilities == pytest.approx(shares, abs=0.03)


# Text


@pytest.mark.parametrize(
    ("text", "canonical"),
    [
        ("2x: f/8", "2x: f/8"),
        (" 2.5X :F/ 5.6 ", "2.5x: f/5.6"),
        ("4x+: f/4", "4x+: f/4"),
        ("4 x + : f/4.0", "4x+: f/4"),
        ("Effective f/22", "effective f/22"),
        ("INFINITY f/11", "infinity f/11"),
    ],
)
def test_rules_read_and_write(text: str, canonical: str) -> None:
    rule = parse_rule(text)
    assert rule.text == canonical
    assert parse_rule(rule.text) == rule


@pytest.mark.parametrize(
    "text",
    ["", "f/8", "2x f/8", "2x: 8", "2: f/8", "landscape f/11", "effective+ f/22", "2x: f/8 or so"],
)
def test_what_is_no_rule_is_refused_with_the_mend(text: str) -> None:
    with pytest.raises(LabError, match=r"is no rule\. Write 2x: f/8"):
        parse_rule(text)


@pytest.mark.parametrize("text", ["0x: f/8", "2x: f/0", "effective f/0.0"])
def test_zero_is_refused(text: str) -> None:
    with pytest.raises(LabError, match="must be above 0"):
        parse_rule(text)


def test_default_rules_are_one_rule_and_a_landscape() -> None:
    # Common practice: an effective f-number of 20 to 24 on a symmetric lens.
    at = [(rule, m) for rule, m in zip(DEFAULT_RULES, (2.0, 3.0, 4.0), strict=False)]
    for rule, m in at:
        (row,) = rules_table_predicted([parse_rule(rule)], magnifications=[m], pixel_pitches_um=[4])
        assert 20 <= row.effective_f_number <= 24
    assert DEFAULT_RULES[3] == "infinity f/11"


def test_verdicts_go_into_json() -> None:
    (found,) = judged("2x: f/8")
    document = json.loads(json.dumps(asdict(found), allow_nan=False))
    assert document["verdict"] == "too bold"
    assert {"rule", "loss_percent", "probabilities", "limit_stop", "depth_given_away"} <= set(
        document
    )


# Predicted


def test_predicted_table_of_a_perfect_lens() -> None:
    rows = rules_table_predicted([parse_rule(text) for text in DEFAULT_RULES])
    # 1, 1 and 2 magnifications of five, and all five, on four sensors.
    assert len(rows) == (1 + 1 + 2 + 5) * 4
    (row,) = (r for r in rows if (r.rule, r.pixel_pitch_um) == ("3x: f/5.6", 4.35))
    assert row.effective_f_number == pytest.approx(22.627417)
    assert row.limit_stop == pytest.approx(5.656854)
    alone = diffraction_mtf50(wavelength_um=channel_band(0.53), f_number=22.627417)
    assert 0.9 * alone < row.mtf50_image_cyc_per_mm < alone  # the pixel takes a little
    assert row.mtf50_object_cyc_per_mm == pytest.approx(3 * row.mtf50_image_cyc_per_mm)
    assert row.nyquist_percent == pytest.approx(row.mtf50_image_cyc_per_mm / (500 / 4.35) * 100)
    # The landscape rule keeps f/11 at the sensor of a symmetric lens whatever the size.
    assert {round(r.effective_f_number, 4) for r in rows if "infinity" in r.rule} == {11.3137}


def test_predicted_table_knows_the_pupil_ratio() -> None:
    rule = [parse_rule("effective f/22"), parse_rule("2x: f/8")]
    rows = rules_table_predicted(
        rule, magnifications=[2.0], pixel_pitches_um=[3.8], pupil_ratio=1.6, wavelength_um=0.6
    )
    assert rows[0].limit_stop == pytest.approx(22 / 2.25)
    assert rows[1].effective_f_number == pytest.approx(18.0)


# Bad input


def test_wrong_arguments_are_refused() -> None:
    for wrong in ({"loss_percent": 0.0}, {"tolerance_stops": 0.0}, {"magnification": -1.0}):
        with pytest.raises(ValueError, match="need magnification"):
            judged("effective f/22", **wrong)  # type: ignore[arg-type]
    stop = np.array([4.0, 5.0, 5.6, 8.0])
    with pytest.raises(ValueError, match="evenly"):
        judge_rules(
            [],
            magnification=2.0,
            stop=stop,
            f_number=stop * 3,
            mtf50=np.full(4, 50.0),
            covariance=np.eye(4),
            rng=np.random.default_rng(1),
        )
