"""What slates among the frames tell, and what is said where they do not go together."""

from dataclasses import replace
from pathlib import Path

import pytest

from lab.session import Assignment
from lab.session.slate_looks import SlateLook, looks_from_json, looks_to_json
from targets.slates import Slate
from tests.session.shoot import Shoot, by_file, only, place

DAMAGED = SlateLook(damage="slate 'SW16 M2': is damaged. Photograph it again, sharp and whole.")


def of_slate(shoot: Shoot, assignment: Assignment) -> list[str]:
    return [f.source for f in assignment.frames if f.file not in shoot.looks]


def test_slates_place_all_168_frames_and_are_none_themselves(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.slates()
    assignment = shoot.assign()
    assert assignment.problems == ()
    assert shoot.wrong(assignment) == []
    assert set(of_slate(shoot, assignment)) == {"slate"}
    slates = [f for f in assignment.frames if f.file in shoot.looks]
    assert len(slates) == 24
    assert all(not f.use and f.source == "slate" and f.flags == ("slate",) for f in slates)
    assert place(by_file(assignment)["2x/SLATE_9.dng"]) == (2.0, 5.6, None)


def test_a_slate_goes_before_exif_and_order_and_frames_csv_before_it(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path, "marked")
    shoot.slates()
    # At 2x the slates before f/5.6 and f/8 were exchanged, as EXIF and the order say.
    shoot.table("2x/SLATE_9.dng,,8,,,", "2x/SLATE_10.dng,,5.6,,,", "2x/IMG_70.dng,,4,,,")
    assignment = shoot.assign()
    frames = by_file(assignment)
    for n, stop in ((56, 4.0), (57, 8.0), (63, 8.0), (64, 5.6), (69, 5.6), (71, 11.0)):
        frame = frames[f"2x/IMG_{n}.dng"]
        assert (frame.marked_stop, frame.source) == (stop, "slate")
    assert place(frames["2x/IMG_70.dng"]) == (2.0, 4.0, 60.0)  # the rail went on
    assert frames["2x/IMG_70.dng"].source == "frames.csv"
    text = only(assignment).text
    assert "2x/IMG_57.dng (the slate: f/8, EXIF: f/5.6, the order of capture: f/5.6)" in text
    assert "and 8 more" in text
    assert frames["2x/IMG_64.dng"].flags == ("stop-disagreement",)


def test_a_short_stop_is_told_by_slates_where_the_order_cannot(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.slates()
    shoot.remove("2x/IMG_60.dng")  # of f/5.6
    assignment = shoot.assign()
    count, blind = assignment.problems
    assert count.severity == blind.severity == "warning"
    for words in ("41 frames", "= 42", "after 2x/IMG_59.dng", "f/5.6 has 6", "no frame is lost"):
        assert words in count.text
    short = [f"2x/IMG_{n}.dng" for n in (57, 58, 59, 61, 62, 63)]
    assert list(blind.files) == short == shoot.wrong(assignment)
    assert all(by_file(assignment)[file].marked_stop == 5.6 for file in short)


@pytest.mark.parametrize("by", ["slates", "exif"])
def test_a_frame_too_many_beside_one_too_few_does_not_pass_as_a_right_count(
    tmp_path: Path, by: str
) -> None:
    shoot = Shoot(tmp_path, "marked" if by == "exif" else "absent")
    if by == "slates":
        shoot.slates()
    shoot.remove("2x/IMG_52.dng")  # of f/4
    shoot.add("2x/IMG_75b.dng", 75, 11.0 if by == "exif" else None)
    assignment = shoot.assign()
    count, blind = assignment.problems
    assert "42 frames, as many as 6 stops x 7 frames_per_stop, but not 7 at each" in count.text
    assert "f/4 has 6, f/11 has 8" in count.text
    uneven = {f"2x/IMG_{n}.dng" for n in (50, 51, 53, 54, 55, 56)}
    uneven |= {f"2x/IMG_{n}.dng" for n in range(71, 78)} | {"2x/IMG_75b.dng"}
    # The stops between, f/5.6 and f/8, keep their own frames and positions.
    assert set(shoot.wrong(assignment)) == set(blind.files) == uneven
    assert by_file(assignment)["2x/IMG_75b.dng"].marked_stop == 11.0


def test_slates_tell_a_chance_count_where_one_of_them_is_unreadable(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.slates()
    shoot.looks["2x/SLATE_9.dng"] = DAMAGED  # before f/5.6
    shoot.remove("2x/IMG_52.dng")  # of f/4
    shoot.add("2x/IMG_75b.dng", 75)  # of f/11
    assignment = shoot.assign()
    # Left out what slates tell, seven frames and one stop remain.
    frames = by_file(assignment)
    for n in range(57, 64):
        frame = frames[f"2x/IMG_{n}.dng"]
        assert (place(frame), frame.source) == ((2.0, 5.6, (n - 60) * 20.0), "order")
    uneven = {*range(50, 57), *range(71, 78)} - {52}
    blind = {f"2x/IMG_{n}.dng" for n in uneven} | {"2x/IMG_75b.dng"}
    assert set(shoot.wrong(assignment)) == set(assignment.problems[-1].files) == blind


def test_a_flat_folder_is_parted_by_slates(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    same = tuple(replace(s, frames="**/*.dng") for s in shoot.config.series)
    shoot.config = replace(shoot.config, series=same)
    assert "photograph a slate before each series" in shoot.assign().problems[0].text
    for m, first in ((1, 0), (2, 42), (3, 84), (5, 126)):  # that say the magnification alone
        shoot.slate(
            f"{m}x/S.dng", first + 0.5, SlateLook(slate=Slate(magnification=m, condition="hand"))
        )
    assignment = shoot.assign()
    assert assignment.problems == ()
    assert shoot.wrong(assignment) == []
    assert set(of_slate(shoot, assignment)) == {"order"}
    assert {f.condition for f in assignment.frames} == {"hand"}


def test_a_slate_of_another_series_leaves_its_frames_out(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.slates()
    shoot.looks["2x/SLATE_9.dng"] = SlateLook(slate=Slate(magnification=3, marked_stop=5.6))
    assignment = shoot.assign()
    other = assignment.problems[0]
    assert other.severity == "error"
    assert "The slate in 2x/SLATE_9.dng announces 3x" in other.text
    lost = [f"2x/IMG_{n}.dng" for n in range(57, 64)]
    assert list(other.files) == shoot.wrong(assignment) == lost
    assert all(place(by_file(assignment)[file]) == (None, None, None) for file in lost)
    # One cell mends it.
    shoot.table("2x/SLATE_9.dng,2,,,,")
    assert shoot.assign().problems == ()
    assert shoot.wrong(shoot.assign()) == []


def test_frames_csv_and_slate_may_disagree_on_the_magnification(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.slates()
    shoot.table("2x/IMG_57.dng,3,4,,,no", "2x/IMG_58.dng,3,4,0,,")
    unlike = shoot.assign().problems[0]
    assert unlike.files == ("2x/IMG_58.dng",)
    assert "disagree on the magnification" in unlike.text
    assert place(by_file(shoot.assign())["2x/IMG_58.dng"])[:2] == (3.0, 4.0)


def test_an_unreadable_slate_tells_nothing_and_one_cell_mends_it(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.slates()
    shoot.looks["2x/SLATE_9.dng"] = DAMAGED
    assignment = shoot.assign()
    problem = only(assignment)
    assert problem.severity == "warning"
    for words in ("The slate in 2x/SLATE_9.dng cannot be read", "is damaged", "2x/IMG_57.dng"):
        assert words in problem.text
    # The order of capture tells the stop, as the count is right; not the slate before.
    assert shoot.wrong(assignment) == []
    assert [by_file(assignment)[f"2x/IMG_{n}.dng"].source for n in (56, 57, 64)] == [
        *("slate", "order", "slate")
    ]
    # Where it is not, nothing is guessed for these seven, and the rest stands.
    shoot.remove("2x/IMG_58.dng")
    assignment = shoot.assign()
    assert [p.severity for p in assignment.problems] == ["warning", "error"]
    lost = [f"2x/IMG_{n}.dng" for n in (57, 59, 60, 61, 62, 63)]
    assert list(assignment.problems[1].files) == lost == shoot.wrong(assignment)
    shoot.table("2x/SLATE_9.dng,,5.6,,,")
    assert {by_file(shoot.assign())[file].marked_stop for file in lost} == {5.6}


def test_frames_before_the_first_slate_are_named(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.slates()
    shoot.remove("3x/SLATE_13.dng")
    del shoot.looks["3x/SLATE_13.dng"]
    problem = only(shoot.assign())
    assert problem.severity == "warning"
    assert problem.files == tuple(f"3x/IMG_{n}.dng" for n in range(85, 92))
    assert "before the first slate" in problem.text
    assert shoot.wrong(shoot.assign()) == []  # by the order: the count is right
    shoot.remove("3x/IMG_99.dng")
    assert {f.marked_stop for f in shoot.assign().frames if f.file in problem.files} == {2.8}
    shoot.remove("3x/IMG_85.dng")
    assert {by_file(shoot.assign())[file].marked_stop for file in problem.files[1:]} == {None}


@pytest.mark.parametrize("seen", [False, True], ids=["forgotten", "unseen"])
def test_a_missing_slate_does_not_stretch_the_one_before(tmp_path: Path, seen: bool) -> None:
    shoot = Shoot(tmp_path)
    shoot.slates()
    del shoot.looks["2x/SLATE_9.dng"]  # before f/5.6: too blurred to be a code for anyone
    if not seen:
        shoot.remove("2x/SLATE_9.dng")
    assignment = shoot.assign()
    doubt = assignment.problems[0]
    assert "2x/SLATE_8.dng (f/4) is followed by" in doubt.text
    assert "none is announced at f/5.6" in doubt.text
    lost = {f"2x/IMG_{n}.dng" for n in range(50, 64)}
    if seen:  # it counts as a frame, so the order cannot tell either
        assert assignment.problems[1].severity == "error"
        assert set(assignment.problems[1].files) == lost | {"2x/SLATE_9.dng"}
        assert set(shoot.wrong(assignment)) == lost | {"2x/SLATE_9.dng"}
        shoot.table("2x/SLATE_9.dng,,,,,no")
        assert set(shoot.wrong(shoot.assign())) == {"2x/SLATE_9.dng"}
    else:
        assert only(assignment).severity == "warning"
        assert shoot.wrong(assignment) == []
        assert {by_file(assignment)[file].source for file in lost} == {"order"}


def test_slates_follow_each_other(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.slates()
    shoot.slate("1x/AGAIN.dng", 7.4, shoot.looks["1x/SLATE_2.dng"])  # the same, once more
    assert shoot.assign().problems == ()
    shoot.slate("1x/WRONG.dng", 7.3, SlateLook(slate=Slate(magnification=1, marked_stop=22)))
    problem = only(shoot.assign())
    assert problem.files == ("1x/WRONG.dng",)
    assert "No frame follows the slate in 1x/WRONG.dng (1x, f/22)" in problem.text


def test_a_damaged_slate_photographed_again_is_no_problem(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.slates()
    shoot.slate("1x/BLURRED.dng", 7.4, DAMAGED)
    assert shoot.assign().problems == ()
    assert shoot.wrong(shoot.assign()) == []


def test_stops_in_the_table_settle_what_slates_leave_open(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.slates()
    shoot.remove("3x/SLATE_13.dng")
    del shoot.looks["3x/SLATE_13.dng"]
    shoot.looks["3x/SLATE_14.dng"] = DAMAGED
    assert len(shoot.assign().problems) == 2
    shoot.table(*(f"3x/IMG_{n}.dng,,{2.8 if n < 92 else 4},,," for n in range(85, 99)))
    assert shoot.assign().problems == ()
    assert shoot.wrong(shoot.assign()) == []


def test_the_same_slate_shown_in_the_middle_of_its_frames_goes_on(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.slates()
    shoot.slate("1x/PAUSE.dng", 11.5, shoot.looks["1x/SLATE_2.dng"])
    assert shoot.assign().problems == ()
    assert shoot.wrong(shoot.assign()) == []


def test_slates_in_an_unknown_order_announce_nothing(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.slates()
    shoot.change("2x/IMG_50.dng", captured_at=None)
    assignment = shoot.assign()
    assert "Which frames these slates announce is not known" in assignment.problems[0].text
    assert len(assignment.problems[0].files) == 6
    assert by_file(assignment)["1x/IMG_1.dng"].source == "slate"


def test_a_stop_that_is_not_listed_is_reported(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.slates()
    shoot.looks["5x/SLATE_24.dng"] = SlateLook(slate=Slate(magnification=5, marked_stop=22))
    texts = " ".join(p.text for p in shoot.assign().problems)
    assert "a stop that session.toml does not list: 5x/IMG_162.dng (f/22)" in texts


def test_looks_come_back_from_the_store_and_bad_ones_are_forgotten() -> None:
    looks = {
        "a" * 64: SlateLook(),
        "b" * 64: SlateLook(slate=Slate(marked_stop=5.6, condition="Hand rocked", rig="Ä")),
        "c" * 64: DAMAGED,
    }
    text = looks_to_json(looks)
    assert looks_from_json(text) == looks
    later = text.replace('"method": 1', '"method": 2')
    scribbled = text.replace("SW1", "SW9")
    for wrong in (None, "", "[]", "3", "{", '{"method": 1}', later, scribbled):
        assert looks_from_json(wrong) == {}
