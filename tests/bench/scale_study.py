"""How does measuring grow: with cores, with frames, with megapixels?

    python -m tests.bench.scale_study [--parts cores growth memory] [--rounds 3] [--frames 1000]

``cores``: one worker and two in turn measure the same rendered session from nothing (tags,
slates, edges); aim: two do 1.85 times the frames per second. The server of processes runs
before, and what starting it takes is told apart. ``growth``: sessions of 50 to ``--frames``
small frames with different bytes, each in a process of its own; aim: wall and processor time
a frame within 5 %, memory of workers flat. ``memory``: the highest resident memory of a
process that looks at and measures one frame of 24 and of 45 megapixels, libraries and shared
pages included, over the bytes of the decoded frame (2 a pixel); aim: at most 4.

Other work on the machine takes from the times: raise this process's priority, and see the
spread. Linux alone, as memory is read from ``/proc``. Prints figures; asserts nothing of them.
"""

from __future__ import annotations

import argparse
import os
import statistics
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from multiprocessing import forkserver, get_context
from multiprocessing.connection import Connection
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from lab.frames import FrameMetadata, write_dng
from lab.session.guarded_process import GuardedProcess, Limits
from lab.session.measuring import FrameTask, TargetEdge
from lab.session.one_decoding import see_task
from lab.session.running import STORE_NAME, measure_session
from lab.session.slate_looks import look_for_slate
from lab.simulate.demo import DemoPlan, DemoSeries, write_demo_session
from lab.simulate.render import render_frame
from lab.simulate.rig import SimulatedRig
from lab.threads import set_one_thread
from targets.chart import square_field
from tests.bench.lossless_dng import write_lossless_dng
from tests.fuzz.frames import good_session

_PARTS = ("cores", "growth", "memory")
_SIZES = {"24": (4000, 6000), "45": (5464, 8192)}
_FEW = 50


def main() -> None:
    """Print the figures of the parts that are asked for."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--parts", nargs="+", choices=_PARTS, default=_PARTS)
    options.add_argument("--rounds", type=int, default=3)
    options.add_argument("--frames", type=int, default=1000, help="most, of growth")
    given = options.parse_args()
    set_one_thread()
    print(f"{os.cpu_count()} cores, load of the last minute {os.getloadavg()[0]:.1f}", flush=True)
    with TemporaryDirectory() as name:
        if "cores" in given.parts:
            _cores(Path(name, "cores"), given.rounds)
        if "growth" in given.parts:
            _growth(Path(name), given.rounds, given.frames)
        if "memory" in given.parts:
            for size, shape in _SIZES.items():
                _memory(Path(name), size, shape)


# Cores


def _cores(folder: Path, rounds: int) -> None:
    plan = DemoPlan(
        rig=SimulatedRig(n_rows=800, n_cols=1200),
        stops=(4.0, 8.0),
        frames_per_stop=12,
        series=(DemoSeries(magnification=2.0, true_magnification=2.006, focus_step_um=25.0),),
    )
    write_demo_session(folder, seed=3, workers=2, plan=plan)
    start = time.monotonic()
    GuardedProcess(Limits()).ask(_nothing, None)
    print(f"cores: the server of processes starts in {time.monotonic() - start:.1f} s")
    took: dict[int, list[float]] = {1: [], 2: []}
    n = 0
    for turn in range(2 * rounds):
        workers = (1, 2, 2, 1)[turn % 4]
        (folder / STORE_NAME).unlink(missing_ok=True)
        start = time.monotonic()
        n = len(measure_session(folder, workers=workers, with_edges=False).frames)
        took[workers].append(time.monotonic() - start)
    one, two = (statistics.median(took[workers]) for workers in (1, 2))
    for workers, times in took.items():
        words = ", ".join(f"{t:.1f}" for t in times)
        print(f"  {workers} worker(s), {n} frames of 1 megapixel: {words} s")
    print(f"  throughput of two over one: {one / two:.2f} (medians of {rounds}; aim 1.85)")


def _nothing(_: None) -> None:
    pass


# Growth


@dataclass(frozen=True, kw_only=True)
class _Run:
    """One run: wall and processor time [s], highest resident memory [bytes], store [bytes]."""

    wall_s: float
    parent_s: float
    workers_s: float
    parent_bytes: int
    worker_bytes: int
    store_bytes: int


def _growth(folder: Path, rounds: int, most: int) -> None:
    frames = [p for p in _sources(folder / "sources") if p.stat().st_size > 0]
    contents = [path.read_bytes() for path in frames]
    counts = sorted({_FEW, most // 4, most})
    found: dict[int, list[_Run]] = {n: [] for n in counts}
    for _ in range(rounds):
        for n in counts:
            session = folder / f"{n}"
            if not session.exists():
                _many(folder / "sources", session, contents, n)
            (session / STORE_NAME).unlink(missing_ok=True)
            found[n].append(_alone(session))
    print(f"growth: small frames, 2 workers, medians of {rounds} (lowest to highest)")
    for n, runs in found.items():
        best = _Run(**{k: statistics.median([asdict(r)[k] for r in runs]) for k in asdict(runs[0])})
        walls = [1e3 * run.wall_s / n for run in runs]
        print(
            f"  {n:5} frames: {1e3 * best.wall_s / n:.1f} ms a frame by the clock "
            f"({min(walls):.1f} to {max(walls):.1f}); processor {1e3 * best.workers_s / n:.1f} ms "
            f"in workers, {1e3 * best.parent_s / n:.2f} ms in the parent; memory "
            f"{best.worker_bytes / 1e6:.0f} MB a worker, {best.parent_bytes / 1e6:.0f} MB parent; "
            f"store {best.store_bytes / n / 1e3:.1f} kB a frame",
            flush=True,
        )


def _sources(folder: Path) -> list[Path]:
    good_session(folder)
    return sorted((folder / "frames" / "2x").iterdir())


def _many(source: Path, folder: Path, contents: list[bytes], n: int) -> None:
    """A session of n frames with different bytes: a number after the end of each file."""
    place = folder / "frames" / "2x"
    place.mkdir(parents=True)
    toml = (source / "session.toml").read_text("utf-8")
    (folder / "session.toml").write_text(toml, encoding="utf-8")
    rows = ["file,magnification,marked_stop,focus_position_um"]
    for i in range(n):
        path = place / f"IMG_{i:06}.dng"
        path.write_bytes(contents[i % len(contents)] + i.to_bytes(4, "big"))
        rows.append(f"2x/{path.name},2,{(4, 8)[i % 2]},{5 * (i % 7)}")
    (folder / "frames.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


def _alone(session: Path) -> _Run:
    """A run in a process of its own, whose memory no run before has stretched."""
    context = get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_measured, args=(session, theirs))
    process.start()
    found: _Run = ours.recv()
    process.join()
    return found


def _measured(session: Path, pipe: Connection) -> None:
    process = GuardedProcess(Limits())
    process.ask(_nothing, None)  # the server has started
    process.end()
    workers: dict[str, float] = {"s": 0.0, "bytes": 0}

    def at_the_end(done: int, in_all: int) -> None:
        if done == in_all:  # the workers are still there
            pids = _children(forkserver._forkserver._forkserver_pid)  # type: ignore[attr-defined]
            workers["s"] = sum(_processor_s(pid) for pid in pids)
            workers["bytes"] = max(_peak_bytes(pid) for pid in pids)

    start, used = time.monotonic(), time.process_time()
    measured = measure_session(session, workers=2, with_edges=False, progress=at_the_end)
    wall_s, parent_s = time.monotonic() - start, time.process_time() - used
    assert {frame.status for frame in measured.frames} == {"measured"}
    pipe.send(
        _Run(
            wall_s=wall_s,
            parent_s=parent_s,
            workers_s=workers["s"],
            parent_bytes=_peak_bytes(os.getpid()),
            worker_bytes=int(workers["bytes"]),
            store_bytes=(session / STORE_NAME).stat().st_size,
        )
    )


def _children(pid: int) -> list[int]:
    tasks = Path(f"/proc/{pid}/task").glob("*/children")
    return [int(child) for task in tasks for child in task.read_text("ascii").split()]


def _processor_s(pid: int) -> float:
    cells = Path(f"/proc/{pid}/stat").read_text("ascii").rsplit(")", 1)[1].split()
    return (int(cells[11]) + int(cells[12])) / os.sysconf("SC_CLK_TCK")


def _peak_bytes(pid: int) -> int:
    status = Path(f"/proc/{pid}/status").read_text("ascii")
    return 1024 * int(next(x for x in status.splitlines() if x.startswith("VmHWM")).split()[1])


# Memory


def _memory(folder: Path, size: str, shape: tuple[int, int]) -> None:
    pitch_um, magnification = 35.9e3 / shape[1], 2.0
    chart = square_field(
        magnification=magnification,
        sensor_width_mm=shape[1] * pitch_um * 1e-3,
        sensor_height_mm=shape[0] * pitch_um * 1e-3,
    )
    rig = SimulatedRig(n_rows=shape[0], n_cols=shape[1], pixel_pitch_um=pitch_um)
    mosaic = render_frame(
        rig,
        chart,
        magnification=magnification,
        stop=5.657,
        focus_offset_object_um=20.0,
        rng=np.random.default_rng(3),
    )
    clipped = np.minimum(2 * mosaic.astype(np.int64), rig.white_dn).astype(np.uint16)
    for words, values, write in (
        ("packed", mosaic, write_lossless_dng),
        ("packed, clipped", clipped, write_lossless_dng),
        ("not packed", mosaic, write_dng),
    ):
        path = folder / "frame.dng"
        levels: dict[str, Any] = {"black_dn": rig.black_dn, "white_dn": rig.white_dn}
        write(path, values, metadata=FrameMetadata(camera=rig.body_name), **levels)
        task = FrameTask(
            path=path,
            file=path.name,
            sha256="",
            settings_key="",
            field=chart,
            magnification=magnification,
            marked_stop=5.6,
            focus_position_um=0.0,
            pixel_pitch_um=pitch_um,
            target=TargetEdge(object_um_per_px=pitch_um / magnification),
            sensor_width_mm=35.9,
            every_edge=False,
        )
        told = []
        steps: tuple[tuple[str, Callable[[Any], Any], Any], ...] = (
            ("look", look_for_slate, path),
            ("measure", see_task, task),
        )
        for name, do, item in steps:
            process = GuardedProcess(Limits())
            for _ in range(2):  # the second frame must not come on top of the first
                outcome = process.ask(do, item)
                assert not outcome.loss, outcome.loss
            peak = process.ask(_own_peak, None).result
            process.end()
            told.append(f"{name} {peak / 1e6:.0f} MB = {peak / mosaic.nbytes:.2f} x")
        print(f"memory: {size} megapixels, {words}: {', '.join(told)} (aim 4)", flush=True)


def _own_peak(_: None) -> int:
    return _peak_bytes(os.getpid())


if __name__ == "__main__":
    main()
