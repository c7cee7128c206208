"""Trials in session.toml, and which condition each of their frames has."""

from __future__ import annotations

import re

import pytest

from lab.errors import SessionError
from lab.frames.frame import FrameMetadata
from lab.session.assign import assign
from lab.session.config import SessionConfig, parse_session
from lab.session.draft import Assignment
from lab.session.frame_table import FrameRow
from lab.session.slate_looks import SlateLook
from targets.slates import Slate

TRIAL = """
[session]
name = "Hands"
[body]
name = "Club body"
pixel_pitch_um = 4.35
sensor_mm = [35.9, 23.9]
[lens]
name = "Enlarger 75"
[target]
layout = "target.json"
[[trial]]
name = "Hands"
magnification = 1.0
stop = 8
frames = "hands/*.dng"
frames_per_condition = 3
reference = "stand"
[[trial.condition]]
name = "stand"
[[trial.condition]]
name = "by hand"
exposure_s = 0.005
[[trial.condition]]
name = "by hand, flash"
flash_t01_s = 0.00025
ambient = "by hand"
"""
FILES = [f"hands/IMG_{i:04d}.dng" for i in range(1, 10)]


def config(text: str = TRIAL) -> SessionConfig:
    return parse_session(text, "session.toml")


def taken(files: list[str] = FILES) -> dict[str, FrameMetadata]:
    return {
        f: FrameMetadata(captured_at=f"2024:11:16 14:{i:02d}:00", exposure_s=0.005, iso=100.0)
        for i, f in enumerate(files)
    }


def assigned(
    files: list[str] = FILES,
    rows: dict[str, FrameRow] | None = None,
    slates: dict[str, Slate] | None = None,
) -> Assignment:
    looks = {f: SlateLook(slate=s) for f, s in (slates or {}).items()}
    return assign(config(), files, rows or {}, taken(files), {}, looks)


def conditions(assignment: Assignment) -> list[str]:
    return [f.condition for f in assignment.frames if f.use]


def test_what_a_trial_says() -> None:
    (series,) = config().series
    trial = series.trial
    assert trial is not None and config().trials == (series,) and config().brackets == ()
    assert (series.magnification, series.stops, series.frames_per_stop) == (1.0, (8.0,), 9)
    assert trial.names == ("stand", "by hand", "by hand, flash")
    assert trial.conditions[2].flash_t01_s == 0.00025 and trial.conditions[2].ambient == "by hand"
    unnamed = TRIAL.replace('name = "Hands"\nmagnification', "magnification")
    named = config(unnamed).series[0].trial
    assert named is not None and named.name == "trial 1"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('reference = "stand"', 'reference = "tripod"', "no condition is called 'tripod'"),
        ('name = "by hand"\n', 'name = "stand"\n', "more than once"),
        ("exposure_s = 0.005", "exposure_s = 5000", "1/200 s is 0.005"),
        ('ambient = "by hand"', "ambient_share = 5", "5 % is 0.05"),
        ('ambient = "by hand"', 'ambient = "by hand"\nambient_share = 0.1', "both are given"),
        ('ambient = "by hand"', 'ambient = "sun"', "no condition is called 'sun'"),
        ("stop = 8", "stops = [8]", "unknown key. Did you mean stop"),
        ("[[trial]]\n", "[trial]\n", "double brackets"),
        ("frames_per_condition = 3", "", "frames_per_condition"),
    ],
)
def test_what_is_wrong_is_named(old: str, new: str, said: str) -> None:
    wrong = TRIAL.replace(old, new, 1)
    with pytest.raises(SessionError, match=re.escape(said)) as caught:
        config(wrong)
    assert str(caught.value).startswith("session.toml")


def test_conditions_by_order() -> None:
    found = assigned()
    assert conditions(found) == [n for n in ("stand", "by hand", "by hand, flash") for _ in "123"]
    assert {f.trial for f in found.frames} == {"Hands"} and found.problems == ()
    assert {f.marked_stop for f in found.frames} == {8.0}


def test_a_wrong_count_is_reported_and_nothing_guessed() -> None:
    found = assigned(FILES[:-1])
    assert conditions(found) == []
    (problem,) = found.problems
    assert problem.severity == "error" and "8 frames, but 3 conditions x 3" in problem.text


def test_slates_go_before_the_order_and_frames_csv_before_slates() -> None:
    files = [f"hands/IMG_{i:04d}.dng" for i in range(1, 8)]
    slates = {
        files[0]: Slate(magnification=1, marked_stop=8, condition="by hand"),
        files[4]: Slate(condition="stand"),
    }
    rows = {files[2]: FrameRow(file=files[2], condition="by hand, flash")}
    found = assigned(files, rows, slates)
    assert conditions(found) == ["by hand", "by hand, flash", "by hand", "stand", "stand"]
    assert found.problems == ()


def test_unknown_and_missing_conditions_are_left_out_and_named() -> None:
    rows = {
        FILES[0]: FrameRow(file=FILES[0], condition="stand"),
        FILES[1]: FrameRow(file=FILES[1], condition="stnd"),
    }
    found = assigned(rows=rows)
    assert conditions(found) == ["stand"]
    text = " ".join(p.text for p in found.problems)
    assert f"{FILES[1]} (stnd)" in text and "no condition for" in text
    assert "no frame for by hand, by hand, flash" in text


def test_another_stop_by_slate_is_left_out() -> None:
    found = assigned(FILES, None, {FILES[0]: Slate(marked_stop=11, condition="stand")})
    assert conditions(found) == []
    assert "f/11" in found.problems[0].text


def test_changed_settings_within_a_condition_are_reported() -> None:
    metadata = taken()
    metadata[FILES[4]] = FrameMetadata(
        captured_at="2024:11:16 14:04:00", exposure_s=0.0025, iso=100.0
    )
    found = assign(config(), FILES, {}, metadata, {}, {})
    (problem,) = found.problems
    assert FILES[4] in problem.text and "exposure time" in problem.text
