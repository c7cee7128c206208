"""The invented hand: its statistics, and what a drift makes of an exposure."""

from __future__ import annotations

import numpy as np
import pytest

from lab.simulate.hand import STAND, Hand, HandShot
from lab.simulate.movement import STILL, even_px_of_flash

SHOT = HandShot(
    focus_offset_object_um=80.0,
    speed_um_per_s=1200.0,
    axis_deg=-35.0,
    tilt_x_deg=0.2,
    tilt_y_deg=-0.1,
)


def test_the_image_moves_by_speed_time_and_magnification() -> None:
    """Exact: 1200 um/s x 1/60 s is 20 um, at 2.5x 50 um, 12.5 px of 4 um."""
    movement = SHOT.movement(1 / 60, magnification=2.5, pixel_pitch_um=4.0)
    assert movement.length_px == pytest.approx(12.5)
    assert movement.axis_deg == -35.0
    assert movement.ambient_share == 0


def test_a_flash_freezes_all_but_the_ambient_light() -> None:
    """Exact: during t0.1 1200 um/s x 1/4000 s is 0.3 um, at 2.5x 0.1875 px of 4 um."""
    movement = SHOT.movement(
        1 / 60, magnification=2.5, pixel_pitch_um=4.0, flash_t01_s=1 / 4000, ambient_share=0.04
    )
    assert movement.length_px == pytest.approx(even_px_of_flash(0.1875))
    assert movement.ambient_length_px == pytest.approx(12.5)
    assert movement.ambient_share == 0.04


def test_draws_follow_the_stated_statistics() -> None:
    """Published: a Rayleigh variable's mean is scale x sqrt(pi / 2) (any text).

    4000 draws: bounds are four standard errors.
    """
    hand = Hand(focus_std_um=120.0, speed_um_per_s=900.0, tilt_std_deg=0.4)
    rng = np.random.default_rng(11)
    shots = [hand.shot(rng) for _ in range(4000)]
    focus = np.array([shot.focus_offset_object_um for shot in shots])
    speed = np.array([shot.speed_um_per_s for shot in shots])
    axis = np.array([shot.axis_deg for shot in shots])
    tilts = np.array([(shot.tilt_x_deg, shot.tilt_y_deg) for shot in shots])
    assert abs(focus.mean()) < 4 * 120 / 4000**0.5
    assert focus.std() == pytest.approx(120, rel=4 / 8000**0.5)
    assert speed.mean() == pytest.approx(900 * (np.pi / 2) ** 0.5, rel=4 * 0.523 / 4000**0.5)
    assert np.median(speed) == pytest.approx(900 / 0.85, rel=0.05)  # the docstring's 0.85
    assert axis.min() >= -90 and axis.max() < 90
    assert abs(np.mean(np.exp(2j * np.deg2rad(axis)))) < 4 / 4000**0.5
    assert tilts.std(axis=0) == pytest.approx([0.4, 0.4], rel=4 / 8000**0.5)


def test_a_stand_does_nothing() -> None:
    shot = STAND.shot(np.random.default_rng(2))
    assert (shot.focus_offset_object_um, shot.tilt_x_deg, shot.tilt_y_deg) == (0, 0, 0)
    assert shot.movement(1.0, magnification=3.0, pixel_pitch_um=4.35) == STILL


@pytest.mark.parametrize("name", ["focus_std_um", "speed_um_per_s", "tilt_std_deg"])
@pytest.mark.parametrize("value", [-1.0, float("nan"), float("inf")])
def test_impossible_hand_is_refused(name: str, value: float) -> None:
    with pytest.raises(ValueError, match="must be >= 0"):
        Hand(**{name: value})


@pytest.mark.parametrize("wrong", [(0.0, 1.0, 4.0), (0.01, -1.0, 4.0), (0.01, 1.0, 0.0)])
def test_impossible_exposure_is_refused(wrong: tuple[float, float, float]) -> None:
    exposure_s, magnification, pitch_um = wrong
    with pytest.raises(ValueError, match="must be > 0"):
        SHOT.movement(exposure_s, magnification=magnification, pixel_pitch_um=pitch_um)
