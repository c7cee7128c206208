"""One edge: truth recovered without noise, with noise, through masks; bad regions refused."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest

from lab import NoiseModel, Rejection, measure_edge
from lab.edges.measure import EdgeMeasurement
from lab.optics.edge_profile import EdgeProfile
from tests.edges.blur import HIGH, LOW, Blur

SHARP = Blur(diffraction_px=2.2)


def measured(result: EdgeMeasurement | Rejection) -> EdgeMeasurement:
    assert isinstance(result, EdgeMeasurement), result
    return result


def reason(result: EdgeMeasurement | Rejection) -> str:
    assert isinstance(result, Rejection), result
    return result.reason


# Recovery without noise -----------------------------------------------------------------------

INSIDE = [
    (Blur(diffraction_px=0.9), 5.0, (100, 100)),
    (Blur(diffraction_px=0.9, w20=0.5), 27.0, (60, 40)),
    (Blur(diffraction_px=2.2, w20=0.25), 85.3, (100, 100)),
    (Blur(diffraction_px=2.2, w20=-0.8, w040=0.8), 12.0, (120, 80)),
    (Blur(diffraction_px=3.1, gauss_px=1.4), 43.0, (90, 90)),
    (Blur(diffraction_px=4.0, w20=-0.6, w040=1.0), 2.2, (200, 200)),
    (Blur(diffraction_px=4.0, w20=0.5), -96.0, (100, 100)),
    (Blur(diffraction_px=6.5), 174.0, (100, 140)),
    (Blur(diffraction_px=8.0, w20=0.25), 7.0, (200, 200)),
]
OUTSIDE = [
    (Blur(diffraction_px=1.5, motion_px=2.0), 5.0, (100, 100)),
    (Blur(diffraction_px=3.0, motion_px=3.4, w20=0.2), 8.0, (120, 100)),
]


@pytest.mark.parametrize(("blur", "angle", "shape"), INSIDE)
def test_shapes_inside_the_model_come_back_within_three_per_mille(
    blur: Blur, angle: float, shape: tuple[int, int]
) -> None:
    result = measured(measure_edge(blur.pixels(shape, angle, sagitta_px=0.3)))
    assert result.mtf50_cyc_per_px == pytest.approx(blur.level(0.5, angle), rel=3e-3)
    assert abs((result.angle_deg - angle + 180) % 360 - 180) < 0.02
    assert result.sagitta_px == pytest.approx(0.3, abs=0.01)
    assert result.low_dn == pytest.approx(LOW, abs=6)
    assert result.high_dn == pytest.approx(HIGH, abs=6)


@pytest.mark.parametrize(("blur", "angle", "shape"), OUTSIDE)
def test_shapes_outside_the_model_come_back_within_five_per_mille(
    blur: Blur, angle: float, shape: tuple[int, int]
) -> None:
    result = measured(measure_edge(blur.pixels(shape, angle)))
    assert result.mtf50_cyc_per_px == pytest.approx(blur.level(0.5, angle), rel=5e-3)


@pytest.mark.parametrize("blur", [SHARP, Blur(diffraction_px=1.3, w20=0.3, gauss_px=0.4)])
def test_the_whole_curve_and_its_levels(blur: Blur) -> None:
    result = measured(measure_edge(blur.pixels((100, 100), 5.7)))
    f = np.array([0.1, 0.2, 0.3, 0.4, 0.5])
    mtf, std = result.mtf_at(f)
    np.testing.assert_allclose(mtf, np.abs(blur.system(5.7)(f)), atol=3e-3)
    assert np.all(std < 3e-3)
    on_grid = np.interp(f, result.frequency_cyc_per_px, result.mtf)
    np.testing.assert_allclose(mtf, on_grid, atol=1e-9)
    assert result.mtf[0] == pytest.approx(1)
    assert result.mtf20_cyc_per_px == pytest.approx(blur.level(0.2, 5.7), rel=3e-3)
    assert result.mtf10_cyc_per_px == pytest.approx(blur.level(0.1, 5.7), rel=5e-3)


def test_the_lens_alone_stands_beside_the_system() -> None:
    from lab.optics.system import crossing

    blur = Blur(diffraction_px=1.2)
    result = measured(measure_edge(blur.pixels((100, 100), 6.0)))
    alone = crossing(blur.lens, 0.5, 1 / 1.2)
    assert alone is not None
    assert result.lens_mtf50_cyc_per_px == pytest.approx(alone, rel=2e-3)
    assert result.lens_mtf50_cyc_per_px > 1.15 * result.mtf50_cyc_per_px


def test_physical_and_free_shape_stand_beside_the_figure() -> None:
    rng = np.random.default_rng(13)
    result = measured(measure_edge(SHARP.pixels((100, 100), 5.7, noise_share=0.01, rng=rng)))
    truth = SHARP.level(0.5, 5.7)
    assert abs(result.physical_mtf50_cyc_per_px - truth) < 4 * result.physical_mtf50_std
    assert abs(result.companion_mtf50_cyc_per_px - truth) < 4 * result.companion_mtf50_std
    assert result.companion_mtf50_std > result.physical_mtf50_std  # freedom costs precision
    assert "shape-disagrees" not in result.flags


def test_a_shape_that_no_lens_makes_is_flagged() -> None:
    # A second image of the edge, 3 px beside the first: a reflection, or a jolt.
    pixels = SHARP.pixels((120, 120), 5.7) + 0.4 * SHARP.pixels((120, 120), 5.7, position_px=3.3)
    pixels += np.random.default_rng(14).normal(0, 3, pixels.shape)
    assert "shape-outside-model" in measured(measure_edge(pixels)).flags


def test_spread_functions_are_those_of_the_truth() -> None:
    result = measured(measure_edge(SHARP.pixels((100, 100), 5.7)))
    x = np.linspace(-12, 12, 97)
    esf, lsf = result.edge_spread(x)
    profile = EdgeProfile(SHARP.system(5.7), 1 / 2.2)
    np.testing.assert_allclose(esf, profile(x), atol=2e-3)
    np.testing.assert_allclose(lsf, (profile(x + 1e-3) - profile(x - 1e-3)) / 2e-3, atol=3e-3)


def test_the_other_sides_of_a_square_are_known_not_guessed() -> None:
    blur = Blur(diffraction_px=8.6)
    side = 171.0
    profile = EdgeProfile(blur.system(6.0), 1 / 8.6)
    row, col = np.indices((128, 154)) - np.array([63.5, 76.5])[:, None, None]
    angle = np.deg2rad(6)
    x = col * np.cos(angle) + row * np.sin(angle)
    t = row * np.cos(angle) - col * np.sin(angle)
    across = profile(x + side) - profile(x)  # darkness of the strip between two sides
    along = profile(t + side / 2) - profile(t - side / 2)
    square = HIGH - (HIGH - LOW) * across * along
    truth = blur.level(0.5, 6.0)
    near = (np.abs(x) < 77) & (np.abs(t) < 60)
    told = measured(measure_edge(square, near, square_side_px=side)).mtf50_cyc_per_px
    untold = measured(measure_edge(square, near)).mtf50_cyc_per_px
    assert told == pytest.approx(truth, rel=1e-3)
    assert abs(untold / truth - 1) > 2e-3


# Masks, levels, light -------------------------------------------------------------------------


@pytest.mark.parametrize(("rows", "cols"), [(0, 0), (0, 1), (1, 1)])
def test_one_raw_colours_sites_alone(rows: int, cols: int) -> None:
    pixels = SHARP.pixels((120, 120), 5.7)
    row, col = np.indices(pixels.shape)
    site = (row % 2 == rows) & (col % 2 == cols)
    spoilt = np.where(site, pixels, 1e6)  # the other colours' values must not matter
    result = measured(measure_edge(spoilt, site))
    assert result.mtf50_cyc_per_px == pytest.approx(SHARP.level(0.5, 5.7), rel=3e-3)
    assert result.pixels_used == site.sum()


def test_scale_and_polarity_do_not_matter() -> None:
    rng = np.random.default_rng(3)
    pixels = SHARP.pixels((100, 100), 5.7, noise_share=0.01, rng=rng)
    base = measured(measure_edge(pixels))
    scaled = measured(measure_edge(pixels * 0.02))
    turned = measured(measure_edge(np.rot90(pixels, 2)))
    assert scaled.mtf50_cyc_per_px == pytest.approx(base.mtf50_cyc_per_px, rel=1e-4)
    assert turned.mtf50_cyc_per_px == pytest.approx(base.mtf50_cyc_per_px, rel=1e-3)
    assert abs(turned.angle_deg) == pytest.approx(180 - 5.7, abs=0.1)


def test_uneven_light_moves_nothing() -> None:
    pixels = SHARP.pixels((100, 100), 5.7)
    row, col = np.indices(pixels.shape)
    uneven = pixels * (1 + 8e-4 * row - 1.2e-3 * col)
    result = measured(measure_edge(uneven))
    assert result.mtf50_cyc_per_px == pytest.approx(SHARP.level(0.5, 5.7), rel=2e-3)


def test_dust_is_left_out() -> None:
    rng = np.random.default_rng(4)
    pixels = SHARP.pixels((100, 100), 5.7, noise_share=0.01, rng=rng)
    pixels[30:35, 12:17] = LOW
    pixels[60:64, 80:84] -= 500
    result = measured(measure_edge(pixels))
    assert "specks-left-out" in result.flags
    # 16 pixels of the second speck differ from the bright side; the first is dark on dark.
    assert 16 <= result.pixels_left_out <= 20
    assert result.mtf50_cyc_per_px == pytest.approx(SHARP.level(0.5, 5.7), rel=0.015)


def test_noise_is_estimated_where_none_is_given() -> None:
    rng = np.random.default_rng(5)
    clean = SHARP.pixels((120, 120), 5.7)
    model = NoiseModel(read_std=4.0, gain=0.3)
    noisy = clean + rng.normal(size=clean.shape) * np.sqrt(model.variance(clean))
    found = measured(measure_edge(noisy)).noise
    for level in (LOW, HIGH):
        assert found.variance(level) == pytest.approx(float(model.variance(level)), rel=0.1)


# Uncertainty ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("blur", "given"),
    [
        (Blur(diffraction_px=2.2), True),
        (Blur(diffraction_px=2.2, w20=0.35), False),
        (Blur(diffraction_px=4.0, w20=-0.9, w040=0.7), False),
    ],
)
def test_intervals_hold_the_truth(blur: Blur, given: bool) -> None:
    rng = np.random.default_rng(6)
    clean = blur.pixels((80, 80), 5.7)
    truth = blur.level(0.5, 5.7)
    noise = NoiseModel(read_std=9.0, gain=0.0)
    runs = 120
    hits, errors, stds = 0, [], []
    for _ in range(runs):
        pixels = clean + rng.normal(0, 9.0, clean.shape)
        result = measured(measure_edge(pixels, noise=noise if given else None))
        errors.append(result.mtf50_cyc_per_px - truth)
        stds.append(result.mtf50_std)
        hits += abs(errors[-1]) < 1.96 * stds[-1]
    # 95 % acceptance of a true 95 % over 120 runs is 0.90 to 0.99 (binomial); a little
    # wider above, since the prior's mixture is cautious.
    assert 0.90 <= hits / runs <= 1.0
    assert np.std(errors) < 1.25 * np.mean(stds)
    assert np.std(errors) > 0.6 * np.mean(stds)


def test_uncertainty_grows_with_noise() -> None:
    stds = []
    for share in (0.003, 0.01, 0.03):
        rng = np.random.default_rng(7)
        stds.append(measured(measure_edge(SHARP.pixels((90, 90), 5.7, noise_share=share, rng=rng))))
    ratios = [b.mtf50_std / a.mtf50_std for a, b in itertools.pairwise(stds)]
    assert all(1.8 < ratio < 5 for ratio in ratios)


# Raggedness -----------------------------------------------------------------------------------


def test_a_ragged_edge_is_told_from_a_straight_one() -> None:
    rng = np.random.default_rng(8)
    profile = EdgeProfile(SHARP.system(5.7), 1 / 2.2)
    row, col = np.indices((120, 100)) - np.array([59.5, 49.5])[:, None, None]
    angle = np.deg2rad(5.7)
    x = col * np.cos(angle) + row * np.sin(angle)
    wobble = np.repeat(rng.normal(0, 0.4, 30), 4)[:, None]
    for amount in (0.0, 1.0):
        clean = LOW + (HIGH - LOW) * profile(x + amount * wobble)
        result = measured(measure_edge(clean + rng.normal(0, 9, x.shape)))
        if amount:
            assert result.raggedness_px == pytest.approx(float(np.std(wobble)), rel=0.25)
            assert "ragged-edge" in result.flags
        else:
            assert result.raggedness_px < 3 * result.raggedness_std
            assert "ragged-edge" not in result.flags


def test_the_spectrum_finds_a_saw_tooth() -> None:
    from lab.edges.locus import raggedness_spectrum

    rng = np.random.default_rng(9)
    profile = EdgeProfile(SHARP.system(5.7), 1 / 2.2)
    row, col = np.indices((160, 100)) - np.array([79.5, 49.5])[:, None, None]
    angle = np.deg2rad(5.7)
    x = col * np.cos(angle) + row * np.sin(angle) + 0.3 * np.sin(2 * np.pi * row / 16)
    pixels = LOW + (HIGH - LOW) * profile(x) + rng.normal(0, 9, x.shape)
    frequency, power = raggedness_spectrum(measured(measure_edge(pixels)).locus)
    assert frequency[np.argmax(power)] == pytest.approx(1 / 16, rel=0.1)
    assert power.max() == pytest.approx(0.3**2 / 2, rel=0.3)


# Bad input ------------------------------------------------------------------------------------


def noisy_edge(noise_share: float = 0.01) -> np.ndarray:
    return SHARP.pixels((100, 100), 5.7, noise_share=noise_share, rng=np.random.default_rng(10))


def two_edges() -> np.ndarray:
    return noisy_edge() + 900.0 * (np.indices((100, 100))[1] > 80)


def bar() -> np.ndarray:
    col = np.indices((100, 100))[1]
    return np.where(np.abs(col - 50) < 12, LOW, HIGH) + np.random.default_rng(1).normal(
        0, 9, (100, 100)
    )


def corner() -> np.ndarray:
    row, col = np.indices((100, 100))
    noise = np.random.default_rng(1).normal(0, 9, (100, 100))
    return np.where((row > 50) & (col > 50), HIGH, LOW) + noise


def with_nan() -> np.ndarray:
    pixels = noisy_edge()
    pixels[3, 4] = np.nan
    return pixels


@pytest.mark.parametrize(
    ("pixels", "expected"),
    [
        (np.full((80, 80), 5.0), "uniform"),
        (np.random.default_rng(2).normal(100, 5, (80, 80)), "times the noise"),
        (two_edges(), "edge"),
        (bar(), "edge"),
        (corner(), ""),
        (900.0 * (np.indices((90, 90)).sum(axis=0) // 8 % 2) + noisy_edge()[:90, :90], ""),
        (np.indices((90, 90))[1] * 10.0 + np.random.default_rng(3).normal(0, 9, (90, 90)), ""),
        (np.minimum(noisy_edge(), 700), "bright side is clipped: halve the exposure"),
        (np.minimum(noisy_edge(0), 700), "bright side is clipped"),
        (np.maximum(noisy_edge(), 300), "dark side is clipped"),
        (noisy_edge(1 / 3), "times the noise"),
        (with_nan(), "1 of 10000 pixels hold no number"),
        (np.full((50, 50), np.nan), "hold no number"),
        (np.where(noisy_edge() > 500, np.inf, 0.0), "hold no number"),
        (noisy_edge()[46:54, 46:54], "too small"),
        (noisy_edge()[:1, :1], "too small"),
        (np.zeros((0, 0)), "empty mask"),
        (noisy_edge()[:, 52:], "edge"),
    ],
)
def test_a_hopeless_region_is_refused_with_its_reason(pixels: np.ndarray, expected: str) -> None:
    assert expected in reason(measure_edge(pixels))


def test_a_three_sigma_step_is_refused_with_the_noise_given() -> None:
    noise = NoiseModel(read_std=300.0, gain=0.0)
    assert "times the noise" in reason(measure_edge(noisy_edge(1 / 3), noise=noise))


def test_an_empty_mask_is_refused() -> None:
    assert "empty mask" in reason(measure_edge(noisy_edge(), np.zeros((100, 100), bool)))


def test_masked_nan_does_no_harm() -> None:
    pixels = with_nan()
    assert isinstance(measure_edge(pixels, np.isfinite(pixels)), EdgeMeasurement)


@pytest.mark.parametrize("angle", [0.0, 45.0, 90.0])
def test_a_direction_with_too_few_phases_is_refused_when_the_blur_is_small(angle: float) -> None:
    rng = np.random.default_rng(11)
    small = Blur(diffraction_px=0.9).pixels((80, 80), angle, noise_share=0.005, rng=rng)
    assert "turn the target" in reason(measure_edge(small))
    # A wider blur needs no finer sampling: the same directions serve.
    wide = SHARP.pixels((80, 80), angle, noise_share=0.005, rng=rng)
    value = measured(measure_edge(wide)).mtf50_cyc_per_px
    assert value == pytest.approx(SHARP.level(0.5, angle), rel=0.015)


@pytest.mark.parametrize("side", [12, 13, 16, 20])
def test_small_regions_give_a_figure_or_a_reason(side: int) -> None:
    rng = np.random.default_rng(15)
    for angle in (7.3, 97.3):
        pixels = SHARP.pixels((side, side + 3), angle, noise_share=0.01, rng=rng)
        result = measure_edge(pixels)
        if isinstance(result, EdgeMeasurement):
            truth = SHARP.level(0.5, angle)
            assert abs(result.mtf50_cyc_per_px - truth) < 4.5 * result.mtf50_std
        else:
            assert result.reason


@pytest.mark.parametrize("angle", [1.5, 20.0, 44.0, 60.0, 88.5, 91.5, -30.0, -178.5])
def test_any_other_direction_is_measured(angle: float) -> None:
    rng = np.random.default_rng(12)
    pixels = SHARP.pixels((100, 100), angle, noise_share=0.003, rng=rng)
    value = measured(measure_edge(pixels)).mtf50_cyc_per_px
    assert value == pytest.approx(SHARP.level(0.5, angle), rel=0.006)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((np.zeros(5),), "two dimensions"),
        ((np.zeros((20, 20)), np.ones((20, 21), bool)), "mask must have"),
    ],
)
def test_wrong_shapes_raise(arguments: tuple[np.ndarray, ...], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        measure_edge(*arguments)


def test_a_square_has_a_side() -> None:
    with pytest.raises(ValueError, match="square_side_px"):
        measure_edge(noisy_edge(), square_side_px=0.0)


def test_a_result_cannot_be_changed() -> None:
    result = measured(measure_edge(noisy_edge()))
    with pytest.raises(dataclasses.FrozenInstanceError):
        result.mtf50_cyc_per_px = 1.0  # type: ignore[misc]
    with pytest.raises(ValueError, match="read-only"):
        result.mtf[0] = 2.0


def test_the_same_pixels_give_the_same_digits() -> None:
    first, second = measured(measure_edge(noisy_edge())), measured(measure_edge(noisy_edge()))
    assert first.mtf50_cyc_per_px == second.mtf50_cyc_per_px
    assert first.mtf50_std == second.mtf50_std
