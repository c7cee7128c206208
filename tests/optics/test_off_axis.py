"""Coma and astigmatism in the transfer function: closed forms and two other routes to it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.ndimage import map_coordinates
from scipy.special import j0

from lab.edges.types import FloatArray
from lab.optics.off_axis import (
    astigmatism_along,
    coma_along,
    off_axis_mtf_axial_gradient,
    off_axis_mtf_gradient,
    off_axis_otf,
)
from lab.optics.pupil import aberrated_otf, clear_pupil_mtf

Wave = Callable[[FloatArray, FloatArray], FloatArray]

# w20, cross, coma along, coma across, w040, w060. [waves]
CASES = [
    (0.4, -0.7, 0.0, 0.0, 0.0, 0.0),
    (-0.3, 0.0, 0.9, 0.0, 0.5, 0.0),
    (0.2, 0.0, 0.0, -1.1, 0.0, 0.3),
    (-0.8, 0.5, 0.35, 0.6, 1.2, -0.2),
    (1.6, -1.4, 1.3, -0.7, -0.4, 0.1),
]


def wave(case: tuple[float, ...], beside: float = 0.0) -> Wave:
    """Wavefront of a case, with ``beside`` y**2, which must not matter."""
    w20, cross, along, across, w040, w060 = case

    def path(x: FloatArray, y: FloatArray) -> FloatArray:
        q = x * x + y * y
        even = w20 * x * x + beside * y * y + cross * x * y + w040 * q**2 + w060 * q**3
        return even + (along * x + across * y) * q

    return path


def otf(s: float | FloatArray, case: tuple[float, ...]) -> np.ndarray:
    w20, cross, along, across, w040, w060 = case
    return off_axis_otf(
        s, w20, cross=cross, coma_along=along, coma_across=across, w040=w040, w060=w060
    )


def cartesian_otf(s: float, path: Wave) -> complex:
    """Overlap of both pupils along x by quadrature, path difference not expanded."""
    node, weight = np.polynomial.legendre.leggauss(140)
    angle = node * np.pi / 2
    top = np.sqrt(1 - s * s)
    y = (top * np.sin(angle))[:, None]
    reach = np.sqrt(1 - y * y) - s
    x = reach * node
    rows = np.exp(2j * np.pi * (path(x + s, y) - path(x - s, y))) @ weight
    return complex(rows * reach[:, 0] @ (weight * np.pi / 2 * top * np.cos(angle)) / np.pi)


def sampled_mtf(s: FloatArray, angle_deg: float, path: Wave, n: int = 256) -> FloatArray:
    """Autocorrelation by FFT of a pupil on a grid, read off along any direction."""
    step = 4 / n
    x = (np.arange(n) - (n - 1) / 2) * step
    col, row = np.meshgrid(x, x)
    cover = np.clip((1 - np.hypot(col, row)) / step + 0.5, 0, 1)  # soft rim
    pupil = cover * np.exp(2j * np.pi * path(col, row))
    overlap = np.fft.fftshift(np.fft.ifft2(np.abs(np.fft.fft2(pupil, (2 * n, 2 * n))) ** 2))
    angle = np.deg2rad(angle_deg)
    at = n + 2 * s / step * np.array([[np.sin(angle)], [np.cos(angle)]])
    parts = (map_coordinates(part, at, order=3) for part in (overlap.real, overlap.imag))
    return np.hypot(*parts) / cover.sum()


# Exact


@pytest.mark.parametrize(("w20", "w040", "w060"), [(0.37, 0.0, 0.0), (-0.9, 1.3, 0.2)])
def test_without_terms_off_the_axis(w20: float, w040: float, w060: float) -> None:
    s = np.linspace(0, 1.1, 12)
    expected = aberrated_otf(s, w20, w040, w060)
    np.testing.assert_allclose(off_axis_otf(s, w20, w040=w040, w060=w060), expected, atol=1e-13)


def test_ends() -> None:
    for case in CASES:
        assert otf(0.0, case) == pytest.approx(1, abs=1e-13)
        np.testing.assert_allclose(otf(np.array([1.0, 1.7]), case), 0, atol=1e-30)
        assert 0 < abs(otf(0.98, case)) <= clear_pupil_mtf(0.98)


def test_along_an_axis_of_astigmatism_only_its_own_defocus_counts() -> None:
    s = np.linspace(0.1, 0.9, 5)
    for angle_deg, own in ((0.0, 0.7), (90.0, -0.2), (180.0, 0.7)):
        w20, cross = astigmatism_along(0.7, -0.2, angle_deg)
        seen = off_axis_otf(s, w20, cross=cross)
        np.testing.assert_allclose(seen, aberrated_otf(s, own), rtol=0, atol=1e-13)
    # Halfway between, the mean of both and their difference across.
    assert astigmatism_along(0.7, -0.2, 45.0) == (pytest.approx(0.25), pytest.approx(0.9))


def test_mirrored_pupils() -> None:
    s = np.linspace(0.07, 0.93, 7)
    for case in CASES:
        w20, cross, along, across, w040, w060 = case
        upside_down = otf(s, (w20, -cross, along, -across, w040, w060))
        np.testing.assert_allclose(upside_down, otf(s, case), rtol=0, atol=1e-13)
        backwards = otf(s, (w20, -cross, -along, across, w040, w060))
        np.testing.assert_allclose(backwards, otf(s, case).conj(), rtol=0, atol=1e-13)
        negative = otf(s, tuple(-waves for waves in case))
        np.testing.assert_allclose(negative, otf(s, case).conj(), rtol=0, atol=1e-13)


def test_the_mtf_does_not_see_the_sign_of_coma_alone_but_that_of_astigmatism_with_it() -> None:
    s = np.linspace(0.07, 0.93, 7)
    w20, cross, along, across, w040, w060 = CASES[3]
    seen = np.abs(otf(s, CASES[3]))
    np.testing.assert_allclose(
        np.abs(otf(s, (w20, cross, -along, -across, w040, w060))), seen, rtol=0, atol=1e-13
    )
    assert np.max(np.abs(np.abs(otf(s, (w20, -cross, along, across, w040, w060))) - seen)) > 0.01


@pytest.mark.parametrize("amount", [0.2, 0.75])
def test_volume_under_the_otf_of_coma_is_the_light_on_axis(amount: float) -> None:
    # Coma A rho**3 cos: the pupil's mean of exp(2 pi i W) is the integral of J0(2 pi A rho**3).
    node, weight = np.polynomial.legendre.leggauss(40)
    s, angle_deg = ((node + 1) / 2)[:, None], 180 * np.arange(48) / 48
    along, across = coma_along(amount, angle_deg)
    volume = off_axis_otf(s, coma_along=along, coma_across=across).real.mean(axis=1)
    light = 8 * np.sum(weight / 2 * s[:, 0] * volume)
    mean = quad(lambda rho: 2 * rho * j0(2 * np.pi * amount * rho**3), 0, 1)[0]
    assert light == pytest.approx(mean**2, abs=1e-6)


@pytest.mark.parametrize("case", CASES)
def test_derivatives(case: tuple[float, ...]) -> None:
    step = 1e-5
    columns = np.array([(s, *case) for s in (0.06, 0.21, 0.47, 0.83)]).T
    mtf, by = off_axis_mtf_gradient(*columns)
    by_s, by_w040, by_w060 = off_axis_mtf_axial_gradient(*columns).T
    np.testing.assert_allclose(mtf, np.abs(otf(columns[0], case)), rtol=0, atol=1e-6)
    for k, found in enumerate((by_s, *by.T, by_w040, by_w060)):
        ends = []
        for sign in (1, -1):
            moved = columns.copy()
            moved[k] += sign * step
            s, w20, cross, along, across, w040, w060 = moved
            rest = {"coma_along": along, "coma_across": across, "w040": w040, "w060": w060}
            ends.append(np.abs(off_axis_otf(s, w20, cross=cross, **rest)))
        difference = (ends[0] - ends[1]) / (2 * step)
        np.testing.assert_allclose(found, difference, rtol=0, atol=2e-5)


def test_arguments_broadcast() -> None:
    s, coma = np.array([[0.2], [0.7]]), np.array([0.1, -0.4, 0.9])
    together = off_axis_otf(s, 0.3, coma_along=coma, w040=-0.2)
    assert together.shape == (2, 3)
    for row, column in np.ndindex(2, 3):
        alone = otf(float(s[row, 0]), (0.3, 0.0, float(coma[column]), 0.0, -0.2, 0.0))
        assert together[row, column] == pytest.approx(complex(alone), abs=1e-13)


# Published


@pytest.mark.parametrize(
    ("case", "rms"),
    [
        # Born & Wolf, 9.3, and Mahajan (both from memory): astigmatism A x**2 about its best
        # focus, A / sqrt(24); coma A rho**3 cos about the diffraction focus, A / sqrt(72).
        ("astigmatism", 1 / np.sqrt(24)),
        ("coma", 1 / np.sqrt(72)),
    ],
)
def test_small_aberrations_dim_by_the_square_of_their_rms(case: str, rms: float) -> None:
    amount = 0.04
    node, weight = np.polynomial.legendre.leggauss(40)
    s, angle_deg = ((node + 1) / 2)[:, None], 180 * np.arange(48) / 48
    if case == "coma":
        along, across = coma_along(amount, angle_deg)
        # The tilt -2 A / 3 that moves the origin to the diffraction focus.
        tilt = np.exp(-2j * np.pi * 2 * s * (2 / 3 * amount) * np.cos(np.deg2rad(angle_deg)))
        seen = off_axis_otf(s, coma_along=along, coma_across=across) * tilt
    else:
        w20, cross = astigmatism_along(amount / 2, -amount / 2, angle_deg)
        seen = off_axis_otf(s, w20, cross=cross)
    light = 8 * np.sum(weight / 2 * s[:, 0] * seen.real.mean(axis=1))
    # 1 - k**2 sigma**2 leaves out its square: a few per cent of itself here.
    assert 1 - light == pytest.approx((2 * np.pi * amount * rms) ** 2, rel=0.02)


# Two other routes


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("s", [0.03, 0.29, 0.61, 0.92])
def test_overlap_integral_by_another_route(case: tuple[float, ...], s: float) -> None:
    found = complex(otf(s, case))
    assert found == pytest.approx(cartesian_otf(s, wave(case, beside=0.45)), abs=1e-10)


def test_strong_aberrations_by_another_route() -> None:
    for case in ((0.0, 4.0, 0.0, 0.0, 0.0, 0.0), (3.0, 0.0, 4.0, 0.0, -2.0, 0.0)):
        for s in (0.04, 0.35, 0.8):
            found = complex(otf(s, case))
            assert found == pytest.approx(cartesian_otf(s, wave(case)), abs=1e-10)


@pytest.mark.parametrize("angle_deg", [-37.0, 17.0, 118.0])
def test_turned_aberrations_against_a_sampled_pupil(angle_deg: float) -> None:
    # Axis of the aberrations along the columns, frequency at an angle to it.
    def path(u: FloatArray, v: FloatArray) -> FloatArray:
        q = u * u + v * v
        return 0.6 * u * u - 0.35 * v * v + 0.55 * u * q + 0.4 * q * q

    s = np.array([0.08, 0.2, 0.4, 0.65])
    w20, cross = astigmatism_along(0.6, -0.35, -angle_deg)
    along, across = coma_along(0.55, -angle_deg)
    found = off_axis_otf(s, w20, cross=cross, coma_along=along, coma_across=across, w040=0.4)
    # The soft rim of a pupil 64 samples in radius is good to a few 1e-4.
    np.testing.assert_allclose(np.abs(found), sampled_mtf(s, angle_deg, path), rtol=0, atol=6e-4)
