"""The binned edge spread function of one region."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lab.edges.profiles import BIN_PX, BinnedProfile, binned_profile
from lab.edges.types import NoiseModel, Rejection
from lab.optics.edge_profile import EdgeProfile
from tests.edges.blur import HIGH, LOW, Blur

ANGLE, PLACE = -71.3, 0.4
NOISE = NoiseModel(read_std=5.0, gain=0.3)


def green(shape: tuple[int, int]) -> np.ndarray:
    return np.indices(shape).sum(axis=0) % 2 == 1


def binned(pixels: np.ndarray, **changes: float) -> BinnedProfile:
    places = {"angle_deg": ANGLE, "offset_px": PLACE, "reach_px": 18.0} | changes
    profile = binned_profile(pixels, green(pixels.shape), NOISE, **places)
    assert isinstance(profile, BinnedProfile), profile
    return profile


def test_exact_a_ramp_across_the_edge_comes_back_at_the_bin_centres():
    row, col = np.indices((50, 70))
    angle = np.deg2rad(ANGLE)
    x = (col - 34.5) * np.cos(angle) + (row - 24.5) * np.sin(angle) - PLACE
    profile = binned(300 + 7.5 * x)
    assert profile.level_dn == pytest.approx(300 + 7.5 * profile.x_px, abs=1e-9)
    assert np.allclose(profile.x_px / BIN_PX, np.rint(profile.x_px / BIN_PX))
    assert profile.x_px.min() >= -18 and profile.x_px.max() <= 18


def test_exact_uncertainty_is_the_noise_over_the_root_of_the_pixels():
    pixels = np.full((50, 70), 400.0)
    profile = binned(pixels)
    row, col = np.indices(pixels.shape)
    angle = np.deg2rad(ANGLE)
    x = (col - 34.5) * np.cos(angle) + (row - 24.5) * np.sin(angle) - PLACE
    inside = green(pixels.shape) & (np.abs(x + 2.5) < BIN_PX / 2)
    k = int(np.flatnonzero(profile.x_px == -2.5)[0])
    expected = np.sqrt((25 + 0.3 * 400) / inside.sum())
    assert profile.std_dn[k] == pytest.approx(expected, rel=2e-4)  # rounded


def test_exact_levels_lack_only_the_digits_far_below_their_noise():
    rng = np.random.default_rng(6)
    profile = binned(400.0 + rng.normal(0, 12, (50, 70)))
    step = np.exp2(np.floor(np.log2(profile.std_dn / 512)))
    assert np.all(profile.level_dn / step % 1 == 0)
    assert np.unique(profile.level_dn).size > 0.9 * profile.level_dn.size


def test_recovery_the_profile_is_that_of_the_optics_smeared_by_the_bin():
    blur = Blur(diffraction_px=2.2, w20=0.3, w040=0.2)
    pixels = blur.pixels((60, 100), ANGLE, position_px=PLACE)
    profile = binned(pixels)
    smeared = EdgeProfile(
        lambda f: blur.system(ANGLE)(f) * np.sinc(BIN_PX * f), 1 / blur.diffraction_px
    )
    error = (profile.level_dn - LOW) / (HIGH - LOW) - smeared(profile.x_px)
    assert np.abs(error).max() < 1e-3


def test_recovery_noise_scatters_the_bins_by_their_stated_uncertainty():
    rng = np.random.default_rng(8)
    clean = Blur(diffraction_px=2.2).pixels((60, 100), ANGLE, position_px=PLACE)
    truth = binned(clean)
    z = np.concatenate(
        [
            (binned(clean + np.sqrt(NOISE.variance(clean)) * rng.normal(size=clean.shape))).level_dn
            - truth.level_dn
            for _ in range(20)
        ]
    ) / np.tile(truth.std_dn, 20)
    assert z.std() == pytest.approx(1, abs=0.04)


def test_recovery_specks_are_left_out():
    clean = Blur(diffraction_px=2.2).pixels((60, 100), ANGLE, position_px=PLACE)
    specked = clean.copy()
    specked[14, 31] = specked[40, 60] = 8 * HIGH
    assert binned(specked).level_dn == pytest.approx(binned(clean).level_dn, abs=3)


def test_bad_input():
    pixels = Blur(diffraction_px=2.2).pixels((40, 50), ANGLE)
    mask = np.ones(pixels.shape, dtype=bool)
    places = {"angle_deg": ANGLE, "offset_px": PLACE, "reach_px": 12.0}
    with pytest.raises(ValueError, match="one shape"):
        binned_profile(pixels, mask[:-1], NOISE, **places)
    for name in places:
        with pytest.raises(ValueError, match="finite"):
            binned_profile(pixels, mask, NOISE, **(places | {name: np.nan}))
    with pytest.raises(ValueError, match="> 0"):
        binned_profile(pixels, mask, NOISE, **(places | {"reach_px": 0.0}))
    assert isinstance(binned_profile(pixels, ~mask, NOISE, **places), Rejection)
    profile = binned_profile(pixels, mask, NOISE, **places)
    with pytest.raises(ValueError, match="read-only"):
        profile.level_dn[0] = 1.0
    assert replace(profile).x_px is not profile.x_px
