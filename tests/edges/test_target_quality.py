"""The target's own blur, told from the lens's by frames at several magnifications."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from lab import Rejection, measure_edge
from lab.edges.measure import EdgeMeasurement
from lab.edges.target_quality import (
    ExcessBlur,
    TargetBlur,
    excess_blur,
    frame_excess,
    least_raggedness,
    median_raggedness,
    target_blur,
)
from lab.edges.types import NoiseModel
from lab.optics.edge_profile import EdgeProfile
from lab.optics.geometry import effective_f_number
from lab.optics.system import channel_band, crossing, system_mtf
from lab.simulate.render import render_edge

# All invented.
PITCH_UM, PUPIL_RATIO, STOP, ANGLE_DEG = 3.9, 0.8, 8.0, 5.7
WAVELENGTH_UM = 0.54
NO_CAUSE = np.empty((0, 2))


def n_eff(magnification: float) -> float:
    return float(effective_f_number(STOP, magnification, PUPIL_RATIO))


def mtf50_cyc_per_px(magnification: float, blur_um: float, residual_um: float) -> float:
    """Truth through `system_mtf`: the target's blur as one on the sensor."""
    found = crossing(
        lambda f: system_mtf(
            f,
            wavelength_um=channel_band(WAVELENGTH_UM),
            f_number=n_eff(magnification),
            pixel_pitch_um=PITCH_UM,
            edge_angle_deg=ANGLE_DEG,
            blur_std_um=math.hypot(residual_um, magnification * blur_um),
        ),
        0.5,
        400.0,
    )
    assert found is not None
    return found * PITCH_UM * 1e-3


def excess(
    magnification: float, mtf50: float, std: float, wavelength_um: float = WAVELENGTH_UM
) -> ExcessBlur:
    found = excess_blur(
        mtf50,
        std,
        edge_angle_deg=ANGLE_DEG,
        pixel_pitch_um=PITCH_UM,
        f_number=n_eff(magnification),
        wavelength_um=channel_band(wavelength_um),
    )
    assert isinstance(found, ExcessBlur)
    return found


# Exact


@pytest.mark.parametrize(("blur_um", "residual_um"), [(0.7, 1.9), (2.3, 0.4), (0.0, 1.2)])
def test_excess_of_a_gaussian_is_its_variance(blur_um: float, residual_um: float) -> None:
    for m in (0.9, 2.6):
        found = excess(m, mtf50_cyc_per_px(m, blur_um, residual_um), 1e-4)
        assert found.variance_um2 == pytest.approx(residual_um**2 + (m * blur_um) ** 2, abs=1e-6)


@pytest.mark.parametrize(("blur_um", "residual_um"), [(0.7, 1.9), (2.3, 0.4)])
def test_two_magnifications_give_both_blurs_back(blur_um: float, residual_um: float) -> None:
    magnifications = (0.9, 2.6)
    frames = [excess(m, mtf50_cyc_per_px(m, blur_um, residual_um), 1e-4) for m in magnifications]
    found = target_blur(magnifications, frames, NO_CAUSE)
    assert found.blur_um == pytest.approx(blur_um, abs=1e-5)
    assert found.residual_image_um == pytest.approx(residual_um, abs=1e-5)
    assert found.blur_upper95_um > blur_um


def test_uncertainties_of_an_excess_are_its_derivatives() -> None:
    m, std = 1.7, 6e-4
    mtf50 = mtf50_cyc_per_px(m, 0.6, 1.1)
    here = excess(m, mtf50, std)
    low, high = excess(m, mtf50 - std, std), excess(m, mtf50 + std, std)
    half = (low.variance_um2 - high.variance_um2) / 2
    assert here.variance_std_um2 == pytest.approx(half, rel=1e-3)
    # 1 % more wavelength moves the prediction as 1 % more f-number does.
    other = excess_blur(
        mtf50,
        std,
        edge_angle_deg=ANGLE_DEG,
        pixel_pitch_um=PITCH_UM,
        f_number=n_eff(m) * 1.01,
        wavelength_um=channel_band(WAVELENGTH_UM),
    )
    assert isinstance(other, ExcessBlur)
    moved = (other.variance_um2 - here.variance_um2) / math.log(1.01)
    assert here.per_prediction_um2 == pytest.approx(moved, rel=0.02)
    assert here.per_prediction_um2 < 0


def test_line_through_two_frames_has_the_textbook_uncertainty() -> None:
    # Slope of two points in m**2: differences over differences, variances add.
    frames = [_plain(3.1, 0.2), _plain(9.7, 0.5)]
    found = target_blur([1.2, 2.9], frames, NO_CAUSE)
    run = 2.9**2 - 1.2**2
    square, std = (9.7 - 3.1) / run, math.hypot(0.2, 0.5) / run
    assert found.blur_um == pytest.approx(math.sqrt(square))
    assert found.blur_std_um == pytest.approx(std / (2 * math.sqrt(square)))
    assert found.blur_low95_um == pytest.approx(math.sqrt(square - 1.959964 * std))
    assert found.blur_high95_um == pytest.approx(math.sqrt(square + 1.959964 * std))
    assert found.residual_image_um == pytest.approx(math.sqrt(3.1 - 1.2**2 * square))


def test_common_causes_are_carried_with_their_signs() -> None:
    frames = [_plain(3.1, 1e-6), _plain(9.7, 1e-6)]
    run = 2.9**2 - 1.2**2
    square = (9.7 - 3.1) / run
    found = target_blur([1.2, 2.9], frames, [[-0.4, -1.1], [0.3, -0.2]])
    std = math.hypot((-1.1 + 0.4) / run, (-0.2 - 0.3) / run)
    assert found.blur_std_um == pytest.approx(std / (2 * math.sqrt(square)), rel=1e-4)
    # A shift that all share, sensor-wide, moves the residual and not the target.
    same = target_blur([1.2, 2.9], frames, [[0.8, 0.8]])
    assert same.blur_std_um is not None
    assert same.blur_std_um < 1e-5
    assert same.blur_upper95_um > math.sqrt(3.1) / 2.9


def test_one_magnification_bounds_the_blur_and_estimates_nothing() -> None:
    found = target_blur([2.5], [_plain(4.0, 0.3)], np.array([[0.4]]))
    # One-sided 95 %: 1.644854 standard uncertainties (normal distribution).
    assert found == TargetBlur(
        blur_upper95_um=pytest.approx(math.sqrt(4.0 + 1.644854 * 0.5) / 2.5)  # type: ignore[arg-type]
    )
    several = target_blur([2.5] * 3, [_plain(v, 0.5) for v in (7.0, 4.0, 5.0)], np.empty((0, 3)))
    # The least of three, each at 1 - 0.05 / 3: quantile 2.128045.
    assert several.blur_um is None
    assert several.blur_upper95_um == pytest.approx(math.sqrt(4.0 + 2.128045 * 0.5) / 2.5)


def test_blurs_are_kept_from_going_negative() -> None:
    falling = target_blur([1.0, 3.0], [_plain(4.0, 0.1), _plain(3.0, 0.1)], NO_CAUSE)
    assert (falling.blur_um, falling.blur_low95_um) == (0.0, 0.0)
    assert falling.residual_image_um == pytest.approx(math.sqrt(3.5))
    assert falling.blur_high95_um is not None
    assert falling.blur_high95_um > 0  # never certain of a perfect edge
    steep = target_blur([1.0, 3.0], [_plain(0.5, 0.1), _plain(9.0, 0.1)], NO_CAUSE)
    assert steep.residual_image_um == 0.0
    # Least squares through the origin: sum(x y) / sum(x x), x = m**2.
    assert steep.blur_um == pytest.approx(math.sqrt((0.5 + 9 * 9.0) / 82))


def test_scatter_beyond_noise_widens_the_interval() -> None:
    magnifications = [1.0, 1.8, 2.4, 3.1]
    calm = [_plain(2 + 0.5 * m**2, 0.1) for m in magnifications]
    wild = [
        replace(frame, variance_um2=frame.variance_um2 + off)
        for frame, off in zip(calm, (0.6, -0.7, 0.8, -0.5), strict=True)
    ]
    none = np.empty((0, 4))
    first, second = (target_blur(magnifications, f, none) for f in (calm, wild))
    assert first.blur_high95_um is not None
    assert first.blur_low95_um is not None
    assert second.blur_high95_um is not None
    assert second.blur_low95_um is not None
    assert first.blur_um == pytest.approx(math.sqrt(0.5))
    wide = second.blur_high95_um - second.blur_low95_um
    assert wide > 8 * (first.blur_high95_um - first.blur_low95_um)


def test_a_frames_edges_are_combined_with_their_scatter() -> None:
    edges = [_plain(3.0, 0.1), _plain(5.0, 0.1), _plain(4.0, 0.1)]
    found = frame_excess(edges)
    assert found.variance_um2 == pytest.approx(4.0)
    assert found.variance_std_um2 == pytest.approx(1 / math.sqrt(3), rel=1e-6)


def test_raggedness_of_several_edges_is_their_median() -> None:
    value, std = median_raggedness([0.30, 0.32, 2.0], [0.01, 0.01, 0.01])
    assert value == pytest.approx(0.32)
    assert 0.005 < std < 0.2
    assert median_raggedness([0.4], [0.05]) == pytest.approx((0.4, 0.05))
    assert median_raggedness([0.0], [0.05]) == pytest.approx((0.0, 0.05))


def test_edges_without_raggedness_show_none() -> None:
    # As the locus states noise alone: half of the variances negative, told as 0.
    rng = np.random.default_rng(2)
    false_alarms = 0
    for _ in range(200):
        variance = np.maximum(rng.normal(0, 0.02**2, 20), 0)
        value = np.sqrt(variance)
        std = 0.02**2 / (2 * np.maximum(value, 0.02))
        typical, typical_std = median_raggedness(value.tolist(), std.tolist())
        false_alarms += typical > least_raggedness(typical, typical_std)
    assert false_alarms <= 2


@pytest.mark.parametrize("value", [0.0, 0.03, 0.4])
def test_raggedness_shows_from_three_uncertainties_of_the_variance(value: float) -> None:
    # The two ways of stating it, as in `lab.edges.locus.raggedness`.
    variance_std = 0.02**2
    std = variance_std / (2 * max(value, 0.02))
    assert least_raggedness(value, std) == pytest.approx(math.sqrt(3 * variance_std))


# Recovery


def test_intervals_hold_the_targets_blur_with_edges_rendered_and_measured() -> None:
    """Whole chain, 200 trials: pixel noise, and a wavelength that is not the assumed one."""
    blur_um, residual_um, magnifications = 1.1, 1.3, (1.2, 2.9)
    off = 0.02  # of the wavelength
    noise = NoiseModel(read_std=3.0, gain=0.5)
    rng = np.random.default_rng(5)
    trials, inside, bounded = 200, 0, 0
    estimates, stds = [], []
    profiles = {m: _profile(m, blur_um, residual_um) for m in magnifications}
    for _ in range(trials):
        assumed_um = WAVELENGTH_UM * (1 + off * rng.standard_normal())
        frames = [_measured(profiles[m], m, noise, assumed_um, rng) for m in magnifications]
        common = [[off * frame.per_prediction_um2 for frame in frames]]
        found = target_blur(magnifications, frames, common)
        assert found.blur_um is not None
        assert found.blur_std_um is not None
        assert found.blur_low95_um is not None
        assert found.blur_high95_um is not None
        inside += found.blur_low95_um <= blur_um <= found.blur_high95_um
        bounded += blur_um <= found.blur_upper95_um
        estimates.append(found.blur_um)
        stds.append(found.blur_std_um)
    # 95 % of 200: 0.90 to 0.98 in 999 of 1000 studies.
    assert 0.90 <= inside / trials <= 0.985
    assert bounded / trials >= 0.95
    assert np.mean(estimates) == pytest.approx(blur_um, abs=4 * np.std(estimates) / trials**0.5)
    assert np.mean(stds) == pytest.approx(np.std(estimates), rel=0.2)


@pytest.mark.parametrize(
    ("blur_um", "residual_um"), [(0.9, 1.5), (0.15, 1.5), (0.0, 1.0), (1.4, 0.0)]
)
def test_coverage_of_noise_alone_over_five_frames(blur_um: float, residual_um: float) -> None:
    """Drawn from the fit's own model: what its interval is worth, at zero too."""
    rng = np.random.default_rng(8)
    magnifications = [1.0, 1.0, 2.0, 3.0, 3.0]
    stds = [0.2, 0.15, 0.3, 0.6, 0.4]
    trials, inside, bounded = 1000, 0, 0
    for _ in range(trials):
        frames = [
            _plain(residual_um**2 + (m * blur_um) ** 2 + std * rng.standard_normal(), std)
            for m, std in zip(magnifications, stds, strict=True)
        ]
        found = target_blur(magnifications, frames, np.empty((0, 5)))
        assert found.blur_low95_um is not None
        assert found.blur_high95_um is not None
        inside += found.blur_low95_um <= blur_um <= found.blur_high95_um
        bounded += blur_um <= found.blur_upper95_um
    # Widening by chi-square above 1 alone covers more than 95 %, never less.
    assert inside / trials >= 0.936
    assert bounded / trials >= 0.936


# Bad input


@pytest.mark.parametrize(
    "change",
    [
        {"mtf50_cyc_per_px": 0.0},
        {"mtf50_cyc_per_px": math.nan},
        {"mtf50_std": 0.0},
        {"mtf50_std": math.inf},
        {"pixel_pitch_um": -1.0},
        {"f_number": 0.0},
        {"wavelength_um": math.nan},
    ],
)
def test_numbers_out_of_range_are_refused(change: dict[str, float]) -> None:
    good = {
        **{"mtf50_cyc_per_px": 0.15, "mtf50_std": 0.001, "edge_angle_deg": 5.0},
        **{"pixel_pitch_um": 3.9, "f_number": 16.0, "wavelength_um": 0.54},
    }
    with pytest.raises(ValueError, match="must be"):
        excess_blur(**{**good, **change})


def test_sharper_than_any_lens_is_a_rejection() -> None:
    found = excess_blur(
        *(0.9, 0.001),
        edge_angle_deg=5.0,
        pixel_pitch_um=3.9,
        f_number=22.0,
        wavelength_um=0.54,
    )
    assert isinstance(found, Rejection)
    assert "sharper than diffraction" in found.reason


def test_lists_that_do_not_fit_are_refused() -> None:
    one = _plain(3.0, 0.1)
    for magnifications, frames in (([], []), ([1.0], [one, one]), ([1.0, 2.0], [one])):
        with pytest.raises(ValueError, match="one length"):
            target_blur(magnifications, frames, np.empty((0, len(frames))))
    for bad in (0.0, -1.0, math.nan, math.inf):
        with pytest.raises(ValueError, match="magnifications"):
            target_blur([1.0, bad], [one, one], NO_CAUSE)
    for common in ([0.1, 0.2], [[0.1]], [[0.1, math.nan]]):
        with pytest.raises(ValueError, match="common_std_um2"):
            target_blur([1.0, 2.0], [one, one], common)
    with pytest.raises(ValueError, match="length"):
        frame_excess([])
    for values, stds in (([], []), ([0.1], [0.1, 0.2]), ([-0.1], [0.1]), ([0.1], [0.0])):
        with pytest.raises(ValueError, match="one length"):
            median_raggedness(values, stds)


def _plain(variance_um2: float, std_um2: float) -> ExcessBlur:
    return ExcessBlur(variance_um2=variance_um2, variance_std_um2=std_um2, per_prediction_um2=-20.0)


def _profile(m: float, blur_um: float, residual_um: float) -> EdgeProfile:
    band = channel_band(WAVELENGTH_UM)
    cutoff = PITCH_UM / (min(band.wavelength_um) * n_eff(m))
    return EdgeProfile(
        lambda f: system_mtf(
            f * (1e3 / PITCH_UM),
            wavelength_um=band,
            f_number=n_eff(m),
            pixel_pitch_um=PITCH_UM,
            edge_angle_deg=ANGLE_DEG,
            blur_std_um=math.hypot(residual_um, m * blur_um),
        ),
        cutoff,
    )


def _measured(
    profile: EdgeProfile,
    m: float,
    noise: NoiseModel,
    assumed_um: float,
    rng: np.random.Generator,
) -> ExcessBlur:
    pixels = render_edge(
        (64, 64),
        angle_deg=ANGLE_DEG,
        profile=profile,
        low=150.0,
        high=3000.0,
        position_px=float(rng.uniform(-0.5, 0.5)),
        noise=noise,
        rng=rng,
    )
    edge = measure_edge(pixels, None, noise)
    assert isinstance(edge, EdgeMeasurement)
    return frame_excess([excess(m, edge.mtf50_cyc_per_px, edge.mtf50_std, assumed_um)])
