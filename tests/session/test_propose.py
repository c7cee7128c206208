"""The proposed frames.csv: complete, blank where nothing is known, the same when read back."""

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from lab.errors import SessionError
from lab.session import Assignment
from lab.session.propose import blank_cells, rowless_frames, stray_rows, write_frame_table
from lab.session.slate_looks import SlateLook
from targets.slates import Slate
from tests.session.shoot import Shoot, by_file

DAMAGED = SlateLook(damage="slate: is damaged.")


def sources_apart(assignment: Assignment) -> list[object]:
    """Every frame but where its stop comes from: the table itself, once it is read back."""
    return [replace(frame, source="") for frame in assignment.frames]


def missing(shoot: Shoot) -> None:
    shoot.remove("2x/IMG_60.dng")


def extra(shoot: Shoot) -> None:
    shoot.add("3x/IMG_100b.dng", 100)


def stranger(shoot: Shoot) -> None:
    (shoot.folder / "frames" / "test").mkdir()
    shoot.add("test/a, b.dng", 999)


def slated(shoot: Shoot) -> None:
    shoot.slates()
    shoot.looks["1x/SLATE_2.dng"] = DAMAGED
    shoot.looks["3x/SLATE_15.dng"] = SlateLook(slate=Slate(magnification=2, marked_stop=5.6))
    shoot.remove("2x/IMG_60.dng")


def rocked(shoot: Shoot) -> None:
    by_hand = replace(shoot.config.series[0], focus_steps_um=(1 / 3, 0, 0, 12.5, 7, 20))
    shoot.config = replace(shoot.config, series=(by_hand, *shoot.config.series[1:]))


def nothing(shoot: Shoot) -> None:
    pass


@pytest.mark.parametrize("fault", [nothing, missing, extra, stranger, slated, rocked])
@pytest.mark.parametrize("exif", ["absent", "marked"])
def test_read_back_unedited_every_frame_has_the_same_place(
    tmp_path: Path, fault: Callable[[Shoot], None], exif: str
) -> None:
    shoot = Shoot(tmp_path, exif, exposure="made-up")
    fault(shoot)
    before = shoot.assign()
    path = write_frame_table(tmp_path, before)
    assert path == tmp_path / "frames.csv"
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["file"] for row in rows] == [f.file for f in before.frames]
    after = shoot.assign()
    assert sources_apart(after) == sources_apart(before)
    assert [p.files for p in after.problems if p.severity == "error"] == [
        p.files for p in before.problems if p.severity == "error"
    ]


def test_copies_and_companions_stay_out_and_stand_in_for_nothing(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    wide = tuple(replace(s, frames=s.frames[:3] + "*") for s in shoot.config.series)
    shoot.config = replace(shoot.config, series=wide)
    # Two frames are gone, a copy and a companion would bring the count back to 42.
    shoot.remove("1x/IMG_20.dng")
    shoot.remove("1x/IMG_21.dng")
    shoot.add("1x/IMG_9 copy.dng", 9)
    shoot.add("1x/IMG_4.jpg", 4)
    hashes = {file: file for file in shoot.metadata}
    hashes["1x/IMG_9 copy.dng"] = hashes["1x/IMG_9.dng"]
    before = shoot.assign(hashes)
    assert len([f for f in before.frames if not f.use]) == 2
    write_frame_table(tmp_path, before)
    after = shoot.assign(hashes)
    assert sources_apart(after) == sources_apart(before)
    assert [p.severity for p in after.problems] == ["error"]  # the table settles the others
    assert "40 frames" in after.problems[0].text


def test_a_copy_in_two_series_stays_an_error(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    hashes = {file: file for file in shoot.metadata}
    hashes["3x/IMG_85.dng"] = hashes["1x/IMG_1.dng"]
    before = shoot.assign(hashes)
    write_frame_table(tmp_path, before)
    after = shoot.assign(hashes)
    assert after.problems == before.problems
    assert sources_apart(after) == sources_apart(before)


def test_cells_say_what_is_known_and_blank_what_is_not(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.remove("2x/IMG_60.dng")
    shoot.add("3x/SLATE.dng", 84.5)
    shoot.looks["3x/SLATE.dng"] = SlateLook(slate=Slate(magnification=3, marked_stop=2.8))
    assignment = shoot.assign()
    path = write_frame_table(tmp_path, assignment)
    lines = path.read_text("utf-8").splitlines()
    assert lines[0] == "file,magnification,marked_stop,focus_position_um,condition,use"
    assert "1x/IMG_1.dng,1,2.8,-60,flash,yes" in lines
    assert "2x/IMG_43.dng,2,,,flash," in lines
    assert "3x/SLATE.dng,3,2.8,,,no" in lines
    blank = blank_cells(shoot.config, assignment)
    assert (blank["magnification"], blank["focus_position_um"]) == ((), ())
    assert len(blank["marked_stop"]) == 41


def test_filled_in_by_hand_it_gives_the_whole_session(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.add("3x/IMG_100b.dng", 100)
    write_frame_table(tmp_path, shoot.assign())
    path = tmp_path / "frames.csv"
    text = path.read_text("utf-8")
    path.write_text(text.replace("3x/IMG_100b.dng,3,,,flash,", "3x/IMG_100b.dng,3,,,flash,no"))
    assert shoot.assign().problems == ()
    assert shoot.wrong(shoot.assign()) == ["3x/IMG_100b.dng"]
    assert not by_file(shoot.assign())["3x/IMG_100b.dng"].use


def test_an_existing_table_is_left_untouched(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.table("1x/IMG_1.dng,,,5,,")
    text = (tmp_path / "frames.csv").read_text("utf-8")
    with pytest.raises(SessionError, match="move it away and propose again"):
        write_frame_table(tmp_path, shoot.assign())
    assert (tmp_path / "frames.csv").read_text("utf-8") == text


def test_an_existing_table_is_held_against_the_frames(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    assert stray_rows(tmp_path) == ()
    shoot.slate("3x/SLATE.dng", 84.5, SlateLook(slate=Slate(magnification=3, marked_stop=2.8)))
    assert len(rowless_frames(tmp_path, shoot.assign())[0].files) == 168  # the slate is none
    write_frame_table(tmp_path, shoot.assign())
    assert stray_rows(tmp_path) == rowless_frames(tmp_path, shoot.assign()) == ()
    path = tmp_path / "frames.csv"
    table = path.read_text("utf-8")
    path.write_text(table.replace("1x/IMG_3.dng,1", "1x/IMG_4.jpg,1").replace("2x/IMG_50.", "q."))
    (problem,) = stray_rows(tmp_path)
    assert (problem.severity, problem.files) == ("error", ("1x/IMG_4.jpg", "q.dng"))
    assert "'1x/IMG_4.jpg' (did you mean 1x/IMG_4" in problem.text
    path.write_text("file\n3x/IMG_90.dng\n" + "".join(f"3x/none{k}.dng\n" for k in range(8)))
    assert " and 2 more. Names" in stray_rows(tmp_path)[0].text
    path.write_text("file,use\n3x/IMG_90.dng,perhaps\n")
    with pytest.raises(SessionError, match="use: must be yes, no or blank"):
        stray_rows(tmp_path)
