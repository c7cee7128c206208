"""Noise from frames: the simulated truth comes back, or nothing does."""

from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from lab.edges.types import FloatArray, NoiseModel
from lab.frames import Frame, estimate_noise, noise_from_pair

RGGB = np.array([[0, 1], [1, 2]], dtype=np.int8)
SIX_BY_SIX = np.array([[1, 2, 1, 1, 0, 1], [0, 1, 0, 2, 1, 2]] * 3, dtype=np.int8)
GAIN, READ_STD = 0.6, 12.0


def bars(n_row: int, n_col: int, dark: float = 200, bright: float = 9000) -> FloatArray:
    """Two flat levels with edges at about 5 degrees between them, somewhat soft."""
    row, col = np.mgrid[0:n_row, 0:n_col]
    bar = np.floor((col + 0.08 * row) / 150) % 2
    return dark + (bright - dark) * gaussian_filter(bar.astype(float), 2.5)


def exposed(
    signal: FloatArray,
    seed: int,
    gain: float = GAIN,
    read_std: float = READ_STD,
    pattern: np.ndarray = RGGB,
    flags: tuple[str, ...] = (),
) -> Frame:
    """EMVA 1288's linear camera: Poisson electrons, Gaussian read noise, whole numbers."""
    rng = np.random.default_rng(seed)
    dn = gain * rng.poisson(signal / gain) + rng.normal(0, read_std, signal.shape)
    pixels = np.rint(dn).astype(np.float32)
    clean = np.zeros(pixels.shape[:2], bool)
    return Frame(
        path=Path("simulated"),
        pixels=pixels,
        pattern=pattern if pixels.ndim == 2 else np.empty((0, 0), np.int8),
        saturated=clean,
        white_dn=15000.0,
        flags=flags,
    )


# Recovery.
@pytest.mark.parametrize("channel", ["red", "green", "blue"])
@pytest.mark.parametrize(("gain", "read_std"), [(0.6, 12.0), (0.15, 4.0), (2.5, 30.0)])
def test_one_frame_gives_gain_and_read_noise(channel: str, gain: float, read_std: float) -> None:
    noise = estimate_noise(exposed(bars(800, 1000), 1, gain, read_std), channel)
    assert noise is not None
    assert noise.gain == pytest.approx(gain, rel=0.05)
    assert noise.read_std == pytest.approx(read_std, rel=0.1)


@pytest.mark.parametrize("channel", ["red", "green", "blue"])
def test_other_patterns(channel: str) -> None:
    # A block of one site spans 48 pixels here, so more of them touch an edge.
    noise = estimate_noise(exposed(bars(1600, 2000), 2, pattern=SIX_BY_SIX), channel)
    assert noise is not None
    assert noise.gain == pytest.approx(GAIN, rel=0.1)
    assert noise.read_std == pytest.approx(READ_STD, rel=0.1)


def test_one_frame_is_not_biased_by_edges() -> None:
    scene = bars(600, 800)
    found = [estimate_noise(exposed(scene, seed), "green") for seed in range(12)]
    models = [noise for noise in found if noise is not None]
    assert len(models) == 12
    assert np.mean([noise.gain for noise in models]) == pytest.approx(GAIN, rel=0.03)
    assert np.mean([noise.read_std for noise in models]) == pytest.approx(READ_STD, rel=0.03)


def test_texture_is_left_out() -> None:
    # Half of the frame is covered by grains that would read as 100 times the noise.
    scene = bars(800, 1000)
    grains = gaussian_filter(np.random.default_rng(4).normal(size=(800, 500)), 1.5)
    scene[:, :500] = np.clip(scene[:, :500] + 8000 * grains, 50, 14000)
    noise = estimate_noise(exposed(scene, 5), "green")
    assert noise is not None
    assert noise.gain == pytest.approx(GAIN, rel=0.1)
    assert noise.read_std == pytest.approx(READ_STD, rel=0.1)


# Published: EMVA Standard 1288 R3.1, linear model (from memory):
# sigma_y**2 = K**2 sigma_d**2 + sigma_q**2 + K (mu_y - mu_dark), sigma_q**2 = 1/12 DN**2.
def test_pair_follows_the_photon_transfer_relation() -> None:
    gain, dark_electrons = 0.5, 1.2
    row_levels = np.geomspace(5, 9000, 40).repeat(20)
    scene = np.broadcast_to(row_levels[:, None], (800, 1000))
    first, second = (exposed(scene, seed, gain, gain * dark_electrons) for seed in (6, 7))
    noise = noise_from_pair(first, second, "green")
    assert noise is not None
    assert noise.gain == pytest.approx(gain, rel=0.02)
    assert noise.read_std**2 == pytest.approx((gain * dark_electrons) ** 2 + 1 / 12, rel=0.15)


def test_pair_leaves_out_unequal_response_and_one_frame_does_not() -> None:
    # 2 % unequal response adds 0.0004 * signal**2: as much as the shot noise at 1500 DN.
    response = 1 + 0.02 * np.random.default_rng(8).normal(size=(800, 1000))
    scene = bars(800, 1000, bright=3000) * response
    first, second = exposed(scene, 9), exposed(scene, 10)
    pair, single = noise_from_pair(first, second, "red"), estimate_noise(first, "red")
    assert pair is not None
    assert pair.gain == pytest.approx(GAIN, rel=0.05)
    assert single is None or single.gain > 1.5 * GAIN


def test_clipped_blocks_do_not_count() -> None:
    # Clipping leaves almost no variance; its blocks would pull the slope down.
    frame = exposed(bars(800, 1000), 11)
    pixels = frame.pixels.copy()
    pixels[:, 400:600] = 15000
    clipped = Frame(
        path=frame.path,
        pixels=pixels,
        pattern=RGGB,
        saturated=pixels >= 14850,
        white_dn=15000.0,
    )
    noise = estimate_noise(clipped, "green")
    assert noise is not None
    assert noise.gain == pytest.approx(GAIN, rel=0.05)


# Bad input: no model rather than a wrong one.
def test_nothing_to_tell() -> None:
    textured = np.clip(
        5000 + 30000 * gaussian_filter(np.random.default_rng(12).normal(size=(600, 800)), 3),
        50,
        14000,
    )
    assert estimate_noise(exposed(np.full((600, 800), 5000.0), 13), "green") is None, "one level"
    assert estimate_noise(exposed(np.zeros((600, 800)), 13), "green") is None, "cap on"
    assert estimate_noise(exposed(bars(60, 80), 14), "red") is None, "too small"
    assert estimate_noise(exposed(bars(600, 800), 15, read_std=0, gain=1e-9), "red") is None
    assert estimate_noise(exposed(textured, 16), "green") is None, "texture everywhere"


def test_noise_that_neighbours_share_gives_no_model() -> None:
    frame = exposed(bars(800, 1000), 17)
    smoothed = Frame(
        path=frame.path,
        pixels=gaussian_filter(frame.pixels, 1.5),
        pattern=RGGB,
        saturated=frame.saturated,
        white_dn=frame.white_dn,
    )
    assert estimate_noise(smoothed, "green") is None


def test_interpolated_and_tone_mapped_frames_give_no_model() -> None:
    planes = np.repeat(bars(300, 400)[:, :, None], 3, axis=2)
    for flag in ("tone-mapped", "demosaiced"):
        assert estimate_noise(exposed(planes, 18, flags=(flag,)), "green") is None
    first, second = (exposed(planes, seed, flags=("tone-mapped",)) for seed in (19, 20))
    assert noise_from_pair(first, second, "green") is None


def test_linear_grey_image_gives_a_model() -> None:
    planes = np.repeat(bars(300, 400)[:, :, None], 3, axis=2)
    noise = estimate_noise(exposed(planes, 21, flags=("grey",)), "blue")
    assert isinstance(noise, NoiseModel)
    assert noise.gain == pytest.approx(GAIN, rel=0.08)


def test_pair_of_unlike_frames() -> None:
    frame = exposed(bars(100, 120), 22)
    with pytest.raises(ValueError, match="one size"):
        noise_from_pair(frame, exposed(bars(100, 122), 23), "red")
    with pytest.raises(ValueError, match="one colour pattern"):
        noise_from_pair(frame, exposed(bars(100, 120), 24, pattern=RGGB[::-1]), "red")
    with pytest.raises(ValueError, match="not in tuple"):
        estimate_noise(frame, "cyan")
