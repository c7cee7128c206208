"""The profile of an edge: published values, its closed-form line spread, its tail."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import struve

from lab.edges.types import FloatArray
from lab.optics.edge_profile import EdgeProfile
from lab.optics.pupil import aberrated_otf, clear_pupil_mtf
from lab.optics.sensor import pixel_mtf
from tests.optics.published import EDGE, Table, truncated_mtf50

STATED = 1e-6  # error of the profile, in heights of the edge: edge_profile.py, _STEP
# Rings on the tail, RINGS u**-2.5 at most: the clear pupil's MTF ends as k (1 - s)**1.5,
# k = 8 sqrt(2) / (3 pi), whose transform is 2 k Gamma(5/2) (2 pi u)**-2.5 and once more
# 1 / (2 pi) for the edge: 0.0051. The rest falls as u**-3.
RINGS = 0.0054


def airy_line_spread(u: FloatArray) -> FloatArray:
    """Closed form H1(2 v) / v**2, v = pi u, with Struve's function (from memory)."""
    v = np.pi * u
    return np.asarray(struve(1, 2 * v) / v**2)


def panels(reach: float) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights from 0 to reach, fine enough for the rings."""
    node, weight = np.polynomial.legendre.leggauss(12)
    ends = np.linspace(0, reach, int(4 * reach) + 2)
    half = (ends[1] - ends[0]) / 2
    return (ends[:-1, None] + half * (node + 1)).ravel(), np.tile(half * weight, ends.size - 1)


@pytest.fixture(scope="module")
def airy() -> EdgeProfile:
    return EdgeProfile(clear_pupil_mtf, 1.0)


# Published


@pytest.mark.parametrize("table", EDGE, ids=lambda table: table.title)
def test_published_values(table: Table) -> None:
    assert table.deviation().max() <= table.allowed, table.source


# Exact


@pytest.mark.parametrize("u", [0.013, 0.333, 1.777, 4.4321, 12.3456, 39.99, 40.01, 61.7])
def test_airy_edge_is_the_integral_of_its_line_spread(airy: EdgeProfile, u: float) -> None:
    at, weight = panels(u)
    assert airy(u) == pytest.approx(0.5 + airy_line_spread(at) @ weight, abs=STATED)


def test_line_spread_by_differences(airy: EdgeProfile) -> None:
    u, h = np.array([0.1, 0.45, 0.8, 1.3, 2.15, 6.4]), 0.05
    at, weight = np.polynomial.legendre.leggauss(12)
    rise = airy_line_spread(u[:, None] + h * at) @ (h * weight)
    np.testing.assert_allclose(airy(u + h) - airy(u - h), rise, rtol=0, atol=2 * STATED)


@pytest.mark.parametrize("reach", [3.0, 5.0, 10.0, 20.0, 50.0])
@pytest.mark.parametrize("full_step", [False, True])
def test_truncation_bias_of_the_closed_form(
    airy: EdgeProfile, reach: float, full_step: bool
) -> None:
    # The transform of the closed-form line spread instead of the profile. MTF50 moves by
    # 2.1 times an error of the MTF, which is a few times that of the profile.
    at, weight = panels(reach)
    spread = airy_line_spread(at) * weight
    whole = 1.0 if full_step else 2 * spread.sum()
    found = truncated_mtf50(airy, reach, full_step)
    level = 2 * np.cos(2 * np.pi * found * at) @ spread / whole
    assert level == pytest.approx(0.5, abs=2 * STATED)


@pytest.mark.parametrize("reach", [5.0, 10.0, 20.0])
def test_plateaux_of_a_cut_edge_give_the_full_step_by_the_tail_law(
    airy: EdgeProfile, reach: float
) -> None:
    cut = 4 / (np.pi**3 * reach)
    step = float(airy(reach) - airy(-reach))
    assert step / (1 - cut) == pytest.approx(1, abs=2 * RINGS * reach**-2.5)


def test_far_tail_goes_on_where_the_table_ends(airy: EdgeProfile) -> None:
    u = np.array([40.0001, 55.0, 100.0, 2000.0])
    assert np.all(np.abs(1 - airy(u) - 2 / (np.pi**3 * u)) < RINGS * u**-2.5)
    assert airy(40.0 + 1e-9) - airy(40.0) == pytest.approx(0, abs=STATED)


def test_clear_pupil_gives_a_monotonic_edge(airy: EdgeProfile) -> None:
    assert np.all(np.diff(airy(np.linspace(-60, 60, 24001))) > 0)


def test_both_sides_are_alike(airy: EdgeProfile) -> None:
    x = np.array([0.0, 0.21, 0.5, 3.3, 39.99, 40.2, 700.0])
    np.testing.assert_allclose(airy(-x), 1 - airy(x), rtol=0, atol=1e-15)
    assert airy(0.0) == 0.5


def test_every_shape_of_input(airy: EdgeProfile) -> None:
    grid = np.array([[-3.0, 0.4], [50.0, 1.25]])
    assert airy(grid).shape == (2, 2)
    for row, column in np.ndindex(2, 2):
        alone = airy(float(grid[row, column]))
        assert alone.shape == ()
        assert alone == airy(grid)[row, column]
    assert airy(3) == airy([3.0])[0]
    assert airy(np.empty(0)).shape == (0,)
    np.testing.assert_array_equal(airy([-np.inf, np.inf]), [0, 1])


def test_distances_scale_with_the_cutoff(airy: EdgeProfile) -> None:
    cutoff = 0.37
    scaled = EdgeProfile(lambda f: clear_pupil_mtf(f / cutoff), cutoff)
    x = np.array([-4.0, 0.3, 7.7, 250.0])
    np.testing.assert_allclose(scaled(x), airy(x * cutoff), rtol=0, atol=1e-13)


@pytest.mark.parametrize(("w20", "w040"), [(0.3, 0.0), (-0.8, 0.9), (1.2, 0.0)])
def test_transform_of_the_profile_is_the_transfer_function(w20: float, w040: float) -> None:
    # There and back, pixel included: by parts, as in truncated_mtf50, cut at 200. What is
    # cut off is 1 - M(0) there; a smooth aberration leaves the tail law as it is.
    cutoff, reach = 0.6, 200.0

    def transfer(f: FloatArray) -> FloatArray:
        return np.asarray(aberrated_otf(f / cutoff, w20, w040) * pixel_mtf(f, 9.0))

    profile = EdgeProfile(transfer, cutoff)
    x = np.linspace(0, reach / cutoff, 80001)
    half = profile(x) - 0.5
    f = np.array([0.05, 0.11, 0.2, 0.34, 0.5]) * cutoff
    waves = np.sin(2 * np.pi * np.outer(f, x)) * half
    sine = np.sum((waves[:, 1:] + waves[:, :-1]) / 2, axis=1) * (x[1] - x[0])
    got = 2 * half[-1] * np.cos(2 * np.pi * f * x[-1]) + 4 * np.pi * f * sine
    # The tail beyond adds at most its first half wave: 0.0645 / (pi f 200**2) < 1e-5.
    np.testing.assert_allclose(got, transfer(f), rtol=0, atol=1e-5)


# Bad input


@pytest.mark.parametrize("cutoff", [0.0, -0.4, float("nan")])
def test_cutoff_outside_its_range(cutoff: float) -> None:
    with pytest.raises(ValueError, match="cutoff_cyc_per_px"):
        EdgeProfile(clear_pupil_mtf, cutoff)
