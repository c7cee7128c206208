"""What does too directed light do to MTF50, and does the overshoot flag see it?

    python -m tests.bench.coherence_study              all tables, some minutes
    python -m tests.bench.coherence_study --tables     the light's tables alone, seconds

The light's tables come from ``lab.optics.partial_coherence``: a clear pupil in focus and
out of it, no pixel. The flag's tables measure simulated edges: honest ones (diffuse
light; shapes inside and outside the model, from ``tests.bench.truth``), ones in directed
light, and honest ones that were sharpened after the noise.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from lab.edges.checks import overshoot
from lab.edges.measure import EdgeMeasurement, measure_edge
from lab.edges.types import FloatArray
from lab.optics.partial_coherence import (
    apparent_transfer,
    coherence_ratio_for,
    mtf50_error,
    partially_coherent_edge,
)
from tests.bench.truth import Lens, edge_pixels
from tests.edges.directed import (
    directed_pixels,
    directed_profile,
    largest_fall,
    unsharp_masked,
)

RATIOS = (0.25, 0.5, 0.7, 1.0, 1.25, 1.5, 2.0, 3.0)
DEFOCUS = (0.0, 0.25, 0.5, 1.0)
STEP = 900.0
REGIONS = ((100, 100), (60, 40), (140, 90), (200, 200))
ANGLES = (3.1, 5.7, 11.0, 17.0, 84.6, -95.0)
NOISE = (0.001, 0.003, 0.01, 0.03, 0.05)
HONEST: tuple[dict[str, float], ...] = (
    {},
    {"w20": 0.25},
    {"w20": 0.5},
    {"w20": -1.0},
    {"w20": 2.0},
    {"w20": -1.0, "w040": 1.0},
    {"w040": 1.0},
    {"w20": -2.0, "w040": 1.0},
    {"gauss": 0.5},
    {"motion": 1.0},
    {"motion": 4.0},
    {"w131": 0.6},
    {"blades": 5, "turn_deg": 20.0},
)
SIZES = (0.6, 0.9, 1.5, 2.2, 4.0, 6.0)


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """How often edges of one kind were flagged, and their overshoot (share of the step)."""

    flagged: int
    measured: int
    rejected: int
    falls: FloatArray
    stds: FloatArray

    @property
    def line(self) -> str:
        mean = 100 * float(np.mean(self.falls)) if self.measured else float("nan")
        std = 100 * float(np.mean(self.stds)) if self.measured else float("nan")
        return (
            f"{self.flagged:4d} of {self.measured:4d} flagged, {self.rejected:3d} rejected, "
            f"overshoot {mean:5.2f} % (std {std:.2f} %)"
        )


def outcome(edges: list[Callable[[], FloatArray]]) -> Outcome:
    """Measure edges, each drawn when its turn comes."""
    flagged, rejected = 0, 0
    found = []
    for draw in edges:
        result = measure_edge(draw())
        if not isinstance(result, EdgeMeasurement):
            rejected += 1
            continue
        flagged += "overshoot" in result.flags
        found.append(overshoot(result.fit))
    falls, stds = np.array(found).reshape(-1, 2).T
    return Outcome(flagged=flagged, measured=len(found), rejected=rejected, falls=falls, stds=stds)


def honest_edges(runs: int, rng: np.random.Generator) -> list[Callable[[], FloatArray]]:
    """Every honest shape and size at every noise, region and angle at random."""

    def drawn(shape: dict[str, float], size: float, noise: float) -> Callable[[], FloatArray]:
        region, angle = REGIONS[rng.integers(len(REGIONS))], ANGLES[rng.integers(len(ANGLES))]
        place = rng.uniform(-3, 3)

        def draw() -> FloatArray:
            lens = Lens(diffraction_px=size, **shape)  # type: ignore[arg-type]
            clean = edge_pixels(lens, region, angle, position_px=place)
            return clean + rng.normal(0, noise * STEP, region)

        return draw

    return [
        drawn(shape, size, noise)
        for shape in HONEST
        for size in SIZES
        for noise in NOISE
        for _ in range(runs)
    ]


def directed_edges(
    size: float, ratio: float, w20: float, noise: float, runs: int, rng: np.random.Generator
) -> list[Callable[[], FloatArray]]:
    """One edge in directed light again and again, with new noise and place."""

    def draw() -> FloatArray:
        clean = directed_pixels(
            size, ratio, REGIONS[0], 5.7, w20=w20, position_px=rng.uniform(-2, 2)
        )
        return clean + rng.normal(0, noise * STEP, REGIONS[0])

    return [draw] * runs


def sharpened_edges(
    size: float, radius: float, amount: float, noise: float, runs: int, rng: np.random.Generator
) -> list[Callable[[], FloatArray]]:
    """One honest edge again and again, sharpened together with its noise."""

    def draw() -> FloatArray:
        place = float(rng.integers(4)) / 2 - 0.7
        clean = edge_pixels(Lens(diffraction_px=size), REGIONS[0], 5.7, position_px=place)
        return unsharp_masked(clean + rng.normal(0, noise * STEP, REGIONS[0]), radius, amount)

    return [draw] * runs


def true_directed_fall(size: float, ratio: float, w20: float) -> float:
    """Overshoot of an edge in directed light, pixel included. [share]."""
    return largest_fall(directed_profile(size, ratio, w20, 5.7)(np.linspace(-10, 10, 4001) * size))


def true_sharpened_fall(size: float, radius: float, amount: float) -> float:
    """Overshoot of a sharpened edge, pixel included. [share]."""
    # Along a row the edge is sampled finely where it crosses at a small angle.
    pixels = edge_pixels(Lens(diffraction_px=size), (400, 80), 2.0)
    sharp = unsharp_masked(pixels, radius, amount)
    inner = (slice(60, -60), slice(20, -20))
    row, col = np.indices(pixels.shape)
    angle = np.deg2rad(2.0)
    across = (col * np.cos(angle) + row * np.sin(angle))[inner].ravel()
    order = np.argsort(across)
    return largest_fall(sharp[inner].ravel()[order]) / STEP


def measured_error(ratio: float, size: float) -> float:
    """By how much the lab's own fit overstates the system's MTF50, free of noise. [share]."""
    result = measure_edge(directed_pixels(size, ratio, (120, 120), 5.7))
    assert isinstance(result, EdgeMeasurement), result
    return result.mtf50_cyc_per_px / Lens(diffraction_px=size).level(0.5, 5.7) - 1


def print_light() -> None:
    """Print what the light does, and how wide it must be."""
    u, s = np.linspace(-8, 8, 801), np.linspace(0, 0.99, 100)
    print("MTF50 of a clear pupil as an edge shows it, and what a slanted edge measures")
    defocus = "".join(f"{w20:8.2f}" for w20 in DEFOCUS)
    print("ratio   MTF50 error by defocus [waves]    edge in focus            measured")
    print(f"S      {defocus}     over  at 0   MTF max  in focus")
    for ratio in RATIOS:
        errors = "".join(f"{100 * mtf50_error(ratio, w20):7.2f}%" for w20 in DEFOCUS)
        edge = partially_coherent_edge(u, ratio)
        top = float(np.max(np.abs(apparent_transfer(s, ratio))))
        over = 100 * max(edge.max() - 1, 0)
        print(
            f"{ratio:<8g}{errors}  {over:5.1f}%  {edge[400]:.3f}  {top:6.2f}  "
            f"{100 * measured_error(ratio, 2.2):6.2f}%",
            flush=True,
        )
    print("over: above the bright plateau; at 0: intensity at the geometric edge, plateau = 1")
    print("measured: system MTF50, wavelength x N_eff = 2.2 px, no noise")
    print("\nleast ratio for an error of MTF50 in focus")
    for error in (0.02, 0.01, 0.005):
        print(f"  {100 * error:.1f} %: {coherence_ratio_for(error):.2f}")


def print_flag(runs: int) -> None:
    """Print how often the flag is raised, rightly and wrongly."""
    rng = np.random.default_rng(31)
    honest = outcome(honest_edges(max(1, runs // 10), rng))
    print(f"\nhonest edges, noise {NOISE[0]:g} to {NOISE[-1]:g} of the step: {honest.line}")
    largest = int(np.argmax(honest.falls))
    print(f"  largest {100 * honest.falls[largest]:.2f} % (std {100 * honest.stds[largest]:.2f} %)")
    print(f"\nnoise 0.01, {runs} runs each; true: overshoot with the pixel")
    for size in (0.9, 2.2, 5.0):
        for ratio in (0.25, 0.5, 0.7, 0.85):
            for w20 in (0.0, 0.5):
                got = outcome(directed_edges(size, ratio, w20, 0.01, runs, rng))
                true = 100 * true_directed_fall(size, ratio, w20)
                print(f"{size:g} px S {ratio:<4g} W20 {w20:g}   true {true:5.1f} %: {got.line}")
        for radius in (1.0, 2.0):
            for amount in (0.5, 1.0, 1.5):
                got = outcome(sharpened_edges(size, radius, amount, 0.01, runs, rng))
                true = 100 * true_sharpened_fall(size, radius, amount)
                print(
                    f"{size:g} px radius {radius:g} by {100 * amount:3.0f} % true {true:5.1f} %: "
                    f"{got.line}",
                    flush=True,
                )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else None)
    parser.add_argument("--runs", type=int, default=40, help="edges of one kind")
    parser.add_argument("--tables", action="store_true", help="the light's tables alone")
    options = parser.parse_args()
    os.environ.update(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1")
    print_light()
    if not options.tables:
        print_flag(options.runs)


if __name__ == "__main__":
    main()
