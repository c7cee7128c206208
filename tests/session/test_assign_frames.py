"""Where each frame belongs: order of capture, EXIF, frames.csv, and their faults."""

from dataclasses import replace
from pathlib import Path

import pytest

from tests.session.shoot import STEP_UM, STOPS, Shoot, by_file, only, place


def test_order_of_capture_places_all_168_frames(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    assignment = shoot.assign()
    assert assignment.problems == ()
    assert len(assignment.frames) == 4 * 6 * 7
    assert shoot.wrong(assignment) == []
    assert {f.source for f in assignment.frames} == {"order"}
    assert {f.condition for f in assignment.frames} == {"flash"}
    assert all(f.use and f.flags == () for f in assignment.frames)
    assert [f.series for f in assignment.frames] == [i for i in range(4) for _ in range(42)]


def test_without_capture_times_names_are_counted_naturally(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.metadata = {}
    assignment = shoot.assign()
    assert assignment.problems == ()
    assert shoot.wrong(assignment) == []


def test_capture_time_goes_before_the_name(tmp_path: Path) -> None:
    # The counter turned over: 2x/IMG_43 was taken last of its series, after 2x/IMG_84.
    shoot = Shoot(tmp_path)
    shoot.change("2x/IMG_43.dng", captured_at="2024:05:01 10:01:24.50")
    frames = by_file(shoot.assign())
    assert place(frames["2x/IMG_43.dng"]) == (2.0, 16.0, 60.0)
    assert place(frames["2x/IMG_44.dng"]) == (2.0, 2.8, -60.0)


def test_each_stop_may_have_its_own_focus_step(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    steps = (10.0, 15.0, 20.0, 0.0, 40.0, 60.0)  # at f/8 rocked by hand
    series = tuple(replace(s, focus_steps_um=steps) for s in shoot.config.series)
    shoot.config = replace(shoot.config, series=series)
    by_stop = dict(zip(STOPS, steps, strict=True))
    for file, (m, stop, um) in shoot.truth.items():
        own = um / STEP_UM * by_stop[stop] if by_stop[stop] else None
        shoot.truth[file] = (m, stop, own)
    assert shoot.assign().problems == ()
    assert shoot.wrong(shoot.assign()) == []
    # The count off, the full brackets of slates have theirs, and none is asked for at f/8.
    shoot.slates()
    shoot.remove("1x/IMG_25.dng")  # of f/8
    (count,) = shoot.assign().problems
    assert "f/8 has 6" in count.text
    assert shoot.wrong(shoot.assign()) == []


@pytest.mark.parametrize("clock", ["0000:00:00 00:00:00", "yesterday", " ", "2024:05:01"])
def test_a_clock_that_was_never_set_is_no_time(tmp_path: Path, clock: str) -> None:
    shoot = Shoot(tmp_path)
    shoot.change("2x/IMG_50.dng", captured_at=clock)
    assignment = shoot.assign()
    assert assignment.problems == ()
    assert shoot.wrong(assignment) == []


def test_times_that_are_incomplete_and_contradict_the_names_are_not_guessed_over(
    tmp_path: Path,
) -> None:
    shoot = Shoot(tmp_path)
    shoot.change("2x/IMG_43.dng", captured_at="2024:05:01 11:00:00")
    shoot.change("2x/IMG_50.dng", captured_at=None)
    assignment = shoot.assign()
    problem = only(assignment)
    assert problem.severity == "error"
    assert "no capture time" in problem.text and "frames.csv" in problem.text
    assert len(problem.files) == 42
    assert all(f.marked_stop is None for f in assignment.frames if f.series == 1)
    assert all(f.marked_stop is not None for f in assignment.frames if f.series != 1)


# Faults, without any f-number from the lens


def test_missing_frame_leaves_its_series_unassigned_and_says_where_numbers_skip(
    tmp_path: Path,
) -> None:
    shoot = Shoot(tmp_path)
    shoot.remove("2x/IMG_60.dng")
    assignment = shoot.assign()
    problem = only(assignment)
    assert problem.severity == "error"
    for words in ("Series 2x (2x/*.dng)", "41 frames", "= 42", "after 2x/IMG_59.dng"):
        assert words in problem.text
    for words in ("2x/IMG_43.dng", "and 35 more", "frames.csv", "marked_stop", "use = no"):
        assert words in problem.text
    assert len(problem.files) == 41
    lost = [f for f in assignment.frames if f.marked_stop is None]
    assert [f.file for f in lost] == list(problem.files)
    assert all(f.magnification == 2.0 and f.source == "" for f in lost)
    assert all(f.focus_position_um is None for f in lost)
    assert set(shoot.wrong(assignment)) == set(problem.files)


def test_missing_frame_is_mended_by_listing_the_short_stop(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.remove("2x/IMG_60.dng")  # IMG_57 to IMG_63 are f/5.6
    short = [f"2x/IMG_{n}.dng" for n in (57, 58, 59, 61, 62, 63)]
    shoot.table(*(f"{file},,5.6,,," for file in short))
    assignment = shoot.assign()
    assert shoot.wrong(assignment) == short  # all but their focus positions
    frames = by_file(assignment)
    for file in short:
        assert place(frames[file]) == (2.0, 5.6, None)
        assert frames[file].source == "frames.csv"
    problem = only(assignment)
    assert problem.severity == "warning"
    assert problem.files == tuple(short)
    assert "focus_position_um" in problem.text
    # With positions given too, nothing is left to report.
    positions = (-60, -40, -20, 20, 40, 60)
    shoot.table(*(f"{file},,5.6,{p},," for file, p in zip(short, positions, strict=True)))
    assignment = shoot.assign()
    assert assignment.problems == ()
    assert shoot.wrong(assignment) == []


def test_extra_frame_is_mended_by_use_no(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.add("3x/IMG_100b.dng", 100)
    problem = only(shoot.assign())
    assert problem.severity == "error"
    assert "43 frames" in problem.text and "= 42" in problem.text
    assert "3x/IMG_100b.dng" in problem.files
    shoot.table("3x/IMG_100b.dng,,,,,no")
    assignment = shoot.assign()
    assert assignment.problems == ()
    assert shoot.wrong(assignment) == ["3x/IMG_100b.dng"]
    extra = by_file(assignment)["3x/IMG_100b.dng"]
    assert not extra.use
    assert place(extra) == (3.0, None, None)


def test_an_extra_frame_and_a_corrected_stop_go_together(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.add("3x/IMG_100b.dng", 100)
    shoot.table("3x/IMG_100b.dng,,,,,no", "3x/IMG_90.dng,,4,,,")
    assignment = shoot.assign()
    assert only(assignment).files == ("3x/IMG_90.dng",)
    assert "(frames.csv: f/4, the order of capture: f/2.8)" in only(assignment).text
    assert shoot.wrong(assignment) == ["3x/IMG_90.dng", "3x/IMG_100b.dng"]


def test_a_refused_frame_keeps_its_place_in_a_complete_series(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.table("3x/IMG_100.dng,,,,,NO")
    assignment = shoot.assign()
    assert assignment.problems == ()
    assert shoot.wrong(assignment) == []
    assert [f.file for f in assignment.frames if not f.use] == ["3x/IMG_100.dng"]


def test_wrong_iso_is_flagged_and_still_assigned(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.change("5x/IMG_140.dng", iso=400.0)
    assignment = shoot.assign()
    problem = only(assignment)
    assert problem.severity == "warning"
    assert problem.files == ("5x/IMG_140.dng",)
    assert "ISO" in problem.text and "400" in problem.text and "100" in problem.text
    assert shoot.wrong(assignment) == []
    assert [f.file for f in assignment.frames if f.flags] == ["5x/IMG_140.dng"]
    assert by_file(assignment)["5x/IMG_140.dng"].flags == ("changed-ISO",)


def test_each_series_may_have_its_own_iso(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    for file in shoot.truth:
        if file.startswith("5x/"):
            shoot.change(file, iso=400.0)
    assert shoot.assign().problems == ()


def test_mixed_cameras_are_reported_for_the_session(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    strays = [f"1x/IMG_{n}.dng" for n in range(1, 8)]
    for file in strays:
        shoot.change(file, camera="Guest \x1b[2J body")
    assignment = shoot.assign()
    problem = only(assignment)
    assert problem.files == tuple(strays)
    assert "Changed camera" in problem.text and "and 1 more" in problem.text
    assert problem.text.isprintable()
    assert shoot.wrong(assignment) == []
    assert by_file(assignment)[strays[0]].flags == ("changed-camera",)


def test_a_moved_zoom_is_reported(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    for file in shoot.truth:
        shoot.change(file, focal_length_mm=75.0 if file != "1x/IMG_5.dng" else 70.0)
    problem = only(shoot.assign())
    assert problem.files == ("1x/IMG_5.dng",)
    assert "focal length" in problem.text and "70" in problem.text


def test_pictures_beside_their_raw_files_are_left_out(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.config = replace(
        shoot.config,
        series=tuple(replace(s, frames=s.frames[:3] + "*") for s in shoot.config.series),
    )
    shoot.add("1x/IMG_1.JPG", 1)
    shoot.add("1x/IMG_2.jpg", 2)
    assignment = shoot.assign()
    problem = only(assignment)
    assert problem.severity == "warning"
    assert problem.files == ("1x/IMG_1.JPG", "1x/IMG_2.jpg")
    assert "raw" in problem.text
    assert shoot.wrong(assignment) == list(problem.files)
    assert not by_file(assignment)["1x/IMG_1.JPG"].use


def test_a_jpeg_among_raws_is_reported_and_counted(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.config = replace(
        shoot.config,
        series=tuple(replace(s, frames=s.frames[:3] + "*") for s in shoot.config.series),
    )
    shoot.remove("1x/IMG_9.dng")
    shoot.add("1x/IMG_9.jpeg", 9)
    shoot.truth["1x/IMG_9.jpeg"] = shoot.truth.pop("1x/IMG_9.dng")
    assignment = shoot.assign()
    problem = only(assignment)
    assert problem.files == ("1x/IMG_9.jpeg",)
    assert "Not raw" in problem.text
    assert shoot.wrong(assignment) == []
    assert by_file(assignment)["1x/IMG_9.jpeg"].flags == ("not-raw",)


def test_copies_are_left_out_and_do_not_upset_the_count(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.add("1x/IMG_9 copy.dng", 9)
    hashes = {file: file for file in shoot.metadata}
    hashes["1x/IMG_9 copy.dng"] = hashes["1x/IMG_9.dng"]
    assignment = shoot.assign(hashes)
    problem = only(assignment)
    assert problem.severity == "warning"
    assert set(problem.files) == {"1x/IMG_9.dng", "1x/IMG_9 copy.dng"}
    assert shoot.wrong(assignment) == ["1x/IMG_9 copy.dng"]
    copies = [f for f in assignment.frames if "duplicate" in f.flags]
    assert len(copies) == 1 and not copies[0].use


def test_a_copy_in_another_series_is_an_error_for_both(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    hashes = {file: file for file in shoot.metadata}
    hashes["3x/IMG_85.dng"] = hashes["1x/IMG_1.dng"]
    assignment = shoot.assign(hashes)
    assert assignment.problems[0].severity == "error"
    assert assignment.problems[0].files == ("1x/IMG_1.dng", "3x/IMG_85.dng")
    frames = by_file(assignment)
    for file in assignment.problems[0].files:
        assert not frames[file].use and frames[file].marked_stop is None
    # Their series are short now, so the order tells nothing; the other two series stand.
    lost = {f.magnification for f in assignment.frames if f.marked_stop is None}
    assert lost == {1.0, 3.0}


def test_frames_of_no_series_and_of_two_series_are_reported(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    (tmp_path / "frames" / "test").mkdir()
    shoot.add("test/IMG_999.dng", 999)
    first, *others = shoot.config.series
    shoot.config = replace(
        shoot.config, series=(first, *others, replace(others[0], frames="2x/IMG_43.*"))
    )
    assignment = shoot.assign()
    nowhere, twofold = assignment.problems[:2]
    assert nowhere.severity == twofold.severity == "error"
    assert nowhere.files == ("test/IMG_999.dng",) and "No series" in nowhere.text
    assert twofold.files == ("2x/IMG_43.dng",) and "More than one series" in twofold.text
    frames = by_file(assignment)
    for file in ("test/IMG_999.dng", "2x/IMG_43.dng"):
        assert place(frames[file]) == (None, None, None)


def test_a_pattern_that_finds_nothing_is_an_error(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    first, *others = shoot.config.series
    shoot.config = replace(shoot.config, series=(replace(first, frames="frames/1x/*.dng"), *others))
    assignment = shoot.assign()
    assert [p.severity for p in assignment.problems] == ["error", "error"]
    assert "No series takes 1x/IMG_1.dng" in assignment.problems[0].text
    assert "relative to frames/" in assignment.problems[1].text


# EXIF f-numbers


@pytest.mark.parametrize(("exif", "pupil_ratio"), [("marked", None), ("effective", 1.3)])
def test_exif_tells_the_stop_where_the_count_cannot(
    tmp_path: Path, exif: str, pupil_ratio: float | None
) -> None:
    shoot = Shoot(tmp_path, exif, pupil_ratio)
    assert shoot.assign().problems == ()
    assert {f.source for f in shoot.assign().frames} == {"exif"}
    assert shoot.wrong(shoot.assign()) == []
    shoot.remove("2x/IMG_60.dng")
    assignment = shoot.assign()
    count, blind = assignment.problems
    assert count.severity == blind.severity == "warning"
    assert "41 frames" in count.text and "f/5.6 has 6" in count.text
    assert blind.files == tuple(f"2x/IMG_{n}.dng" for n in (57, 58, 59, 61, 62, 63))
    # Full brackets keep their focus positions; the short one has stops but no positions.
    assert shoot.wrong(assignment) == list(blind.files)
    assert all(by_file(assignment)[f].marked_stop == 5.6 for f in blind.files)


def test_swapped_stop_is_reported_with_what_each_source_says(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path, "marked")
    shoot.change("3x/IMG_90.dng", f_number=8.0)  # by the order f/2.8
    assignment = shoot.assign()
    problem = only(assignment)
    assert problem.severity == "warning"
    assert problem.files == ("3x/IMG_90.dng",)
    assert "3x/IMG_90.dng (EXIF: f/8, the order of capture: f/2.8)" in problem.text
    frame = by_file(assignment)["3x/IMG_90.dng"]
    assert (frame.marked_stop, frame.source) == (8.0, "exif")
    assert frame.flags == ("stop-disagreement",)
    assert frame.focus_position_um == 40.0  # the rail went on, whatever the ring said
    assert shoot.wrong(assignment) == ["3x/IMG_90.dng"]


def test_frames_csv_wins_over_exif_and_order_and_the_disagreement_is_reported(
    tmp_path: Path,
) -> None:
    shoot = Shoot(tmp_path, "marked")
    shoot.table("3x/IMG_90.dng,,4,,,")
    assignment = shoot.assign()
    frame = by_file(assignment)["3x/IMG_90.dng"]
    assert (frame.marked_stop, frame.source) == (4.0, "frames.csv")
    said = "(frames.csv: f/4, EXIF: f/2.8, the order of capture: f/2.8)"
    assert said in only(assignment).text


def test_exif_of_a_manual_lens_is_not_believed(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path, "absent")
    for file in shoot.truth:
        shoot.change(file, f_number=1.0)  # some bodies write this without a lens
    assert shoot.assign().problems == ()


@pytest.mark.parametrize("f_number", [None, 0.0, float("nan"), float("inf"), -4.0])
def test_a_frame_without_f_number_falls_back_to_the_order(
    tmp_path: Path, f_number: float | None
) -> None:
    shoot = Shoot(tmp_path, "marked")
    shoot.change("1x/IMG_3.dng", f_number=f_number)
    assignment = shoot.assign()
    problem = only(assignment)
    assert problem.files == ("1x/IMG_3.dng",) and "no f-number" in problem.text
    assert by_file(assignment)["1x/IMG_3.dng"].source == "order"
    assert shoot.wrong(assignment) == []


@pytest.mark.parametrize("written", [5.6, 5.7, 5.9, 5.657, 5.599999904632568])
def test_the_ways_cameras_write_a_stop_are_one_stop(tmp_path: Path, written: float) -> None:
    shoot = Shoot(tmp_path, "marked")
    for file, (_, stop, _) in shoot.truth.items():
        if stop == 5.6:
            shoot.change(file, f_number=written)
    assert shoot.assign().problems == ()
    assert shoot.wrong(shoot.assign()) == []


def test_a_stop_that_is_not_listed_is_reported_not_moved(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path, "marked")
    shoot.change("1x/IMG_3.dng", f_number=3.5)
    assignment = shoot.assign()
    assert by_file(assignment)["1x/IMG_3.dng"].marked_stop == 3.5
    texts = " ".join(p.text for p in assignment.problems)
    assert "1x/IMG_3.dng (f/3.5)" in texts and "does not list" in texts
    assert "EXIF: f/3.5, the order of capture: f/2.8" in texts


def test_effective_f_number_without_pupil_ratio_is_not_used(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path, "effective")
    assignment = shoot.assign()
    problem = only(assignment)
    assert problem.severity == "warning" and "pupil_ratio" in problem.text
    assert {f.source for f in assignment.frames} == {"order"}
    assert shoot.wrong(assignment) == []


def test_effective_f_number_that_fits_no_single_stop_is_reported(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path, "effective", 1.3)
    shoot.change("1x/IMG_3.dng", f_number=1.4)
    assignment = shoot.assign()
    problem = only(assignment)
    assert problem.files == ("1x/IMG_3.dng",) and "fits no single stop" in problem.text
    assert by_file(assignment)["1x/IMG_3.dng"].source == "order"


def test_effective_f_number_between_close_stops_is_not_guessed(tmp_path: Path) -> None:
    # Stops a third apart, and a number that lies between two of them.
    shoot = Shoot(tmp_path, "effective", 1.0)
    series = replace(
        shoot.config.series[0], stops=(8.0, 9.0), frames_per_stop=21, focus_steps_um=(STEP_UM,) * 2
    )
    shoot.config = replace(shoot.config, series=(series, *shoot.config.series[1:]))
    for file, (m, _, _) in shoot.truth.items():
        if m == 1.0:
            shoot.change(file, f_number=2 * 8.4)
    assignment = shoot.assign()
    assert len(only(assignment).files) == 42
    assert {f.source for f in assignment.frames if f.series == 0} == {"order"}


# frames.csv


def test_frames_csv_wins_cell_by_cell(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.table(
        "1x/IMG_1.dng,,,-12.5,,",
        "1x/IMG_2.dng,,,,ambient,yes",
        "",
        '1x/IMG_3.dng,,,,"=HYPERLINK(""x"")",',
        "1x\\IMG_4.dng",
    )
    assignment = shoot.assign()
    assert assignment.problems == ()
    frames = by_file(assignment)
    assert place(frames["1x/IMG_1.dng"]) == (1.0, 2.8, -12.5)
    assert frames["1x/IMG_1.dng"].condition == "flash"
    assert frames["1x/IMG_2.dng"].condition == "ambient"
    assert frames["1x/IMG_3.dng"].condition == '=HYPERLINK("x")'  # text, never worked out
    assert shoot.wrong(assignment) == ["1x/IMG_1.dng"]


def test_frames_csv_alone_can_describe_a_flat_folder(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    same = tuple(replace(s, frames="**/*.dng") for s in shoot.config.series)
    shoot.config = replace(shoot.config, series=same)
    rows = [f"{file},{m:g},{stop:g},{um},," for file, (m, stop, um) in shoot.truth.items()]
    shoot.table(*rows)
    assignment = shoot.assign()
    assert assignment.problems == ()
    assert shoot.wrong(assignment) == []
    assert {f.source for f in assignment.frames} == {"frames.csv"}
    # Magnification alone is enough: the order tells the rest within each series.
    shoot.table(*(f"{file},{m:g}" for file, (m, _, _) in shoot.truth.items()))
    assert shoot.assign().problems == ()
    assert shoot.wrong(shoot.assign()) == []


def test_a_lone_frame_at_its_own_magnification(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    shoot.add("test.dng", 999)
    shoot.table("test.dng,1.5,6.3,,,")
    assignment = shoot.assign()
    assert assignment.problems == ()
    frame = by_file(assignment)["test.dng"]
    assert place(frame) == (1.5, 6.3, None)
    assert (frame.series, frame.source, frame.condition) == (None, "frames.csv", "")
