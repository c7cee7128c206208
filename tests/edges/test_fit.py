"""The parts of the fit by themselves: the pixel's aperture, nodes, averaged pixels."""

from __future__ import annotations

import numpy as np
import pytest

from lab.edges import fit
from lab.edges.curves import aperture_rule, node_at, node_curves, node_places
from lab.edges.measure import EdgeMeasurement, measure_edge
from lab.edges.shapes import shape_family
from lab.edges.types import NoiseModel
from lab.optics.sensor import pixel_mtf
from tests.edges.blur import Blur

SOFT = Blur(diffraction_px=3.1, w20=0.3)
NOISE = NoiseModel(read_std=9.0, gain=0.0)


@pytest.mark.parametrize("angle_deg", [0.0, 5.7, 31.0, 45.0, 88.0])
@pytest.mark.parametrize(("points", "power"), [(2, 3), (3, 5), (4, 7), (5, 9)])
def test_a_gauss_rule_of_the_pixel_has_its_moments(
    angle_deg: float, points: int, power: int
) -> None:
    """Exact: moments of the convolution of both projected sides, from a fine grid of them."""
    angle = np.radians(angle_deg)
    side = (np.arange(2000) + 0.5) / 2000 - 0.5
    x = np.add.outer(side * np.cos(angle), side * np.sin(angle))
    offset, weight = aperture_rule(round(angle * 8192), points)
    for k in range(power + 1):
        assert weight @ offset**k == pytest.approx(np.mean(x**k), rel=5e-4, abs=1e-9)


@pytest.mark.parametrize("points", [2, 3, 4, 5])
def test_a_gauss_rule_has_the_pixels_transfer_at_low_frequencies(points: int) -> None:
    """Exact: the closed form of ``pixel_mtf``."""
    f = np.linspace(0, 0.15, 7)
    offset, weight = aperture_rule(round(0.3 * 8192), points)
    found = weight @ np.cos(2 * np.pi * np.outer(offset, f))
    np.testing.assert_allclose(found, pixel_mtf(f, np.degrees(0.3)), atol=10.0 ** -(2 * points - 1))


def test_nodes_reach_any_distance_and_come_back_to_their_places() -> None:
    first, last = -384, 384
    u, growth = node_places(first, last)
    index = np.arange(first, last + 1)
    inner = np.abs(index) < 384  # the last stands for infinity
    np.testing.assert_allclose(node_at(u)[inner], index[inner], atol=1e-9)
    assert u[-2] > 700
    np.testing.assert_allclose(np.gradient(u)[200:-200], growth[200:-200], rtol=2e-2)


def test_far_nodes_lie_on_the_profile_of_near_ones() -> None:
    """Sparse nodes hold the same function: against a table read at its own rows."""
    family = shape_family()
    coefficient = np.sqrt(family.variance) * np.sin(np.arange(family.n))
    esf, slope, _ = node_curves(family, -340, 340, 0.2, coefficient, 0.1, np.inf)
    u, _ = node_places(-340, 340)
    far = (np.abs(u) > 5) & (np.abs(u) < 15)
    rows = family.centre + u[far] * 240
    for column in (0, 3, 21):
        expected = np.interp(rows, np.arange(len(family.esf)), family.esf[:, column])
        np.testing.assert_allclose(esf[far, column], expected, atol=2e-6)
    mixed = family.lsf[:, 0] + family.lsf[:, 1:] @ coefficient
    np.testing.assert_allclose(slope[far], np.interp(rows, np.arange(mixed.size), mixed), atol=2e-5)


def _both(
    monkeypatch: pytest.MonkeyPatch, pixels: np.ndarray
) -> tuple[EdgeMeasurement, EdgeMeasurement]:
    averaged = measure_edge(pixels, None, NOISE)
    monkeypatch.setattr(fit, "collapsed", lambda pixels, state, noise: pixels)
    single = measure_edge(pixels, None, NOISE)
    assert isinstance(averaged, EdgeMeasurement)
    assert isinstance(single, EdgeMeasurement)
    assert averaged.fit.pixels.value.size < 0.7 * single.fit.pixels.value.size
    return averaged, single


def test_averaging_far_pixels_changes_no_figure(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(8)
    pixels = SOFT.pixels((150, 150), 5.7, noise_share=0.01, rng=rng, sagitta_px=0.2)
    averaged, single = _both(monkeypatch, pixels)
    std = single.mtf50_std
    assert averaged.mtf50_cyc_per_px == pytest.approx(single.mtf50_cyc_per_px, abs=0.05 * std)
    assert averaged.mtf50_std == pytest.approx(std, rel=0.01)
    assert averaged.fit.chi_square == pytest.approx(single.fit.chi_square, rel=0.01)
    assert averaged.raggedness_px == pytest.approx(single.raggedness_px, abs=1e-3)
    assert averaged.pixels_used == single.pixels_used
    assert averaged.flags == single.flags == ()


def test_dust_far_from_the_edge_is_left_out_of_the_averages(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = np.random.default_rng(9)
    pixels = SOFT.pixels((150, 150), 5.7, noise_share=0.01, rng=rng)
    clean = measure_edge(pixels, None, NOISE)
    pixels[20:24, 130:134] -= 400.0
    averaged, single = _both(monkeypatch, pixels)
    assert averaged.pixels_left_out == single.pixels_left_out == 16
    assert "specks-left-out" in averaged.flags
    assert isinstance(clean, EdgeMeasurement)
    assert averaged.mtf50_cyc_per_px == pytest.approx(
        clean.mtf50_cyc_per_px, abs=0.1 * clean.mtf50_std
    )
