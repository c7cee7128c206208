"""How accurate and how precise is one edge? The study behind the README's claims.

    python -m tests.bench.edge_study            all tables, some minutes
    python -m tests.bench.edge_study --runs 100 quicker, coarser

Noise-free bias, scatter against the Cramer-Rao bound and the textbook method,
coverage of intervals, error of the curve, green sites alone, time. Every lens is
simulated by ``tests.bench.truth``, which shares no code with the fit but the
pixel's aperture.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import product
from multiprocessing import get_context

import numpy as np

from lab.edges.measure import EdgeMeasurement, measure_edge
from lab.edges.types import NoiseModel
from tests.bench.textbook import textbook_mtf50
from tests.bench.truth import Lens, bound, edge_pixels

STEP = 900.0

INSIDE = [
    {},
    {"w20": 0.25},
    {"w20": 0.5},
    {"w20": -0.8, "w040": 0.8},
    {"w20": -0.6, "w040": 1.0},
    {"gauss": 0.5},
    {"w20": 0.2, "gauss": 0.3},
]
OUTSIDE = [
    {"w131": 0.3},
    {"w131": 0.6, "w20": 0.15},
    {"blades": 6, "turn_deg": 7.0},
    {"blades": 5, "turn_deg": 20.0},
    {"motion": 1.0},
    {"motion": 1.4, "w20": 0.2},
]
SIZES = [0.9, 1.5, 2.2, 4.0, 8.0]
ANGLES = [2.0, 5.7, 17.0, 43.0, 88.0]
REGIONS = [(40, 60), (100, 100), (200, 200)]


def bias(case: tuple[Lens, float, tuple[int, int], float]) -> tuple[float, float]:
    """Relative error of MTF50, and largest error of the curve at 0.1 to 0.5 cycles/pixel."""
    lens, angle, shape, sagitta = case
    result = measure_edge(edge_pixels(lens, shape, angle, sagitta_px=sagitta))
    if not isinstance(result, EdgeMeasurement):
        return np.nan, np.nan
    f = np.linspace(0.1, 0.5, 9)
    curve = float(np.max(np.abs(result.mtf_at(f)[0] - lens.mtf(f, angle))))
    return result.mtf50_cyc_per_px / lens.level(0.5, angle) - 1, curve


def bias_cases(
    shapes: Iterable[dict[str, float]],
) -> list[tuple[Lens, float, tuple[int, int], float]]:
    """Every shape, size, angle and region, edges bowed by 0.3 px."""
    return [
        (Lens(diffraction_px=size, **shape), angle, region, 0.3)  # type: ignore[arg-type]
        for shape, size, angle, region in product(shapes, SIZES, ANGLES, REGIONS)
    ]


def scatter(
    case: tuple[Lens, float, tuple[int, int], float, bool, bool, int],
) -> dict[str, float]:
    """Monte Carlo of one case: scatter and coverage, and the textbook's scatter."""
    lens, angle, shape, noise_share, green, given, runs = case
    clean = edge_pixels(lens, shape, angle)
    truth = lens.level(0.5, angle)
    mask = np.indices(shape).sum(axis=0) % 2 == 0 if green else np.ones(shape, dtype=bool)
    noise = NoiseModel(read_std=noise_share * STEP, gain=0.0) if given else None
    rng = np.random.default_rng(20)
    errors, stds, textbook = [], [], []
    for _ in range(runs):
        pixels = clean + rng.normal(0, noise_share * STEP, shape)
        result = measure_edge(pixels, mask, noise)
        assert isinstance(result, EdgeMeasurement), result
        errors.append(result.mtf50_cyc_per_px / truth - 1)
        stds.append(result.mtf50_std / truth)
        if not green:
            textbook.append(textbook_mtf50(pixels) / np.cos(np.deg2rad(angle)) / truth - 1)
    error, std = np.array(errors), np.array(stds)
    limit = bound(lens, shape, angle, noise_share, mask)
    return {
        "bound": limit,
        "bias": float(error.mean()),
        "ratio": float(error.std() / limit),
        "coverage": float(np.mean(np.abs(error) < 1.96 * std)),
        "textbook_ratio": float(np.std(textbook) / limit) if textbook else np.nan,
        "textbook_bias": float(np.mean(textbook)) if textbook else np.nan,
    }


def scatter_cases(runs: int) -> list[tuple[Lens, float, tuple[int, int], float, bool, bool, int]]:
    """Shapes inside the model at three sizes and four noise levels; then green sites."""
    shapes = [{}, {"w20": 0.25}, {"w20": 0.45}, {"w20": -0.8, "w040": 0.8}, {"gauss": 0.4}]
    cases = []
    for size, noise, shape in product((1.2, 2.2, 5.0), (0.002, 0.005, 0.01, 0.03), shapes):
        lens = Lens(diffraction_px=size, **shape)  # type: ignore[arg-type]
        cases.append((lens, 5.7, (100, 100), noise, False, len(cases) % 2 == 0, runs))
    for size, noise, shape in product((2.2, 5.0), (0.005, 0.02), shapes):
        lens = Lens(diffraction_px=size, **shape)  # type: ignore[arg-type]
        cases.append((lens, 5.7, (100, 100), noise, True, False, runs))
    return cases


def _time_one_region() -> float:
    """Median seconds for one 100 x 100 region, one channel."""
    lens = Lens(diffraction_px=2.2, w20=0.2)
    rng = np.random.default_rng(1)
    pixels = edge_pixels(lens, (100, 100), 5.7) + rng.normal(0, 9, (100, 100))
    measure_edge(pixels)
    times = []
    for _ in range(100):
        start = time.perf_counter()
        measure_edge(pixels)
        times.append(time.perf_counter() - start)
    return float(np.median(times))


def _print_bias(title: str, errors: Sequence[tuple[float, float]], cases: Sequence[object]) -> None:
    error = np.array([e for e, _ in errors])
    curve = np.array([c for _, c in errors])
    good = np.isfinite(error)
    worst = int(np.nanargmax(np.abs(error)))
    print(f"\n{title}: {good.sum()} of {error.size} regions measured, the rest refused")
    print(f"  |bias| of MTF50: median {100 * np.median(np.abs(error[good])):.3f} %, ", end="")
    print(f"95th percentile {100 * np.quantile(np.abs(error[good]), 0.95):.3f} %, ", end="")
    print(f"worst {100 * abs(error[worst]):.3f} %")
    print(f"    worst case: {cases[worst]}")
    print(f"  curve error: median {np.median(curve[good]):.5f}, worst {np.max(curve[good]):.5f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else None)
    parser.add_argument("--runs", type=int, default=1000, help="noise realisations a case")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args()
    os.environ.update(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1")
    print(f"time for a 100 x 100 region, one channel: {1e3 * _time_one_region():.1f} ms (median)")
    with ProcessPoolExecutor(options.workers, mp_context=get_context("spawn")) as pool:
        for title, shapes in (("inside the model", INSIDE), ("outside the model", OUTSIDE)):
            cases = bias_cases(shapes)
            _print_bias(title, list(pool.map(bias, cases, chunksize=16)), cases)
        cases_n = scatter_cases(options.runs)
        print(f"\nscatter over the Cramer-Rao bound, {options.runs} runs a case, 100 x 100 region")
        print("lens                          noise   bound   ratio  textbook  its bias  coverage")
        rows = []
        for case, row in zip(cases_n, pool.map(scatter, cases_n), strict=True):
            lens, _, _, noise, green, _, _ = case
            name = lens.name + (" green" if green else "")
            rows.append((green, row))
            print(
                f"{name:<29} {noise:.3f} {100 * row['bound']:6.3f}% {row['ratio']:6.2f} "
                f"{row['textbook_ratio']:9.2f} {100 * row['textbook_bias']:8.2f}% "
                f"{100 * row['coverage']:8.1f}%",
                flush=True,
            )
    for label, wanted in (("all pixels", False), ("green sites", True)):
        picked = [row for green, row in rows if green == wanted]
        ratio = np.array([row["ratio"] for row in picked])
        coverage = np.array([row["coverage"] for row in picked])
        print(
            f"{label}: median ratio {np.median(ratio):.2f}, worst {ratio.max():.2f}; "
            f"coverage {100 * coverage.min():.1f} to {100 * coverage.max():.1f} %, "
            f"mean {100 * coverage.mean():.1f} %"
        )
        if not wanted:
            gain = ratio / np.array([row["textbook_ratio"] for row in picked])
            print(f"  against the textbook's scatter: worst {gain.max():.2f}")


if __name__ == "__main__":
    main()
