"""The truth of a simulated session: it is a maximum, and right where a closed form exists."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lab.errors import SessionError
from lab.optics.system import channel_band, diffraction_mtf50
from lab.simulate.rig import SimulatedRig
from lab.simulate.truth import (
    SimulatedTruth,
    TruePoint,
    TrueSeries,
    best_focus,
    read_truth,
    true_mtf50,
    true_optimum_stop,
    write_truth,
)

RIG = SimulatedRig()


@pytest.mark.parametrize(("stop", "channel"), [(2.83, "green"), (4.0, "red"), (11.31, "blue")])
def test_best_focus_is_a_maximum(stop: float, channel: str) -> None:
    setting = {"magnification": 2.0, "stop": stop, "channel": channel, "edge_angle_deg": 5.0}
    best = best_focus(RIG, **setting)  # type: ignore[arg-type]
    at_best = true_mtf50(RIG, focus_shift_um=best.shift_um, **setting)  # type: ignore[arg-type]
    assert best.mtf50_cyc_per_mm == pytest.approx(at_best, rel=1e-5)
    quarter_wave_um = 2 * 0.53 * RIG.effective_f_number(2.0, stop) ** 2
    for away in (-2.0, -0.3, -0.05, 0.05, 0.3, 2.0):
        shift_um = best.shift_um + away * quarter_wave_um
        beside = true_mtf50(RIG, focus_shift_um=shift_um, **setting)  # type: ignore[arg-type]
        assert beside < at_best


def test_best_focus_without_aberration_is_paraxial_and_limited_by_diffraction() -> None:
    rig = replace(RIG, spherical_um=0.0, blur_std_um=0.0)
    best = best_focus(rig, magnification=1.4, stop=7.0, channel="red", edge_angle_deg=8.0)
    limit = diffraction_mtf50(
        wavelength_um=channel_band(0.6),
        f_number=7.0 * (1 + 1.4 / 0.88),
        pixel_pitch_um=4.35,
        edge_angle_deg=8.0,
    )
    assert best.mtf50_cyc_per_mm == pytest.approx(limit, rel=1e-6)
    depth_um = 2 * 0.6 * rig.effective_f_number(1.4, 7.0) ** 2
    assert best.shift_um == pytest.approx(30.0, abs=0.01 * depth_um)


def test_best_focus_moves_with_the_stop() -> None:
    # Where aberration is slight, the shift falls as N**2 / N**4: by half for each stop.
    one, two = (
        best_focus(RIG, magnification=1.0, stop=stop, channel="green", edge_angle_deg=5.0)
        for stop in (11.0, 11.0 * 2**0.5)
    )
    assert one.shift_um / two.shift_um == pytest.approx(2.0, rel=0.01)
    # The transfer at a frequency s falls with the mean square of the path difference
    # 4 x s (w20 + 2 w040 (x**2 + y**2 + s**2)) over the overlap of the shifted pupils.
    n_eff = RIG.effective_f_number(1.0, 11.0)
    s = one.mtf50_cyc_per_mm * 0.53e-3 * n_eff
    x, y = np.meshgrid(*[np.linspace(-1, 1, 801)] * 2)
    overlap = (np.abs(x) + s) ** 2 + y**2 < 1
    x, y = x[overlap], y[overlap]
    w20 = -2 * RIG.spherical_at_um(11.0) * (x**2 * (x**2 + y**2 + s**2)).sum() / (x**2).sum()
    assert one.shift_um == pytest.approx(8 * n_eff**2 * w20, rel=0.01)


def test_optimum_stop_is_a_maximum_inside_the_range() -> None:
    best = true_optimum_stop(
        RIG, magnification=1.5, narrowest_stop=16.0, channel="green", edge_angle_deg=5.0
    )
    assert 3.5 < best.stop < 5.0
    for factor in (0.97, 1.03):
        beside = best_focus(
            RIG,
            magnification=1.5,
            stop=best.stop * factor,
            channel="green",
            edge_angle_deg=5.0,
        )
        assert beside.mtf50_cyc_per_mm < best.mtf50_cyc_per_mm


def test_optimum_of_a_perfect_lens_is_wide_open() -> None:
    rig = replace(RIG, spherical_um=0.0)
    best = true_optimum_stop(
        rig, magnification=1.5, narrowest_stop=16.0, channel="green", edge_angle_deg=5.0
    )
    assert best.stop == pytest.approx(rig.widest_stop, rel=3e-3)
    with pytest.raises(ValueError, match="narrowest_stop"):
        true_optimum_stop(
            rig, magnification=1.5, narrowest_stop=2.0, channel="green", edge_angle_deg=5.0
        )


def test_record_survives_writing_and_reading(tmp_path: Path) -> None:
    point = TruePoint(
        marked_stop=5.6,
        exact_stop=2**2.5,
        effective_f_number=12.1,
        mtf50_image_cyc_per_mm=1 / 3,
        best_focus_object_um=-0.1,
    )
    series = TrueSeries(
        magnification=1.0,
        true_magnification=1.003,
        points=(point, point),
        optimum_stop=3.9,
        optimum_mtf50_image_cyc_per_mm=61.0,
    )
    truth = SimulatedTruth(seed=7, channel="green", pupil_ratio=0.88, series=(series,))
    write_truth(truth, tmp_path / "truth.json")
    assert read_truth(tmp_path / "truth.json") == truth


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"seed": 1, "series": [{"points": []}]}'])
def test_unreadable_record_names_the_file(tmp_path: Path, text: str) -> None:
    path = tmp_path / "truth.json"
    path.write_text(text)
    with pytest.raises(SessionError, match=r"truth\.json: no readable truth"):
        read_truth(path)
    with pytest.raises(SessionError, match="absent"):
        read_truth(tmp_path / "absent.json")
