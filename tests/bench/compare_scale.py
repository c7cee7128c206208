"""What do comparisons of 2, 50 and 1,000 sessions cost?

    python -m tests.bench.compare_scale                  all three, some minutes
    python -m tests.bench.compare_scale --sessions 50    one of them

Half are session folders with a kept result, half bundles. Each has 4 magnifications of 6 stops,
with a result as large as that of a session of 168 frames, by a formula and with other numbers
for each; 28 frames lie in each, tiny ones, since a comparison opens none. Invented. A process of
its own reads them all, compares, and writes page and table, twice: its times are CPU and wall,
its memory the peak. What a bundle's frames add is said beside: a bundle is read whole, though
only its result is used.
"""

from __future__ import annotations

import argparse
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from lab.inference.compare import compare_sessions
from lab.inference.result_json import result_to_json
from lab.inference.results import FocusSample, LensResidual, SessionResult
from lab.session.bundle import Bundle, session_bundle, write_bundle
from lab.session.compared_session import compared_session
from lab.session.inventory import STORE_NAME
from lab.session.kept_result import inputs_key, kept_or_computed, options_of
from lab.session.running import measure_session, stored_session
from lab.session.store import ResultsStore
from reports.compare_page import comparison_csv, render_comparison
from tests.inference.compared import session

__all__ = ["built"]

_SIZES = (1.0, 2.0, 3.0, 4.0)
_TOML = """[session]
name = "Invented"
[body]
name = "Club body"
pixel_pitch_um = 4.35
sensor_mm = [35.9, 23.9]
[lens]
name = "Invented"
[target]
kind = "blade"
edge_blur_um = 0.3
edge_blur_std_um = 0.1
"""
_SERIES = """[[series]]
magnification = {m:g}
stops = [4]
frames_per_stop = 7
frames = "{m:g}x/*.png"
focus_step_um = 20
"""


def _result(rng: np.random.Generator, number: int) -> SessionResult:
    """One of many, as long as a real one."""
    made = session(
        f"Lens {number // 2}",  # every lens twice
        name=f"Session {number}",
        sizes=_SIZES,
        scale=float(np.exp(rng.normal(0, 0.08))),
        std=float(rng.uniform(0.004, 0.01)),
        pupil_ratio=float(rng.uniform(0.8, 1.2)),
        spherical_um=float(rng.uniform(0.6, 1.1)),
        frames=f"{number}",
    )
    curve = tuple(rng.uniform(20, 60, 61).tolist())
    samples = tuple(
        FocusSample(
            file=f"1x/{k}.png",
            focus_position_um=20.0 * k,
            mtf50_image_cyc_per_mm=value,
            mtf50_std=0.01 * value,
            used=True,
        )
        for k, value in enumerate(curve[:7])
    )
    residuals = tuple(
        LensResidual(
            file=f"1x/{k % 7}.png",
            marked_stop=4.0,
            channel="green",
            defocus_waves=value,
            mtf=value / 1e3,
            mtf_std=value / 1e4,
        )
        for k, value in enumerate(rng.uniform(0, 1, 126).tolist())
    )
    assert made.lens is not None
    series = tuple(
        replace(
            one,
            points=tuple(
                replace(point, focus_samples=samples, focus_curve_um=curve, focus_curve_mtf50=curve)
                for point in one.points
            ),
        )
        for one in made.series
    )
    lens = replace(
        made.lens, series=tuple(replace(one, residuals=residuals) for one in made.lens.series)
    )
    return replace(made, series=series, lens=lens)


def _first(folder: Path, result: SessionResult) -> tuple[str, Bundle]:
    """A session folder whose kept result is this one; its key, and a bundle of it."""
    from PIL import Image

    text = _TOML + "".join(_SERIES.format(m=m) for m in _SIZES)
    for m in _SIZES:
        (folder / f"frames/{m:g}x").mkdir(parents=True)
        for k in range(7):
            grey = np.full((8, 8), 40 * k + int(m), np.uint8)
            Image.fromarray(grey).save(folder / f"frames/{m:g}x/{k}.png")
    (folder / "session.toml").write_text(text, encoding="utf-8")
    measure_session(folder)
    measured = stored_session(folder)
    key = inputs_key(measured.config, measured.assignment, measured.frames)
    with ResultsStore(folder / STORE_NAME) as store:
        kept_or_computed(store, key, options_of(10.0), lambda: (result, ()))
    compared_session(folder, print)  # notes what it rests on
    return key, session_bundle(folder, measured, (result, ()))


def built(folder: Path, count: int) -> list[Path]:
    """Sessions in a folder, every other one a bundle.

    Parameters
    ----------
    folder : Path
    count : int
    """
    rng = np.random.default_rng(7)
    first = folder / "session-0"
    key, bundle = _first(first, _result(rng, 0))
    paths = [first]
    for k in range(1, count):
        result = _result(rng, k)
        if k % 2:
            path = folder / f"session-{k}.zip"
            write_bundle(replace(bundle, result=result), path)
        else:
            path = folder / f"session-{k}"
            shutil.copytree(first, path)  # with the times of the files
            with ResultsStore(path / STORE_NAME) as store:
                # Other options: what was kept does not do, and gives way.
                kept_or_computed(store, key, (str(k),), lambda made=result: (made, ()))
                # As if its frames were its own.
                note = json.loads(store.get_summary("compared") or "")
                store.put_summary("compared", json.dumps({**note, "frames": str(k)}))
        paths.append(path)
    return paths


def _compared(paths: list[Path], out: Path) -> dict[str, float]:
    """Read, compare and write once, in this process: wall seconds and megabytes."""
    start = time.perf_counter()
    sessions = [compared_session(path, print) for path in paths]
    read = time.perf_counter()
    comparison = compare_sessions(sessions)
    told = time.perf_counter()
    page, table = render_comparison(comparison), comparison_csv(comparison)
    (out / "index.html").write_text(page, encoding="utf-8")
    (out / "data.csv").write_text(table, encoding="utf-8")
    end = time.perf_counter()
    return {
        "read": read - start,
        "compare": told - read,
        "page": end - told,
        "wall": end - start,
        "cpu": time.process_time(),
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "page_mb": len(page.encode()) / 1e6,
        "table_mb": len(table.encode()) / 1e6,
        "pairs": float(sum(comparison.tests.values())),
    }


def _timed(paths: list[Path], out: Path) -> dict[str, float]:
    """In a process of its own, with its start and imports."""
    out.mkdir(exist_ok=True)
    listed = out / "paths.json"
    listed.write_text(json.dumps([str(path) for path in paths]), encoding="utf-8")
    command = [sys.executable, "-m", "tests.bench.compare_scale", "--child", str(out)]
    start = time.perf_counter()
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return {**found, "whole": time.perf_counter() - start}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, nargs="*", default=[2, 50, 1000])
    parser.add_argument("--keep", type=Path, help="put the pages here")
    parser.add_argument("--child", type=Path, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.child is not None:
        listed = json.loads((chosen.child / "paths.json").read_text("utf-8"))
        print(json.dumps(_compared([Path(one) for one in listed], chosen.child)))
        return
    size = len(result_to_json(_result(np.random.default_rng(7), 0)).encode())
    print(f"a kept result: {size / 1e3:.0f} kB of JSON")
    with tempfile.TemporaryDirectory() as scratch:
        start = time.perf_counter()
        paths = built(Path(scratch), max(chosen.sessions))
        print(f"{len(paths)} sessions made in {time.perf_counter() - start:.0f} s")
        for count in chosen.sessions:
            for turn in range(2):
                out = (chosen.keep or Path(scratch)) / f"compared-{count}"
                out.parent.mkdir(exist_ok=True)
                f = _timed(paths[:count], out)
                print(
                    f"{count} sessions, run {turn + 1}: {f['whole']:.1f} s in all, "
                    f"{f['cpu']:.1f} s CPU (read {f['read']:.1f} s, compare {f['compare']:.1f} s, "
                    f"page and table {f['page']:.1f} s), peak {f['peak_mb']:.0f} MB; "
                    f"{f['pairs']:.0f} pairs, page "
                    f"{f['page_mb']:.2f} MB, table {f['table_mb']:.1f} MB"
                )


if __name__ == "__main__":
    main()
