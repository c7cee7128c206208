"""What is lost when a run is killed, the disk fills up or the store is damaged?

Runs on a session of small frames are killed with -9 at random moments and started again until
they finish; stores are cut, flipped and scribbled over, alone or with the journal of a
transaction that was under way. Prints counts; stops at the first claim that does not hold.

    python -m tests.bench.crash_study [--kills 200] [--damages 400] [--seed 1]
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
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
from tests.session import crashing

_WORKERS = 2
Frames = tuple[FrameRecord, ...]


def main() -> None:
    """Run the study and print what it found."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--damages", type=int, default=400)
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
