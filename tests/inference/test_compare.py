"""Sessions set beside each other: figures, intervals, verdicts, warnings."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from lab.errors import LabError
from lab.inference.compare import compare_sessions
from lab.inference.compare_curves import FORM_STD
from lab.inference.compare_input import KeptSession, kept_session
from lab.inference.compare_notes import letter_of
from tests.inference.compared import BY_BLUR, LIGHT_STD, config, kept, session


def quick(**of: object) -> KeptSession:
    """A session without a model of its lens: nothing to work out over a depth."""
    return kept(session(model=False, **of))


# Exact


def test_letters_go_on_past_z() -> None:
    assert [letter_of(k) for k in (0, 25, 26, 27, 701, 702)] == ["A", "Z", "AA", "AB", "ZZ", "AAA"]


def test_a_difference_has_the_interval_of_independent_errors() -> None:
    one, other = quick(std=0.003), quick(lens="Other", scale=0.95, std=0.004)
    (size,) = compare_sessions([one, other]).magnifications
    (pair,) = size.optimum.pairs
    assert pair.percent == pytest.approx(100 * (1 / 0.95 - 1), rel=1e-6)
    low, high = (math.log1p(end / 100) for end in (pair.low95, pair.high95))
    # Two errors of 0.3 % and 0.4 % make 0.5 %; both lenses' form comes to it.
    std = math.hypot(0.005, math.sqrt(2) * FORM_STD)
    assert (high - low) / (2 * 1.959964) == pytest.approx(std, rel=1e-3)
    assert pair.told_apart


def test_the_order_of_sessions_turns_the_difference_about() -> None:
    one, other = quick(), quick(lens="Other", scale=0.9)
    ((there,), (back,)) = (
        compare_sessions(order).magnifications[0].optimum.pairs
        for order in ([one, other], [other, one])
    )
    assert (1 + there.percent / 100) * (1 + back.percent / 100) == pytest.approx(1)
    assert there.p == pytest.approx(back.p)


def test_verdicts_count_all_pairs_of_a_question() -> None:
    # Apart by 2.3 standard deviations: alone told apart, among ten pairs no more.
    std = math.sqrt(2) * math.hypot(0.003, FORM_STD)
    one, other = quick(std=0.003), quick(lens="Other", scale=math.exp(-2.3 * std), std=0.003)
    alone = compare_sessions([one, other]).magnifications[0].optimum.pairs[0]
    assert alone.told_apart and alone.p_corrected == alone.p < 0.05
    more = [quick(lens=f"Third {k}", scale=0.995, std=0.003) for k in range(3)]
    among = compare_sessions([one, other, *more]).magnifications[0].optimum.pairs[0]
    assert among.p == pytest.approx(alone.p)
    assert among.p_corrected > 0.05 and not among.told_apart


def test_places_are_shared_where_nothing_is_told_apart() -> None:
    several = [quick(lens=str(k), scale=s) for k, s in enumerate((0.85, 1.0, 1.001, 0.92))]
    (size,) = compare_sessions(several).magnifications
    assert [(one.session, one.place) for one in size.optimum.places] == [
        (2, 1),
        (1, 1),
        (3, 3),
        (0, 4),
    ]


def test_at_one_effective_stop_only_within_what_all_measured() -> None:
    wide, narrow = quick(), quick(lens="Other", stops=(5.6, 8.0, 11.0))
    (size,) = compare_sessions([wide, narrow]).magnifications
    assert size.shared_low == pytest.approx(max(c.effective_f_number[0] for c in size.curves))
    assert size.shared_high == pytest.approx(min(c.effective_f_number[-1] for c in size.curves))
    stops = [one.effective_f_number for one in size.equal_stops]
    assert stops == pytest.approx([16 * math.sqrt(2), 32])
    assert size.curves[0].effective_f_number[0] < stops[0] / 2
    for question in size.equal_stops:
        assert question.pairs[0].percent == pytest.approx(0, abs=0.3)  # one lens, two splines


def test_no_stop_in_common_says_so() -> None:
    low, high = quick(stops=(2.8, 4.0)), quick(lens="Other", stops=(8.0, 11.0))
    (size,) = compare_sessions([low, high]).magnifications
    assert (size.shared_low, size.shared_high, size.equal_stops) == (None, None, ())


def test_magnifications_within_five_percent_are_one() -> None:
    one, other = quick(sizes=(1.0, 2.0, 3.0)), quick(lens="Other", sizes=(2.09, 3.2))
    found = compare_sessions([one, other])
    assert [size.measured_high for size in found.magnifications] == [2.09]
    assert found.unshared == ((1.0, 0), (3.0, 0), (3.2, 1))


def test_the_object_side_does_not_know_the_pitch() -> None:
    one, other = quick(), quick(lens="Other", pitch_um=2.0)
    (size,) = compare_sessions([one, other]).magnifications
    fine, coarse = size.optimum.values[1], size.optimum.values[0]
    assert fine.value > coarse.value  # less is lost to the pixel: the warning says so
    assert coarse.value == pytest.approx(2 * coarse.mtf50_image_cyc_per_mm)


def test_a_field_is_held_by_whoever_can_show_it() -> None:
    full = kept(session(sizes=(2.0,)))
    small = kept(session("Other", sizes=(1.0,)), config(sensor=(18.0, 12.0)))
    tiny = kept(session("Third", sizes=(4.0,)))
    found = compare_sessions([full, small, tiny], depth_um=120.0)
    assert not found.magnifications
    by_width = {round(one.field_width_mm or 0): one for one in found.fields}
    # 36 mm at 2x and 18 mm at 1x show the same 18 mm; at 4x only 9 mm are seen.
    assert set(by_width) == {18, 9}
    assert by_width[18].left_out == (2,)
    assert [v.crop_width for v in by_width[18].held.values] == pytest.approx([1, 1])
    assert [v.crop_width for v in by_width[9].held.values] == pytest.approx([0.5, 0.5, 1])
    assert all(one.depth_um == 120.0 for one in found.fields)


# Doubts that are shared, and those that are not


def test_the_targets_doubt_cancels_only_where_it_is_said_to_be_one() -> None:
    edge = "edge_blur_um = 1.2\nedge_blur_std_um = 0.3"
    one, other = (kept(session(name=n, model=False), config(edge=edge)) for n in "ab")

    def width(**how: bool) -> float:
        (pair,) = compare_sessions([one, other], **how).magnifications[0].optimum.pairs
        return pair.high95 - pair.low95

    bare = width(same_target=True)
    assert width() > bare
    # Another statement is another target, whatever is said.
    other = kept(session(name="b", model=False), config(edge=edge.replace("0.3", "0.31")))
    assert width(same_target=True) > 1.02 * bare


def test_the_tables_get_the_doubts_of_target_form_and_light() -> None:
    edge = "edge_blur_um = 1.2\nedge_blur_std_um = 0.03"
    pure, blurred = (kept(session(), one).sizes[0] for one in (config(), config(edge=edge)))
    # A blur of 1.23 rather than 1.2 um in the subject, at 2x: 0.2916 um2 more on the sensor.
    assert blurred.sharpest.figure.target == pytest.approx(-BY_BLUR * 0.2916)
    assert pure.sharpest.figure.target == 0
    # Form counts in full at the optimum, and the less the more diffraction decides.
    assert pure.sharpest.figure.own == pytest.approx(math.hypot(0.004, FORM_STD))
    at = pure.equal_stop.figure(math.log(20.0))
    assert at is not None
    assert at.own == pytest.approx(math.hypot(0.004, 0.2 * FORM_STD))
    assert at.std == pytest.approx(math.hypot(at.own, 0.8 * LIGHT_STD))


def test_the_interpolated_curve_gets_the_targets_doubt() -> None:
    edge = "edge_blur_um = 1.2\nedge_blur_std_um = 0.03"
    result = session(model=False)
    pure, blurred = (kept(result, one).sizes[0] for one in (config(), config(edge=edge)))
    (k,) = np.flatnonzero(np.isclose(np.exp(blurred.equal_stop.stop), 4.0, rtol=1e-6))
    (point,) = (p for p in result.series[0].points if p.marked_stop == 4)
    # By hand at 2x: the blur is 2.4 +- 0.06 um on the sensor.
    f, slope = np.array(point.frequency_image_cyc_per_mm), np.gradient(point.mtf, 2.0)
    here = point.mtf50_image_cyc_per_mm
    moved = 0.5 * (2 * math.pi * here) ** 2 * 2.43e-3 * 0.06e-3 / -np.interp(here, f, slope)
    found = blurred.equal_stop.target[k]
    assert found == pytest.approx(moved / here, rel=0.03)  # samples 2 cycles/mm apart
    assert not pure.equal_stop.target.any()


def test_the_lights_doubt_cancels_only_where_it_is_said_to_be_one() -> None:
    one, other = session(), session("Other", scale=0.97)
    moved = replace(other, body_name="Another body")

    def pairs(second: KeptSession, same_light: bool) -> list[tuple[float, float]]:
        found = compare_sessions([kept(one), second], same_light=same_light)
        several = [*found.magnifications[0].equal_stops, found.fields[0].held]
        return [
            (p.percent, math.log1p(p.high95 / 100) - math.log1p(p.percent / 100))
            for question in several
            for p in question.pairs
        ]

    apart, alike = pairs(kept(other), False), pairs(kept(other), True)
    for (percent, wide), (same, narrow) in zip(apart, alike, strict=True):
        assert same == pytest.approx(percent) and narrow < 0.8 * wide
    # By hand at one f-number: 0.4 % and a fifth of the form's doubt in each.
    own = math.sqrt(2) * math.hypot(0.004, 0.2 * FORM_STD)
    assert alike[0][1] == pytest.approx(1.959964 * own, rel=1e-5)
    assert apart[0][1] == pytest.approx(
        1.959964 * math.hypot(own, math.sqrt(2) * 0.8 * LIGHT_STD), rel=1e-5
    )
    assert pairs(kept(moved), True) == pairs(kept(moved), False)  # another body, another light


def test_one_light_compares_at_the_stated_wavelength() -> None:
    one, other = session(), session("Other")
    assert other.lens is not None
    (series,) = other.lens.series
    assert series.compare is not None
    tables = replace(series.compare, light=series.compare.light + 0.01)
    lens = replace(other.lens, series=(replace(series, compare=tables),))
    moved = replace(other, lens=lens)
    percents = [
        compare_sessions([kept(one), kept(moved)], same_light=same)
        .magnifications[0]
        .equal_stops[0]
        .pairs[0]
        .percent
        for same in (False, True)
    ]
    # Its fit took the wavelength 1 % longer, and MTF50 goes with its power of -0.8.
    assert percents == pytest.approx([0, 100 * math.expm1(-0.008)], abs=1e-9)


def test_the_loss_is_that_of_the_comparison() -> None:
    depths = [
        compare_sessions([kept(session()), kept(session("Other"))], loss_percent=loss)
        .magnifications[0]
        .depth_at_optimum
        for loss in (1.0, 10.0, 20.0)
    ]
    found = [one.values[0].value for one in depths if one is not None]
    # The invented depth is 10 um per root of a percent.
    assert found == pytest.approx([10, 10 * math.sqrt(10), 10 * math.sqrt(20)], rel=1e-6)


def test_a_depth_that_no_table_reaches_leaves_a_session_out() -> None:
    two = [kept(session()), kept(session("Other"))]
    assert compare_sessions(two, depth_um=2000).fields
    assert not compare_sessions(two, depth_um=2500).fields
    shallow = compare_sessions(two, depth_um=5).fields[0].held.values[0]
    assert shallow.value == compare_sessions(two, depth_um=20).fields[0].held.values[0].value


def test_two_sessions_of_one_lens_say_how_well_they_repeat() -> None:
    several = [quick(name="a"), quick(name="b", scale=1.02), quick(lens="Other", scale=0.97)]
    found = compare_sessions(several).repeatability
    assert found is not None
    std = math.log(1.02) / math.sqrt(2)
    assert found.std_percent == pytest.approx(100 * math.expm1(std), rel=1e-3)
    # Student's t, 1 degree of freedom, 0.975: 12.706 (from memory of any table).
    limit = 12.706 * math.sqrt(2) * std
    assert found.limit_percent == pytest.approx(100 * math.expm1(limit), rel=1e-3)
    pairs = compare_sessions(several).magnifications[0].optimum.pairs
    assert [pair.within_repeatability for pair in pairs] == [None, True, True]


def test_the_same_session_twice_says_nothing_of_repeating() -> None:
    twice = [quick(frames="abc"), quick(frames="abc")]
    found = compare_sessions(twice)
    assert found.repeatability is None
    assert not found.magnifications[0].optimum.pairs[0].told_apart
    assert "A and B hold the same frames" in found.warnings[0]


def test_sessions_that_share_frames_are_told_so_and_are_no_repeats() -> None:
    several = [quick(name="a"), quick(name="b", scale=1.02), quick(name="c", scale=0.99)]
    held = (frozenset(range(9)), frozenset(range(6, 20)), frozenset({77, 78}))
    sharing = [replace(one, frames=frames) for one, frames in zip(several, held, strict=True)]
    found = compare_sessions(sharing)
    assert found.warnings[0].startswith("A and B share 3 frames (of 9 and 14)")
    assert not any("C share" in warning for warning in found.warnings)
    assert found.repeatability is not None
    assert found.repeatability.lenses == ((0, 2),)
    alone = compare_sessions(sharing[:2])
    assert alone.repeatability is None


# Recovery: equal lenses are rarely told apart, 3 % mostly


def test_false_alarms_and_power_of_a_family_of_four() -> None:
    rng = np.random.default_rng(5)
    std, alarms, found = 0.002, 0, 0

    def shot(factor: float, k: int) -> KeptSession:
        drawn = factor * math.exp(math.hypot(std, FORM_STD) * rng.standard_normal())
        return quick(lens=str(k), scale=drawn, std=std)

    families = 100
    for _ in range(families):
        equal = compare_sessions([shot(1.0, k) for k in range(4)]).magnifications[0]
        alarms += any(pair.told_apart for pair in equal.optimum.pairs)
        apart = compare_sessions([shot(1.03, 0), shot(1.0, 1)]).magnifications[0]
        found += apart.optimum.pairs[0].told_apart
    # 5 % nominal, Holm on six correlated pairs: below; binomial 2 sigma of 100: 4.4 %.
    assert alarms / families <= 0.094
    # 3 % over 0.78 % sqrt(2): 2.68 sigma, of which 1.96 are needed: power 76 %.
    assert found / families == pytest.approx(0.764, abs=0.09)  # 2 sigma of 100


# What makes sessions hard to compare


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"pixel_pitch_um": 3.76}, "Pixel pitch differs (A 4.35 um; B 3.76 um)"),
        ({"wavelength_um": 0.55}, "diffraction alone moves MTF50 by 4 %"),
        ({"channel": "red"}, "Channels differ"),
        ({"light_source": "default"}, "known of the light differs"),
        ({"body_name": "Other body"}, "Bodies differ"),
        ({"provenance": {"stopwise version": "9"}}, "different versions"),
        ({"pupil_ratio_source": "assumed", "lens": None}, "B assumed"),
        ({"lens": None}, "B: no model of the lens"),
    ],
)
def test_differences_in_more_than_the_lens_are_said(change: dict[str, object], says: str) -> None:
    one, other = session(model=False), session("Other", model=False)
    found = compare_sessions([kept(one), kept(replace(other, **change))])
    assert any(says in sentence for sentence in found.warnings), found.warnings


def test_flags_and_targets_are_said() -> None:
    soft = config(edge='technology = "litho-film"')
    found = compare_sessions(
        [quick(), kept(session("Other", model=False, flags=("target-limited",)), soft)]
    )
    text = " ".join(found.warnings)
    assert "B: is limited by its target's own edge" in text
    assert "Targets differ" in text
    assert "A: the target's own edge is taken as perfect" in text
    assert "not a fair comparison" in text


def test_an_optimum_at_the_end_is_marked() -> None:
    found = compare_sessions([quick(stops=(8.0, 11.0, 16.0)), quick(lens="Other")])
    assert "optimum-not-bracketed" in found.magnifications[0].optimum.values[0].flags


# Bad input


def test_one_session_is_refused() -> None:
    with pytest.raises(LabError, match="at least two"):
        compare_sessions([quick()])


def test_a_session_without_results_is_refused_by_name() -> None:
    empty = replace(session(name="nothing yet"), series=())
    with pytest.raises(LabError, match="nothing yet: no stop"):
        compare_sessions([quick(), kept(empty)])


@pytest.mark.parametrize(
    "wrong", [{"loss_percent": 0.0}, {"depth_um": 0.0}, {"depth_um": math.nan}]
)
def test_arguments_outside_their_range(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="must"):
        compare_sessions([quick(), quick(lens="Other")], **wrong)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"value": ()}, "one length"),
        ({"at": (3.0, 2.0, 1.0, 0.5, 0.1)}, "must rise"),
        ({"value": (0.0, 1.0, 1.0, 1.0, 1.0)}, "must be > 0"),
        ({"std": (-0.1,) * 5}, "must be > 0"),
    ],
)
def test_tables_that_make_no_sense_are_refused(change: dict[str, object], says: str) -> None:
    result = session(name="from elsewhere")
    assert result.lens is not None
    (series,) = result.lens.series
    assert series.compare is not None
    wrong = replace(series.compare, depth_within=replace(series.compare.depth_within, **change))
    lens = replace(result.lens, series=(replace(series, compare=wrong),))
    with pytest.raises(LabError, match=f"from elsewhere: its figures make no sense.*{says}"):
        kept_session(replace(result, lens=lens))


def test_one_stop_alone_compares_at_that_stop() -> None:
    lone = session(model=False)
    (series,) = lone.series
    bare = replace(
        series,
        points=series.points[2:3],
        optimum_stop=None,
        optimum_mtf50_image_cyc_per_mm=None,
        curve_stop=(),
        curve_mtf50_image_cyc_per_mm=(),
        curve_diffraction_mtf50_image_cyc_per_mm=(),
    )
    lone = replace(lone, lens=None, series=(bare,))
    found = compare_sessions([kept_session(lone), quick(lens="Other")])
    (size,) = found.magnifications
    assert size.optimum.values[0].stop == pytest.approx(2**2.5)
    assert len(size.equal_stops) == 1
