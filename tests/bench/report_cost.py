"""What does a report of 168 frames cost: the first, with the fit, and the next?

    python -m tests.bench.report_cost            both, about two minutes
    python -m tests.bench.report_cost --stops 3  a smaller session, quicker

A session of 4 magnifications, 6 stops, 7 frames, 9 places and 3 colours is simulated as
records (``tests.inference.field_session``) and kept in a store; no frame is rendered. Each
report is a process of its own, from the store to the last file. Reading the folder of raw
files is not in it. All figures invented.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from lab.session.config import SessionConfig
from lab.session.draft import Assignment
from lab.session.inventory import STORE_NAME
from lab.session.kept_result import analysed_session
from lab.session.records import EdgeRecord, FrameRecord
from lab.session.running import MeasuredSession
from lab.session.store import ResultsStore
from lab.threads import set_one_thread
from reports.report_files import write_report_files
from tests.inference.field_session import FieldLens, noisy, session_config, true_frames

_MARKED = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
_NOISE_SHARE = 0.005  # of MTF50: its standard uncertainty, invented


def _lenses(n_stop: int) -> list[FieldLens]:
    return [
        FieldLens(magnification=m, stops=_MARKED[:n_stop], ring_stops=(0.0,) * n_stop)
        for m in range(1, 5)
    ]


def _config(n_stop: int) -> SessionConfig:
    several = [session_config(lens) for lens in _lenses(n_stop)]
    series = tuple(
        replace(one.series[0], frames=f"{k}x/*.dng") for k, one in enumerate(several, start=1)
    )
    return replace(several[0], series=series)


def _with_mtf50(edge: EdgeRecord, channel: str) -> EdgeRecord:
    """In another colour (for time, not for its figures), with the figures that curves give."""
    mtf = np.minimum.accumulate(edge.mtf)
    figures = [
        float(np.interp(-level, -mtf, edge.frequency_cyc_per_px)) for level in (0.5, 0.2, 0.1)
    ]
    return replace(
        edge,
        channel=channel,
        mtf50_cyc_per_px=figures[0],
        mtf50_std=_NOISE_SHARE * figures[0],
        mtf20_cyc_per_px=figures[1],
        mtf10_cyc_per_px=figures[2],
        position_px=0.0,
    )


def _simulate(path: Path, n_stop: int) -> int:
    """Fill a store; the number of its frames."""
    rng = np.random.default_rng(43)
    frames: list[FrameRecord] = []
    for lens in _lenses(n_stop):
        for frame in noisy(true_frames(lens, rng), rng):
            edges = tuple(
                _with_mtf50(edge, c) for c in ("red", "green", "blue") for edge in frame.edges
            )
            file = f"{lens.magnification:g}x/{frame.file}"
            frames.append(replace(frame, file=file, edges=edges))
    with ResultsStore(path) as store:
        for frame in frames:
            store.put(frame)
    return len(frames)


def _report(folder: Path, n_stop: int) -> None:
    """One report, as the command writes it; its cost on one line."""
    set_one_thread()
    start = time.perf_counter()
    with ResultsStore(folder / STORE_NAME) as store:
        frames = store.all_frames()
    measured = MeasuredSession(_config(n_stop), Assignment(frames=(), problems=()), frames)
    result, trials = analysed_session(folder, measured)
    analysed = time.process_time()
    page = write_report_files(result, trials, folder / "report")
    used = resource.getrusage(resource.RUSAGE_SELF)
    size = sum(f.stat().st_size for f in page.parent.rglob("*") if f.is_file())
    print(
        f"{used.ru_utime + used.ru_stime:.1f} s CPU ({time.process_time() - analysed:.1f} s to "
        f"write), {time.perf_counter() - start:.1f} s wall, peak {used.ru_maxrss / 1000:.0f} MB; "
        f"page {page.stat().st_size / 1e6:.2f} MB, all files {size / 1e6:.1f} MB"
    )


def main() -> None:
    """Print the cost of the first report and of the next."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--stops", type=int, default=6, choices=range(2, 7))
    options.add_argument("--folder", type=Path, help=argparse.SUPPRESS)  # of the process itself
    given = options.parse_args()
    if given.folder is not None:
        _report(given.folder, given.stops)
        return
    with TemporaryDirectory() as folder:
        print(f"{_simulate(Path(folder) / STORE_NAME, given.stops)} frames")
        for which in ("first", "next"):
            again = [sys.executable, "-m", __spec__.name, "--stops", str(given.stops)]
            done = subprocess.run(
                [*again, "--folder", folder], check=True, stdout=subprocess.PIPE, text=True
            )
            print(f"{which}: {done.stdout.strip()}")


if __name__ == "__main__":
    main()
