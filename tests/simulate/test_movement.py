"""Movement in the simulated image: against averages over its way, and none leaves no trace."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lab.optics.edge_profile import EdgeProfile
from lab.optics.movement import pulse_otf
from lab.simulate.movement import STILL, Movement, even_px_of_flash
from lab.simulate.render import mean_frame, render_frame
from lab.simulate.rig import SimulatedRig, channel_transfer, cutoff_cyc_per_px
from lab.simulate.through_focus import ThroughFocus
from targets.chart import square_field

RIG = SimulatedRig(n_rows=240, n_cols=360)
SETTING = {"magnification": 1.0, "stop": 8.0, "channel": "green"}
ANGLE_DEG, AXIS_DEG = 41.0, 13.0


def profile(movement: Movement, angle_deg: float = ANGLE_DEG) -> EdgeProfile:
    transfer = channel_transfer(
        replace(RIG, movement=movement), focus_shift_um=55.0, edge_angle_deg=angle_deg, **SETTING
    )
    return EdgeProfile(transfer, cutoff_cyc_per_px(RIG, **SETTING))


def shifted_mean(x_px: np.ndarray, shifts_px: np.ndarray) -> np.ndarray:
    still = profile(STILL)
    return np.mean([still(x_px - shift) for shift in shifts_px], axis=0)


X_PX = np.linspace(-31.0, 27.0, 233)
MIDPOINTS = (np.arange(2000) + 0.5) / 2000 - 0.5


@pytest.mark.parametrize("length_px", [0.4, 5.3, 17.0])
def test_even_movement_is_the_mean_of_shifted_edges(length_px: float) -> None:
    """Exact: the edge sees the part of the movement along its normal, 28 degrees away."""
    along_px = length_px * np.cos(np.deg2rad(28.0))
    moved = profile(Movement(length_px=length_px, axis_deg=AXIS_DEG))
    assert moved(X_PX) == pytest.approx(shifted_mean(X_PX, along_px * MIDPOINTS), abs=2e-6)


def test_vibration_is_the_mean_over_its_period() -> None:
    """Exact; the vibration has an axis of its own."""
    along_px = 3.1 * np.sin(2 * np.pi * MIDPOINTS) * np.cos(np.deg2rad(ANGLE_DEG + 70.0))
    moved = profile(Movement(vibration_px=3.1, vibration_axis_deg=-70.0, axis_deg=AXIS_DEG))
    assert moved(X_PX) == pytest.approx(shifted_mean(X_PX, along_px), abs=2e-6)


def test_ambient_light_adds_its_share_of_a_longer_way() -> None:
    """Exact."""
    along = np.cos(np.deg2rad(28.0))
    moved = profile(
        Movement(length_px=0.7, axis_deg=AXIS_DEG, ambient_length_px=9.0, ambient_share=0.2)
    )
    expected = 0.8 * shifted_mean(X_PX, 0.7 * along * MIDPOINTS)
    expected += 0.2 * shifted_mean(X_PX, 9.0 * along * MIDPOINTS)
    assert moved(X_PX) == pytest.approx(expected, abs=2e-6)


def test_movement_along_an_edge_does_not_show() -> None:
    """Exact."""
    along = Movement(length_px=8.0, axis_deg=ANGLE_DEG - 90)
    assert profile(along)(X_PX) == pytest.approx(profile(STILL)(X_PX), abs=1e-12)


def test_focus_table_holds_the_movement() -> None:
    rig = replace(RIG, movement=Movement(length_px=2.7, axis_deg=AXIS_DEG, vibration_px=0.6))
    table = ThroughFocus(rig, low_um=-20.0, high_um=90.0, **SETTING)
    f = np.linspace(0, table.cutoff_cyc_per_px, 61)
    exact = channel_transfer(rig, focus_shift_um=31.0, edge_angle_deg=ANGLE_DEG, **SETTING)
    assert table.transfer(31.0, ANGLE_DEG)(f) == pytest.approx(exact(f), abs=1e-5)
    assert exact(f).min() < -2e-4  # beyond the first zero the sign turns


def test_a_moving_frame_is_the_mean_of_shifted_frames() -> None:
    """Exact beside the middle of the central square's sides; corners are rounder in truth."""
    rig = replace(RIG, lateral_colour=(0.0, 0.0, 0.0), corner_shading=0.0)
    field = square_field(
        magnification=1.0,
        sensor_width_mm=rig.n_cols * rig.pixel_pitch_um / 1000,
        sensor_height_mm=rig.n_rows * rig.pixel_pitch_um / 1000,
    )
    field = replace(field, marks=())
    setting = {"magnification": 1.003, "stop": 8.0, "focus_offset_object_um": 40.0}
    moved = mean_frame(
        replace(rig, movement=Movement(length_px=3.4, axis_deg=AXIS_DEG)), field, **setting
    )
    axis = np.deg2rad(AXIS_DEG)
    nodes, weights = np.polynomial.legendre.leggauss(8)
    expected = np.zeros(moved.shape)
    for node, weight in zip(nodes, weights, strict=True):
        x, y = rig.centre_shift_px
        at = (x + 1.7 * node * np.cos(axis), y + 1.7 * node * np.sin(axis))
        expected += weight / 2 * mean_frame(replace(rig, centre_shift_px=at), field, **setting)
    step = expected.max() - expected.min()
    square = min(field.squares, key=lambda one: np.hypot(*one.centre_mm))
    px_per_mm = 1003 / rig.pixel_pitch_um
    half_px = square.side_mm * px_per_mm / 2
    turn = np.deg2rad(square.rotation_deg + rig.rotation_deg)
    row, col = np.mgrid[: rig.n_rows, : rig.n_cols]
    x_mm, y_mm = square.centre_mm
    roll = np.deg2rad(rig.rotation_deg)
    down = row - (rig.n_rows - 1) / 2 - rig.centre_shift_px[1]
    down = down - px_per_mm * (x_mm * np.sin(roll) + y_mm * np.cos(roll))
    across = col - (rig.n_cols - 1) / 2 - rig.centre_shift_px[0]
    across = across - px_per_mm * (x_mm * np.cos(roll) - y_mm * np.sin(roll))
    u, v = across * np.cos(turn) + down * np.sin(turn), down * np.cos(turn) - across * np.sin(turn)
    beside = (np.abs(np.abs(u) - half_px) < 8) & (np.abs(v) < 0.4 * half_px)
    beside |= (np.abs(np.abs(v) - half_px) < 8) & (np.abs(u) < 0.4 * half_px)
    assert beside.sum() > 300
    green = beside & ((row + col) % 2 == 1)
    off = np.abs(moved - expected)[green] / step
    still = np.abs(mean_frame(rig, field, **setting) - expected)[green] / step
    assert off.max() < 2e-3
    assert still.max() > 0.05


def test_no_movement_leaves_every_byte_as_it_was() -> None:
    """Exact: axes and unlit ways of nothing do not count."""
    field = square_field(magnification=1.0, sensor_width_mm=1.566, sensor_height_mm=1.044)

    def mosaic(rig: SimulatedRig) -> bytes:
        return render_frame(
            rig,
            field,
            magnification=1.003,
            stop=5.6,
            focus_offset_object_um=22.0,
            rng=np.random.default_rng(5),
        ).tobytes()

    nothing = Movement(axis_deg=33.0, ambient_length_px=4.0, vibration_axis_deg=12.0)
    assert nothing.is_still
    assert mosaic(replace(RIG, movement=nothing)) == mosaic(RIG)
    assert mosaic(replace(RIG, movement=Movement(length_px=1.0))) != mosaic(RIG)
    f = np.linspace(0, 0.6, 41)
    assert np.all(nothing.transfer(f, 71.0) == 1)


def test_even_movement_spreads_light_as_a_flash_does() -> None:
    """Exact: both transfers fall alike from 1, by the square of the standard deviation."""
    way_px = 0.83
    f = 0.01
    even = Movement(length_px=even_px_of_flash(way_px)).transfer(f, 0.0)
    assert 1 - even == pytest.approx(1 - np.abs(pulse_otf(f, way_px)), rel=1e-3)
    with pytest.raises(ValueError, match="length_t01_px"):
        even_px_of_flash(-0.1)


@pytest.mark.parametrize(
    "change",
    [
        {"length_px": -0.1},
        {"ambient_length_px": -1.0},
        {"vibration_px": float("nan")},
        {"axis_deg": float("inf")},
        {"ambient_share": 1.01},
    ],
)
def test_impossible_movement_is_refused(change: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="must"):
        Movement(**change)
