"""Close-range geometry: published and customary figures, inverses, identities."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from lab.optics.geometry import (
    defocus_waves,
    depth_of_field,
    effective_f_number,
    object_numerical_aperture,
)
from tests.optics.published import GEOMETRY, Table

# Published


@pytest.mark.parametrize("table", GEOMETRY, ids=lambda table: table.title)
def test_published_values(table: Table) -> None:
    assert table.deviation().max() <= table.allowed, table.source


# Exact


def test_far_away_the_cone_is_the_marked_one() -> None:
    assert effective_f_number(5.6, 0, 0.7) == 5.6


@pytest.mark.parametrize("pupil_ratio", [0.6, 1.0, 1.9])
def test_magnification_comes_back_from_the_effective_f_number(pupil_ratio: float) -> None:
    marked, magnification = 4.7, np.array([0.3, 1.4, 4.9])
    effective = effective_f_number(marked, magnification, pupil_ratio)
    np.testing.assert_allclose((effective / marked - 1) * pupil_ratio, magnification, rtol=1e-14)


def test_reversing_a_lens_swaps_its_ends() -> None:
    # Seen from the subject, a lens at m with ratio P is one at 1 / m with ratio 1 / P whose
    # marked number goes by the other pupil, N / P: the cone there is narrower by m.
    marked, m, ratio = 3.7, 2.3, 0.64
    there = effective_f_number(marked / ratio, 1 / m, 1 / ratio)
    assert effective_f_number(marked, m, ratio) == pytest.approx(float(m * there), rel=1e-14)


def test_object_aperture_by_both_sides_of_the_sine_condition() -> None:
    effective, m = np.array([16.0, 33.0]), np.array([[0.7], [2.0], [5.0]])
    aperture = object_numerical_aperture(effective, m)
    assert aperture.shape == (3, 2)
    np.testing.assert_allclose(aperture / m, np.broadcast_to(0.5 / effective, (3, 2)), rtol=1e-14)


def test_defocus_of_a_wave_and_a_bit() -> None:
    # shift = 8 wavelength N**2 W, put back in; signs kept.
    wavelength_um, effective = 0.46, 13.0
    for waves in (-1.3, 0.25, 2.1):
        shift_um = 8 * wavelength_um * effective**2 * waves
        assert defocus_waves(shift_um, effective, wavelength_um) == pytest.approx(waves, rel=1e-14)


def test_defocus_is_the_sag_between_two_spheres() -> None:
    # Path between spheres about both image points, at a rim seen under NA = 1 / (2 N); the
    # coefficient is its limit for slow cones, where the rest is of order NA**2.
    effective, shift_um, far_um, wavelength_um = 40.0, 300.0, 1e6, 0.55
    rim_um = far_um / (2 * effective)
    path_um = np.hypot(far_um, rim_um) - np.hypot(far_um + shift_um, rim_um) + shift_um
    expected = path_um / wavelength_um
    assert defocus_waves(shift_um, effective, wavelength_um) == pytest.approx(expected, rel=1e-3)


def test_object_side_shift_by_aperture() -> None:
    # A shift d in the subject is d m**2 at the sensor, and NA**2 d / (2 wavelength) waves.
    effective, m, wavelength_um, d_um = 21.0, 3.2, 0.6, 17.0
    aperture = object_numerical_aperture(effective, m)
    waves = defocus_waves(d_um * m**2, effective, wavelength_um)
    assert waves == pytest.approx(float(aperture**2 * d_um / (2 * wavelength_um)), rel=1e-14)


def test_wave_depth_is_a_quarter_wave_either_way() -> None:
    effective, m, wavelength_um = np.array([9.0, 26.0]), np.array([0.8, 3.5]), 0.53
    wave_um, geometric_um = depth_of_field(effective, m, wavelength_um=wavelength_um, circle_um=7.0)
    quarter = defocus_waves(wave_um / 2 * m**2, effective, wavelength_um)
    np.testing.assert_allclose(quarter, 0.25, rtol=1e-14)
    aperture = object_numerical_aperture(effective, m)
    np.testing.assert_allclose(wave_um, wavelength_um / aperture**2, rtol=1e-14)
    # Half the geometric depth from focus the cone is one circle wide.
    np.testing.assert_allclose(geometric_um / 2 * m**2 / effective, 7.0, rtol=1e-14)


# Bad input

BAD = [0.0, -2.0, float("nan"), [3.0, float("nan")], [-1.0, 4.0]]


@pytest.mark.parametrize("bad", BAD)
@pytest.mark.parametrize(
    ("name", "call"),
    [
        ("marked", lambda bad: effective_f_number(bad, 1, 1)),
        ("pupil_ratio", lambda bad: effective_f_number(8, 1, bad)),
        ("effective", lambda bad: object_numerical_aperture(bad, 2)),
        ("magnification", lambda bad: object_numerical_aperture(16, bad)),
        ("effective", lambda bad: defocus_waves(30, bad, 0.55)),
        ("wavelength_um", lambda bad: defocus_waves(30, 16, bad)),
        ("effective", lambda bad: depth_of_field(bad, 2, wavelength_um=0.5, circle_um=9)),
        ("magnification", lambda bad: depth_of_field(16, bad, wavelength_um=0.5, circle_um=9)),
        ("wavelength_um", lambda bad: depth_of_field(16, 2, wavelength_um=bad, circle_um=9)),
        ("circle_um", lambda bad: depth_of_field(16, 2, wavelength_um=0.5, circle_um=bad)),
    ],
)
def test_bad_input(name: str, call: Callable[[object], object], bad: object) -> None:
    with pytest.raises(ValueError, match=name):
        call(bad)


@pytest.mark.parametrize("bad", [-0.1, float("nan"), [1.0, -1.0]])
def test_bad_magnification_of_the_cone(bad: object) -> None:
    with pytest.raises(ValueError, match="magnification"):
        effective_f_number(8, bad, 1)  # type: ignore[arg-type]
