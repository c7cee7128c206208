"""The sharpest stop and the deepest one still sharp: closed forms, recovery, flags.

Closed form. With a limit A / N and a squared excess blur c N**-p (a straight line in the
logarithms, which both splines reproduce), MTF50 = A / N (1 + c N**-p)**-0.5 has its
maximum at N**p = c (p/2 - 1).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest

from lab.inference.optimum import StopCurve, stop_curve
from lab.optics.system import diffraction_mtf50
from lab.simulate.rig import SimulatedRig
from lab.simulate.truth import best_focus, true_optimum_stop

STOPS = tuple(2 ** (k / 2) for k in range(3, 9))  # f/2.8 to f/16
ANGLE_DEG = 6.0
POWER, TURN = 4.0, 5.0  # the closed form's p, and its optimum
EXCESS = TURN**POWER / (POWER / 2 - 1)


def _limit(stop: float) -> float:
    return 400 / stop


def _closed(stop: np.ndarray) -> np.ndarray:
    return 400 / stop * (1 + EXCESS * stop**-POWER) ** -0.5


def _curve(
    stops: tuple[float, ...],
    mtf50: np.ndarray,
    std: float = 0.003,
    limit: Callable[[float], float] = _limit,
    *,
    loss_percent: float = 10.0,
    seed: int = 1,
) -> StopCurve:
    return stop_curve(
        stops,
        mtf50.tolist(),
        (std * mtf50).tolist(),
        limit,
        loss_percent=loss_percent,
        rng=np.random.default_rng(seed),
    )


def test_power_law_gives_the_closed_form() -> None:
    curve = _curve(STOPS, _closed(np.array(STOPS)))
    grid = np.array(curve.stop)
    assert (grid[0], grid[-1]) == pytest.approx((STOPS[0], STOPS[-1]))
    assert np.array(curve.mtf50) == pytest.approx(_closed(grid), rel=1e-9)
    assert np.array(curve.diffraction_mtf50) == pytest.approx(400 / grid)
    assert abs(np.log2(curve.optimum_stop / TURN)) < 1 / 96  # the grid's half step
    assert curve.optimum_mtf50 == pytest.approx(float(_closed(np.array(TURN))), rel=1e-4)
    assert curve.flags == ()


@pytest.mark.parametrize("loss_percent", [3.0, 10.0, 25.0])
def test_deepest_sharp_stop_loses_what_is_permitted(loss_percent: float) -> None:
    curve = _curve(STOPS, _closed(np.array(STOPS)), loss_percent=loss_percent)
    kept = _closed(np.array(curve.deepest_sharp_stop)) / _closed(np.array(TURN))
    # A grid step of 1/96 stop costs less than 0.8 %.
    assert 0 <= kept - (1 - loss_percent / 100) < 0.008
    assert curve.deepest_sharp_stop > curve.optimum_stop


def test_curve_that_comes_back_up_does_not_count() -> None:
    def wavy(stop: float) -> float:
        """Falls from f/4 on, with a dip to half about f/8 and sharp again beyond."""
        x = np.log2(stop)
        return float((100 - (x - 2) ** 2) * (1 - 0.5 * np.exp(-(((x - 3) / 0.15) ** 2))))

    stops = (2.0, 4.0, 16.0)
    curve = _curve(stops, 0.8 * np.array([wavy(s) for s in stops]), limit=wavy)
    mtf50, stop = np.array(curve.mtf50), np.array(curve.stop)
    assert mtf50[-1] > 0.9 * curve.optimum_mtf50  # sharp beyond the dip
    assert curve.optimum_stop == pytest.approx(4.0, rel=0.02)
    assert 4.0 < curve.deepest_sharp_stop < 8.0
    run = (stop >= curve.optimum_stop) & (stop <= curve.deepest_sharp_stop)
    assert np.all(mtf50[run] >= 0.9 * curve.optimum_mtf50)
    assert mtf50[np.flatnonzero(run)[-1] + 1] < 0.9 * curve.optimum_mtf50
    assert curve.flags == ()


@pytest.mark.parametrize(
    ("stops", "end"), [(STOPS[3:], STOPS[3]), (STOPS[:3], STOPS[2])], ids=["beyond", "before"]
)
def test_optimum_at_an_end_is_flagged(stops: tuple[float, ...], end: float) -> None:
    # All beyond the optimum of f/5, or all before an optimum that lies deeper.
    shift = 1.0 if stops[0] > TURN else 2.0
    mtf50 = _closed(np.array(stops) / shift)
    curve = _curve(stops, mtf50, limit=lambda stop: _limit(stop / shift))
    assert curve.optimum_stop == pytest.approx(end)
    assert "optimum-not-bracketed" in curve.flags
    assert curve.optimum_low95 is curve.optimum_high95 is None


def test_narrowest_stop_still_sharp_is_flagged() -> None:
    stops = STOPS[:4]  # to f/8, where 41 % of the closed form's peak are lost
    curve = _curve(stops, _closed(np.array(stops)), loss_percent=50.0)
    assert curve.deepest_sharp_stop == pytest.approx(stops[-1])
    assert curve.flags == ("deepest-beyond-range",)


def test_two_stops_are_enough_for_a_straight_line() -> None:
    stops = (2.8, 11.0)
    curve = _curve(stops, _closed(np.array(stops)))
    assert np.array(curve.mtf50) == pytest.approx(_closed(np.array(curve.stop)), rel=1e-9)


def test_value_above_diffraction_stays_finite() -> None:
    # Noise may lift a well stopped-down value a little above the prediction.
    mtf50 = _closed(np.array(STOPS))
    mtf50[-2:] = [1.002 * _limit(stop) for stop in STOPS[-2:]]
    curve = _curve(STOPS, mtf50)
    # The prediction gives way by as much, so that the curve meets the points.
    assert np.all(np.array(curve.mtf50) <= 1.0031 * np.array(curve.diffraction_mtf50))
    assert curve.mtf50[-1] == pytest.approx(mtf50[-1], rel=1e-3)
    assert curve.optimum_stop == pytest.approx(TURN, rel=0.05)


def test_interval_grows_with_the_uncertainty_and_repeats_with_the_seed() -> None:
    mtf50 = _closed(np.array(STOPS))
    width = {}
    for std in (0.004, 0.02):
        curve = _curve(STOPS, mtf50, std)
        assert curve == _curve(STOPS, mtf50, std)
        assert curve.optimum_low95 < curve.optimum_stop < curve.optimum_high95
        width[std] = np.log2(curve.optimum_high95 / curve.optimum_low95)
    assert width[0.02] > 4 * width[0.004]


@pytest.mark.parametrize("stops", [(4.0,), (), (4.0, 2.8), (4.0, 4.0, 5.6)])
def test_stops_that_make_no_curve_are_refused(stops: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="at least two stops, rising"):
        _curve(stops, np.linspace(20.0, 30.0, len(stops)))


class Model:
    """A simulated lens: its true peaks, its true optimum, its limit."""

    def __init__(self, spherical_um: float, magnification: float) -> None:
        rig = SimulatedRig(spherical_um=spherical_um)
        given = {"magnification": magnification, "channel": "green", "edge_angle_deg": ANGLE_DEG}
        self.mtf50 = np.array(
            [best_focus(rig, stop=stop, **given).mtf50_cyc_per_mm for stop in STOPS]
        )
        self.optimum = true_optimum_stop(rig, narrowest_stop=STOPS[-1], **given)
        self.limit = cache(
            lambda stop: diffraction_mtf50(
                wavelength_um=rig.band("green"),
                f_number=rig.effective_f_number(magnification, stop),
                pixel_pitch_um=rig.pixel_pitch_um,
                edge_angle_deg=ANGLE_DEG,
            )
        )

    def hits(self, std: float, n: int) -> list[bool]:
        """For n noisy sessions: does the interval hold the true optimum?"""
        rng = np.random.default_rng(3)
        out = []
        for seed in range(n):
            seen = self.mtf50 * (1 + std * rng.standard_normal(len(STOPS)))
            curve = _curve(STOPS, seen, std, self.limit, seed=seed)
            out.append(curve.optimum_low95 <= self.optimum.stop <= curve.optimum_high95)
        return out


@cache
def _model(spherical_um: float, magnification: float) -> Model:
    return Model(spherical_um, magnification)


# Spherical aberration at f/2.8 [um], magnification: optimum between f/3.3 and f/5.1.
MODELS = [(0.5, 2.0), (1.0, 1.0), (1.0, 2.0), (1.0, 3.0), (2.0, 3.0)]


@pytest.mark.parametrize(("spherical_um", "magnification"), MODELS)
def test_optimum_of_a_lens_is_recovered(spherical_um: float, magnification: float) -> None:
    lens = _model(spherical_um, magnification)
    curve = _curve(STOPS, lens.mtf50, 0.005, lens.limit)
    assert abs(np.log2(curve.optimum_stop / lens.optimum.stop)) < 1 / 6
    # An optimum midway between two stops is read up to 1.4 % low.
    assert curve.optimum_mtf50 == pytest.approx(lens.optimum.mtf50_cyc_per_mm, rel=0.02)
    assert curve.flags == ()


def _chance(n: int) -> float:
    """Half-width that holds 99 % of binomial shares about 95 %."""
    return float(2.58 * (0.95 * 0.05 / n) ** 0.5)


def test_intervals_hold_the_optimum_about_as_often_as_they_say() -> None:
    hits = [hit for model in MODELS[1:4] for hit in _model(*model).hits(0.005, 70)]
    # The doubt about what lies between stops is sized for worse lenses than these.
    assert np.mean(hits) > 0.95 - _chance(len(hits))


def test_intervals_hold_an_optimum_between_stops() -> None:
    hits = [hit for model in (MODELS[0], MODELS[4]) for hit in _model(*model).hits(0.005, 50)]
    assert np.mean(hits) > 0.95 - _chance(len(hits))


def test_sparse_stops_know_less() -> None:
    # A lens of 1 um spherical aberration: full stops against every second one.
    model = _model(1.0, 2.0)
    widths = []
    for step in (1, 2):
        curve = _curve(STOPS[::step], model.mtf50[::step], 0.005, model.limit)
        assert curve.optimum_low95 is not None
        assert curve.optimum_high95 is not None
        assert curve.optimum_low95 <= model.optimum.stop <= curve.optimum_high95
        widths.append(np.log2(curve.optimum_high95 / curve.optimum_low95))
    assert widths[1] > 3 * widths[0]


def test_a_pupil_ratio_a_little_off_does_not_bend_the_curve_below_the_points() -> None:
    model = _model(1.0, 2.0)
    curve = _curve(STOPS, model.mtf50, 0.005, lambda stop: 0.93 * model.limit(stop))
    at_points = np.interp(np.log2(STOPS), np.log2(curve.stop), curve.mtf50)
    np.testing.assert_allclose(at_points, model.mtf50, rtol=5e-3)
    assert curve.optimum_low95 is not None
    assert curve.optimum_high95 is not None
    assert curve.optimum_low95 <= model.optimum.stop <= curve.optimum_high95
