"""The pupil's transfer function: published values, closed forms, other routes to the same."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import j1

from lab.edges.types import FloatArray
from lab.optics.pupil import (
    aberrated_otf,
    aberrated_otf_gradient,
    annular_pupil_mtf,
    clear_pupil_mtf,
    clear_pupil_slope,
)
from tests.optics.published import PUPIL, Table, strehl

ABERRATIONS = [(0.0, 0.0), (0.37, 0.0), (-1.6, 0.0), (0.0, 0.8), (-0.9, 1.3), (2.0, -0.45)]


def cartesian_otf(s: float, w20: float, w040: float) -> float:
    """Autocorrelation of the pupil in plain x and y, path difference not expanded."""
    node, weight = np.polynomial.legendre.leggauss(160)
    node, weight = (node + 1) / 2, weight / 2
    top, angle = np.sqrt(1 - s * s), np.pi / 2 * node
    y = (top * np.sin(angle))[:, None]
    reach = np.sqrt(1 - y * y) - s
    x = reach * node

    def path(x: FloatArray) -> FloatArray:
        return np.asarray(w20 * (x * x + y * y) + w040 * (x * x + y * y) ** 2)

    rows = (np.cos(2 * np.pi * (path(x + s) - path(x - s))) * reach) @ weight
    return float(4 / np.pi * (rows @ (weight * np.pi / 2 * top * np.cos(angle))))


# Published


@pytest.mark.parametrize("table", PUPIL, ids=lambda table: table.title)
def test_published_values(table: Table) -> None:
    assert table.deviation().max() <= table.allowed, table.source


@pytest.mark.parametrize(
    ("w20", "largest_error"),
    [(0.0, 0.0306), (0.25, 0.0276), (0.5, 0.0211), (1.0, 0.0126), (2.0, 0.0068)],
)
def test_stokseths_approximation_is_not_what_we_use(w20: float, largest_error: float) -> None:
    # Stokseth, J. Opt. Soc. Am. 59, 1314 (1969), coefficients from memory; its largest
    # errors by independent quadrature. They were read off a grid of frequencies, so the
    # true maxima may lie a unit of the last digit higher.
    shear = 2 * np.linspace(0, 1, 2001)
    argument = 4 * np.pi * w20 * shear * (1 - shear / 2)
    safe = np.where(argument == 0, 1.0, argument)
    jinc = np.where(argument == 0, 1.0, 2 * j1(safe) / safe)
    approximation = (1 - 0.69 * shear + 0.0076 * shear**2 + 0.043 * shear**3) * jinc
    error = np.max(np.abs(approximation - aberrated_otf(shear / 2, w20)))
    assert error == pytest.approx(largest_error, abs=1e-4)


# Exact


def test_clear_pupil_at_half_cutoff() -> None:
    # Closed form 2/3 - sqrt(3) / (2 pi).
    assert clear_pupil_mtf(0.5) == pytest.approx(2 / 3 - np.sqrt(3) / (2 * np.pi), abs=1e-15)


def test_slope_is_the_derivative() -> None:
    s, h = np.array([0.03, 0.31, 0.62, 0.93]), 1e-5
    difference = (clear_pupil_mtf(s + h) - clear_pupil_mtf(s - h)) / (2 * h)
    np.testing.assert_allclose(clear_pupil_slope(s), difference, rtol=0, atol=1e-9)


@pytest.mark.parametrize(("w20", "w040"), ABERRATIONS)
def test_ends_of_the_aberrated_pupil(w20: float, w040: float) -> None:
    assert aberrated_otf(0.0, w20, w040) == pytest.approx(1, abs=1e-14)
    np.testing.assert_array_equal(aberrated_otf([1.0, 1.2, 40.0], w20, w040), 0)
    assert 0 < abs(aberrated_otf(0.99, w20, w040)) <= clear_pupil_mtf(0.99)


def test_ends_of_the_clear_and_the_annular_pupil() -> None:
    np.testing.assert_array_equal(clear_pupil_mtf([0.0, 1.0, 3.0]), [1, 0, 0])
    np.testing.assert_array_equal(clear_pupil_slope([1.0, 3.0]), 0)
    np.testing.assert_allclose(annular_pupil_mtf([0.0, 1.0, 3.0], 0.35), [1, 0, 0], atol=1e-15)
    assert clear_pupil_mtf(0.99) > 0


@pytest.mark.parametrize("obstruction", [0.2, 0.35, 0.6])
def test_annulus_beyond_the_reach_of_its_stop_is_a_clear_pupil_of_less_area(
    obstruction: float,
) -> None:
    # Once the shear exceeds both radii together, the overlap is the clear pupil's.
    s = np.linspace((1 + obstruction) / 2, 1, 7)
    expected = clear_pupil_mtf(s) / (1 - obstruction**2)
    np.testing.assert_allclose(annular_pupil_mtf(s, obstruction), expected, rtol=0, atol=1e-14)


def test_annulus_without_a_stop_is_the_clear_pupil() -> None:
    s = np.linspace(0, 1, 11)
    np.testing.assert_allclose(annular_pupil_mtf(s, 0.0), clear_pupil_mtf(s), rtol=0, atol=0)
    # A stop of 1e-4 hides 1e-8 of the area, three times over at most.
    np.testing.assert_allclose(annular_pupil_mtf(s, 1e-4), clear_pupil_mtf(s), rtol=0, atol=3e-8)


def test_general_route_without_aberration_is_the_clear_pupil() -> None:
    s = np.linspace(0, 1.1, 23)
    np.testing.assert_array_equal(aberrated_otf(s), clear_pupil_mtf(s))
    # The smallest aberration takes the quadrature instead of the closed form.
    np.testing.assert_allclose(aberrated_otf(s, 1e-9), clear_pupil_mtf(s), rtol=0, atol=1e-13)


@pytest.mark.parametrize(("w20", "w040"), ABERRATIONS)
@pytest.mark.parametrize("s", [0.013, 0.23, 0.58, 0.91])
def test_overlap_integral_by_another_route(s: float, w20: float, w040: float) -> None:
    # The accuracy that aberrated_otf states.
    assert aberrated_otf(s, w20, w040) == pytest.approx(cartesian_otf(s, w20, w040), abs=1e-10)


@pytest.mark.parametrize(("w20", "w040"), [(5.0, 0.0), (-6.0, 6.5), (14.0, 0.0)])
def test_overlap_integral_far_from_focus(w20: float, w040: float) -> None:
    for s in (0.02, 0.4, 0.8):
        assert aberrated_otf(s, w20, w040) == pytest.approx(cartesian_otf(s, w20, w040), abs=1e-10)


@pytest.mark.parametrize("w20", [0.11, -0.66, 1.83])
def test_defocus_is_hopkins_integral(w20: float) -> None:
    # (4 / pi) integral from s to 1 of sqrt(1 - t**2) cos(8 pi W s (t - s)) dt.
    for s in (0.05, 0.37, 0.74):
        hopkins = quad(
            lambda t, s=s: np.sqrt(1 - t * t) * np.cos(8 * np.pi * w20 * s * (t - s)),
            *(s, 1),
            epsabs=1e-12,
            limit=200,
        )[0]
        assert aberrated_otf(s, w20) == pytest.approx(4 / np.pi * hopkins, abs=1e-10)


@pytest.mark.parametrize(("w20", "w040"), ABERRATIONS)
def test_volume_under_the_otf_is_the_light_on_axis(w20: float, w040: float) -> None:
    # Strehl ratio from the pupil: |integral of exp(2 pi i W)|**2, over area t = rho**2.
    def part(wave: np.ufunc) -> float:
        return float(quad(lambda t: wave(2 * np.pi * (w20 * t + w040 * t * t)), 0, 1)[0])

    assert strehl(w20, w040) == pytest.approx(part(np.cos) ** 2 + part(np.sin) ** 2, abs=1e-10)


@pytest.mark.parametrize("w20", [0.3, 0.85, 1.0, 1.7])
def test_strehl_of_defocus(w20: float) -> None:
    # Closed form sinc**2 of the waves at the rim.
    assert strehl(w20) == pytest.approx(np.sinc(w20) ** 2, abs=1e-12)


def test_sign_of_the_whole_aberration_does_not_matter() -> None:
    s = np.linspace(0.05, 0.95, 10)
    one, other = aberrated_otf(s, 0.4, -0.9), aberrated_otf(s, -0.4, 0.9)
    np.testing.assert_allclose(one, other, rtol=0, atol=1e-14)
    assert np.max(np.abs(one - aberrated_otf(s, 0.4, 0.9))) > 0.1


def test_arguments_broadcast() -> None:
    s, w20, w040 = np.array([[0.1], [0.45], [0.8]]), np.array([0.0, 0.3, -1.1, 0.7]), 0.25
    together = aberrated_otf(s, w20, w040)
    assert together.shape == (3, 4)
    for row, column in np.ndindex(3, 4):
        alone = aberrated_otf(s[row, 0], w20[column], w040)
        assert alone.shape == ()
        assert together[row, column] == pytest.approx(float(alone), abs=1e-13)


def test_many_frequencies_at_once_are_computed_as_each_alone() -> None:
    # More than the integral takes in one piece, so that the joints are crossed.
    s = np.linspace(0, 1, 6001)
    few = slice(None, None, 250)
    assert aberrated_otf(s, 0.6, -0.2).shape == s.shape
    np.testing.assert_allclose(
        aberrated_otf(s, 0.6, -0.2)[few], aberrated_otf(s[few], 0.6, -0.2), rtol=0, atol=1e-14
    )
    assert aberrated_otf(np.empty(0), 0.6).shape == (0,)


# Bad input


@pytest.mark.parametrize("obstruction", [-0.1, 1.0, 1.5, float("nan")])
def test_obstruction_outside_its_range(obstruction: float) -> None:
    with pytest.raises(ValueError, match="obstruction"):
        annular_pupil_mtf(0.3, obstruction)


def test_secondary_spherical_against_a_sampled_pupil() -> None:
    """A second route: autocorrelation of a sampled pupil, 4e-3 for 256 samples across it."""
    n, s = 512, np.array([0.11, 0.27, 0.44, 0.63])
    axis = (np.arange(n) - (n - 1) / 2) / (n / 4)
    x, y = np.meshgrid(axis, axis)
    square = x**2 + y**2
    cover = np.clip((1 - np.sqrt(square)) / (axis[1] - axis[0]) + 0.5, 0, 1)
    path = 0.3 * square - 0.7 * square**2 + 0.45 * square**3
    field = np.fft.fft2(cover * np.exp(2j * np.pi * path), (2 * n, 2 * n))
    overlap = np.fft.ifft2(np.abs(field) ** 2).real
    expected = np.interp(2 * s * n / 4, np.arange(n), overlap[0, :n] / overlap[0, 0])
    assert aberrated_otf(s, 0.3, -0.7, 0.45) == pytest.approx(expected, abs=4e-3)


def test_gradient_is_the_derivative_of_the_transfer() -> None:
    """Exact: central differences, and the transfer beside it is the same to what it states."""
    rng = np.random.default_rng(8)
    at = np.stack([rng.uniform(0.03, 0.95, 40), *rng.uniform(-1.2, 1.2, (3, 40))])
    transfer, gradient = aberrated_otf_gradient(*at)
    assert transfer == pytest.approx(aberrated_otf(*at), abs=1e-7)
    for k in range(4):
        step = np.zeros((4, 1))
        step[k] = 1e-5
        slope = (aberrated_otf(*(at + step)) - aberrated_otf(*(at - step))) / 2e-5
        assert gradient[:, k] == pytest.approx(slope, abs=2e-5)
