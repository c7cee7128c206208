"""Sessions in which most raw files are broken: is each good frame measured as without them?

A small session is simulated and measured. Then its frames are mixed with mutated raws, made
of the same frames both plain and packed, and the whole is measured by ``measure_session``,
batch by batch, each in a process of its own. A decoder may crash, hang or eat memory: that
may cost its own frame and no other. Whatever becomes of a mutated file it must have a record,
and the record of every good frame must be that of the session without any mutated one.

Run: ``python -m tests.fuzz.frames [--frames 10000] [--batch 250] [--seed S] [--workers 2]``
"""

from __future__ import annotations

import argparse
import multiprocessing
import re
import shutil
import sys
import time
from collections import Counter
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from lab.frames import FrameMetadata, write_dng
from lab.session.records import FrameRecord
from lab.session.running import measure_session
from lab.session.store import ResultsStore
from tests.bench.lossless_dng import write_lossless_dng
from tests.fuzz.mutate import mutated

__all__ = ["broken_batch", "difference", "good_session", "records"]

_BATCH_S = 7200.0
_ROWS, _COLS = 200, 240
_BLACK_DN, _WHITE_DN = 512, 16_383
_METADATA = FrameMetadata(camera="Club body", exposure_s=1 / 125, iso=100)
_SESSION = """# invented
session.name = "One edge, many broken files"
body = { name = "Club body", pixel_pitch_um = 4.35, sensor_mm = [1.044, 0.87] }
lens.name = "Enlarger 75"
target.kind = "blade"
[[series]]
magnification = 2
stops = [4, 8]
frames_per_stop = 2
frames = "2x/*.dng"
"""
_HEADER = "file,magnification,marked_stop,focus_position_um"


def good_session(folder: Path) -> list[bytes]:
    """Write and measure a session of four small frames; what raws are mutated from."""
    (folder / "frames" / "2x").mkdir(parents=True)
    (folder / "session.toml").write_text(_SESSION, encoding="utf-8")
    found = []
    packed = folder / "packed.dng"
    for number in range(4):
        path = folder / "frames" / "2x" / f"IMG_{number + 1:04}.dng"
        mosaic = _edge(blur_px=0.8 + 0.3 * number, rng=np.random.default_rng(number))
        levels = {"black_dn": _BLACK_DN, "white_dn": _WHITE_DN, "metadata": _METADATA}
        write_dng(path, mosaic, **levels)
        write_lossless_dng(packed, mosaic, **levels)
        found += [path.read_bytes(), packed.read_bytes()]
    packed.unlink()
    _table(folder)
    measure_session(folder, workers=1)
    return found


def _edge(*, blur_px: float, rng: np.random.Generator) -> npt.NDArray[np.uint16]:
    """Raw values of one straight, blurred edge with shot noise, right across the frame."""
    row, col = np.indices((_ROWS, _COLS))
    angle = np.radians(6.0)
    across = (col - 0.5 * _COLS) * np.cos(angle) + (row - 0.5 * _ROWS) * np.sin(angle)
    level = 600 + 9_000 * ndtr(across / blur_px)
    noisy = level + np.sqrt(20 + 0.5 * level) * rng.standard_normal(level.shape)
    return np.clip(np.rint(noisy) + _BLACK_DN, 0, _WHITE_DN).astype(np.uint16)


def _table(folder: Path) -> None:
    """A place for every file, so that no file's metadata moves another's."""
    rows = [_HEADER]
    for number, path in enumerate(sorted((folder / "frames" / "2x").iterdir())):
        rows.append(f"2x/{path.name},2,{(4, 8)[number % 2]},{5 * (number % 7)}")
    (folder / "frames.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


def broken_batch(
    good: Path, folder: Path, sources: list[bytes], *, seed: int, first: int, count: int
) -> None:
    """A copy of the good session with mutated raws among its frames, nothing measured."""
    shutil.copytree(good, folder, ignore=shutil.ignore_patterns("results*"))
    taken = set(sources)
    for number in range(first, first + count):
        rng = Random(f"{seed} frames {number}")
        content = sources[0]
        while content in taken:  # a copy of another would be set aside, not measured
            content = mutated(rng.choice(sources), rng.choice(sources), rng)
        taken.add(content)
        (folder / "frames" / "2x" / f"broken_{number:06}.dng").write_bytes(content)
    table = (good / "frames.csv").read_text("utf-8")
    table += "".join(
        f"2x/broken_{number:06}.dng,2,{(4, 8)[number % 2]},{5 * (number % 7)}\n"
        for number in range(first, first + count)
    )
    (folder / "frames.csv").write_text(table, encoding="utf-8")


def records(folder: Path) -> dict[str, FrameRecord]:
    """What the store of a session holds, by file."""
    with ResultsStore(folder / "results.sqlite") as store:
        return {record.file: record for record in store.all_frames()}


def difference(good: dict[str, FrameRecord], folder: Path, count: int) -> list[str]:
    """What is wrong with a measured batch, a line each; nothing if all is well."""
    found = records(folder)
    wrong = [f"{file} differs" for file in good if found.get(file) != good[file]]
    missing = count - sum(file not in good for file in found)
    return wrong + ([f"{missing} mutated frames have no record"] if missing else [])


def _measure(folder: Path, workers: int) -> None:
    measure_session(folder, workers=workers)


def main() -> None:
    """Exit code 1 if a good frame was touched or a batch lost."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--frames", type=int, default=10_000, help="mutated raws")
    options.add_argument("--batch", type=int, default=250)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--workers", type=int, default=2)
    options.add_argument("--keep", type=Path, help="folder for batches that went wrong")
    given = options.parse_args()
    told: Counter[str] = Counter()
    n_good = n_wrong = 0
    start = time.monotonic()
    with TemporaryDirectory(prefix="fuzz-frames-") as name:
        good = Path(name) / "good"
        sources = good_session(good)
        wanted = records(good)
        assert {record.status for record in wanted.values()} == {"measured"}
        for first in range(0, given.frames, given.batch):
            count = min(given.batch, given.frames - first)
            folder = Path(name) / f"batch-{first}"
            broken_batch(good, folder, sources, seed=given.seed, first=first, count=count)
            process = multiprocessing.get_context("spawn").Process(
                target=_measure, args=(folder, given.workers)
            )
            process.start()
            process.join(_BATCH_S)
            if process.exitcode != 0:
                process.kill()
                wrong = [f"the whole batch was lost (exit code {process.exitcode})"]
            else:
                wrong = difference(wanted, folder, count)
                n_good += len(wanted) - sum(line.endswith("differs") for line in wrong)
                told.update(
                    _kind(record) for file, record in records(folder).items() if file not in wanted
                )
            n_wrong += len(wrong)
            seconds = time.monotonic() - start
            words = "; ".join(wrong) or "good frames all as undisturbed"
            print(f"{first + count:6} mutated, {seconds:6.0f} s: {words}", flush=True)
            if wrong and given.keep is not None:
                shutil.copytree(folder, given.keep / folder.name, dirs_exist_ok=True)
            shutil.rmtree(folder)
    for kind, count in told.most_common():
        print(f"{count:7}  {kind}")
    print(f"{sum(told.values())} mutated, {n_good} good frames as undisturbed, {n_wrong} wrong")
    sys.exit(1 if n_wrong else 0)


def _kind(record: FrameRecord) -> str:
    """Status and reason, without names and numbers."""
    reason = record.reason.replace(Path(record.file).name, "")
    return f"{record.status} {re.sub(r'[0-9.]+', '#', reason)[:70]}".strip()


if __name__ == "__main__":
    main()
