"""A session run: what is measured, kept, measured again, and what is said of the rest."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from lab.errors import SessionError
from lab.session import inventory, running
from lab.session.guarded_process import Limits
from lab.session.measuring import hash_of
from lab.session.one_decoding import Seen
from lab.session.records import FrameRecord
from lab.session.running import MeasuredSession, measure_session, stored_session
from lab.session.workers import Run, Work, worker_pool
from targets.errors import TargetError

Copy = Callable[..., Path]
FILES = [f"2x/IMG_{i:04d}.dng" for i in range(1, 7)]


@pytest.fixture
def worked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Files that were truly measured, in order."""
    seen: list[str] = []

    @contextmanager
    def noted_pool(workers: int, limits: Limits) -> Iterator[Run]:
        with worker_pool(workers, limits) as run:

            def noted(work: Work[Any, Any], items: list[Any]) -> Iterator[Any]:
                for done in run(work, items):
                    record = done.record if isinstance(done, Seen) else None
                    if record is not None and record.status != "unreadable":
                        seen.append(record.file)
                    yield done

            yield noted

    monkeypatch.setattr(running, "worker_pool", noted_pool)
    return seen


def _by_file(measured: MeasuredSession) -> dict[str, FrameRecord]:
    return {frame.file: frame for frame in measured.frames}


def _table(folder: Path, *lines: str) -> None:
    header = "file,magnification,marked_stop,focus_position_um,condition,use"
    (folder / "frames.csv").write_text("\n".join([header, *lines]) + "\n", "utf-8")


def _touched(path: Path) -> None:
    """Other bytes, same picture: as if the camera's clock had been corrected."""
    path.write_bytes(path.read_bytes() + bytes(16))


def test_every_frame_has_its_place_and_its_origin(tiny: Any) -> None:
    frames = tiny.measured.frames
    assert [frame.file for frame in frames] == FILES
    assert [frame.status for frame in frames] == ["measured"] * 6
    assert [frame.marked_stop for frame in frames] == [4.0] * 3 + [8.0] * 3
    assert [frame.focus_position_um for frame in frames] == [-25.0, 0.0, 25.0] * 2
    assert {frame.magnification for frame in frames} == {2.0}
    for frame in frames:
        assert frame.sha256 == hash_of(tiny.folder / "frames" / frame.file) != ""
        assert frame.measured_magnification == pytest.approx(2.006, rel=1e-3)
    assert len({frame.settings_key for frame in frames}) == 1


def test_finished_session_is_only_read(tiny: Any, tiny_copy: Copy, worked: list[str]) -> None:
    folder = tiny_copy(measured=True)
    moves: list[tuple[int, int]] = []
    again = measure_session(folder, workers=1, progress=lambda *at: moves.append(at))
    assert (worked, moves) == ([], [(6, 6)])
    assert again == tiny.measured == stored_session(folder)


def test_interrupted_run_measures_only_the_rest(
    tiny: Any, tiny_copy: Copy, worked: list[str]
) -> None:
    folder = tiny_copy(measured=False)

    def stop(done: int, total: int) -> None:
        if done == 4:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        measure_session(folder, workers=1, progress=stop)
    assert worked == FILES[:4]
    half = stored_session(folder)
    assert [frame.file for frame in half.frames] == FILES[:4]
    worked.clear()
    moves: list[tuple[int, int]] = []
    whole = measure_session(folder, workers=1, progress=lambda *at: moves.append(at))
    assert worked == FILES[4:]
    assert moves == [(4, 6), (5, 6), (6, 6)]
    assert whole == tiny.measured


def test_two_workers_stop_resume_and_give_the_same_records(tiny: Any, tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=False)

    def stop(done: int, total: int) -> None:
        if done == 1:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        measure_session(folder, workers=2, progress=stop)
    assert len(stored_session(folder).frames) == 1
    assert measure_session(folder, workers=2) == tiny.measured


def test_again_measures_finished_frames_to_the_same_digits(
    tiny: Any, tiny_copy: Copy, worked: list[str]
) -> None:
    folder = tiny_copy(measured=True)
    _table(folder, *(f"{file},,,,,no" for file in FILES[:4]))
    again = measure_session(folder, workers=1, again=True)
    assert worked == FILES[4:]
    assert again.frames == tiny.measured.frames[4:]


def test_every_edge_is_another_setting(tiny: Any, tiny_copy: Copy, worked: list[str]) -> None:
    folder = tiny_copy(measured=True)
    _table(folder, *(f"{file},,,,,no" for file in FILES[1:]), f"{FILES[0]},2,4,0,,")
    every = measure_session(folder, workers=1, every_edge=True)
    assert worked == FILES[:1]
    assert len(every.frames[0].edges) > len(tiny.measured.frames[0].edges)
    # Key places come out as before.
    before = tiny.measured.frames[0].edges
    assert all(edge in every.frames[0].edges for edge in before)


def test_new_place_is_written_without_measuring(
    tiny: Any, tiny_copy: Copy, worked: list[str]
) -> None:
    folder = tiny_copy(measured=True)
    _table(folder, f"{FILES[1]},,,12.5,,", f"{FILES[2]},,4,,,no")
    moved = _by_file(measure_session(folder, workers=1))
    assert worked == []
    assert list(moved) == [file for file in FILES if file != FILES[2]]
    assert moved[FILES[1]].focus_position_um == 12.5
    assert moved[FILES[1]].edges == tiny.measured.frames[1].edges
    assert _by_file(stored_session(folder)) == moved


def test_stop_from_the_table_wins_and_is_kept(tiny_copy: Copy, worked: list[str]) -> None:
    folder = tiny_copy(measured=True)
    _table(folder, *(f"{file},,5.6,,," for file in FILES[3:]))
    moved = measure_session(folder, workers=1)
    assert worked == []
    assert [frame.marked_stop for frame in moved.frames] == [4.0] * 3 + [5.6] * 3


def test_new_place_has_the_flags_of_a_fresh_run(tiny: Any, tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=True)
    _table(folder, f"{FILES[0]},,8,,,")  # against the order of capture
    moved = _by_file(measure_session(folder, workers=1))
    assert moved[FILES[0]].flags == ("stop-disagreement",)
    assert moved == _by_file(measure_session(folder, workers=1, again=True))
    (folder / "frames.csv").unlink()
    assert measure_session(folder, workers=1) == tiny.measured


def test_place_of_the_moment_counts_before_the_next_run(tiny: Any, tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=True)
    _table(folder, f"{FILES[1]},,5.6,7.5,,")
    frame = _by_file(stored_session(folder))[FILES[1]]
    assert (frame.marked_stop, frame.focus_position_um) == (5.6, 7.5)
    assert frame.edges == tiny.measured.frames[1].edges


def test_changed_file_is_measured_again(tiny: Any, tiny_copy: Copy, worked: list[str]) -> None:
    folder = tiny_copy(measured=True)
    path = folder / "frames" / FILES[3]
    _touched(path)
    again = measure_session(folder, workers=1)
    assert worked == [FILES[3]]
    assert again.frames[3].sha256 == hash_of(path) != tiny.measured.frames[3].sha256
    assert again.frames[3].edges == tiny.measured.frames[3].edges


def test_unreadable_frame_is_reported_and_the_rest_measured(
    tiny: Any, tiny_copy: Copy, worked: list[str]
) -> None:
    folder = tiny_copy(measured=False)
    path = folder / "frames" / FILES[2]
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    measured = measure_session(folder, workers=1)
    frames = _by_file(measured)
    assert [frames[file].status for file in FILES] == [
        *("measured", "measured", "unreadable", "measured", "measured", "measured")
    ]
    assert "IMG_0003.dng: is cut short" in frames[FILES[2]].reason
    assert frames[FILES[2]].edges == ()
    # Looked at again each time, as the reader may have been mended, but not read twice in a
    # run; done once the file is whole.
    assert measure_session(folder, workers=1) == measured
    assert worked == [*FILES[:2], *FILES[3:]]
    path.write_bytes(whole)
    assert _by_file(measure_session(folder, workers=1))[FILES[2]] == tiny.measured.frames[2]


def test_files_that_cannot_be_read_are_no_copies_of_each_other(
    tiny_copy: Copy, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tiny_copy(measured=True)
    monkeypatch.setattr(inventory, "hash_of", lambda path: "")
    assert [frame.file for frame in stored_session(folder).frames] == FILES


def test_frame_that_went_is_missing(tiny_copy: Copy, worked: list[str]) -> None:
    folder = tiny_copy(measured=True)
    (folder / "frames" / FILES[5]).unlink()
    measured = measure_session(folder, workers=1)
    gone = _by_file(measured)[FILES[5]]
    assert (gone.status, gone.edges) == ("missing", ())
    assert "gone" in gone.reason
    assert worked == []
    # The count no longer fits, which is said and not guessed over.
    assert [problem.severity for problem in measured.assignment.problems] == ["error"]


def test_frame_in_no_series_is_rejected_with_the_mend(tiny_copy: Copy, worked: list[str]) -> None:
    folder = tiny_copy(measured=True)
    stranger = folder / "frames" / "other" / "IMG_0100.dng"
    stranger.parent.mkdir()
    shutil.copy(folder / "frames" / FILES[0], stranger)
    _touched(stranger)
    measured = measure_session(folder, workers=1)
    frame = _by_file(measured)["other/IMG_0100.dng"]
    assert (frame.status, frame.magnification) == ("rejected", None)
    assert "frames.csv" in frame.reason
    assert worked == []


def test_blade_session_measures_any_straight_edge(tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=False)
    text = (folder / "session.toml").read_text("utf-8")
    (folder / "session.toml").write_text(text.replace('layout = "target.json"', 'kind = "blade"'))
    _table(folder, *(f"{file},,,,,no" for file in FILES[1:]), f"{FILES[0]},2,4,0,,")
    (frame,) = measure_session(folder, workers=1).frames
    assert frame.status == "measured"
    assert {edge.square for edge in frame.edges} == {""}


def test_session_not_measured_yet_says_so(tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=False)
    with pytest.raises(SessionError, match=r"nothing is measured yet\. Run: stopwise measure"):
        stored_session(folder)
    assert not (folder / "results.sqlite").exists()


def test_folder_without_frames_says_so(tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=False)
    shutil.rmtree(folder / "frames" / "2x")
    with pytest.raises(SessionError, match="no frame file under frames"):
        measure_session(folder, workers=1)


def test_folder_that_is_no_session_says_so(tmp_path: Path) -> None:
    for call in (stored_session, lambda folder: measure_session(folder, workers=1)):
        with pytest.raises(SessionError, match=r"session\.toml"):
            call(tmp_path)


def test_lost_layout_record_says_so(tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=True)
    (folder / "target.json").unlink()
    with pytest.raises(TargetError, match=r"target\.json"):
        measure_session(folder, workers=1)


@pytest.mark.parametrize("workers", [0, -2])
def test_no_worker_is_refused(tmp_path: Path, workers: int) -> None:
    with pytest.raises(ValueError, match="workers"):
        measure_session(tmp_path, workers=workers)


def test_results_of_other_settings_are_named(tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=True)
    assert not stored_session(str(folder)).assignment.problems
    toml = folder / "session.toml"
    toml.write_text(toml.read_text().replace("pixel_pitch_um = 4.35", "pixel_pitch_um = 4.2"))
    (problem,) = stored_session(folder).assignment.problems
    assert "since they were measured. Run: stopwise measure" in problem.text
    assert len(problem.files) == 6


def test_a_renamed_frame_is_not_missing(tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=True)
    frame = sorted((folder / "frames").rglob("*.dng"))[-1]
    frame.rename(frame.with_name("IMG_9999.dng"))
    session = measure_session(folder)
    assert [record.status for record in session.frames] == ["measured"] * 6


def test_another_sensor_size_is_another_setting(tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=True)
    (record, *_) = stored_session(folder).frames
    assert "frame-size-off" not in record.flags
    config = stored_session(folder).config
    toml = folder / "session.toml"
    width, height = config.body.sensor_mm
    text = toml.read_text()
    lines = [
        f"sensor_mm = [{2 * width}, {2 * height}]" if line.startswith("sensor_mm") else line
        for line in text.splitlines()
    ]
    toml.write_text("\n".join(lines))
    assert all("frame-size-off" in record.flags for record in measure_session(folder).frames)
