"""The invented rig: exact relations, the focus table against the integral, bad input."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lab.optics.system import channel_band, system_mtf
from lab.simulate.rig import SimulatedRig, channel_transfer, cutoff_cyc_per_px
from lab.simulate.through_focus import ThroughFocus

RIG = SimulatedRig()


def test_transfer_is_the_system_mtf_with_frequencies_in_pixels() -> None:
    transfer = channel_transfer(
        RIG, magnification=2.0, stop=5.0, channel="red", focus_shift_um=-120.0, edge_angle_deg=7.0
    )
    f_per_px = np.array([0.0, 0.05, 0.17, 0.31])
    expected = system_mtf(
        f_per_px / 4.35e-3,
        wavelength_um=channel_band(0.6),
        f_number=5.0 * (1 + 2.0 / 0.88),
        pixel_pitch_um=4.35,
        edge_angle_deg=7.0,
        focus_shift_um=-120.0 - 30.0,  # red focuses 30 um beyond green
        spherical_um=1.0 * (2 * 2**0.5 / 5.0) ** 4,
        blur_std_um=1.0,
    )
    assert transfer(f_per_px) == pytest.approx(expected, abs=1e-12)


def test_transfer_ends_at_the_cutoff() -> None:
    cutoff = cutoff_cyc_per_px(RIG, magnification=1.0, stop=11.0, channel="blue")
    transfer = channel_transfer(
        RIG, magnification=1.0, stop=11.0, channel="blue", focus_shift_um=9.0, edge_angle_deg=5.0
    )
    below, at, above = transfer(cutoff * np.array([0.95, 1.0, 1.05]))
    assert below > 0
    assert at == above == 0


def test_spherical_aberration_falls_sixteenfold_in_two_stops() -> None:
    assert RIG.spherical_at_um(RIG.widest_stop) == RIG.spherical_um
    assert RIG.spherical_at_um(2 * RIG.widest_stop) == pytest.approx(RIG.spherical_um / 16)


def test_focus_shift_grows_with_magnification_squared_and_towards_the_far_side() -> None:
    rig = replace(RIG, tilt_x_deg=0.5, tilt_y_deg=-0.25)
    assert rig.shift_from_object_um(3.0, 10.0, 0.0, 0.0) == pytest.approx(90.0)
    # 2 mm to the right at 0.5 degrees: 2000 um x tan(0.5 deg) farther away.
    assert rig.shift_from_object_um(3.0, 0.0, 2.0, 0.0) == pytest.approx(157.084, abs=1e-3)
    assert rig.shift_from_object_um(3.0, 0.0, 0.0, 2.0) == pytest.approx(-78.540, abs=1e-3)


def test_noise_model_adds_read_and_rounding_noise() -> None:
    rig = replace(RIG, electrons_per_dn=2.5, read_noise_electrons=5.0)
    assert rig.noise.gain == pytest.approx(0.4)
    assert rig.noise.read_std**2 == pytest.approx(4 + 1 / 12)


@pytest.mark.parametrize("stop", [2.83, 4.5, 16.0])
@pytest.mark.parametrize(("channel", "angle"), [("green", 6.0), ("blue", 84.0)])
def test_focus_table_agrees_with_the_integral(stop: float, channel: str, angle: float) -> None:
    per_um_of_path = 8 * RIG.effective_f_number(1.5, stop) ** 2
    low, high = -1.6 * per_um_of_path, 0.4 * per_um_of_path
    table = ThroughFocus(
        RIG, magnification=1.5, stop=stop, channel=channel, low_um=low, high_um=high
    )
    f = np.linspace(0, table.cutoff_cyc_per_px, 61)
    for shift_um in np.linspace(low, high, 5):
        exact = channel_transfer(
            RIG,
            magnification=1.5,
            stop=stop,
            channel=channel,
            focus_shift_um=float(shift_um),
            edge_angle_deg=angle,
        )
        assert table.transfer(float(shift_um), angle)(f) == pytest.approx(exact(f), abs=1e-5)


def test_focus_table_weights_are_an_interpolation() -> None:
    table = ThroughFocus(
        RIG, magnification=1.0, stop=4.0, channel="green", low_um=-50.0, high_um=70.0
    )
    assert table.weights(np.array([-50.0, 3.0, 70.0])).sum(axis=1) == pytest.approx(1.0)
    assert table.weights(table.node_um) == pytest.approx(np.eye(table.node_um.size), abs=1e-12)
    with pytest.raises(ValueError, match="outside the table"):
        table.weights(71.0)
    with pytest.raises(ValueError, match="low_um"):
        ThroughFocus(RIG, magnification=1.0, stop=4.0, channel="green", low_um=1.0, high_um=0.0)


@pytest.mark.parametrize(
    "change",
    [
        {"pupil_ratio": 0.0},
        {"focal_length_mm": float("nan")},
        {"wavelength_um": (0.6, 0.0, 0.46)},
        {"spherical_um": float("nan")},
        {"blur_std_um": -0.1},
        {"read_noise_electrons": float("nan")},
        {"lateral_colour": (-1.0, 0.0, 0.0)},
        {"n_rows": 101},
        {"n_cols": 0},
        {"black_dn": 16383},
        {"white_dn": 16384},
        {"sensitivity": (0.5, 1.1, 0.5)},
        {"corner_shading": 1.0},
        {"dark_share": 1.0},
        {"tilt_x_deg": 90.0},
        {"exposure": 0.0},
    ],
)
def test_impossible_rig_is_refused(change: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"must|need"):
        replace(RIG, **change)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("magnification", "stop"), [(0.0, 4.0), (float("nan"), 4.0), (1.0, 2.0), (1.0, float("nan"))]
)
def test_impossible_setting_is_refused(magnification: float, stop: float) -> None:
    with pytest.raises(ValueError, match="must"):
        RIG.effective_f_number(magnification, stop)
