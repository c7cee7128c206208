"""What does a cluster cost against one machine? Two workers each way, same frames, same digits.

    python -m tests.bench.cluster_study [--repeats 3]

Aim: a cluster of two local workers does at least 0.9 of the frames per second of a local pool
of two. Start-up is in both times. Needs the extra cluster.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from pathlib import Path

from lab.session.running import measure_session
from lab.simulate.demo import DemoPlan, DemoSeries, write_demo_session
from lab.simulate.rig import SimulatedRig
from tests.session.clusters import local_cluster


def main() -> None:
    """Run the study and print what it found."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--repeats", type=int, default=3)
    repeats = parser.parse_args().repeats
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch, "session")
        plan = DemoPlan(
            rig=SimulatedRig(n_rows=400, n_cols=600),
            stops=(4.0, 8.0),
            frames_per_stop=12,
            series=(DemoSeries(magnification=2.0, true_magnification=2.006, focus_step_um=25.0),),
        )
        write_demo_session(folder, seed=3, workers=1, plan=plan)
        with local_cluster(Path(scratch, "cluster"), workers=2) as cluster:
            # Once each way for the servers of processes to start.
            local = measure_session(folder, workers=2, again=True)
            assert measure_session(folder, cluster=cluster.address, again=True) == local
            ratios = []
            for i in range(repeats):
                local_s = _timed(folder, "")
                cluster_s = _timed(folder, cluster.address)
                ratios.append(local_s / cluster_s)
                print(f"{i}: local {local_s:.1f} s, cluster {cluster_s:.1f} s", flush=True)
        n = len(local.frames)
    print(f"{n} frames, equal to the digit; local / cluster: median", end=" ")
    print(f"{statistics.median(ratios):.2f} of {repeats} ({min(ratios):.2f} to {max(ratios):.2f})")


def _timed(folder: Path, address: str) -> float:
    start = time.monotonic()
    measure_session(folder, workers=2, cluster=address, again=True)
    return time.monotonic() - start


if __name__ == "__main__":
    main()
