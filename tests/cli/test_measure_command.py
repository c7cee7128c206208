"""``measure`` as a user meets it: slates found in pixels, problems first, a proposed table."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from lab.cli.main import app
from lab.frames import FrameMetadata, read_metadata
from lab.session import inventory, running
from lab.session.guarded_process import Limits
from lab.session.running import stored_session
from lab.session.workers import Run, Work, worker_pool
from targets.slates import Slate
from tests.session.slate_frames import write_slate_frame

Copy = Callable[..., Path]
FILES = [f"2x/IMG_{i:04d}.dng" for i in range(1, 7)]


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "80"})
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def one_line(text: str) -> str:
    return " ".join(text.split())


def slate(folder: Path, name: str, stop: float, after: str = "", *, text: str = "") -> str:
    """A slate frame that was taken right after another frame, or first of all; its file."""
    before = read_metadata(folder / "frames" / after) if after else FrameMetadata()
    time = before.captured_at or "2001:01:01 10:00:00"
    metadata = FrameMetadata(camera="Club body", captured_at=time)
    path = folder / "frames" / "2x" / name
    write_slate_frame(path, Slate(magnification=2, marked_stop=stop), metadata, text=text)
    return f"2x/{name}"


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Files that were looked at for a slate or measured, in order."""
    seen: list[str] = []

    @contextmanager
    def noted_pool(workers: int, limits: Limits) -> Iterator[Run]:
        with worker_pool(workers, limits) as run:

            def noted(work: Work[Any, Any], items: list[Any]) -> Iterator[Any]:
                for item in items:
                    looks = work is not running._MEASURING or item.look
                    seen.append(f"{'look' if looks else 'measure'} {work.path(item).name}")
                return run(work, items)

            yield noted

    monkeypatch.setattr(inventory, "worker_pool", noted_pool)
    monkeypatch.setattr(running, "worker_pool", noted_pool)
    return seen


def test_slates_are_found_once_and_announce(tiny: Any, tiny_copy: Copy, opened: list[str]) -> None:
    folder = tiny_copy(measured=True)  # its frames were looked at when they were measured
    second = slate(folder, "IMG_0003s.dng", 8, FILES[2])
    result = run("measure", folder, "--workers", 1)
    assert (result.exit_code, opened) == (0, ["look IMG_0003s.dng"])
    assert "before the first slate" in one_line(result.stdout)
    first = slate(folder, "FIRST.dng", 4)
    opened.clear()
    before = {frame.file: frame for frame in stored_session(folder).assignment.frames}
    assert (opened, before[first].source) == ([], "")  # reading looks at nothing
    result = run("measure", folder, "--workers", 1)
    assert opened == ["look FIRST.dng"]
    assert result.stdout == "6 measured\n"
    session = stored_session(folder)
    places = {frame.file: frame for frame in session.assignment.frames}
    assert not places[first].use and not places[second].use
    assert [frame.file for frame in session.frames] == FILES
    assert session.frames == tiny.measured.frames
    assert {frame.source for frame in session.assignment.frames} == {"slate"}
    assert session.assignment.problems == ()


def test_where_no_slate_begins_frames_are_opened_once(tiny_copy: Copy, opened: list[str]) -> None:
    result = run("measure", tiny_copy(measured=False), "--workers", 1)
    names = [file.removeprefix("2x/") for file in FILES]
    beginning = [f"look {names[0]}", f"measure {names[0]}"]  # alone opened twice
    assert (result.exit_code, opened) == (0, [*beginning, *(f"look {n}" for n in names[1:])])


def test_where_a_slate_begins_all_are_looked_at_before_any_is_measured(
    tiny_copy: Copy, opened: list[str]
) -> None:
    folder = tiny_copy(measured=False)
    slate(folder, "FIRST.dng", 4)
    slate(folder, "IMG_0003s.dng", 8, FILES[2])
    assert run("measure", folder, "--workers", 1).exit_code == 0
    kinds = [one.split()[0] for one in opened]
    assert kinds == ["look"] * 8 + ["measure"] * 6
    assert len(set(opened)) == 14


def test_other_codes_are_no_slates_and_damaged_slates_are_named(tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=True)
    damaged = slate(folder, "IMG_0003s.dng", 8, FILES[2], text="SW10 M2 N8")
    other = slate(folder, "LABEL.dng", 8, FILES[4], text="A LABEL")
    output = one_line(run("measure", folder, "--workers", 1).stdout)
    assert f"The slate in {damaged} cannot be read: slate 'SW10 M2 N8': is damaged." in output
    assert other in output.split("7 frames, but")[1]  # it counts as a frame
    assert f"rejected: {other}" in output


def test_problems_are_said_before_anything_is_measured(
    tiny_copy: Copy, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tiny_copy(measured=False)
    (folder / "frames" / FILES[4]).unlink()

    def stop(*arguments: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(running, "_seen", stop)
    result = run("measure", folder, "--workers", 1)
    assert result.exit_code == 130
    assert "error: Series 2x (2x/*.dng): 5 frames, but 2 stops x 3" in result.stdout
    assert "The file numbers skip after 2x/IMG_0004.dng" in one_line(result.stdout)


# --propose


def test_propose_writes_the_table_and_measures_nothing(tiny_copy: Copy, opened: list[str]) -> None:
    folder = tiny_copy(measured=False)
    (folder / "frames" / FILES[4]).unlink()
    broken = folder / "frames" / FILES[5]
    broken.write_bytes(broken.read_bytes()[:9000])
    result = run("measure", folder, "--propose", "--workers", 1)
    assert result.exit_code == 0
    assert not [line for line in opened if line.startswith("measure")]
    output = one_line(result.stdout)
    assert "error: Series 2x (2x/*.dng): 5 frames" in output
    assert f"error: Cannot be read: {FILES[5]}: is cut short, 9000 of" in output
    assert f"Wrote {folder / 'frames.csv'}: 5 frames." in output
    assert "marked_stop is blank for 5 frames: 2x/IMG_0001.dng, " in output
    assert "Fill in the blank cells" in output
    assert output.endswith(f"Then: stopwise measure {folder}")
    with (folder / "frames.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["file"] for row in rows] == [*FILES[:4], FILES[5]]
    assert {(row["magnification"], row["marked_stop"], row["use"]) for row in rows} == {
        ("2", "", "")
    }
    # Nothing is measured yet, which the other commands say.
    result = run("fit", folder)
    assert result.exit_code == 2
    assert "nothing is measured yet" in result.stderr


def test_a_complete_session_leaves_nothing_to_fill_in(tiny: Any, tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=True)
    before = stored_session(folder)
    output = run("measure", folder, "--propose", "--workers", 1).stdout
    assert "Nothing is blank." in output
    after = stored_session(folder)
    assert after.frames == before.frames == tiny.measured.frames
    assert {frame.source for frame in after.assignment.frames} == {"frames.csv"}


def test_propose_checks_a_table_that_is_there(tiny_copy: Copy, opened: list[str]) -> None:
    folder = tiny_copy(measured=True)
    table = folder / "frames.csv"

    def checked(text: str) -> tuple[int, str]:
        table.write_text(text, encoding="utf-8")
        result = run("measure", folder, "--propose", "--workers", 1)
        assert table.read_text("utf-8") == text
        return result.exit_code, one_line(result.stdout + result.stderr)

    run("measure", folder, "--propose", "--workers", 1)
    proposed = table.read_text("utf-8")
    sound, said = checked(proposed)
    assert sound == 0
    assert said.startswith(f"{table} is there already: it was checked and not written. It is sound")

    lines = proposed.splitlines(keepends=True)
    sound, said = checked("".join(lines[:-1]))
    assert sound == 0
    assert f"warning: Without a row in frames.csv: {FILES[5]}. Slates, EXIF" in said

    stray = proposed + "2x/IMG_0009.dng,2,4,0,,yes\nelsewhere.raw,,,,,\n"
    sound, said = checked(stray)
    assert sound == 2
    assert "'2x/IMG_0009.dng' (did you mean 2x/IMG_000" in said
    assert "'elsewhere.raw'. Names are relative to frames/." in said
    assert "not written" in said
    assert "It is sound" not in said

    sound, said = checked(proposed.replace(f"{FILES[1]},2,4,", f"{FILES[1]},2,5.6,"))
    assert sound == 0
    assert f"a stop that session.toml does not list: {FILES[1]} (f/5.6)" in said
    assert "see to the warnings. Then: stopwise measure" in said

    sound, said = checked(proposed.replace(",yes", ",perhaps"))
    assert sound == 2
    assert "row 2, use: must be yes, no or blank" in said

    (folder / "frames" / FILES[5]).unlink()
    sound, said = checked("".join(lines[:-1]).replace(",2,4,", ",2,,").replace(",2,8,", ",2,,"))
    assert sound == 2
    assert "error: Series 2x (2x/*.dng): 5 frames, but 2 stops x 3" in said
    assert "marked_stop is blank for 5 frames" in said
    assert "Mend the errors and check again" in said
    assert not [line for line in opened if line.startswith("measure")]


@pytest.mark.parametrize("option", ["--again", "--every-edge", "--json"])
def test_propose_goes_with_no_option_of_measuring(tmp_path: Path, option: str) -> None:
    result = run("measure", tmp_path, "--propose", option)
    assert result.exit_code == 2
    assert "--propose: measures nothing" in result.stderr
