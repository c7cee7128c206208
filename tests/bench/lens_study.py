"""How well are the best stop, the pupil ratio, the ring and the aberration recovered?

    python -m tests.bench.lens_study                   all tables, about half an hour on 2 cores
    python -m tests.bench.lens_study --sessions 40     of the optimum, fewer
    python -m tests.bench.lens_study --only figures    one: optimum, figures, rocked, time

Sessions come from ``tests.bench.second_lens``, which shares no optics with the model and
whose lenses have what the model lacks: zonal spherical aberration (the eighth power,
up to a third of the primary), irises of five to eleven blades, vibration along a line.
Invented throughout. The figures' sessions have no zonal aberration (with it, primary
spherical aberration is a matter of definition) and seven blades or more: five straight
ones pass for up to 0.2 waves of it.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from lab.inference.lens_curve import lens_curve, stop_choice
from lab.inference.lens_fit import at_widest, fit_lens
from lab.inference.lens_result import lens_result
from lab.session.records import FrameRecord
from tests.bench.second_lens import COLOURS, STOPS, SecondLens
from tests.inference.field_session import FieldLens, noisy, session_config, true_frames

GRID = STOPS[0] * 2 ** (np.linspace(0, 5, 121) / 2)
_ROCKING = 0.4  # of a step of a quarter wave: how unevenly hands move, judged by us
_MARKED = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
_Outcome = TypeVar("_Outcome")


@dataclass(frozen=True, kw_only=True)
class Optimum:
    """One session of one magnification: best stop and its interval, in stops from the truth."""

    magnification: float
    error_stops: float
    low_stops: float
    high_stops: float
    chi_square: float

    @property
    def covered(self) -> bool:
        return self.low_stops <= 0 <= self.high_stops


@dataclass(frozen=True, kw_only=True)
class Figures:
    """One session of four magnifications."""

    pupil_ratio: float
    pupil_error: float  # relative
    pupil_std: float
    ring_error_stops: float  # of the position that is off, against the mean of the others
    ring_std_stops: float
    w040_waves: float
    w040_error_waves: float
    w040_std_waves: float


def _lens(rng: np.random.Generator) -> tuple[SecondLens, float]:
    """One whose best stop lies between the first and the last, and that stop."""
    while True:
        m, w040 = float(rng.uniform(1, 4)), float(rng.uniform(0.16, 1.0))
        lens = SecondLens(
            magnifications=(m,),
            pupil_ratio=float(rng.uniform(0.6, 1.5)),
            w040_um=w040,
            w060_um=float(rng.uniform(-0.2, 0.2)),
            zonal_um=float(rng.uniform(-0.33, 0.33)) * w040,
            blur_um=float(rng.uniform(0.5, 1.6)),
            vibration_um=float(rng.uniform(0, 3)),
            ring=tuple(rng.normal(0, 0.04, 6).tolist()),
            blades=int(rng.integers(5, 12)),
            turn=float(rng.uniform(0, 1)),
        )
        best = lens.best_stop(m)
        if STOPS[0] < best < STOPS[-1]:
            return lens, best


def optimum(seed: int) -> Optimum:
    """A lens with everything the model lacks, 6 stops of 7 frames in three colours."""
    rng = np.random.default_rng([41, seed])
    lens, truth = _lens(rng)
    data = lens.session(rng, noise=float(rng.uniform(0.003, 0.008)))
    fit = fit_lens(data)
    choice = stop_choice(
        lens_curve(fit, 0, "green", GRID), loss_percent=10, rng=np.random.default_rng(1)
    )

    def off(stop: float) -> float:
        return float(2 * np.log2(stop / truth))

    return Optimum(
        magnification=lens.magnifications[0],
        error_stops=off(choice.optimum_stop),
        low_stops=off(choice.optimum_low95),
        high_stops=off(choice.optimum_high95),
        chi_square=fit.chi_square,
    )


def figures(seed: int) -> Figures:
    """Four magnifications, 6 stops of 7 frames, green; one ring position off by a third."""
    rng = np.random.default_rng([42, seed])
    off = int(rng.integers(1, 6))
    ring = rng.normal(0, 0.02, 6)
    ring[off] += rng.choice([-1, 1]) / 3
    w040 = float(rng.uniform(0.3, 2.0)) * COLOURS["green"]
    lens = SecondLens(
        magnifications=(1.0, 2.0, 3.0, 4.0),
        pupil_ratio=float(2 ** rng.uniform(-1, 1)),
        w040_um=w040,
        w040_rise_um=float(rng.uniform(-0.1, 0.1)),
        w060_um=float(rng.uniform(-0.1, 0.1)),
        blur_um=float(rng.uniform(0.5, 1.6)),
        vibration_um=float(rng.uniform(0, 2)),
        ring=tuple(ring.tolist()),
        blades=int(rng.integers(7, 12)),
        turn=float(rng.uniform(0, 1)),
        n=256,
    )
    # Twice what the frames of ``stopwise demo`` leave: 0.0008.
    fit = fit_lens(lens.session(rng, noise=0.002, colours=("green",)))
    found, truth = fit.value("ring"), np.array(lens.ring)
    others = np.arange(6) != off
    per_um = 1 / COLOURS["green"]
    true_um = w040 * 2 ** (-2 * ring[0])  # at the widest opening as it is
    w040_um, w040_std_um = at_widest(fit, "w040", 4)
    return Figures(
        pupil_ratio=lens.pupil_ratio,
        pupil_error=float(np.exp(fit.value("pupil")[0]) / lens.pupil_ratio - 1),
        pupil_std=float(fit.std("pupil")[0]),
        ring_error_stops=float((found - truth)[off] - (found - truth)[others].mean()),
        ring_std_stops=float(fit.std("ring")[off]),
        w040_waves=true_um * per_um,
        w040_error_waves=(w040_um - true_um) * per_um,
        w040_std_waves=w040_std_um * per_um,
    )


@dataclass(frozen=True, kw_only=True)
class Rocked:
    """One stop of a session rocked by hand."""

    widest: bool
    error: float  # of MTF50, relative
    std: float


def rocked(seed: int) -> tuple[Rocked, ...]:
    """Two magnifications, 6 stops, 9 frames at unknown places, green."""
    rng = np.random.default_rng([44, seed])
    lens = SecondLens(
        magnifications=(float(rng.uniform(1, 2)), float(rng.uniform(2.5, 4))),
        pupil_ratio=float(rng.uniform(0.7, 1.4)),
        w040_um=float(rng.uniform(0.2, 0.6)),
        blur_um=float(rng.uniform(0.5, 1.6)),
        vibration_um=float(rng.uniform(0, 2)),
        ring=tuple(rng.normal(0, 0.03, 6).tolist()),
        blades=int(rng.integers(7, 12)),
        turn=float(rng.uniform(0, 1)),
    )
    data = lens.session(
        rng, frames=9, noise=0.003, colours=("green",), known=False, jitter=_ROCKING
    )
    fit = fit_lens(data)
    out = []
    for k, m in enumerate(lens.magnifications):
        curve = lens_curve(fit, k, "green", STOPS)
        for i, stop in enumerate(STOPS):
            truth = lens.mtf50_at_best_focus(m, float(stop * 2 ** (lens.ring[i] / 2)))
            found = float(curve.mtf50_image_cyc_per_mm[i])
            std = float(curve.mtf50_std[i]) / found
            out.append(Rocked(widest=i == 0, error=found / truth - 1, std=std))
    return tuple(out)


def _print_rocked(sessions: int) -> None:
    found = [one for several in run(rocked, range(sessions)) for one in several]
    print(f"rocked by hand, {sessions} sessions of 2 magnifications x 6 stops x 9 frames, green")
    for name, widest in (("widest stop", True), ("other stops", False)):
        here = [one for one in found if one.widest == widest]
        error = np.abs([one.error for one in here])
        covered = np.mean([abs(one.error) <= 1.96 * one.std for one in here])
        print(
            f"  MTF50, {name}: median {np.median(error):.2%}, 95 % {np.quantile(error, 0.95):.2%}, "
            f"worst {error.max():.2%}; within 2 % in {np.mean(error <= 0.02):.0%}; intervals cover "
            f"{covered:.0%}"
        )


def _one_thread() -> None:
    os.environ["OPENBLAS_NUM_THREADS"] = "1"


def run(job: Callable[[int], _Outcome], seeds: Iterable[int]) -> list[_Outcome]:
    """Jobs on two cores, in the order of their seeds."""
    with ProcessPoolExecutor(2, initializer=_one_thread) as pool:
        return list(pool.map(job, seeds))


def _print_optimum(sessions: int) -> None:
    found = run(optimum, range(sessions))
    error = np.abs([one.error_stops for one in found])
    width = np.array([one.high_stops - one.low_stops for one in found])
    print(f"optimum stop, {len(found)} sessions of 6 stops x 7 frames x 3 colours")
    print(
        f"  error [stops]: median {np.median(error):.3f}, 95 % {np.quantile(error, 0.95):.3f}, "
        f"worst {error.max():.3f}; above 1/6: {np.mean(error > 1 / 6):.1%}"
    )
    print(
        f"  95 % intervals cover {np.mean([one.covered for one in found]):.1%}; "
        f"width median {np.median(width):.3f} stops"
    )
    for low, high in ((1, 2), (2, 3), (3, 4)):
        here = [one for one in found if low <= one.magnification < high]
        covered = np.mean([one.covered for one in here])
        print(f"  {low}x to {high}x: {len(here)} sessions, covered {covered:.1%}")


def _share_within(error: np.ndarray, std: np.ndarray) -> str:
    return f"intervals cover {np.mean(np.abs(error) <= 1.96 * std):.0%}"


def _print_figures(sessions: int) -> None:
    found = run(figures, range(sessions))
    columns = {
        name: np.array([getattr(one, name) for one in found]) for name in Figures.__annotations__
    }
    print(f"figures, {sessions} sessions of 4 magnifications x 6 stops x 7 frames, green")
    error, std = columns["pupil_error"], columns["pupil_std"]
    print(
        f"  pupil ratio {columns['pupil_ratio'].min():.2f} to {columns['pupil_ratio'].max():.2f}: "
        f"median {np.median(np.abs(error)):.2%}, worst {np.abs(error).max():.2%}, within 2 % in "
        f"{np.mean(np.abs(error) <= 0.02):.0%}; {_share_within(error, std)}"
    )
    error, std = columns["ring_error_stops"], columns["ring_std_stops"]
    print(
        f"  ring off by a third: median {np.median(np.abs(error)):.3f}, worst "
        f"{np.abs(error).max():.3f} stops; {_share_within(error, std)}"
    )
    error, std = columns["w040_error_waves"], columns["w040_std_waves"]
    allowed = np.maximum(0.05 * columns["w040_waves"], 0.03)
    print(
        f"  spherical {columns['w040_waves'].min():.2f} to {columns['w040_waves'].max():.2f} "
        f"waves: worst {np.abs(error).max():.3f} waves, within 5 % or 0.03 in "
        f"{np.mean(np.abs(error) <= allowed):.0%}; {_share_within(error, std)}"
    )


def _print_time() -> None:
    """Of a session of 4 magnifications, 6 stops, 7 frames, 9 places and 3 colours."""
    lenses = [FieldLens(magnification=m, stops=_MARKED, ring_stops=(0.0,) * 6) for m in range(1, 5)]
    configs = [session_config(lens) for lens in lenses]
    config = replace(configs[0], series=tuple(one.series[0] for one in configs))
    rng = np.random.default_rng(43)
    frames = tuple(
        _in_colours(replace(frame, file=f"{lens.magnification:g}x_{frame.file}"))
        for lens in lenses
        for frame in noisy(true_frames(lens, rng), rng)
    )
    start = time.perf_counter()
    result = lens_result(config, frames, loss_percent=10)
    took = time.perf_counter() - start
    assert result is not None
    places = sum(len(one.field) for one in result.series)
    print(f"{len(frames)} frames, {places} places off axis, 3 colours: {took:.1f} s on one core")


def _in_colours(frame: FrameRecord) -> FrameRecord:
    """Green's edges once more as red and blue: for time, not for their figures."""
    edges = [replace(edge, channel=c) for c in ("red", "green", "blue") for edge in frame.edges]
    return replace(frame, edges=tuple(edges))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=200)
    parser.add_argument("--only", choices=("optimum", "figures", "rocked", "time"))
    chosen = parser.parse_args()
    start = time.perf_counter()
    if chosen.only in (None, "optimum"):
        _print_optimum(chosen.sessions)
    if chosen.only in (None, "figures"):
        _print_figures(max(8, chosen.sessions // 5))
    if chosen.only in (None, "rocked"):
        _print_rocked(max(4, chosen.sessions // 8))
    if chosen.only in (None, "time"):
        _print_time()
    print(f"{time.perf_counter() - start:.0f} s in all")


if __name__ == "__main__":
    main()
