"""What is lost when a run is killed, the disk fills up or the store is damaged?

Runs on a session of small frames are killed with -9 at random moments and started again until
they finish; so are ``stopwise measure`` commands, by turns all processes of one and its parent
alone, whose others must then go by themselves. Stores are cut, flipped and scribbled over,
alone or with the journal of a transaction that was under way. With ``--full-disk`` a small
disk is mounted, which takes the rights of an administrator. Prints counts; stops at the first
claim that does not hold.

    python -m tests.bench.crash_study [--kills 200] [--commands 50] [--damages 400] [--seed 1]
                                      [--full-disk]
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from lab.errors import SessionError
from lab.session.records import FrameRecord
from lab.session.running import measure_session
from lab.session.store import ResultsStore
from lab.simulate.demo import DemoPlan, DemoSeries, write_demo_session
from lab.simulate.rig import SimulatedRig
from tests.cli.kill_command import killed_by_command
from tests.session import crashing

_WORKERS = 2
Frames = tuple[FrameRecord, ...]


def main() -> None:
    """Run the study and print what it found."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--commands", type=int, default=50)
    parser.add_argument("--damages", type=int, default=400)
    parser.add_argument("--full-disk", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = random.Random(options.seed)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch, "session")
        plan = DemoPlan(
            rig=SimulatedRig(n_rows=400, n_cols=600),
            stops=(4.0, 8.0),
            frames_per_stop=5,
            series=(DemoSeries(magnification=2.0, true_magnification=2.006, focus_step_um=25.0),),
        )
        write_demo_session(folder, seed=3, workers=1, plan=plan)
        measure_session(folder, workers=_WORKERS)  # starts the server of processes
        start = time.monotonic()
        truth = measure_session(folder, workers=_WORKERS, again=True).frames
        whole_s = time.monotonic() - start
        assert {frame.status for frame in truth} == {"measured"}
        print(f"{len(truth)} frames, {whole_s:.1f} s undisturbed, {_WORKERS} workers", flush=True)
        content = (folder / crashing.STORE).read_bytes()
        _commands(folder, truth, options.commands, rng)
        if options.full_disk:
            _full_disk(folder, Path(scratch, "disk"), truth)
        if not options.damages and not options.kills:
            return
        _damage(Path(scratch, "damaged"), content, truth, options.damages, rng)
        _journals(Path(scratch, "journals"), truth, options.damages // 4, rng)
        tally = crashing.killed_again_and_again(
            folder, truth, kills=options.kills, whole_s=whole_s, workers=_WORKERS, rng=rng
        )
        print(
            f"{tally.kills} kills in {tally.whole_runs} whole runs: no frame lost, doubled or "
            f"half, no finished one measured again, records equal to the digit; of "
            f"{tally.measured} measurements {tally.measured_again} were of frames in hand at a "
            f"kill ({tally.measured_again / max(tally.kills, 1):.2f} a kill, {_WORKERS} workers)"
        )


def _commands(folder: Path, truth: Frames, kills: int, rng: random.Random) -> None:
    (folder / crashing.STORE).unlink()
    command = [sys.executable, "-c", "from lab.cli.main import app; app()", "measure", str(folder)]
    start = time.monotonic()
    subprocess.run([*command, "--workers", str(_WORKERS)], check=True, capture_output=True)
    whole_s = time.monotonic() - start
    found = killed_by_command(
        folder, truth, kills=kills, whole_s=whole_s, workers=_WORKERS, rng=rng
    )
    print(
        f"{found.kills_of_group} commands killed with all their processes, "
        f"{found.kills_of_parent} without, {found.whole_runs} left to finish ({whole_s:.1f} s): "
        f"{found.lost} finished frames lost, {found.doubled} doubled, {found.false} not as "
        f"undisturbed; {found.orphans} processes left over (gone after "
        f"{found.longest_orphan_s:.2f} s at most)",
        flush=True,
    )
    assert not (found.lost or found.doubled or found.false or found.orphans)


def _full_disk(folder: Path, disk: Path, truth: Frames) -> None:
    """A disk of the session's own that has room for a store of about two frames."""
    disk.mkdir()
    frames = sum(path.stat().st_size for path in (folder / "frames").rglob("*.dng"))
    size = frames + 300_000
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(disk)], check=True)
    try:
        small = disk / "session"
        shutil.copytree(folder, small, ignore=shutil.ignore_patterns("results*", "*.lock", "log*"))
        command = [sys.executable, "-c", "from lab.cli.main import app; app()", "measure"]
        done = subprocess.run([*command, str(small)], capture_output=True, text=True, check=False)
        kept = crashing.check_part(small, truth)
        print(f"full disk: exit code {done.returncode}, {len(kept)} of {len(truth)} frames kept,")
        print(f"  all as undisturbed; said: {done.stderr.strip().splitlines()[-1]}", flush=True)
        assert done.returncode == 2 and "free space" in done.stderr and 0 < len(kept) < len(truth)
        subprocess.run(
            ["mount", "-o", f"remount,size={4 * size}", str(disk)], check=True
        )  # room was made
        done = subprocess.run([*command, str(small)], capture_output=True, text=True, check=False)
        assert done.returncode == 0 and len(crashing.check_part(small, truth)) == len(truth)
        print("  with room again: the same command finished the rest", flush=True)
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def _damage(scratch: Path, content: bytes, truth: Frames, number: int, rng: random.Random) -> None:
    found = Counter(crashing.check_damage(scratch, content, truth, rng) for _ in range(number))
    print(f"{number} damaged stores of {len(content)} bytes, never a false or half frame:")
    for (kind, what), n in sorted(found.items()):
        print(f"  {kind}: {what}: {n}")


def _journals(scratch: Path, truth: Frames, number: int, rng: random.Random) -> None:
    """Stores as a power cut in a transaction leaves them, store or journal then cut too."""
    found: Counter[tuple[str, str]] = Counter()
    for _ in range(number):
        shutil.rmtree(scratch, ignore_errors=True)
        scratch.mkdir()
        path = scratch / crashing.STORE

        def dies(path: Path = path) -> None:
            with ResultsStore(path) as store:
                for frame in truth[:-1]:
                    store.put(frame)
                connection = store._open()
                connection.execute("PRAGMA cache_size = 5")  # half of it goes to the disk
                connection.execute("BEGIN IMMEDIATE")
                connection.execute("UPDATE edge SET mtf = mtf_std")
                connection.execute("UPDATE frame SET marked_stop = 99")
                os._exit(0)

        assert crashing.ended(crashing.in_child(dies)) == 0
        journal = path.with_name(f"{path.name}-journal")
        assert journal.stat().st_size > 0
        kind = rng.choice(("untouched", "store cut", "journal cut", "journal flipped"))
        victim = path if kind == "store cut" else journal
        content = bytearray(victim.read_bytes())
        if kind.endswith("cut"):
            victim.write_bytes(content[: rng.randrange(len(content))])
        elif kind == "journal flipped":
            content[rng.randrange(len(content))] ^= 1 << rng.randrange(8)
            victim.write_bytes(content)
        try:
            n = len(crashing.check_part(scratch, truth))
            found[kind, f"{n} whole frames"] += 1
            assert kind != "untouched" or n == len(truth) - 1
        except SessionError:
            assert kind != "untouched"
            found[kind, "refused"] += 1
    print(f"{number} stores with the journal of a transaction that was cut off:")
    for (kind, what), n in sorted(found.items()):
        print(f"  {kind}: {what}: {n}")


if __name__ == "__main__":
    main()
