"""Edges in directed light: both limits, two routes and a brute-force third to each image."""

from __future__ import annotations

import numpy as np
import pytest

from lab.edges.types import FloatArray
from lab.optics.edge_profile import EdgeProfile
from lab.optics.partial_coherence import (
    apparent_mtf50,
    apparent_transfer,
    coherence_ratio_for,
    coherent_edge,
    mtf50_error,
    partially_coherent_edge,
)
from lab.optics.pupil import aberrated_otf, clear_pupil_mtf
from tests.optics.published import S50

U = np.array([0.0, 0.17, 0.43, 0.9, 1.35, 2.6, 5.3])
BOTH = np.concatenate([-U[:0:-1], U])
S = np.array([0.04, 0.13, 0.31, 0.47, 0.62, 0.88])


# The coherent limit


def test_coherent_edge_is_a_quarter_at_the_edge_and_overshoots_by_a_fifth() -> None:
    # Exact: Si(0) = 0; Si has its first maximum at pi, Si(pi) = 1.851937052 (tables).
    assert coherent_edge(0.0) == 0.25
    fine = np.linspace(0.2, 3, 2801)
    assert fine[np.argmax(coherent_edge(fine))] == pytest.approx(1.0, abs=2e-3)
    assert coherent_edge(1.0) == pytest.approx((0.5 + 1.851937052 / np.pi) ** 2, abs=1e-9)
    assert coherent_edge(1.0) == pytest.approx(1.187, abs=5e-4)


def test_a_small_source_gives_the_coherent_edge() -> None:
    np.testing.assert_allclose(partially_coherent_edge(BOTH, 1e-3), coherent_edge(BOTH), atol=1e-5)


def test_transfer_of_the_coherent_edge() -> None:
    # Exact: from the convolution of the edge's amplitude spectrum, [s < 1/2] + i log |1 -
    # 2 s| / pi; above 1 below half the cut-off, with a pole there.
    expected = (S < 0.5) + 1j * np.log(np.abs(1 - 2 * S)) / np.pi
    np.testing.assert_allclose(apparent_transfer(S, 1e-3), expected, atol=2e-5)
    # |log(2 s - 1)| = pi / 2 beyond the pole.
    assert apparent_mtf50(1e-3) == pytest.approx((1 + np.exp(-np.pi / 2)) / 2, abs=1e-5)


# The incoherent limit


@pytest.mark.parametrize(("ratio", "w20"), [(1.0, 0.0), (1.3, 0.6), (2.5, 2.0)])
def test_the_edges_odd_part_is_incoherent_from_ratio_one(ratio: float, w20: float) -> None:
    # Exact: then the source holds the whole pupil, and the linear part of the image is
    # that of all plane waves the lens accepts.
    incoherent = EdgeProfile(lambda s: aberrated_otf(s, w20), 1.0)
    both = partially_coherent_edge(BOTH, ratio, w20)
    np.testing.assert_allclose((both + 1 - both[::-1]) / 2, incoherent(BOTH), atol=1e-6)
    np.testing.assert_allclose(
        apparent_transfer(S, ratio, w20).real, aberrated_otf(S, w20), atol=1e-6
    )


def test_published_incoherent_edge() -> None:
    # Airy edge spread, independent quadrature; the odd part of the edge at ratio 2.
    u = np.array([0.25, 0.5, 1.0, 2.0, 5.0])
    odd = (partially_coherent_edge(u, 2.0) + 1 - partially_coherent_edge(-u, 2.0)) / 2
    expected = [0.7010497, 0.8454451, 0.9390891, 0.9683963, 0.9871638]
    np.testing.assert_allclose(odd, expected, atol=5e-8)


def test_wide_light_only_moves_the_edge() -> None:
    # Exact to first order in 1 / S: the transfer's phase is -2 s / (pi S), a shift of
    # 1 / (pi**2 S) towards the bright side; second order is S**-2.
    ratio = 25.0
    shifted = EdgeProfile(clear_pupil_mtf, 1.0)(BOTH - 1 / (np.pi**2 * ratio))
    np.testing.assert_allclose(partially_coherent_edge(BOTH, ratio), shifted, atol=1 / ratio**2)
    lopsided = apparent_transfer(S, ratio).imag / clear_pupil_mtf(S)
    np.testing.assert_allclose(lopsided, -2 * S / (np.pi * ratio), rtol=3 / ratio)


def test_error_of_mtf50_falls_as_the_square_of_the_ratio() -> None:
    # Exact in the limit: modulus 1 + (2 s / (pi S))**2 / 2 at s50, over the MTF's slope.
    slope = (4 / np.pi) * np.sqrt(1 - S50**2)
    limit = 0.5 * 2 * S50 / (np.pi**2 * slope)
    assert mtf50_error(30.0) * 30.0**2 == pytest.approx(limit, rel=0.01)
    assert mtf50_error(3.0) * 9 == pytest.approx(limit, rel=0.1)
    assert np.sqrt(limit) == pytest.approx(0.19, abs=0.005)  # the docstring's


# Two routes to one image, and a third by brute force


def _by_transfer(u: FloatArray, ratio: float, w20: float) -> FloatArray:
    """The edge from its transfer: 1/2 + integral of (Re sin + Im cos) / (pi s)."""
    node, weight = np.polynomial.legendre.leggauss(500)
    v = (node + 1) / 2
    s = 1 - v * v
    transfer = apparent_transfer(s, ratio, w20) * (weight * v / (np.pi * s))
    phase = 2 * np.pi * np.outer(u, s)
    return np.asarray(0.5 + np.sin(phase) @ transfer.real + np.cos(phase) @ transfer.imag)


@pytest.mark.parametrize(
    ("ratio", "w20"), [(0.3, 0.0), (0.5, 0.7), (0.95, 0.0), (1.0, 1.6), (1.5, 0.4), (4.0, 0.0)]
)
def test_summed_source_points_and_transfer_give_one_edge(ratio: float, w20: float) -> None:
    by_points = partially_coherent_edge(BOTH, ratio, w20)
    np.testing.assert_allclose(by_points, _by_transfer(BOTH, ratio, w20), atol=5e-6)


def _by_fourier(ratio: float, w20: float) -> tuple[FloatArray, FloatArray]:
    """Discrete Abbe image of one edge of a wide bar: no closed form anywhere."""
    n, step = 2048, 0.08
    u = (np.arange(n) - n // 2) * step
    spectrum = np.fft.fft((u >= 0).astype(float))  # the edge is half a step before 0
    frequency = np.fft.fftfreq(n, step)
    grid = (np.arange(40) + 0.5) / 20 - 1
    total, plateau = np.zeros(n), 0.0
    for x in grid * ratio:
        for y in grid[grid > 0] * ratio:
            if x * x + y * y > ratio * ratio:
                continue
            square = (2 * frequency + x) ** 2 + y * y
            pupil = (square <= 1) * np.exp(2j * np.pi * w20 * square)
            total += np.abs(np.fft.ifft(spectrum * pupil)) ** 2
            plateau += float(x * x + y * y <= 1)
    return u + step / 2, total / plateau


@pytest.mark.parametrize(("ratio", "w20"), [(0.6, 0.0), (0.6, 0.8), (1.4, 0.3)])
def test_brute_force_comes_to_the_same(ratio: float, w20: float) -> None:
    u, image = _by_fourier(ratio, w20)
    near = np.abs(u) < 4
    np.testing.assert_allclose(image[near], partially_coherent_edge(u[near], ratio, w20), atol=5e-3)


# What directed light does


def test_overshoot_ends_before_the_error_does() -> None:
    # At ratio 1 no flag can see the light from the edge, yet MTF50 comes out 9 % too high.
    fine = np.linspace(-5, 5, 201)
    peaks = [partially_coherent_edge(fine, ratio).max() for ratio in (0.25, 0.5, 0.7, 1.0)]
    assert peaks == sorted(peaks, reverse=True)
    assert peaks[2] > 1.05
    assert peaks[3] < 1
    even = partially_coherent_edge(fine, 1.0)
    assert np.max(np.maximum.accumulate(even) - even) < 2e-3
    assert mtf50_error(1.0) > 0.05


@pytest.mark.parametrize("ratio", [1.0, 1.5, 2.5])
def test_best_focus_is_the_worst_case(ratio: float) -> None:
    errors = [mtf50_error(ratio, w20) for w20 in (0.0, 0.2, 0.5, 1.1)]
    assert errors == sorted(errors, reverse=True)


@pytest.mark.parametrize("error", [0.04, 0.006])
def test_ratio_and_error_are_inverses(error: float) -> None:
    assert mtf50_error(coherence_ratio_for(error)) == pytest.approx(error, rel=1e-3)


def test_defocus_looks_alike_on_both_sides_of_focus() -> None:
    np.testing.assert_allclose(
        partially_coherent_edge(U, 0.6, -0.7), partially_coherent_edge(U, 0.6, 0.7), atol=1e-9
    )


def test_every_shape_of_input() -> None:
    grid = np.array([[-3.0, 0.4], [2.0, 1.25]])
    assert partially_coherent_edge(grid, 0.8).shape == (2, 2)
    assert partially_coherent_edge(0.4, 0.8).shape == ()
    assert partially_coherent_edge(0.4, 0.8) == pytest.approx(
        float(partially_coherent_edge(grid, 0.8)[0, 1]), abs=1e-8
    )
    assert apparent_transfer(grid[:, 1:] / 2, 0.8).shape == (2, 1)
    assert apparent_transfer(0.0, 0.8) == pytest.approx(1)
    assert apparent_transfer(1.0, 0.8) == 0


# Bad input


@pytest.mark.parametrize("ratio", [0.0, -1.0, float("nan"), float("inf")])
def test_coherence_ratio_outside_its_range(ratio: float) -> None:
    with pytest.raises(ValueError, match="coherence_ratio"):
        partially_coherent_edge(0.3, ratio)
    with pytest.raises(ValueError, match="coherence_ratio"):
        apparent_transfer(0.3, ratio)


def test_other_arguments_outside_their_range() -> None:
    with pytest.raises(ValueError, match="w20"):
        apparent_mtf50(2.0, float("nan"))
    with pytest.raises(ValueError, match="u must"):
        partially_coherent_edge([0.1, float("inf")], 2.0)
    with pytest.raises(ValueError, match="s must"):
        apparent_transfer([0.1, 1.2], 2.0)
    with pytest.raises(ValueError, match="error must"):
        coherence_ratio_for(0.2)
