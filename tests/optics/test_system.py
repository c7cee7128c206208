"""Lens, blur and pixel together: published figures, products, bands, the crossing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from lab.optics.pupil import aberrated_otf, clear_pupil_mtf
from lab.optics.sensor import pixel_mtf
from lab.optics.system import (
    DEFAULT_WAVELENGTH_UM,
    Band,
    channel_band,
    crossing,
    diffraction_mtf,
    diffraction_mtf50,
    system_mtf,
)
from tests.optics.published import S50, SYSTEM, Table

F_PER_MM = np.array([0.0, 7.0, 31.0, 64.0, 95.0])
SETTING: dict[str, Any] = {"wavelength_um": 0.53, "f_number": 14.0, "pixel_pitch_um": 4.35}


def gaussian_lines(mean_um: float, fwhm_um: float) -> Band:
    """A Gaussian band as 201 lines out to five standard deviations."""
    std_um = fwhm_um / (2 * np.sqrt(2 * np.log(2)))
    offset = np.linspace(-5, 5, 201)
    weight = np.exp(-(offset**2) / 2)
    return Band(wavelength_um=tuple(mean_um + std_um * offset), weight=tuple(weight / weight.sum()))


# Published


@pytest.mark.parametrize("table", SYSTEM, ids=lambda table: table.title)
def test_published_values(table: Table) -> None:
    assert table.deviation().max() <= table.allowed, table.source


def test_gaussian_blur_at_its_half_and_nine_tenths() -> None:
    # exp(-2 pi**2 (f std)**2) is 0.9 and 0.5 at f std = 0.0730591 and 0.1873906
    # (independent quadrature); half a digit there is 1e-7 of the transfer.
    std_um = 2.6
    f_per_mm = np.array([0.0730591, 0.1873906]) / (std_um * 1e-3)
    ratio = system_mtf(f_per_mm, **SETTING, blur_std_um=std_um) / system_mtf(f_per_mm, **SETTING)
    np.testing.assert_allclose(ratio, [0.9, 0.5], rtol=0, atol=2e-7)


# Exact: the pixel


def test_pixel_along_its_rows_and_diagonal() -> None:
    f = np.array([0.0, 0.2, 0.55, 0.9, 1.3])
    np.testing.assert_allclose(pixel_mtf(f), np.sinc(f), rtol=0, atol=1e-15)
    np.testing.assert_allclose(pixel_mtf(f, 90.0), np.sinc(f), rtol=0, atol=1e-15)
    # On the diagonal a square is a triangle of half-width 1 / sqrt(2): sinc squared.
    diagonal = np.sinc(f / np.sqrt(2)) ** 2
    np.testing.assert_allclose(pixel_mtf(f, 45.0), diagonal, rtol=0, atol=1e-15)
    np.testing.assert_allclose(pixel_mtf(f, -45.0), diagonal, rtol=0, atol=1e-15)


def test_pixel_is_the_mean_of_waves_over_its_square() -> None:
    node, weight = np.polynomial.legendre.leggauss(30)
    angle = np.deg2rad(17.0)
    along = (node[:, None] * np.cos(angle) + node * np.sin(angle)) / 2
    for f in (0.3, 0.8, 1.6):
        mean = (weight / 2) @ np.cos(2 * np.pi * f * along) @ (weight / 2)
        assert pixel_mtf(f, 17.0) == pytest.approx(mean, abs=1e-13)


# Exact: the chain


def test_plain_system_is_lens_times_pixel() -> None:
    expected = clear_pupil_mtf(F_PER_MM * 0.53e-3 * 14) * pixel_mtf(F_PER_MM * 4.35e-3, 6.0)
    got = system_mtf(F_PER_MM, **SETTING, edge_angle_deg=6.0)
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-14)
    lens = diffraction_mtf(F_PER_MM, wavelength_um=0.53, f_number=14.0)
    np.testing.assert_allclose(got, lens * pixel_mtf(F_PER_MM * 4.35e-3, 6.0), rtol=0, atol=1e-14)


def test_focus_and_spherical_enter_in_waves_of_each_line() -> None:
    band = Band(wavelength_um=(0.45, 0.62), weight=(0.3, 0.7))
    shift_um, spherical_um, effective = 420.0, 0.31, 14.0
    expected = sum(
        weight
        * aberrated_otf(
            F_PER_MM * um * 1e-3 * effective,
            shift_um / (8 * um * effective**2),
            spherical_um / um,
        )
        for um, weight in ((0.45, 0.3), (0.62, 0.7))
    ) * pixel_mtf(F_PER_MM * 4.35e-3)
    got = system_mtf(
        F_PER_MM,
        **{**SETTING, "wavelength_um": band},
        focus_shift_um=shift_um,
        spherical_um=spherical_um,
    )
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-14)
    assert got[0] == pytest.approx(1, abs=1e-14)


def test_reversed_contrast_keeps_its_sign() -> None:
    wave_um = 8 * 0.53 * 14.0**2
    cutoff = 1e3 / (0.53 * 14.0)
    # One wave: -0.0695150 at 0.3 of the cut-off, times the pixel (table of test_pupil).
    got = system_mtf(0.3 * cutoff, **SETTING, focus_shift_um=wave_um)
    pixel = float(pixel_mtf(0.3 * cutoff * 4.35e-3))
    assert got / pixel == pytest.approx(-0.0695150, abs=5e-8)


def test_scalar_and_array_frequencies() -> None:
    grid = F_PER_MM[1:].reshape(2, 2)
    whole = system_mtf(grid, **SETTING, focus_shift_um=90.0)
    assert whole.shape == (2, 2)
    alone = system_mtf(float(grid[1, 0]), **SETTING, focus_shift_um=90.0)
    assert alone.shape == () and alone == pytest.approx(whole[1, 0], abs=1e-14)
    assert diffraction_mtf(31.0, wavelength_um=0.5, f_number=9.0).shape == ()


def test_nothing_passes_beyond_the_cutoff() -> None:
    beyond = np.array([1.001, 1.7]) * 1e3 / (0.53 * 14.0)
    np.testing.assert_array_equal(diffraction_mtf(beyond, wavelength_um=0.53, f_number=14.0), 0)
    np.testing.assert_array_equal(system_mtf(beyond, **SETTING, focus_shift_um=70.0), 0)


# Exact: MTF50


def test_diffraction_mtf50_goes_with_cutoff() -> None:
    got = diffraction_mtf50(wavelength_um=0.47, f_number=37.0)
    assert got == pytest.approx(S50 * 1e3 / (0.47 * 37.0), rel=1e-9)


@pytest.mark.parametrize("angle_deg", [0.0, 8.0, 45.0])
def test_mtf50_with_pixel_is_where_the_system_falls_to_half(angle_deg: float) -> None:
    band = channel_band(0.6)
    found = diffraction_mtf50(
        wavelength_um=band, f_number=7.0, pixel_pitch_um=5.9, edge_angle_deg=angle_deg
    )
    there = system_mtf(
        found, wavelength_um=band, f_number=7.0, pixel_pitch_um=5.9, edge_angle_deg=angle_deg
    )
    assert there == pytest.approx(0.5, abs=1e-10)
    assert found < diffraction_mtf50(wavelength_um=band, f_number=7.0)


# Exact: bands


@pytest.mark.parametrize(("mean_um", "fwhm_um"), [(0.53, 0.1), (0.61, 0.03)])
def test_moments_of_a_channel_band(mean_um: float, fwhm_um: float) -> None:
    band = channel_band(mean_um, fwhm_um)
    variance = fwhm_um**2 / (8 * np.log(2))
    offset, weight = np.array(band.wavelength_um) - mean_um, np.array(band.weight)
    moments = [float(weight @ offset**k) for k in range(6)]
    expected = [1, 0, variance, 0, 3 * variance**2, 0]
    for k, (moment, right) in enumerate(zip(moments, expected, strict=True)):
        assert moment == pytest.approx(right, rel=1e-12, abs=1e-14 * fwhm_um**k)
    assert band.mean_um == pytest.approx(mean_um, rel=1e-15)


@pytest.mark.parametrize("mean_um", sorted(DEFAULT_WAVELENGTH_UM.values()))
def test_three_lines_serve_for_a_whole_band(mean_um: float) -> None:
    three = diffraction_mtf50(wavelength_um=channel_band(mean_um), f_number=11.0)
    many = diffraction_mtf50(wavelength_um=gaussian_lines(mean_um, 0.1), f_number=11.0)
    assert three == pytest.approx(many, rel=1e-7)


def test_band_without_width_is_a_line() -> None:
    band = channel_band(0.58, 0.0)
    assert band == Band(wavelength_um=(0.58,), weight=(1.0,))
    one = diffraction_mtf(F_PER_MM, wavelength_um=band, f_number=20.0)
    other = diffraction_mtf(F_PER_MM, wavelength_um=0.58, f_number=20.0)
    np.testing.assert_array_equal(one, other)


# Exact: the crossing


@pytest.mark.parametrize(("level", "highest"), [(0.5, 3.0), (0.1, 40.0), (0.93, 0.2)])
def test_crossing_of_an_exponential(level: float, highest: float) -> None:
    found = crossing(lambda f: np.exp(-f), level, highest)
    assert found == pytest.approx(-np.log(level), abs=1e-12 * highest)


def test_crossing_is_the_first_of_several() -> None:
    # cos falls to 0.2 at acos 0.2, rises, and falls again a period later.
    found = crossing(np.cos, 0.2, 20.0)
    assert found == pytest.approx(np.arccos(0.2), abs=2e-11)


def test_crossing_never_reached() -> None:
    assert crossing(lambda f: np.exp(-f), 0.5, 0.69) is None
    assert crossing(lambda f: np.exp(-f), 0.5, 0.70) is not None


# Bad input

NAN = float("nan")


@pytest.mark.parametrize(
    ("name", "bad"),
    [
        *(("f_number", bad) for bad in (0.0, -8.0, NAN)),
        *(("pixel_pitch_um", bad) for bad in (0.0, -4.0, NAN)),
        *(("blur_std_um", bad) for bad in (-0.1, NAN)),
        *(("wavelength_um", bad) for bad in (0.0, -0.5, NAN)),
    ],
)
def test_bad_setting(name: str, bad: float) -> None:
    with pytest.raises(ValueError, match=name):
        system_mtf(20.0, **{**SETTING, name: bad})
    if name in ("f_number", "wavelength_um"):
        with pytest.raises(ValueError, match=name):
            diffraction_mtf(20.0, **{"wavelength_um": 0.5, "f_number": 8.0, name: bad})


@pytest.mark.parametrize("bad", [0.0, -0.5, NAN])
def test_bad_wavelength_of_mtf50(bad: float) -> None:
    with pytest.raises(ValueError, match="wavelength_um"):
        diffraction_mtf50(wavelength_um=bad, f_number=8.0)


@pytest.mark.parametrize("name", ["f_number", "pixel_pitch_um"])
@pytest.mark.parametrize("bad", [0.0, -4.0, NAN])
def test_bad_setting_of_mtf50(name: str, bad: float) -> None:
    setting = {"wavelength_um": 0.5, "f_number": 8.0, "pixel_pitch_um": 4.0, name: bad}
    with pytest.raises(ValueError, match=name):
        diffraction_mtf50(**setting)


@pytest.mark.parametrize("bad", [-1.0, NAN, [3.0, NAN], [-0.1, 5.0]])
def test_bad_frequency(bad: Any) -> None:
    with pytest.raises(ValueError, match="frequency_cyc_per_mm"):
        system_mtf(bad, **SETTING)
    with pytest.raises(ValueError, match="frequency_cyc_per_mm"):
        diffraction_mtf(bad, wavelength_um=0.5, f_number=8.0)


def test_band_with_a_weight_missing() -> None:
    band = Band(wavelength_um=(0.5, 0.6), weight=(1.0,))
    with pytest.raises(ValueError, match="shorter"):
        diffraction_mtf(20.0, wavelength_um=band, f_number=8.0)


@pytest.mark.parametrize(
    ("mean_um", "fwhm_um"), [(0.0, 0.1), (-0.5, 0.1), (NAN, 0.1), (0.5, -0.1), (0.5, NAN)]
)
def test_bad_band(mean_um: float, fwhm_um: float) -> None:
    with pytest.raises(ValueError, match=r"mean_um must be > 0 and fwhm_um >= 0"):
        channel_band(mean_um, fwhm_um)


@pytest.mark.parametrize(
    ("level", "highest"),
    [(0.0, 1.0), (1.0, 1.0), (-0.2, 1.0), (NAN, 1.0), (0.5, 0.0), (0.5, -3.0), (0.5, NAN)],
)
def test_bad_crossing(level: float, highest: float) -> None:
    with pytest.raises(ValueError, match="level"):
        crossing(np.cos, level, highest)
