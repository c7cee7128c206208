"""``stopwise measure`` as a process group of its own: killed in part or whole, and looked at."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from lab.session.records import FrameRecord
from tests.session import crashing

__all__ = ["KilledCommands", "killed_by_command", "processes_of"]

ROOT = Path(__file__).parents[2]
_COMMAND = "from lab.cli.main import app; app()"
_GONE_S = 10.0  # for a run's processes to go by themselves


@dataclass
class KilledCommands:
    """What became of commands that were killed; all but kills and runs should be 0."""

    kills_of_group: int = 0
    kills_of_parent: int = 0
    whole_runs: int = 0
    lost: int = 0
    doubled: int = 0
    false: int = 0
    orphans: int = 0
    longest_orphan_s: float = 0.0


def killed_by_command(
    folder: Path,
    truth: tuple[FrameRecord, ...],
    *,
    kills: int,
    whole_s: float,
    workers: int,
    rng: random.Random,
) -> KilledCommands:
    """Kill commands at random moments, by turns the whole group and the parent alone.

    Parameters
    ----------
    folder : Path
        A session; its store is removed first, and each time a run was left to finish.
    truth : tuple of FrameRecord
        What an undisturbed run gives.
    kills : int
    whole_s : float
        About how long an undisturbed command takes. [s]
    workers : int
    rng : Random
    """
    found = KilledCommands()
    by_file = {record.file: record for record in truth}
    store = folder / crashing.STORE
    while found.kills_of_group + found.kills_of_parent < kills:
        store.unlink(missing_ok=True)
        kept: set[str] = set()
        while True:  # until a command finishes
            whole_group = rng.random() < 0.5
            code = _killed(folder, workers, rng.uniform(0.1, 1.1) * whole_s, whole_group, found)
            records = _kept(folder)
            files = [record.file for record in records]
            found.doubled += len(files) - len(set(files))
            found.false += sum(record != by_file[record.file] for record in records)
            found.lost += len(kept - set(files))
            kept = set(files)
            if code == 0:
                found.whole_runs += 1
                found.lost += len(by_file.keys() - kept)
                break
            if whole_group:
                found.kills_of_group += 1
            else:
                found.kills_of_parent += 1
            if found.kills_of_group + found.kills_of_parent >= kills:
                break
    return found


def _kept(folder: Path) -> tuple[FrameRecord, ...]:
    from lab.session.store import ResultsStore

    if not (folder / crashing.STORE).exists():
        return ()
    with ResultsStore(folder / crashing.STORE) as store:
        return store.all_frames()


def _killed(
    folder: Path, workers: int, after_s: float, whole_group: bool, found: KilledCommands
) -> int:
    """Exit code of a command that is killed after a while, if it still runs."""
    command = [sys.executable, "-c", _COMMAND, "measure", str(folder), "--workers", str(workers)]
    with subprocess.Popen(
        command,
        cwd=ROOT,
        start_new_session=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as run:
        try:
            code = run.wait(after_s)
        except subprocess.TimeoutExpired:
            if whole_group:
                os.killpg(run.pid, signal.SIGKILL)
            else:
                run.kill()
            code = run.wait()
    start = time.monotonic()
    while processes_of(run.pid):
        if time.monotonic() - start > _GONE_S:
            left = processes_of(run.pid)
            found.orphans += len(left)
            for pid in left:
                os.kill(pid, signal.SIGKILL)
            break
        time.sleep(0.02)
    found.longest_orphan_s = max(found.longest_orphan_s, time.monotonic() - start)
    return code


def processes_of(session: int) -> list[int]:
    """Processes that were started by a run and still do something: those of its session."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            cells = path.read_text("ascii", "replace").rsplit(")", 1)[1].split()
        except OSError:  # it has gone meanwhile
            continue
        if cells[0] != "Z" and int(cells[3]) == session:
            found.append(int(path.parent.name))
    return found
