"""Peak of a focus bracket: recovered from the optics' own curves, flags, invariances.

Recovery. The brackets sample MTF50 curves of simulated lenses with spherical aberration
(path at f/2.8) and a residual blur, at 2x. A step is about what a photographer takes:
seven frames reach down to 0.6 to 0.7 of the peak. The figures are invented.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
import pytest

from lab.inference.through_focus import FocusPeak, through_focus_peak

ModelLens = Callable[[float, float, float], Any]

# Spherical aberration [um], exact stop, rail step [um].
LENSES = [
    (0.0, 4.0, 25.0),
    (0.5, 2 * 2**0.5, 15.0),
    (1.0, 2 * 2**0.5, 25.0),
    (1.0, 4.0, 25.0),
    (1.0, 4 * 2**0.5, 40.0),
    (-1.0, 8.0, 70.0),
    (1.0, 16.0, 250.0),
]


def _noisy(
    lens: Any, step_um: float, rng: np.random.Generator, *, noise: float, scatter: float = 0.0
) -> FocusPeak:
    """Fit to seven frames: relative noise, which is stated, and scatter, which is not."""
    position_um, mtf50 = lens.bracket(7, step_um, rng.uniform(-0.5, 0.5))
    seen = mtf50 * (1 + np.hypot(noise, scatter) * rng.standard_normal(7))
    return through_focus_peak(position_um.tolist(), seen, noise * seen)


def _coverage(
    model_lens: ModelLens,
    lenses: Iterable[tuple[float, float, float]],
    n_each: int,
    *,
    noise: float,
    scatter: float = 0.0,
) -> tuple[float, float]:
    """Share of 95 % intervals that hold the true peak, and the half-width of chance."""
    rng = np.random.default_rng(5)
    hits = []
    for spherical_um, stop, step_um in lenses:
        lens = model_lens(spherical_um, stop, 4 * step_um)
        for _ in range(n_each):
            peak = _noisy(lens, step_um, rng, noise=noise, scatter=scatter)
            hits.append(peak.mtf50_low95 <= lens.peak <= peak.mtf50_high95)
    # 99 % of binomial counts lie within 2.58 standard deviations.
    return float(np.mean(hits)), 2.58 * (0.95 * 0.05 / len(hits)) ** 0.5


@pytest.mark.parametrize(("spherical_um", "stop", "step_um"), LENSES)
def test_peak_and_place_are_found(
    model_lens: ModelLens, spherical_um: float, stop: float, step_um: float
) -> None:
    lens = model_lens(spherical_um, stop, 4 * step_um)
    for offset in (-0.5, -0.2, 0.3, 0.45):
        position_um, mtf50 = lens.bracket(7, step_um, offset)
        peak = through_focus_peak(position_um.tolist(), mtf50, 0.003 * mtf50)
        assert peak.mtf50 == pytest.approx(lens.peak, rel=0.01)
        assert peak.mtf50_low95 <= lens.peak <= peak.mtf50_high95
        assert peak.best_focus_um == pytest.approx(lens.best_um, abs=0.1 * step_um)
        assert peak.flags == ()


@pytest.mark.parametrize(("spherical_um", "stop", "step_um"), LENSES)
def test_noise_leaves_the_peak_within_a_percent(
    model_lens: ModelLens, spherical_um: float, stop: float, step_um: float
) -> None:
    rng = np.random.default_rng(11)
    lens = model_lens(spherical_um, stop, 4 * step_um)
    peaks = [_noisy(lens, step_um, rng, noise=0.005) for _ in range(30)]
    error = np.array([peak.mtf50 / lens.peak - 1 for peak in peaks])
    assert np.sqrt(np.mean(error**2)) < 0.01
    away = np.array([(peak.best_focus_um or np.inf) - lens.best_um for peak in peaks])
    assert np.abs(away).max() < 0.2 * step_um


def test_intervals_hold_the_peak_over_all_lenses(model_lens: ModelLens) -> None:
    share, chance = _coverage(model_lens, LENSES, 60, noise=0.005)
    assert share == pytest.approx(0.95, abs=chance)


def test_intervals_hold_the_peak_of_a_strongly_aberrated_lens(model_lens: ModelLens) -> None:
    share, chance = _coverage(model_lens, [LENSES[2]], 200, noise=0.005)
    assert share > 0.95 - chance


@pytest.mark.xfail(
    strict=True,
    reason="seven frames less four fitted figures hardly tell their scatter: a prior that gives "
    "quiet brackets 97 % leaves 79 % where frames scatter by 1 % beyond a stated 0.3 %",
)
def test_intervals_hold_the_peak_where_frames_scatter(model_lens: ModelLens) -> None:
    share, chance = _coverage(model_lens, LENSES, 30, noise=0.003, scatter=0.01)
    assert share > 0.95 - chance


def test_blurred_frame_at_the_peak_widens_the_interval(model_lens: ModelLens) -> None:
    lens = model_lens(1.0, 4.0, 100.0)
    position_um, mtf50 = lens.bracket(7, 25.0)
    clean = through_focus_peak(position_um.tolist(), mtf50, 0.003 * mtf50)
    mtf50[3] *= 0.9  # the camera moved
    peak = through_focus_peak(position_um.tolist(), mtf50, 0.003 * mtf50)
    assert peak.mtf50_std > 3 * clean.mtf50_std
    assert peak.mtf50_low95 <= lens.peak <= peak.mtf50_high95


def test_curve_and_frames_used_belong_to_the_fit(model_lens: ModelLens) -> None:
    lens = model_lens(1.0, 4.0, 100.0)
    position_um, mtf50 = lens.bracket(7, 25.0, 0.3)
    mtf50[6] = 0.4 * mtf50.max()  # far down the flank: does not shape the peak
    peak = through_focus_peak(position_um.tolist(), mtf50, 0.003 * mtf50)
    assert peak.used == (True,) * 6 + (False,)
    assert (peak.curve_um[0], peak.curve_um[-1]) == pytest.approx((position_um[0], position_um[5]))
    assert len(peak.curve_um) == len(peak.curve_mtf50)
    assert max(peak.curve_mtf50) == pytest.approx(peak.mtf50, rel=2e-3)
    top = peak.curve_um[int(np.argmax(peak.curve_mtf50))]
    assert top == pytest.approx(peak.best_focus_um, abs=1.01 * np.diff(peak.curve_um)[0])
    # The drawn curve passes the frames that made it.
    near = np.interp(position_um[1:6], peak.curve_um, peak.curve_mtf50)
    assert near == pytest.approx(mtf50[1:6], rel=0.02)


def test_origin_order_and_unit_do_not_matter(model_lens: ModelLens) -> None:
    lens = model_lens(1.0, 4.0, 100.0)
    position_um, mtf50 = lens.bracket(7, 25.0, -0.4)
    plain = through_focus_peak(position_um.tolist(), mtf50, 0.004 * mtf50)
    order = [4, 0, 6, 2, 1, 5, 3]
    moved = through_focus_peak(
        (position_um[order] + 5000).tolist(), 0.00435 * mtf50[order], 0.004 * 0.00435 * mtf50[order]
    )
    assert plain.best_focus_um is not None
    assert moved.best_focus_um == pytest.approx(plain.best_focus_um + 5000, abs=0.1)
    assert moved.mtf50 == pytest.approx(0.00435 * plain.mtf50, rel=1e-4)
    assert moved.mtf50_std == pytest.approx(0.00435 * plain.mtf50_std, rel=1e-2)
    mirrored = through_focus_peak((-position_um).tolist(), mtf50, 0.004 * mtf50)
    assert mirrored.best_focus_um == pytest.approx(-plain.best_focus_um, abs=0.1)
    assert mirrored.mtf50 == pytest.approx(plain.mtf50, rel=1e-4)


@pytest.mark.parametrize("offset", [-4.2, 4.2])
def test_peak_outside_the_bracket_is_flagged(model_lens: ModelLens, offset: float) -> None:
    lens = model_lens(1.0, 4.0, 200.0)
    position_um, mtf50 = lens.bracket(7, 25.0, offset)
    peak = through_focus_peak(position_um.tolist(), mtf50, 0.003 * mtf50)
    assert "peak-not-bracketed" in peak.flags


def test_sharpest_frame_at_the_end_is_flagged(model_lens: ModelLens) -> None:
    lens = model_lens(1.0, 4.0, 200.0)
    position_um, mtf50 = lens.bracket(5, 25.0, 2.1)  # the first frame lies nearest best focus
    assert np.argmax(mtf50) == 0
    peak = through_focus_peak(position_um.tolist(), mtf50, 0.003 * mtf50)
    assert "peak-not-bracketed" in peak.flags


@pytest.mark.parametrize("position_um", [[0.0], [0.0, 20.0], [0.0, 0.0, 20.0, 20.0, 20.0]])
def test_too_few_places_give_the_sharpest_frame(position_um: list[float]) -> None:
    mtf50 = [41.0, 44.0, 43.0, 40.0, 39.0][: len(position_um)]
    std = [0.1, 0.2, 0.3, 0.4, 0.5][: len(position_um)]
    peak = through_focus_peak(position_um, mtf50, std)
    k = int(np.argmax(mtf50))
    assert peak.flags == ("few-frames",)
    # The peak may lie above the sharpest frame by as much as frames differ.
    above = mtf50[k] - sorted(mtf50)[-min(3, len(mtf50))]
    assert peak.mtf50 == mtf50[k]
    assert peak.mtf50_std == pytest.approx(np.hypot(std[k], above / 1.96))
    assert peak.mtf50_high95 - peak.mtf50 == pytest.approx(1.96 * std[k] + above)
    assert peak.mtf50 - peak.mtf50_low95 == pytest.approx(1.96 * std[k])
    assert peak.best_focus_um == position_um[k]
    assert peak.used == tuple(i == k for i in range(len(mtf50)))
    assert peak.curve_um == peak.curve_mtf50 == ()


@pytest.mark.parametrize("lost", [[0, 1, 2, 3, 4], [2]])
def test_unknown_order_gives_the_sharpest_frame(lost: list[int]) -> None:
    position_um = [None if i in lost else 20.0 * i for i in range(5)]
    peak = through_focus_peak(position_um, [38.0, 42.0, 45.0, 43.0, 37.0], [0.2] * 5)
    assert peak.flags == ("focus-order-unknown",)
    assert peak.mtf50 == 45.0
    assert peak.mtf50_high95 == pytest.approx(45.0 + 1.96 * 0.2 + 3.0)
    assert peak.best_focus_um is None
    assert peak.used == (False, False, True, False, False)
    assert peak.curve_um == ()


def test_empty_bracket_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one frame"):
        through_focus_peak([], [], [])


def test_frames_that_make_no_curve_give_the_sharpest_one() -> None:
    # Values that jump about: of another stop, or moved frames.
    peak = through_focus_peak([0.0, 20.0, 40.0, 60.0], [20.0, 60.0, 20.0, 60.0], [0.1] * 4)
    assert peak.mtf50_high95 < 200
    assert peak.mtf50_low95 > 0
