"""The same images by GalSim, which simulates astronomical ones: two routes, one answer.

Its Airy pattern is a closed form. Its aberrated pupil is a sampled grid with FFTs both
ways, so its own accuracy is limited: without aberration it differs from its own closed
form by ``ITS_ERROR`` at most, which the first test asserts and the others build on.

Angles there are lengths here: everything is in pixels, ``LAM`` is wavelength x f-number.
Values away from 1 and directions off the axes, so that symmetry hides no slip.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from lab.edges.types import FloatArray
from lab.optics.edge_profile import EdgeProfile
from lab.optics.pupil import aberrated_otf, annular_pupil_mtf, clear_pupil_mtf
from lab.optics.sensor import pixel_mtf

galsim = pytest.importorskip("galsim", reason="galsim not installed: extra optics-check")
pytestmark = pytest.mark.optics_check

LAM = 1.7  # [px]
S = np.arange(1, 10) / 10
DIRECTION = 0.3  # of the frequencies [rad]
# Of the transfer function, with the sampling in sampled_pupil. A field twice
# as wide (pad_factor 8) brings 8e-5, but takes 20 s a pupil.
ITS_ERROR = 3e-4
# Of a drawn edge, in its heights. The transfer's error is averaged over frequency; the
# closed form, too, is drawn by FFT in a field of a few SIDE, where its tails fold over.
EDGE_ERROR = 1.5e-4
ANGLE_DEG = 7.0  # of the edge's normal against the rows
SIDE = 100.0  # of the bright square whose left side is the edge [px]


def sampled_pupil(w20: float, w040: float, obstruction: float = 0.0) -> Any:
    """GalSim's pupil with Seidel coefficients given in waves at the rim.

    It takes Noll's Zernike coefficients, Z4 = sqrt(3) (2 rho**2 - 1) and
    Z11 = sqrt(5) (6 rho**4 - 6 rho**2 + 1). Solved for the powers,
    ``rho**4 = Z11 / (6 sqrt(5)) + rho**2 - 1/6`` and ``rho**2 = Z4 / (2 sqrt(3)) + 1/2``,
    so that w20 rho**2 + w040 rho**4 is, up to a constant phase,
    ``(w20 + w040) / (2 sqrt(3)) Z4 + w040 / (6 sqrt(5)) Z11``.
    """
    noll = np.zeros(12)
    noll[4] = (w20 + w040) / (2 * np.sqrt(3))
    noll[11] = w040 / (6 * np.sqrt(5))
    return galsim.OpticalPSF(
        lam_over_diam=LAM, aberrations=noll, obscuration=obstruction, oversampling=3, pad_factor=4
    )


def transfer_of(spread: Any) -> FloatArray:
    k = 2 * np.pi * S / LAM
    return np.array([spread.kValue(r * np.cos(DIRECTION), r * np.sin(DIRECTION)).real for r in k])


def test_its_sampled_pupil_against_its_own_closed_form() -> None:
    sampled = transfer_of(sampled_pupil(0.0, 0.0))
    exact = transfer_of(galsim.Airy(lam_over_diam=LAM))
    assert 0 < np.max(np.abs(sampled - exact)) < ITS_ERROR


@pytest.mark.parametrize("obstruction", [0.0, 0.3, 0.55])
def test_airy_pattern_with_and_without_a_central_stop(obstruction: float) -> None:
    theirs = transfer_of(galsim.Airy(lam_over_diam=LAM, obscuration=obstruction))
    np.testing.assert_allclose(theirs, annular_pupil_mtf(S, obstruction), rtol=0, atol=1e-12)


@pytest.mark.parametrize(
    ("w20", "w040"), [(0.5, 0.0), (-1.1, 0.0), (-1.0, 1.0), (0.4, 0.7), (-0.3, -0.8)]
)
def test_aberrated_pupil(w20: float, w040: float) -> None:
    theirs = transfer_of(sampled_pupil(w20, w040))
    np.testing.assert_allclose(theirs, aberrated_otf(S, w20, w040), rtol=0, atol=ITS_ERROR)


def test_sampled_pupil_with_a_central_stop() -> None:
    theirs = transfer_of(sampled_pupil(0.0, 0.0, 0.3))
    np.testing.assert_allclose(theirs, annular_pupil_mtf(S, 0.3), rtol=0, atol=ITS_ERROR)


@pytest.mark.parametrize(("w20", "w040"), [(0.0, 0.0), (-0.45, 0.7), (0.8, 0.0)])
def test_image_of_an_edge(w20: float, w040: float) -> None:
    spread = sampled_pupil(w20, w040) if w20 or w040 else galsim.Airy(lam_over_diam=LAM)
    square = galsim.Box(SIDE, SIDE).shift(SIDE / 2, 0).rotate(ANGLE_DEG * galsim.degrees)
    scene = galsim.Convolve(square, spread).withFlux(SIDE * SIDE)
    image = scene.drawImage(nx=41, ny=21, scale=1.0).array  # its pixels integrate

    row, column = np.mgrid[-10:11, -20:21]
    angle = np.deg2rad(ANGLE_DEG)
    across = column * np.cos(angle) + row * np.sin(angle)
    along = row * np.cos(angle) - column * np.sin(angle)

    def transfer(f: FloatArray) -> FloatArray:
        lens = aberrated_otf(f * LAM, w20, w040) if w20 or w040 else clear_pupil_mtf(f * LAM)
        return np.asarray(lens * pixel_mtf(f, ANGLE_DEG))

    edge = EdgeProfile(transfer, 1 / LAM)
    ours = edge(across) - edge(across - SIDE) - _light_beyond_the_ends(across, along)
    np.testing.assert_allclose(image, ours, rtol=0, atol=EDGE_ERROR)
    assert image.min() < 0.01 and image.max() > 0.97  # both plateaux are in the picture


def _light_beyond_the_ends(across: FloatArray, along: FloatArray) -> FloatArray:
    """What a strip of endless length would add to the square: 0.002 at most.

    Far from a point its light is c / r**3, rings averaged; along a line that sums to
    2 c / x**2, beyond an edge to 2 c / x. An edge misses 2 LAM / (pi**3 x), hence
    c = LAM / pi**3. Over x from 0 to a and y from b on: c a / (b (b + hypot(a, b))).
    """

    def corner(a: FloatArray, b: FloatArray) -> FloatArray:
        return np.asarray(a / (b * (b + np.hypot(a, b))))

    ends = (SIDE / 2 - along, SIDE / 2 + along)
    beyond = [corner(SIDE - across, b) - corner(-across, b) for b in ends]
    return np.asarray(LAM / np.pi**3 * (beyond[0] + beyond[1]))
