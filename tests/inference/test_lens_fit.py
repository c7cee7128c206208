"""The lens fitted to a whole session, against lenses imaged by a second route."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lab.inference.lens_curve import lens_curve, loss_shares, stop_choice
from lab.inference.lens_data import LensData
from lab.inference.lens_fit import LensFit, cone_handles, fit_lens
from lab.inference.lens_model import LensModel
from tests.bench.second_lens import STOPS, SecondLens

GRID = STOPS[0] * 2 ** (np.linspace(0, 5, 121) / 2)
LENS = SecondLens(
    magnifications=(1.2, 3.1), pupil_ratio=0.7, w040_um=0.35, ring=(0.0, 0.0, 1 / 3, 0.0, 0.0, 0.0)
)


@pytest.fixture(scope="module")
def data() -> LensData:
    return LENS.session(np.random.default_rng(3), frames=5, colours=("green",))


@pytest.fixture(scope="module")
def fit(data: LensData) -> LensFit:
    return fit_lens(data)


def test_derivatives_are_those_of_the_model(data: LensData) -> None:
    """Exact: every parameter against a central difference."""
    model = LensModel(data)
    rng = np.random.default_rng(5)
    start = np.zeros(model.size)
    for name, value in {"pupil": -0.2, "w040": 0.3, "w040_rise": 0.05, "w060": 0.1}.items():
        start[model.slices[name]] = value
    start[model.slices["ring"]] = rng.normal(0, 0.1, len(data.stops))
    start[model.slices["blur2"]] = 1.3
    start[model.slices["excess"]] = rng.normal(0, 0.02, start[model.slices["excess"]].size)
    _, jacobian = model(start)
    for name, part in model.slices.items():
        column = part.start + (part.stop - part.start) // 2
        step = 1e-5 if name not in ("focus", "rock", "colour") else 1e-2
        moved = start.copy()
        moved[column] += step
        above, _ = model(moved)
        moved[column] -= 2 * step
        below, _ = model(moved)
        slope = (above - below) / (2 * step)
        assert jacobian[:, column] == pytest.approx(slope, abs=2e-5 * max(1, abs(slope).max()))


def test_pupil_ratio_and_ring_are_recovered(fit: LensFit) -> None:
    """Recovery: a third of a stop at one ring position to 0.1.

    Two magnifications, and a ring whose mean is off by 2 % in f-number, which light and
    pupil ratio share: 4 % of the pupil ratio here, 2 % where the study has four.
    """
    ratio = float(np.exp(fit.value("pupil")[0]))
    assert abs(ratio / 0.7 - 1) < 0.04
    assert abs(ratio / 0.7 - 1) < 3 * fit.std("pupil")[0]
    ring = fit.value("ring")
    assert abs(ring[2] - 1 / 3) < 0.1
    assert abs(np.delete(ring, 2)).max() < 0.1
    assert ring[2] - np.delete(ring, 2).max() > 0.2
    assert fit.learned("pupil")[0] > 0.8


def test_aberration_and_blur_are_recovered(fit: LensFit) -> None:
    """Recovery: 0.03 waves of spherical aberration, the blur to its uncertainty."""
    assert abs(fit.value("w040")[0] - 0.35) < max(0.03 * 0.53, 3 * fit.std("w040")[0])
    assert abs(fit.value("blur2") - 1.0).max() < 4 * fit.std("blur2").max()
    assert fit.chi_square < 2


def test_best_stop_is_recovered(fit: LensFit) -> None:
    """Recovery: a sixth of a stop, inside the interval."""
    for k, m in enumerate(LENS.magnifications):
        curve = lens_curve(fit, k, "green", GRID)
        choice = stop_choice(curve, loss_percent=10, rng=np.random.default_rng(1))
        truth = LENS.best_stop(m)
        assert abs(2 * np.log2(choice.optimum_stop / truth)) < 1 / 6
        # At 3.1x the true one is the widest stop, where the interval ends.
        assert choice.optimum_low95 <= truth * 1.0001
        assert truth < choice.optimum_high95
        assert choice.optimum_stop < choice.deepest_stop
        n = np.array([LENS.f_number(m, i) for i in range(STOPS.size)])
        at_marks = lens_curve(fit, k, "green", STOPS)
        assert at_marks.f_number == pytest.approx(n, rel=0.02)


def test_losses_add_up_and_diffraction_rules_when_stopped_down(fit: LensFit) -> None:
    shares = loss_shares(fit, 1, "green")
    for one in shares:
        total = one.diffraction + one.aberration + one.defocus + one.pixel + one.residual
        assert total == pytest.approx(1)
    assert shares[0].aberration > 0.1
    assert shares[-1].diffraction > 0.9


def test_both_handles_on_the_cone_agree(fit: LensFit) -> None:
    """Recovery: diffraction alone and depth of focus alone give the same f-number."""
    diffraction, depth = cone_handles(fit)
    nominal = [
        LENS.f_number(m, k) / (STOPS[k] * (1 + m))
        for m in LENS.magnifications
        for k in range(STOPS.size)
    ]
    truth = float(np.exp(np.mean(np.log(nominal))))
    assert (diffraction.name, depth.name) == ("diffraction", "focus depth")
    assert abs(diffraction.over_nominal / truth - 1) < 0.02
    assert abs(depth.over_nominal / truth - 1) < 0.04


def test_frames_of_unknown_position_serve_as_well(data: LensData) -> None:
    """Recovery: rocked by hand, the pupil ratio still comes out; no depth handle."""
    rocked = replace(data, position_um=np.full(data.position_um.size, np.nan))
    fit = fit_lens(rocked)
    assert abs(np.exp(fit.value("pupil")[0]) / 0.7 - 1) < 0.04
    assert [handle.name for handle in cone_handles(fit)] == ["diffraction"]


def test_brackets_rocked_by_hand_find_their_places() -> None:
    """Recovery: uneven, unknown places at two magnifications; MTF50 at best focus to 2 %."""
    lens = SecondLens(magnifications=(1.5, 3.0), pupil_ratio=1.25, w040_um=0.32, vibration_um=1.0)
    rng = np.random.default_rng(9)
    fit = fit_lens(
        lens.session(rng, frames=9, noise=0.003, colours=("green",), known=False, jitter=0.4)
    )
    assert fit.chi_square < 1.5
    for k, m in enumerate(lens.magnifications):
        found = lens_curve(fit, k, "green", STOPS).mtf50_image_cyc_per_mm
        truth = [lens.mtf50_at_best_focus(m, float(stop)) for stop in STOPS]
        assert found[1:] == pytest.approx(truth[1:], rel=0.02)
        assert found[0] == pytest.approx(truth[0], rel=0.04)  # over a wave of aberration


def test_a_bad_frame_loses_its_say(data: LensData, fit: LensFit) -> None:
    """A frame far too soft for its place is given next to no weight and moves little."""
    victim = int(data.frame[np.argmax(data.mtf)])
    mtf = np.where(data.frame == victim, 0.6 * data.mtf, data.mtf)
    spoilt = fit_lens(replace(data, mtf=mtf))
    assert spoilt.frame_weight[victim] < 0.3
    assert abs(spoilt.value("pupil")[0] - fit.value("pupil")[0]) < 0.02


def test_one_stop_and_one_frame_still_give_an_answer(data: LensData, fit: LensFit) -> None:
    keep = (data.frame == data.frame[np.argmax(data.mtf)]) & (data.channel == 0)
    arrays = ("mtf", "mtf_std", "frequency_cyc_per_mm", "series", "stop", "channel", "frame")
    one = replace(data, **{name: getattr(data, name)[keep] for name in arrays})
    alone = fit_lens(one)
    assert np.isfinite(alone.parameters).all()
    assert alone.std("pupil")[0] > 2 * fit.std("pupil")[0]
    assert alone.learned("ring").max() < 0.5  # and says that it does not know
    assert alone.learned("w040_rise").max() < 0.5


def test_no_rows_is_refused(data: LensData) -> None:
    arrays = ("mtf", "mtf_std", "frequency_cyc_per_mm", "series", "stop", "channel", "frame")
    with pytest.raises(ValueError, match="at least one measured frame"):
        fit_lens(replace(data, **{name: getattr(data, name)[:0] for name in arrays}))


def test_the_same_data_give_the_same_figures(data: LensData, fit: LensFit) -> None:
    again = fit_lens(data)
    assert np.array_equal(again.parameters, fit.parameters)
