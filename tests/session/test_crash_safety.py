"""Nothing is lost and nothing half is shown: kills, a full disk, a damaged store, two runs."""

from __future__ import annotations

import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import lab
from lab.errors import SessionError
from lab.session import running
from lab.session.guarded_process import Limits
from lab.session.running import measure_session, stored_session
from lab.session.session_lock import LOCK_NAME, session_lock
from lab.session.store import ResultsStore
from lab.session.workers import Work
from tests.cli.kill_command import killed_by_command, processes_of
from tests.session import crashing

Copy = Callable[..., Path]
ROOT = Path(lab.__file__).parents[1]
# A process started in the background ignores Ctrl-C, and hands that on.
STOPWISE = [
    sys.executable,
    "-c",
    "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
    "from lab.cli.main import app; app()",
]
WITH_FAULTS = {
    **os.environ,
    "PYTHONPATH": os.pathsep.join([str(ROOT / "tests" / "faulty_decoders"), str(ROOT)]),
}
pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="kill -9 is a POSIX thing")


def test_runs_killed_at_random_moments(tiny: Any, tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=False)
    start = time.monotonic()
    assert measure_session(folder, workers=2) == tiny.measured
    tally = crashing.killed_again_and_again(
        folder,
        tiny.measured.frames,
        kills=5,
        whole_s=time.monotonic() - start,
        workers=2,
        rng=random.Random(4),
    )
    assert tally.kills == 5
    assert tally.measured_again <= 2 * tally.kills  # those in hand


# A damaged store


def test_a_damaged_store_shows_true_frames_or_says_so(tiny: Any, tmp_path: Path) -> None:
    content = (tiny.folder / crashing.STORE).read_bytes()
    rng = random.Random(8)
    found = [
        crashing.check_damage(tmp_path / "d", content, tiny.measured.frames, rng)[1]
        for _ in range(40)
    ]
    assert found.count("refused") > 20
    assert set(found) <= {"refused", "whole", f"0 of {len(tiny.measured.frames)} frames"}


def test_a_damaged_store_that_is_moved_away_costs_only_time(tiny: Any, tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=True)
    store = folder / crashing.STORE
    store.write_bytes(store.read_bytes()[:-5000])
    with pytest.raises(SessionError, match=r"Move\s+it away and measure again"):
        measure_session(folder)
    store.rename(folder / "away.sqlite")
    assert measure_session(folder) == tiny.measured


# Full and read-only disks


def _session_error(do: Callable[[], object]) -> str:
    """What a process says that must end with a SessionError."""
    with tempfile.TemporaryFile() as said:

        def quietly() -> None:
            os.dup2(said.fileno(), 2)
            do()

        assert crashing.ended(crashing.in_child(quietly)) == 3
        said.seek(0)
        return said.read().decode()


def test_a_full_disk_is_said_and_nothing_is_lost(tiny: Any, tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=False)

    def on_a_small_disk() -> None:
        # A file may not grow further than a store of about two frames.
        resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))
        measure_session(folder, workers=2)

    said = _session_error(on_a_small_disk)
    assert crashing.STORE in said and "free space" in said
    kept = crashing.check_part(folder, tiny.measured.frames)
    assert 0 < len(kept) < 6
    assert measure_session(folder, workers=2) == tiny.measured


@pytest.mark.parametrize("measured", [True, False])
def test_a_read_only_folder_is_said(tiny: Any, measured: bool) -> None:
    folder = Path(tempfile.mkdtemp())  # where nobody in particular may look
    try:
        shutil.copytree(tiny.folder, folder, dirs_exist_ok=True)
        if not measured:
            (folder / crashing.STORE).unlink()
        folder.chmod(0o555)

        def as_nobody() -> None:
            if os.geteuid() == 0:
                os.setgid(65534)
                os.setuid(65534)
            measure_session(folder)

        said = _session_error(as_nobody)
        assert str(folder) in said and "may be written to" in said
        if measured:
            assert stored_session(folder) == tiny.measured
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


# Two runs


def test_a_second_run_is_refused_and_reading_goes_on(tiny: Any, tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=True)
    before = set(folder.iterdir())
    with ResultsStore(folder / crashing.STORE) as store, session_lock(folder, store):
        assert set(folder.iterdir()) == before | {folder / LOCK_NAME}
        with pytest.raises(SessionError, match=f"stopwise process {os.getpid()}, started 2"):
            measure_session(folder)
        said = _session_error(lambda: measure_session(folder))
        assert str(folder) in said and "try again" in said
        assert stored_session(folder) == tiny.measured
    assert set(folder.iterdir()) == before
    assert measure_session(folder) == tiny.measured


def test_a_killed_run_leaves_no_lock(tiny: Any, tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=True)

    def hold() -> None:
        with ResultsStore(folder / crashing.STORE) as store, session_lock(folder, store):
            time.sleep(60)

    child = crashing.in_child(hold)
    try:
        until = time.monotonic() + 20
        while time.monotonic() < until:
            with ResultsStore(folder / crashing.STORE) as store:
                if str(child) in (store.get_summary("measuring") or ""):
                    break
        with pytest.raises(SessionError, match=f"stopwise process {child}"):
            measure_session(folder)
    finally:
        os.kill(child, signal.SIGKILL)
        crashing.ended(child)
    assert (folder / LOCK_NAME).exists()  # it says nothing
    assert measure_session(folder) == tiny.measured
    assert not (folder / LOCK_NAME).exists()


def test_only_one_of_many_gets_the_lock(tiny: Any, tiny_copy: Copy, tmp_path: Path) -> None:
    folder = tiny_copy(measured=True)
    inside = tmp_path / "inside"

    def enter_often() -> None:
        for _ in range(30):
            try:
                with ResultsStore(folder / crashing.STORE) as store, session_lock(folder, store):
                    os.close(os.open(inside, os.O_CREAT | os.O_EXCL))  # nobody else is
                    inside.unlink()
            except SessionError:
                pass

    children = [crashing.in_child(enter_often) for _ in range(4)]
    assert [crashing.ended(child) for child in children] == [0] * 4


def test_a_lock_that_cannot_be_made_is_said(tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=True)
    (folder / LOCK_NAME).mkdir()
    with pytest.raises(SessionError, match=LOCK_NAME):
        measure_session(folder)


# Ctrl-C, and frames that cost their process


def test_ctrl_c_ends_all_processes_and_keeps_what_is_finished(tiny: Any, tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=False)
    last = folder / "frames" / "2x" / "IMG_0006.dng"
    hung = last.rename(last.with_name("IMG_0006-raw-hang.dng"))  # so that it cannot finish
    command = [*STOPWISE, "measure", folder]
    with subprocess.Popen(
        [*command, "--workers", "2", "--json"],
        cwd=ROOT,
        env=WITH_FAULTS,
        start_new_session=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as run:
        until = time.monotonic() + 60
        while time.monotonic() < until and not crashing.check_part(folder, tiny.measured.frames):
            time.sleep(0.05)
        os.killpg(run.pid, signal.SIGINT)  # as a terminal does
        out, err = run.communicate(timeout=20)  # ends when the last process has gone
    assert (run.returncode, out) == (130, "")
    assert err == "stopwise: stopped; finished frames are kept\n"
    assert crashing.check_part(folder, tiny.measured.frames)
    hung.rename(last)
    assert measure_session(folder) == tiny.measured


@pytest.mark.parametrize("workers", [1, 2])
def test_a_frame_that_hangs_or_crashes_is_an_unreadable_record(
    tiny: Any, tiny_copy: Copy, monkeypatch: pytest.MonkeyPatch, workers: int
) -> None:
    folder = tiny_copy(measured=False)
    monkeypatch.setattr(
        running,
        "_MEASURING",
        Work(
            do=crashing.evil_task,
            lost=running.lost_sight,
            path=lambda task: task.path,
        ),
    )
    measured = measure_session(
        folder, workers=workers, limits=Limits(time_s=20.0, memory_bytes=10**9)
    )
    frames = {frame.file: frame for frame in measured.frames}
    lost = [frame for frame in measured.frames if frame.status != "measured"]
    assert [frame.file for frame in lost] == ["2x/IMG_0002.dng", "2x/IMG_0005.dng"]
    assert {frame.status for frame in lost} == {"unreadable"}
    assert lost[0].reason.startswith("IMG_0002.dng: crashed the process that read it (SIGSEGV)")
    assert lost[1].reason.startswith("IMG_0005.dng: needed more than 1 GB of memory")
    assert "use = no in frames.csv" in lost[0].reason
    sound = [frame for frame in tiny.measured.frames if frames[frame.file] == frame]
    assert len(sound) == 4
    monkeypatch.undo()  # the reader was mended
    assert measure_session(folder, workers=workers) == tiny.measured


# Commands


def test_a_command_killed_in_part_or_whole_leaves_nothing_behind(
    tiny: Any, tiny_copy: Copy
) -> None:
    folder = tiny_copy(measured=False)
    found = killed_by_command(
        folder, tiny.measured.frames, kills=3, whole_s=6.0, workers=2, rng=random.Random(5)
    )
    assert found.kills_of_group + found.kills_of_parent == 3
    assert (found.lost, found.doubled, found.false, found.orphans) == (0, 0, 0, 0)
    assert measure_session(folder) == tiny.measured


def test_workers_go_with_a_command_though_a_decoder_holds_them(
    tiny_copy: Copy, tmp_path: Path
) -> None:
    folder = tiny_copy(measured=False)
    frame = folder / "frames" / "2x" / "IMG_0001.dng"
    frame.rename(frame.with_name("IMG_0001-raw-hang.dng"))  # in C, with Python's lock
    with subprocess.Popen(
        [*STOPWISE, "measure", folder],
        env=WITH_FAULTS,
        start_new_session=True,
        stderr=subprocess.DEVNULL,
    ) as run:
        until = time.monotonic() + 60
        while time.monotonic() < until and len(processes_of(run.pid)) < 3:
            time.sleep(0.05)
        time.sleep(2.0)  # the look at it has begun
        run.kill()
    until = time.monotonic() + 10
    while time.monotonic() < until and processes_of(run.pid):
        time.sleep(0.05)
    assert processes_of(run.pid) == []


def test_ctrl_c_while_the_libraries_load_says_no_more_than_that(tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=False)
    command = [*STOPWISE, "measure", folder]
    with subprocess.Popen(
        command,
        cwd=ROOT,
        start_new_session=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as run:
        until = time.monotonic() + 60
        while time.monotonic() < until and len(processes_of(run.pid)) < 2:
            time.sleep(0.01)
        os.killpg(run.pid, signal.SIGINT)
        out, err = run.communicate(timeout=20)
    assert (run.returncode, out) == (130, "")
    assert err == "stopwise: stopped; finished frames are kept\n"
