"""A simulated session, measured from its raw files, against its truth."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lab.inference.results import SessionResult
from lab.inference.session_analysis import analyse_session
from lab.session.config import SessionConfig
from lab.session.draft import Problem
from lab.session.records import FrameRecord
from lab.session.running import measure_session, stored_session
from lab.simulate.rig import SimulatedRig


@pytest.fixture(scope="module")
def result(demo: Any) -> SessionResult:
    return analyse_session(demo.measured.config, demo.measured.frames)


def _again(
    demo: Any,
    frames: list[FrameRecord] | None = None,
    config: SessionConfig | None = None,
    **how: Any,
) -> SessionResult:
    return analyse_session(
        demo.measured.config if config is None else config,
        demo.measured.frames if frames is None else frames,
        **how,
    )


def test_every_stop_is_recovered(demo: Any, result: SessionResult) -> None:
    truth = demo.truth.series[0]
    points = result.series[0].points
    assert [p.marked_stop for p in points] == [2.8, 4.0, 5.6, 8.0]
    for point, true in zip(points, truth.points, strict=True):
        assert point.mtf50_image_cyc_per_mm == pytest.approx(true.mtf50_image_cyc_per_mm, rel=0.02)
        assert point.mtf50_low95 <= true.mtf50_image_cyc_per_mm <= point.mtf50_high95
        assert point.exact_stop == pytest.approx(true.exact_stop)
        assert point.effective_f_number == pytest.approx(true.effective_f_number, rel=2e-3)
        assert (point.frames_measured, point.flags) == (5, ())


def test_optimum_is_recovered(demo: Any, result: SessionResult) -> None:
    truth, series = demo.truth.series[0], result.series[0]
    assert series.optimum_stop is not None
    assert abs(np.log2(series.optimum_stop / truth.optimum_stop)) < 1 / 3
    assert series.optimum_mtf50_image_cyc_per_mm == pytest.approx(
        truth.optimum_mtf50_image_cyc_per_mm, rel=0.02
    )
    assert series.measured_magnification == pytest.approx(truth.true_magnification, rel=1e-3)
    assert series.flags == ()


def test_best_focus_is_recovered(demo: Any, result: SessionResult) -> None:
    """The rail's middle is within half a step of best focus at every stop."""
    for point in result.series[0].points:
        assert point.best_focus_um == pytest.approx(0.0, abs=0.75 * 25)


def test_figures_belong_together(demo: Any, result: SessionResult) -> None:
    series = result.series[0]
    for p in series.points:
        assert p.mtf50_object_cyc_per_mm == pytest.approx(
            p.mtf50_image_cyc_per_mm * series.measured_magnification, rel=1e-3
        )
        assert p.percent_of_diffraction == pytest.approx(
            100 * p.mtf50_image_cyc_per_mm / p.diffraction_mtf50_image_cyc_per_mm
        )
        # The curves cross one half where the figures say: the sharpest frame lies near the
        # peak, the prediction at it.
        f = np.array(p.frequency_image_cyc_per_mm)
        assert np.interp(p.diffraction_mtf50_image_cyc_per_mm, f, p.diffraction_mtf) == (
            pytest.approx(0.5, abs=0.01)
        )
        assert np.interp(p.mtf50_image_cyc_per_mm, f, p.mtf) == pytest.approx(0.5, abs=0.02)
        assert len(f) == len(p.mtf) == len(p.mtf_std) == len(p.diffraction_mtf)
        assert len(p.focus_samples) == 5
        assert sum(sample.used for sample in p.focus_samples) == p.frames_used
    # Closed down, the lens nears its limit; wide open it does not.
    shares = [p.percent_of_diffraction for p in series.points]
    assert shares == sorted(shares)
    assert shares[0] < 50 < 95 < shares[-1] < 101


def test_truth_is_never_read(tiny: Any, tiny_copy: Callable[..., Path]) -> None:
    folder = tiny_copy(measured=False)
    record = json.loads((folder / "truth.json").read_text("utf-8"))
    record["series"][0]["optimum_stop"] = 11.0
    for point in record["series"][0]["points"]:
        point["mtf50_image_cyc_per_mm"] *= 2
    (folder / "truth.json").write_text(json.dumps(record), "utf-8")
    lied_to = measure_session(folder, workers=1)
    (folder / "truth.json").unlink()
    untold = stored_session(folder)
    expected = analyse_session(tiny.measured.config, tiny.measured.frames)
    assert len(expected.series[0].points) == 2
    for session in (lied_to, untold):
        assert analyse_session(session.config, session.frames) == expected


def test_same_frames_give_the_same_digits(demo: Any, result: SessionResult) -> None:
    assert _again(demo) == result
    assert _again(demo, list(reversed(demo.measured.frames))).series[0].optimum_stop == (
        result.series[0].optimum_stop
    )


def test_origin_is_written_down(demo: Any, result: SessionResult) -> None:
    assert result.frames_by_status == {"measured": 20}
    assert result.provenance["frames"] == "20"
    assert len(result.provenance["frames SHA-256"]) == 64
    frames = list(demo.measured.frames)
    frames[3] = replace(frames[3], sha256="0" * 64)
    other = _again(demo, frames)
    assert other.provenance["frames SHA-256"] != result.provenance["frames SHA-256"]
    assert result.pupil_ratio == 0.88
    assert result.pupil_ratio_source == "session.toml"
    assert result.channel == "green"


def test_permitted_loss_moves_the_deepest_sharp_stop(demo: Any) -> None:
    deepest = [_again(demo, loss_percent=loss).series[0].deepest_sharp_stop for loss in (5, 10, 20)]
    assert deepest == sorted(deepest)
    assert len(set(deepest)) == 3


@pytest.mark.parametrize("loss", [0.0, 100.0, -1.0, float("nan")])
def test_impossible_loss_is_refused(demo: Any, loss: float) -> None:
    with pytest.raises(ValueError, match="loss_percent"):
        _again(demo, loss_percent=loss)


def test_unplaced_frames_give_the_sharpest_one(demo: Any) -> None:
    frames = [replace(frame, focus_position_um=None) for frame in demo.measured.frames]
    for point in _again(demo, frames).series[0].points:
        assert point.flags == ("focus-order-unknown",)
        best = max(sample.mtf50_image_cyc_per_mm for sample in point.focus_samples)
        assert (point.mtf50_image_cyc_per_mm, point.best_focus_um) == (best, None)


def test_frames_that_failed_are_counted_and_left_out(demo: Any, result: SessionResult) -> None:
    frames = list(demo.measured.frames)
    frames[0] = replace(frames[0], status="unreadable", reason="is cut short", edges=())
    frames[1] = replace(frames[1], status="missing", reason="gone", edges=())
    seen = _again(demo, frames)
    assert seen.frames_by_status == {"measured": 18, "missing": 1, "unreadable": 1}
    assert [p.frames_measured for p in seen.series[0].points] == [3, 5, 5, 5]
    assert seen.series[0].points[1:] == result.series[0].points[1:]


def test_one_stop_alone_names_no_optimum(demo: Any) -> None:
    frames = [frame for frame in demo.measured.frames if frame.marked_stop == 5.6]
    series = _again(demo, frames).series[0]
    assert len(series.points) == 1
    assert series.flags == ("too-few-stops",)
    assert series.optimum_stop is series.optimum_low95 is series.deepest_sharp_stop is None
    assert series.curve_stop == ()


def test_no_frame_at_all_gives_an_empty_series(demo: Any) -> None:
    result = _again(demo, [])
    assert result.series[0].points == ()
    assert result.series[0].measured_magnification is None
    assert result.frames_by_status == {}


def test_only_the_centre_in_green_counts(demo: Any, result: SessionResult) -> None:
    """Spoiling every other edge moves no figure of a stop."""
    frames = []
    for frame in demo.measured.frames:
        edges = tuple(
            edge
            if edge.channel == "green" and np.hypot(edge.field_x, edge.field_y) <= 0.15
            else replace(edge, mtf50_cyc_per_px=0.01)
            for edge in frame.edges
        )
        assert 0 < sum(a == b for a, b in zip(edges, frame.edges, strict=True)) < len(edges)
        frames.append(replace(frame, edges=edges))
    seen = _again(demo, frames).series[0]
    assert seen.points == result.series[0].points
    assert seen.optimum_stop == result.series[0].optimum_stop


def test_flags_of_frames_reach_their_stop(demo: Any) -> None:
    frames = list(demo.measured.frames)
    frames[7] = replace(frames[7], flags=("changed-ISO",))  # the second stop's third frame
    points = _again(demo, frames).series[0].points
    assert [p.flags for p in points] == [(), ("changed-ISO",), (), ()]
    assert [s.flags for s in points[1].focus_samples][2] == ("changed-ISO",)


def test_what_to_doubt_is_said(demo: Any) -> None:
    problem = Problem(severity="warning", text="Changed ISO: frame 3.", files=("3",))
    plain = _again(demo, problems=[problem])
    assert plain.cautions[0] == "Changed ISO: frame 3."
    assert not any("pupil ratio" in text for text in plain.cautions)
    config = demo.measured.config
    unknown = replace(config, lens=replace(config.lens, pupil_ratio=None))
    frames = [replace(frame, flags=("tone-mapped",)) for frame in demo.measured.frames]
    doubted = _again(demo, frames, unknown)
    assert (doubted.pupil_ratio, doubted.pupil_ratio_source) == (1.0, "assumed")
    for word in ("pupil ratio", "target", "indicative"):
        assert any(word in text for text in doubted.cautions)


def test_a_stop_sharper_than_diffraction_is_flagged(demo: Any) -> None:
    # Frames of f/4 and f/8 with their labels swapped.
    swap = {4.0: 8.0, 8.0: 4.0}
    frames = [
        replace(f, marked_stop=swap.get(f.marked_stop or 0, f.marked_stop))
        for f in demo.measured.frames
    ]
    series = _again(demo, frames).series[0]
    points = {p.marked_stop: p for p in series.points}
    assert "sharper-than-diffraction" in points[8.0].flags
    assert "sharper-than-diffraction" not in points[2.8].flags
    # So far beyond physics that no optimum may be named.
    assert points[8.0].percent_of_diffraction > 125
    assert series.optimum_stop is series.deepest_sharp_stop is None
    assert series.flags == ("sharper-than-diffraction",)


def test_a_magnification_that_is_off_is_flagged(demo: Any) -> None:
    frames = [
        replace(f, measured_magnification=1.15 * (f.measured_magnification or 0))
        for f in demo.measured.frames
    ]
    assert "magnification-off" in _again(demo, frames).series[0].flags


def test_colour_comes_from_the_stop_nearest_the_optimum(demo: Any, result: SessionResult) -> None:
    series = result.series[0]
    assert series.optimum_stop is not None
    nearest = min(series.points, key=lambda p: abs(np.log(p.exact_stop / series.optimum_stop)))
    body = demo.measured.config.body
    half_px = np.hypot(*body.sensor_mm) / 2 * 1e3 / body.pixel_pitch_um
    red, _, blue = SimulatedRig().lateral_colour
    for colour, (channel, truth) in zip(
        series.colours, (("red", red), ("blue", blue)), strict=True
    ):
        assert (colour.channel, colour.marked_stop) == (channel, nearest.marked_stop)
        assert colour.lateral_corner_px is not None
        assert colour.lateral_corner_std_px is not None
        away = abs(colour.lateral_corner_px - truth * half_px)
        assert away < 4 * colour.lateral_corner_std_px + 0.002


def test_the_deepest_stop_has_an_interval(result: SessionResult) -> None:
    series = result.series[0]
    assert series.deepest_low95 is not None
    assert series.deepest_high95 is not None
    assert series.deepest_low95 <= (series.deepest_sharp_stop or 0) <= series.deepest_high95
