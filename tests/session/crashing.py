"""Runs that are killed, and what must be true of the session afterwards."""

from __future__ import annotations

import os
import random
import shutil
import signal
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from multiprocessing import forkserver
from pathlib import Path

import numpy as np

from lab.errors import SessionError
from lab.frames import FrameMetadata, read_metadata
from lab.session import running
from lab.session.measuring import FrameTask
from lab.session.one_decoding import Seen, lost_sight, see_task
from lab.session.records import FrameRecord
from lab.session.store import ResultsStore
from lab.session.workers import Work

STORE = "results.sqlite"


def _log(path: Path) -> Path:
    return next(p for p in path.parents if (p / "session.toml").exists()) / "log.txt"


def logged_task(task: FrameTask) -> Seen:
    """Measure a frame, and note in the session's log that it was."""
    seen = see_task(task)
    with _log(task.path).open("a") as log:
        log.write(f"{task.file}\n")
    return seen


def evil_task(task: FrameTask) -> Seen:
    """Measure a frame; the second crashes the process, the fifth eats its memory."""
    if "0002" in task.file:
        os.kill(os.getpid(), signal.SIGSEGV)
    hoard = []
    while "0005" in task.file:
        hoard.append(np.ones(10_000_000))
    return see_task(task)


def evil_metadata(path: Path) -> FrameMetadata:
    """Read metadata; of the second frame it crashes the process."""
    if "0002" in path.name:
        os.kill(os.getpid(), signal.SIGSEGV)
    return read_metadata(path)


LOGGED = Work(do=logged_task, lost=lost_sight, path=lambda task: task.path)


def in_child(do: Callable[[], object]) -> int:
    """Start a process that does something; its number. Exit codes: 0 done, 3 a SessionError."""
    if forkserver._forkserver._forkserver_pid is not None:
        # A client that was killed while it asked for a process takes the server with it.
        forkserver.ensure_running()
    child = os.fork()
    if child:
        return child
    code = 1
    try:
        # The server of worker processes is our parent's child, not ours, but serves us too.
        forkserver._forkserver.ensure_running = lambda: None
        do()
        code = 0
    except SessionError as error:
        os.write(2, str(error).encode())
        code = 3
    finally:
        os._exit(code)


def ended(child: int) -> int:
    """Exit code of a process, negative for a signal."""
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


@dataclass
class Tally:
    """What became of runs that were killed."""

    kills: int = 0
    whole_runs: int = 0
    measured: int = 0
    measured_again: int = 0


def check_part(folder: Path, truth: Sequence[FrameRecord]) -> set[str]:
    """See that a store holds only whole, true frames; their files."""
    if not (folder / STORE).exists():
        return set()
    by_file = {record.file: record for record in truth}
    with ResultsStore(folder / STORE) as store:
        kept = store.all_frames()
    assert len({record.file for record in kept}) == len(kept)
    for record in kept:
        assert record == by_file[record.file]
    return {record.file for record in kept}


def killed_again_and_again(
    folder: Path,
    truth: Sequence[FrameRecord],
    *,
    kills: int,
    whole_s: float,
    workers: int,
    rng: random.Random,
) -> Tally:
    """Kill runs on a session at random moments, restart them, and check all that is claimed.

    Parameters
    ----------
    folder : Path
        A session; its store is removed first, and each time a run was left to finish.
    truth : sequence of FrameRecord
        What an undisturbed run gives.
    kills : int
        How many runs to kill.
    whole_s : float
        About how long an undisturbed run takes. [s]
    workers : int
    rng : Random
    """
    tally = Tally()
    log = folder / "log.txt"
    usual, running._MEASURING = running._MEASURING, LOGGED
    try:
        while True:
            (folder / STORE).unlink(missing_ok=True)
            log.write_text("")
            kept: set[str] = set()
            while True:  # until a run finishes
                before = Counter(log.read_text().split())
                child = in_child(lambda: running.measure_session(folder, workers=workers))
                if tally.kills < kills:
                    time.sleep(rng.uniform(0, 0.7 * whole_s))  # most are killed
                    os.kill(child, signal.SIGKILL)
                code = ended(child)
                assert code in (0, -signal.SIGKILL)
                time.sleep(0.1)  # for its processes to go: a frame in hand may still be noted
                new = Counter(log.read_text().split()) - before
                assert not set(new) & kept, "a finished frame was measured again"
                assert all(n == 1 for n in new.values())
                now = check_part(folder, truth)
                assert kept <= now, "a finished frame was lost"
                kept = now
                if code == 0:
                    break
                tally.kills += 1
            assert kept == {record.file for record in truth}
            assert running.stored_session(folder).frames == tuple(truth)
            counts = Counter(log.read_text().split())
            tally.whole_runs += 1
            tally.measured += sum(counts.values())
            tally.measured_again += sum(counts.values()) - len(counts)
            if tally.kills >= kills:
                return tally
    finally:
        running._MEASURING = usual


def damaged(content: bytes, rng: random.Random) -> tuple[str, bytes]:
    """A file as an accident leaves it: cut, flipped, scribbled over, a page of zeros."""
    kind = rng.choice(("cut", "flip", "flips", "page of zeros", "old page"))
    new = bytearray(content)
    if kind == "cut":
        return kind, bytes(new[: rng.randrange(len(new))])
    page = 4096 * rng.randrange(len(new) // 4096)
    if kind == "flip":
        new[rng.randrange(len(new))] ^= 1 << rng.randrange(8)
    elif kind == "flips":
        for _ in range(rng.randrange(2, 30)):
            new[rng.randrange(len(new))] ^= 1 << rng.randrange(8)
    elif kind == "page of zeros":
        new[page : page + 4096] = bytes(4096)
    else:  # one page was written to another's place
        other = 4096 * rng.randrange(len(new) // 4096)
        new[page : page + 4096] = content[other : other + 4096]
    return kind, bytes(new)


def check_damage(
    scratch: Path, content: bytes, truth: Sequence[FrameRecord], rng: random.Random
) -> tuple[str, str]:
    """Damage a store; the kind, and whether it was refused, came out whole or lost frames."""
    kind, bad = damaged(content, rng)
    shutil.rmtree(scratch, ignore_errors=True)
    scratch.mkdir()
    (scratch / STORE).write_bytes(bad)
    try:
        files = check_part(scratch, truth)
        with ResultsStore(scratch / STORE) as store:
            for key in ("slates", "measuring"):
                store.get_summary(key)
    except SessionError as error:
        return kind, "refused" if STORE in str(error) else f"refused: {error}"
    return kind, "whole" if len(files) == len(truth) else f"{len(files)} of {len(truth)} frames"
