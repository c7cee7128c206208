"""What does analysing a frame cost beside decoding it?

A simulated frame is packed as most cameras pack theirs (lossless JPEG). The same process
unpacks it with rawpy and measures 40 edges in three colours, chart search and noise
included; both in processor time, so that other work on the machine counts for little.

Run: ``python -m tests.bench.frame_cost``
"""

from __future__ import annotations

import argparse
import resource
import statistics
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from lab.edges.register import register_field
from lab.edges.types import Rejection
from lab.frames import CHANNELS, FrameMetadata, estimate_noise, read_frame
from lab.session.measuring import TargetEdge, measure_channel_edge
from lab.simulate.render import render_frame
from lab.simulate.rig import SimulatedRig
from lab.threads import set_one_thread
from targets.chart import square_field
from tests.bench.lossless_dng import write_lossless_dng

_SIZES = {"24": (4000, 6000), "45": (5464, 8192)}
_EDGES = 40
_MAGNIFICATION, _STOP = 2.0, 5.657


def main() -> None:
    """Print the ratios."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=3)
    rounds = options.parse_args().rounds
    set_one_thread()
    print(f"{_EDGES} edges x {len(CHANNELS)} colours, processor time, median of {rounds} rounds")
    for name, shape in _SIZES.items():
        with TemporaryDirectory() as folder:
            _report(name, shape, Path(folder) / "frame.dng", rounds)


def _report(name: str, shape: tuple[int, int], path: Path, rounds: int) -> None:
    pitch_um = 35.9e3 / shape[1]
    rig = SimulatedRig(n_rows=shape[0], n_cols=shape[1], pixel_pitch_um=pitch_um)
    chart = square_field(
        magnification=_MAGNIFICATION,
        sensor_width_mm=shape[1] * pitch_um * 1e-3,
        sensor_height_mm=shape[0] * pitch_um * 1e-3,
    )
    mosaic = render_frame(
        rig,
        chart,
        magnification=_MAGNIFICATION,
        stop=_STOP,
        focus_offset_object_um=20.0,
        rng=np.random.default_rng(3),
    )
    write_lossless_dng(
        path,
        mosaic,
        black_dn=rig.black_dn,
        white_dn=rig.white_dn,
        metadata=FrameMetadata(camera=rig.body_name),
    )
    unpack, analyse, read, regions = [], [], [], 0

    def analysed() -> int:
        frame = read_frame(path)
        start = time.process_time()
        found = register_field(frame, chart, magnification=_MAGNIFICATION, pixel_pitch_um=pitch_um)
        assert not isinstance(found, Rejection), found.reason
        noise = {channel: estimate_noise(frame, channel) for channel in CHANNELS}
        target = TargetEdge(object_um_per_px=pitch_um / _MAGNIFICATION)
        records = [
            measure_channel_edge(frame, edge, channel, noise[channel], target=target)
            for channel in CHANNELS
            for edge in found.edges[:_EDGES]
        ]
        analyse.append(time.process_time() - start)
        return sum(record.status == "measured" for record in records)

    for turn in range(rounds + 1):  # the first fills caches
        unpacked = _timed(lambda: _unpacked(path))
        whole = _timed(lambda: read_frame(path))
        regions = analysed()
        if turn:
            unpack.append(unpacked)
            read.append(whole)
        else:
            analyse.clear()
    cost, decode = statistics.median(analyse), statistics.median(unpack)
    print(
        f"{name} megapixels: unpack {decode:.2f} s, reading in all "
        f"{statistics.median(read):.2f} s, analysis {cost:.2f} s ({regions} regions measured, "
        f"{1e3 * cost / (_EDGES * len(CHANNELS)):.1f} ms each): ratio {cost / decode:.2f}"
    )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    print(f"  peak memory {peak / 1e6:.0f} MB, {peak / mosaic.nbytes:.1f} times the decoded frame")


def _unpacked(path: Path) -> int:
    import rawpy

    with rawpy.imread(str(path)) as raw:
        return int(raw.raw_image[0, 0])


def _timed(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


if __name__ == "__main__":
    main()
