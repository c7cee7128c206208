"""What EXIF f-numbers are, marked or effective, is told where session.toml says otherwise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from lab.session import Problem, assign_frames
from tests.session.shoot import Shoot


def told(shoot: Shoot, stated: str) -> list[Problem]:
    lens = replace(shoot.config.lens, exif_f_number=stated)
    config = replace(shoot.config, lens=lens)
    found = assign_frames(config, shoot.folder, shoot.metadata)
    return [one for one in found.problems if "f-numbers in EXIF are" in one.text]


@pytest.mark.parametrize("true", ["marked", "effective"])
def test_the_right_kind_is_not_questioned(tmp_path: Path, true: str) -> None:
    assert told(Shoot(tmp_path, true, 0.9), true) == []


@pytest.mark.parametrize(
    ("true", "stated"),
    [
        ("marked", "absent"),
        ("marked", "effective"),
        ("effective", "absent"),
        ("effective", "marked"),
    ],
)
def test_the_wrong_kind_is_told_in_each_series(tmp_path: Path, true: str, stated: str) -> None:
    problems = told(Shoot(tmp_path, true, 0.9), stated)
    assert len(problems) == 4
    for one in problems:
        assert f"are those of the {true} stops" in one.text
        assert f'Set it to "{true}"' in one.text
        assert one.severity == "warning"


def test_two_f_numbers_tell_nothing(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path, "marked")
    for file, (_, stop, _) in shoot.truth.items():
        shoot.change(file, f_number=4.0 if stop < 5 else 8.0)
    assert told(shoot, "absent") == []
