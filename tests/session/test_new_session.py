"""A session made from a plan: read back by those who will read it."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from lab.errors import SessionError
from lab.session.config import Body, read_session
from lab.session.new_session import new_session, plan_pages, session_text
from lab.session.plan import Plan, plan_rig
from lab.session.rig import Front, Objective, Rig, RigLens
from targets import TargetError, read_layout
from targets.nested import nested_field
from targets.slates import parse_slate

BENCH = Rig(
    name='Bench "A" \\ Ü',
    body=Body(name="Club body", pixel_pitch_um=4.35, sensor_mm=(35.9, 23.9)),
    lens=RigLens(name="Bench 75", focal_length_mm=75, pupil_ratio=0.8),
    magnifications=(1.0, 2.5),
    stops=(2.8, 5.6, 11.0),
)


@pytest.fixture(scope="module")
def bench() -> Plan:
    return plan_rig(BENCH)


# Exact


def test_session_reads_back_as_planned(tmp_path: Path, bench: Plan) -> None:
    folder = tmp_path / "deep" / "session"
    made = new_session(folder, bench, raw_suffix="raw")
    assert set(made) == {
        *("session.toml", "shot-list.pdf", "target.json", "target.pdf"),
        *("frames/1x/", "frames/2.5x/"),
    }
    assert all((folder / name).exists() for name in made)
    config = read_session(folder)
    assert config.name == BENCH.name
    assert config.body == BENCH.body
    assert (config.lens.name, config.lens.focal_length_mm) == ("Bench 75", 75)
    assert config.lens.pupil_ratio == pytest.approx(0.8)
    assert config.target.layout == "target.json"
    for said, planned in zip(config.series, bench.series, strict=True):
        assert said.magnification == planned.magnification
        assert said.stops == BENCH.stops
        assert said.frames_per_stop == planned.frames_per_stop == 7
        assert said.frames == f"{planned.magnification:g}x/*.raw"
        # One step for each stop: they differ more than tenfold.
        steps = tuple(point.focus_step_um for point in planned.points)
        assert said.focus_steps_um == steps
        assert steps[-1] > 10 * steps[0]


def test_chart_is_the_one_that_target_makes(tmp_path: Path, bench: Plan) -> None:
    new_session(tmp_path / "s", bench)
    (field,) = read_layout(tmp_path / "s" / "target.json").fields
    assert field == nested_field(
        magnification_low=1.0,
        magnification_high=2.5,
        sensor_width_mm=35.9,
        sensor_height_mm=23.9,
        name="chart",
    )


def test_equal_steps_are_written_as_one(bench: Plan) -> None:
    one = replace(bench.series[0], points=bench.series[0].points[:1])
    values = tomllib.loads(session_text(replace(bench, series=(one,))))
    assert values["series"][0]["focus_step_um"] == one.points[0].focus_step_um


def test_pupil_ratio_that_nobody_stated_is_left_out(tmp_path: Path) -> None:
    lens = RigLens(name="Bench 75", focal_length_mm=75)
    new_session(tmp_path, plan_rig(replace(BENCH, lens=lens)))
    assert read_session(tmp_path).lens.pupil_ratio is None
    turned = replace(lens, is_reversed=True, pupil_ratio=0.9)
    values = tomllib.loads(session_text(plan_rig(replace(BENCH, lens=turned))))
    assert 0.9 < values["lens"]["pupil_ratio"] < 1


def test_slates_say_what_session_says(bench: Plan) -> None:
    words = [text.text for page in plan_pages(bench) for text in page.texts]
    slates = [parse_slate(text) for text in words if text.startswith("SW1")]
    series = tomllib.loads(session_text(bench))["series"]
    assert [(s.magnification, s.marked_stop) for s in slates if s] == [
        (one["magnification"], stop) for one in series for stop in one["stops"]
    ]
    assert any(text.startswith("Field 14.4 x 9.56 mm, subject 105 mm") for text in words)


def test_rig_without_one_pupil_ratio_gets_numbers_that_make_its_cones(tmp_path: Path) -> None:
    front = Front(kind="front-lens", focal_length_mm=25, f_number=2)
    plan = plan_rig(replace(BENCH, front=front, magnifications=(3.0,)))
    new_session(tmp_path / "s", plan)
    text = (tmp_path / "s" / "session.toml").read_text("utf-8")
    assert "# numbers that make the planned cones with pupil ratio 1, for: f/2.8, f/11" in text
    (series,) = read_session(tmp_path / "s").series
    assert series.stops == pytest.approx((6 / 4, 11.3137 / 4), rel=1e-3)


def test_objective_makes_a_session_too(tmp_path: Path) -> None:
    lens = Objective(name="4x", numerical_aperture=0.1, nominal_magnification=4)
    plan = plan_rig(replace(BENCH, lens=lens, stops=(), magnifications=(4.0,)))
    new_session(tmp_path / "s", plan)
    config = read_session(tmp_path / "s")
    assert config.lens.focal_length_mm is None
    assert config.series[0].stops == pytest.approx((4.0,), rel=1e-3)  # 20 / (1 + 4)


def test_empty_folder_will_do(tmp_path: Path, bench: Plan) -> None:
    new_session(tmp_path, bench, paper="Letter")
    assert (tmp_path / "frames" / "2.5x").is_dir()


# Bad input


def test_nothing_is_overwritten(tmp_path: Path, bench: Plan) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(SessionError, match="not empty"):
        new_session(tmp_path, bench)
    with pytest.raises(SessionError, match="not empty"):
        new_session(tmp_path / "notes.txt", bench)
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_impossible_plan_leaves_nothing(tmp_path: Path) -> None:
    tiny = Body(name="Club body", pixel_pitch_um=4.35, sensor_mm=(0.02, 0.02))
    plan = plan_rig(replace(BENCH, body=tiny))
    with pytest.raises(TargetError):
        new_session(tmp_path / "s", plan)
    assert not (tmp_path / "s").exists()


def test_bad_arguments(tmp_path: Path, bench: Plan) -> None:
    with pytest.raises(ValueError, match="paper"):
        new_session(tmp_path / "s", bench, paper="A3")
    with pytest.raises(ValueError, match="raw_suffix"):
        new_session(tmp_path / "s", bench, raw_suffix='"\n')
    assert not (tmp_path / "s").exists()
