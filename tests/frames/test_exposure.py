"""Exposure of a frame whose levels, noise and light are known.

Recovery: frames are drawn with dark squares on clear ground, the truth beside them.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lab.edges.types import NoiseModel
from lab.frames.exposure import Exposure, check_exposure
from lab.frames.frame import CHANNELS, Frame
from lab.frames.raw import with_neighbours

WHITE = 15_000.0
FULL = 0.99 * WHITE  # where a pixel counts as clipped
SENSITIVITY = (0.6, 1.0, 0.7)
READ, GAIN = 6.0, 0.3
PATTERN = np.array([[0, 1], [1, 2]], dtype=np.int8)


def drawn(
    bright: float = 9000.0,
    dark: float = 400.0,
    *,
    sensitivity: tuple[float, float, float] = SENSITIVITY,
    slope_x: float = 0.0,
    falloff: float = 0.0,
    noisy: bool = True,
    shape: tuple[int, int] = (420, 660),
    scene: bool = True,
) -> Frame:
    """Levels of the strongest colour; light 1 at the centre, less ``falloff`` in the corners."""
    rows, cols = np.mgrid[: shape[0], : shape[1]]
    v, u = rows / (shape[0] - 1) * 2 - 1, cols / (shape[1] - 1) * 2 - 1
    is_dark = (rows % 84 < 30) & (cols % 66 < 33) if scene else np.zeros(shape, bool)
    level = (
        np.where(is_dark, dark, bright) * (1 + slope_x * u) * (1 - falloff * (u * u + v * v) / 2)
    )
    index = np.tile(PATTERN, (shape[0] // 2, shape[1] // 2))
    level = level * np.array(sensitivity)[index]
    if noisy:
        rng = np.random.default_rng(5)
        level = level + np.sqrt(READ**2 + GAIN * level) * rng.standard_normal(shape)
    pixels = np.minimum(level, WHITE).astype(np.float32)
    return Frame(
        path=Path("frame.dng"),
        pixels=pixels,
        pattern=PATTERN,
        saturated=with_neighbours(pixels >= FULL),
        white_dn=WHITE,
    )


def checked(frame: Frame) -> Exposure:
    return check_exposure(frame, dict.fromkeys(CHANNELS, NoiseModel(read_std=READ, gain=GAIN)))


def test_levels_step_and_headroom_of_each_colour() -> None:
    exposure = checked(drawn())
    assert [channel.channel for channel in exposure.channels] == list(CHANNELS)
    for channel, share in zip(exposure.channels, SENSITIVITY, strict=True):
        high, low = 9000 * share, 400 * share
        assert channel.bright_dn == pytest.approx(high, rel=0.005)
        assert channel.dark_dn == pytest.approx(low, rel=0.03)
        noise = math.sqrt(READ**2 + GAIN * (high + low) / 2)
        assert channel.step_in_noise == pytest.approx((high - low) / noise, rel=0.01)
        # 0.1 % of all pixels are 0.12 % of the bright ones: 3.0 standard deviations up.
        top = high + 3.0 * math.sqrt(READ**2 + GAIN * high)
        assert channel.headroom_stops == pytest.approx(math.log2(FULL / top), abs=0.01)
        assert channel.clipped_share == 0
    assert exposure.nearest_channel == "green"
    assert exposure.headroom_stops == exposure.channels[1].headroom_stops
    assert exposure.flags == ()
    assert (exposure.advice_stops, exposure.advice_reason) == (0.0, "")


def test_one_colour_clipped_and_its_neighbours_are_not() -> None:
    exposure = checked(drawn(15_600.0))
    red, green, blue = exposure.channels
    # The dark squares take 30/84 of the rows and half of the columns.
    assert green.clipped_share == pytest.approx(1 - 30 / 84 / 2, abs=0.03)
    assert (red.clipped_share, blue.clipped_share) == (0, 0)
    assert green.headroom_stops == 0
    assert exposure.flags == ("clipped",)
    assert exposure.advice_stops == -1
    assert "of green is clipped" in exposure.advice_reason


def test_a_glint_is_no_clipping() -> None:
    frame = drawn()
    frame.pixels[100:104, 200:206] = WHITE  # 24 of 277200
    assert checked(frame).flags == ()


@pytest.mark.parametrize("share", [0.93, 0.96])
def test_little_headroom_asks_for_a_third_less(share: float) -> None:
    frame = drawn(share * FULL, noisy=False)
    exposure = checked(frame)
    assert exposure.flags == ("little-headroom",)
    assert exposure.headroom_stops == pytest.approx(-math.log2(share), abs=1e-3)
    # Rounded up to thirds: half a stop at least is left.
    left = exposure.headroom_stops - exposure.advice_stops
    assert 0.5 <= left < 0.5 + 1 / 3 + 1e-9
    assert (3 * exposure.advice_stops) % 1 == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("bright", [300.0, 500.0])
def test_underexposed_is_raised_and_never_into_clipping(bright: float) -> None:
    exposure = checked(drawn(bright, 12.0))
    assert exposure.flags == ("underexposed",)
    stops = exposure.advice_stops
    assert 0.5 <= exposure.headroom_stops - stops < 0.5 + 1 / 3 + 1e-9
    assert "times the noise" in exposure.advice_reason
    again = checked(drawn(bright * 2**stops, 12.0 * 2**stops))
    assert again.flags == ()
    assert again.advice_stops == 0
    # In light that is red the advice follows red.
    red = checked(drawn(bright, 12.0, sensitivity=(1.0, 0.4, 0.5)))
    assert red.nearest_channel == "red"
    assert red.headroom_stops - red.advice_stops >= 0.5


def test_dim_but_clear_of_the_noise_is_left_alone() -> None:
    exposure = checked(drawn(3000.0, 100.0))
    assert exposure.headroom_stops > 2
    assert exposure.step_in_noise is not None
    assert exposure.step_in_noise > 50
    assert (exposure.flags, exposure.advice_stops) == ((), 0.0)


def test_corners_and_sides() -> None:
    exposure = checked(drawn(falloff=0.3))
    assert exposure.corner_falloff_stops is not None
    # Cells are a fifth of a side: mean of u**2 in the outer ones 0.651, in the middle 0.013.
    expected = math.log2((1 - 0.3 * 0.0133) / (1 - 0.3 * 0.651))
    assert exposure.corner_falloff_stops == pytest.approx(expected, abs=0.02)
    # The squares cover the outer cells unevenly, and with them the falloff.
    assert exposure.side_to_side_stops == pytest.approx(0, abs=0.05)
    assert exposure.flags == ()
    steep = checked(drawn(slope_x=-0.3))
    assert steep.brighter_side == "left"
    # The outer fifths are centred at u = -0.8 and 0.8.
    assert steep.side_to_side_stops == pytest.approx(math.log2(1.24 / 0.76), abs=0.02)
    assert steep.flags == ("uneven-light",)


@pytest.mark.parametrize(("bright", "dark"), [(500.0, 10.0), (9000.0, 400.0), (90.0, 10.0)])
def test_neighbours_tell_the_noise_where_no_model_does(bright: float, dark: float) -> None:
    frame = drawn(bright, dark)
    exposure = check_exposure(frame, {"green": None})
    step = checked(frame).step_in_noise
    assert step is not None
    # Faint sides mix: a pixel falls on the wrong side of the threshold, which both share.
    assert exposure.step_in_noise == pytest.approx(step, rel=0.04)


def test_interpolated_pixels_give_no_noise_and_no_underexposure() -> None:
    frame = replace(drawn(500.0, 10.0), flags=("demosaiced",))
    exposure = check_exposure(frame, {})
    assert exposure.step_in_noise is None
    assert exposure.flags == ()
    assert exposure.advice_stops > 0


def test_a_frame_without_target_or_light_is_checked_all_the_same() -> None:
    flat = checked(drawn(scene=False))
    assert flat.step_in_noise is not None
    assert flat.step_in_noise < 3  # two sides of the noise
    black = drawn(noisy=False)
    black.pixels[:] = 0
    exposure = checked(black)
    assert exposure.advice_stops > 0
    assert exposure.corner_falloff_stops is None
    assert exposure.brighter_side == ""


def test_planes_and_grey() -> None:
    mosaic = drawn()
    planes = Frame(
        path=mosaic.path,
        pixels=np.repeat(mosaic.pixels[::2, ::2, None], 3, axis=2),
        pattern=np.empty((0, 0), np.int8),
        saturated=mosaic.saturated[::2, ::2],
        white_dn=WHITE,
        flags=("grey",),
    )
    (only,) = checked(planes).channels
    assert only.channel == "green"
    assert only.bright_dn == pytest.approx(9000 * SENSITIVITY[0], rel=0.005)  # the red sites


def test_a_tiny_frame_is_checked() -> None:
    frame = drawn(shape=(16, 24))
    assert checked(frame).channels[1].bright_dn > 0
