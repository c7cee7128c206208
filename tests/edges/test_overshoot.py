"""An edge that overshoots is told from every edge that diffuse light makes."""

from __future__ import annotations

import numpy as np
import pytest

from lab import Rejection, measure_edge
from lab.edges.checks import overshoot
from lab.edges.measure import EdgeMeasurement
from tests.edges.blur import HIGH, LOW, Blur
from tests.edges.directed import (
    directed_pixels,
    directed_profile,
    largest_fall,
    unsharp_masked,
)

SHAPE, ANGLE = (100, 100), 5.7
STEP = HIGH - LOW


def measured(result: EdgeMeasurement | Rejection) -> EdgeMeasurement:
    assert isinstance(result, EdgeMeasurement), result
    return result


def noise(rng: np.random.Generator, share: float) -> np.ndarray:
    return rng.normal(0, share * STEP, SHAPE)


# Recovery


@pytest.mark.parametrize(
    ("diffraction_px", "ratio", "w20"),
    [(2.2, 0.5, 0.0), (2.2, 0.7, 0.0), (0.9, 0.5, 0.5), (3.4, 0.5, 0.5)],
)
def test_the_overshoot_of_directed_light_comes_back(
    diffraction_px: float, ratio: float, w20: float
) -> None:
    rng = np.random.default_rng(21)
    clean = directed_pixels(diffraction_px, ratio, SHAPE, ANGLE, w20=w20)
    result = measured(measure_edge(clean + noise(rng, 0.01)))
    found, std = overshoot(result.fit)
    profile = directed_profile(diffraction_px, ratio, w20, ANGLE)
    truth = largest_fall(profile(np.linspace(-8, 8, 3201) * diffraction_px))
    # The free shape's components know no ringing: up to a fifth of it is smoothed away.
    assert found == pytest.approx(truth, rel=0.2)
    assert 0.0005 < std < 0.005
    assert "overshoot" in result.flags


def test_its_uncertainty_is_its_scatter() -> None:
    rng = np.random.default_rng(22)
    clean = directed_pixels(2.2, 0.6, SHAPE, ANGLE)
    found = np.array(
        [overshoot(measured(measure_edge(clean + noise(rng, 0.02))).fit) for _ in range(30)]
    )
    # The scatter of 30 is known to 13 %; the uncertainty is cautious by up to a half.
    assert 0.5 < np.std(found[:, 0]) / np.mean(found[:, 1]) < 1.3


def test_an_honest_edge_rises_all_the_way() -> None:
    found, _ = overshoot(measured(measure_edge(Blur(diffraction_px=2.2).pixels(SHAPE, ANGLE))).fit)
    assert found < 1e-4


# The flag


@pytest.mark.parametrize("ratio", [0.25, 0.5])
@pytest.mark.parametrize("w20", [0.0, 0.4])
@pytest.mark.parametrize("diffraction_px", [0.9, 4.0])
def test_directed_light_is_flagged(diffraction_px: float, ratio: float, w20: float) -> None:
    rng = np.random.default_rng(23)
    pixels = directed_pixels(diffraction_px, ratio, SHAPE, 12.0, w20=w20) + noise(rng, 0.01)
    assert "overshoot" in measured(measure_edge(pixels)).flags


@pytest.mark.parametrize(
    ("diffraction_px", "radius", "amount"),
    [(0.9, 1.0, 0.5), (0.9, 2.0, 1.5), (2.2, 1.0, 1.5), (2.2, 2.0, 0.5), (3.5, 2.0, 1.0)],
)
def test_sharpening_is_flagged(diffraction_px: float, radius: float, amount: float) -> None:
    rng = np.random.default_rng(24)
    pixels = Blur(diffraction_px=diffraction_px).pixels(SHAPE, ANGLE) + noise(rng, 0.01)
    assert "overshoot" in measured(measure_edge(unsharp_masked(pixels, radius, amount))).flags


HONEST = [
    Blur(diffraction_px=0.9),
    Blur(diffraction_px=2.2),
    Blur(diffraction_px=5.0),
    Blur(diffraction_px=1.1, w20=2.0),
    Blur(diffraction_px=2.2, w20=-1.0),
    Blur(diffraction_px=2.2, w20=-1.0, w040=1.0),
    Blur(diffraction_px=1.4, w040=1.0),
    Blur(diffraction_px=1.5, motion_px=3.0),
    Blur(diffraction_px=1.5, gauss_px=1.5),
]


@pytest.mark.parametrize("blur", HONEST)
def test_diffuse_light_is_not_flagged(blur: Blur) -> None:
    rng = np.random.default_rng(25)
    for share in (0.001, 0.01, 0.05):
        pixels = blur.pixels(SHAPE, ANGLE) + noise(rng, share)
        assert "overshoot" not in measured(measure_edge(pixels)).flags


def test_sharpening_that_makes_no_overshoot_has_none() -> None:
    # Half of a radius of 1 px on a blur of several: steeper, but still rising all the way.
    clean = unsharp_masked(Blur(diffraction_px=4.0).pixels(SHAPE, ANGLE), 1.0, 0.5)
    pixels = clean + noise(np.random.default_rng(26), 0.01)
    assert "overshoot" not in measured(measure_edge(pixels)).flags


def test_light_just_too_directed_does_not_show() -> None:
    # Ratio 1: MTF50 is too high by percents and the edge does not tell. Only the set-up can.
    pixels = directed_pixels(2.2, 1.0, SHAPE, ANGLE) + noise(np.random.default_rng(27), 0.01)
    result = measured(measure_edge(pixels))
    assert result.mtf50_cyc_per_px > 1.04 * Blur(diffraction_px=2.2).level(0.5, ANGLE)
    assert "overshoot" not in result.flags


def test_unevenly_lit_plateaus_are_no_overshoot() -> None:
    rng = np.random.default_rng(28)
    row, col = np.indices(SHAPE) / 99 - 0.5
    for towards in (-1, 1):
        light = 1 + towards * 0.2 * col + 0.02 * row
        pixels = Blur(diffraction_px=2.2).pixels(SHAPE, ANGLE) * light + noise(rng, 0.005)
        assert "overshoot" not in measured(measure_edge(pixels)).flags


def test_a_ragged_edge_is_called_ragged_and_no_more() -> None:
    rng = np.random.default_rng(29)
    row, col = np.indices(SHAPE) - np.array([49.5, 49.5])[:, None, None]
    angle = np.deg2rad(ANGLE)
    profile = directed_profile(1.5, 3.0, 0.0, ANGLE)
    wobble = np.repeat(rng.normal(0, 0.8, 25), 4)[:, None]
    x = np.clip(col * np.cos(angle) + row * np.sin(angle) + wobble, -59, 59)
    result = measured(measure_edge(LOW + STEP * profile(x) + noise(rng, 0.002)))
    assert "ragged-edge" in result.flags
    assert "overshoot" not in result.flags
