"""Is a frame's blur told apart: defocus or movement, and of which kind?

    python -m tests.bench.trial_study            300 frames, some minutes
    python -m tests.bench.trial_study --quick    60 frames

Pixels of 36 edges a frame (9 squares, green sites of a mosaic, noise 0.01 of the step)
go through ``binned_profile`` and ``frame_blur``, with ``--measured`` through
``measure_edge`` first, which takes ten times as long; the optics come from stand frames
by ``fit_reference``. Movement is not a transfer function here but the mean
of many displaced edges along the path in time. All values invented.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from multiprocessing import get_context

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.special import ndtr

from lab.edges.measure import EdgeMeasurement, measure_edge
from lab.edges.profiles import BinnedProfile, binned_profile
from lab.edges.types import FloatArray, NoiseModel, Rejection
from lab.inference.frame_blur import (
    KINDS,
    SHARP_SHARE,
    FrameBlur,
    Optics,
    ProfileEdge,
    fit_reference,
    frame_blur,
    mtf50_losses,
)
from lab.inference.frame_blur_fit import fit_kinds
from lab.optics.edge_profile import EdgeProfile
from tests.edges.blur import Blur

__all__ = ["DIFFRACTION_PX", "NOISE", "Truth", "displacements", "frame_edges", "true_optics"]

DIFFRACTION_PX, W040, RESIDUAL_PX = 2.0, 0.35, 0.35
NOISE = 0.01  # of the step
LOW, STEP = 150.0, 1200.0
REACH_PX = 28.0
LONG, WIDE = 100, 60
_PLACES = [(x, y) for x in (-0.8, 0.05, 0.75) for y in (-0.75, 0.1, 0.8)]
_STEP_PX = 0.12


@dataclass(frozen=True, kw_only=True)
class Truth:
    """One frame's blur."""

    plane: tuple[float, float, float]  # defocus from the sharpest: mean, right, down; waves
    movement: str = ""  # a kind of movement, or none
    length_px: float = 0.0
    axis_deg: float = 0.0
    radial: bool = False  # squares turned towards the field's centre, or all alike

    def losses(self, optics: Optics, angles_deg: FloatArray) -> tuple[float, float]:
        """Share of the MTF50 that defocus and movement take, as ``frame_blur`` defines it."""
        losses = mtf50_losses(optics)
        waves = [self.plane @ np.array([1.0, x, y]) for x, y in _PLACES]
        focus = float(losses.of_focus(np.array(waves) + losses.sharpest_waves).mean())
        if not self.movement:
            return focus, 0.0
        along = self.length_px * np.abs(np.cos(np.deg2rad(self.axis_deg - angles_deg)))
        return focus, float(losses.of_movement(self.movement, along.max()))

    def kind(self, optics: Optics, angles_deg: FloatArray) -> str:
        focus, movement = self.losses(optics, angles_deg)
        if max(focus, movement) < SHARP_SHARE:
            return "sharp"
        return self.movement if movement > focus else "focus"


def true_optics() -> Optics:
    return Optics(diffraction_px=DIFFRACTION_PX, w040=W040, blur_std_px=RESIDUAL_PX)


def displacements(kind: str, length_px: float) -> tuple[FloatArray, FloatArray]:
    """Where the image is [px] at moments of the exposure and the light then, (n,) each."""
    n = 480 if kind == "pulse" else 160
    part = (np.arange(n) + 0.5) / n
    if kind == "linear":
        return length_px * (part - 0.5), np.full(n, 1 / n)
    if kind == "oscillating":
        return length_px / 2 * np.sin(2 * np.pi * part), np.full(n, 1 / n)
    light = np.exp(-16 * part)  # 16 time constants
    return 16 * part * length_px / np.log(10), light / light.sum()


def square_angles(radial: bool) -> list[float]:
    """Turn of each of the nine squares. [deg]."""
    if not radial:
        return [5.7] * len(_PLACES)
    return [float(np.rad2deg(np.arctan2(y * 2, x * 3))) + 4.0 for x, y in _PLACES]


def edge_angles(radial: bool) -> FloatArray:
    return np.array([a + side for a in square_angles(radial) for side in (0, 90, 180, 270)])


@lru_cache(maxsize=64)
def _still(w20: float, angle_deg: float) -> CubicSpline:
    blur = Blur(diffraction_px=DIFFRACTION_PX, w20=w20, w040=W040, gauss_px=RESIDUAL_PX)
    x = np.arange(-120, 120, _STEP_PX)
    return CubicSpline(x, EdgeProfile(blur.system(angle_deg), 1 / DIFFRACTION_PX)(x))


@lru_cache(maxsize=64)
def _moved(w20: float, angle_deg: float, kind: str, length_px: float, share: float) -> CubicSpline:
    """Edge spread function of an edge whose normal sees a share of the movement."""
    x = np.arange(-45, 45, _STEP_PX)
    path, light = displacements(kind, length_px)
    return CubicSpline(x, light @ _still(w20, angle_deg)(x - share * path[:, None]))


def edge_pixels(truth: Truth, w20: float, angle_deg: float, position_px: float) -> FloatArray:
    """Pixels of one edge without noise."""
    profile = _still(w20, angle_deg % 90)
    if truth.movement:
        share = round(float(np.cos(np.deg2rad(truth.axis_deg - angle_deg))), 12)
        share = share if truth.movement == "pulse" else abs(share)
        profile = _moved(w20, angle_deg % 90, truth.movement, truth.length_px, share)
    upright = abs(np.cos(np.deg2rad(angle_deg))) > np.sqrt(0.5)
    shape = (LONG, WIDE) if upright else (WIDE, LONG)
    row = np.arange(shape[0])[:, None] - (shape[0] - 1) / 2
    col = np.arange(shape[1])[None, :] - (shape[1] - 1) / 2
    angle = np.deg2rad(angle_deg)
    at = np.clip(col * np.cos(angle) + row * np.sin(angle) - position_px, -44, 44)
    return LOW + STEP * profile(at)


def frame_edges(
    truth: Truth, rng: np.random.Generator, *, measured: bool = False, noise: float = NOISE
) -> list[ProfileEdge]:
    """Profiles of a frame's edges.

    ``measured``: places from ``measure_edge``, which refuses some wide blurs; otherwise
    true ones (a pulse's where half the light has come), spoiled by 0.1 px and 0.01 deg.
    ``noise`` of the pixels, of the step; the stated one stays ``NOISE``.
    """
    sharpest = mtf50_losses(true_optics()).sharpest_waves
    stated = NoiseModel(read_std=NOISE * STEP, gain=0.0)
    edges = []
    for (x, y), turn in zip(_PLACES, square_angles(truth.radial), strict=True):
        w20 = sharpest + float(np.dot(truth.plane, (1.0, x, y)))
        for side in (0, 90, 180, 270):
            angle = (turn + side + 180) % 360 - 180
            position = float(rng.uniform(-1, 1))
            pixels = edge_pixels(truth, round(w20, 6), angle, position)
            pixels = pixels + rng.normal(0, noise * STEP, pixels.shape)
            mask = np.indices(pixels.shape).sum(axis=0) % 2 == 0
            found = angle + float(rng.normal(0, 0.01))
            offset = position + float(rng.normal(0, 0.1))
            if truth.movement == "pulse":
                half_way = np.log10(2) * truth.length_px
                offset += half_way * np.cos(np.deg2rad(truth.axis_deg - angle))
            if measured:
                result = measure_edge(pixels, mask, stated)
                if not isinstance(result, EdgeMeasurement):
                    continue
                found, offset = result.angle_deg, result.offset_px
            profile = binned_profile(
                pixels, mask, stated, angle_deg=found, offset_px=offset, reach_px=REACH_PX
            )
            assert isinstance(profile, BinnedProfile), profile
            edges.append(
                ProfileEdge(
                    field_x=x,
                    field_y=y,
                    angle_deg=found,
                    x_px=profile.x_px,
                    level=profile.level_dn,
                    std=profile.std_dn,
                )
            )
    return edges


def drawn_truth(i: int, rng: np.random.Generator) -> Truth:
    """A frame of the study: a fifth of each cause, both of them in most."""
    slopes = rng.normal(0, 0.08, 2).tolist()
    sign = float(rng.choice([-1, 1]))
    axis = float(rng.uniform(-90, 90))
    radial = bool(rng.random() < 0.5)
    cause = KINDS[i % 5]
    if cause == "sharp":
        return Truth(plane=(sign * rng.uniform(0, 0.03), *(0.1 * s for s in slopes)), radial=radial)
    if cause == "focus":
        small = float(rng.choice([0.0, rng.uniform(0.5, 1.2)]))
        return Truth(
            plane=(sign * rng.uniform(0.3, 1.6), *slopes),
            movement=str(rng.choice(KINDS[2:])) if small else "",
            length_px=small,
            axis_deg=axis,
            radial=radial,
        )
    return Truth(
        plane=(sign * abs(rng.normal(0, 0.1)), *slopes),
        movement=cause,
        length_px=float(np.exp(rng.uniform(0, np.log(12)))),
        axis_deg=axis,
        radial=radial,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Outcome:
    truth: Truth
    kind: str
    shares: tuple[float, float]
    blur: FrameBlur | Rejection
    n_edge: int
    seconds: float


def outcome(case: tuple[int, Optics, bool]) -> Outcome:
    seed, optics, measured = case
    rng = np.random.default_rng([31, seed])
    truth = drawn_truth(seed, rng)
    edges = frame_edges(truth, rng, measured=measured)
    start = time.process_time()
    blur = frame_blur(edges, optics)
    seconds = time.process_time() - start
    angles = edge_angles(truth.radial)
    return Outcome(
        truth=truth,
        kind=truth.kind(true_optics(), angles),
        shares=truth.losses(true_optics(), angles),
        blur=blur,
        n_edge=len(edges),
        seconds=seconds,
    )


def stand_frames(n: int) -> list[list[ProfileEdge]]:
    """Frames without movement, almost in focus."""
    rng = np.random.default_rng(5)
    return [
        frame_edges(Truth(plane=(float(rng.normal(0, 0.05)), 0.03, -0.02)), rng) for _ in range(n)
    ]


def print_limit() -> None:
    """What the pixels hold: linear against oscillating of any length, focus free.

    Without noise, the chi-square that the best wrong kind leaves is what noise has to
    hide: the best judge is right with the share Phi(sqrt(chi-square) / 2).
    """
    optics = true_optics()
    sharpest = mtf50_losses(optics).sharpest_waves
    print("\nlinear told from oscillating at best:  length  chi-square, 36 edges  right; 8 edges")
    for length in (0.6, 0.8, 1.0, 1.25, 1.5, 2.0):
        truth = Truth(
            plane=(0.05, 0.0, 0.0), movement="linear", length_px=length, axis_deg=25.0, radial=True
        )
        edges = frame_edges(truth, np.random.default_rng(1), noise=1e-6)
        fits, _ = fit_kinds(edges, optics, sharpest)
        gap = max(fits[2].cost - fits[1].cost, 0.0)
        shares = [float(ndtr(np.sqrt(gap * n / 36) / 2)) for n in (36, 8)]
        print(f"{length:>46g} {gap:>12.2f} {shares[0]:>14.3f} {shares[1]:>9.3f}")


def _group(kind: str) -> str:
    return "movement" if kind in KINDS[2:] else kind


def report(outcomes: Sequence[Outcome]) -> None:
    """Print what the study found."""
    told = [o for o in outcomes if isinstance(o.blur, FrameBlur)]
    print(f"{len(told)} of {len(outcomes)} frames told, ", end="")
    print(f"edges a frame {np.mean([o.n_edge for o in outcomes]):.1f} of 36")
    print(f"time a frame (processor): median {1e3 * np.median([o.seconds for o in told]):.0f} ms")
    print(f"\n{'truth':<12}" + "".join(f"{kind:>12}" for kind in KINDS))
    for kind in KINDS:
        row = [sum(o.kind == kind and o.blur.kind == k for o in told) for k in KINDS]
        print(f"{kind:<12}" + "".join(f"{n:>12}" for n in row))

    def right(chosen: list[Outcome], *, grouped: bool = False) -> str:
        if not chosen:
            return "none"
        good = [
            _group(o.blur.kind) == _group(o.kind) if grouped else o.blur.kind == o.kind
            for o in chosen
        ]
        return f"{sum(good)} of {len(good)} ({100 * np.mean(good):.1f} %)"

    blurred = [o for o in told if o.kind in KINDS[1:] and max(o.shares) >= SHARP_SHARE]
    moved = [o for o in told if o.kind in KINDS[2:]]
    print("\nsharp, focus or movement:", right(told, grouped=True))
    print("  where movement and focus differ by a third:", end=" ")
    clear = [o for o in told if min(o.shares) < max(o.shares) / 1.5]
    print(right(clear, grouped=True))
    print("kind, of all that are blurred:", right(blurred))
    for low, high in ((1, 1.5), (1.5, 2), (2, 3), (3, 6), (6, 12.1)):
        chosen = [o for o in moved if low <= o.truth.length_px < high]
        print(f"  movement of {low:g} to {high:g} px:", right(chosen), end="; ")
        print("as movement:", right(chosen, grouped=True))
    print("\nprobability stated    frames   right   expected")
    stated = np.array([max(o.blur.probability.values()) for o in told])
    good = np.array([o.blur.kind == o.kind for o in told])
    for low, high in ((0.2, 0.6), (0.6, 0.8), (0.8, 0.95), (0.95, 0.99), (0.99, 1.01)):
        k = (stated >= low) & (stated < high)
        if k.any():
            print(
                f"{low:.2f} to {min(high, 1):.2f} {k.sum():>14} {good[k].mean():>8.3f} "
                f"{stated[k].mean():>9.3f}"
            )
    print("\nlength, movement of its own kind:")
    for low, high in ((1, 2), (2, 4), (4, 12.1), (1, 12.1)):
        chosen = [o for o in moved if o.blur.movement == o.kind and low <= o.truth.length_px < high]
        if not chosen:
            continue
        truth = np.array([o.truth.length_px for o in chosen])
        error = np.array([o.blur.length_px for o in chosen]) - truth
        std = np.array([o.blur.length_std_px for o in chosen])
        within = np.abs(error) <= np.maximum(0.05 * truth, 0.1)
        print(
            f"  {low:g} to {high:g} px: {len(chosen)} frames, within 5 % or 0.1 px "
            f"{100 * within.mean():.1f} %, rms error {np.sqrt(np.mean(error**2)):.3f} px, mean "
            f"{error.mean():+.3f}, coverage of 95 % "
            f"{100 * np.mean(np.abs(error) < 1.96 * std):.1f} %"
        )
    sharpest = [o for o in told if not o.truth.movement]
    error = np.array(
        [abs(o.blur.defocus_waves) - abs(o.truth.plane[0] + _centre(o)) for o in sharpest]
    )
    print(f"defocus without movement: rms error of its size {np.sqrt(np.mean(error**2)):.3f} waves")
    known = [o for o in moved if o.blur.is_axis_known]
    away = np.array([(o.blur.axis_deg - o.truth.axis_deg + 90) % 180 - 90 for o in known])
    print(f"axis stated as known in {len(known)} of {len(moved)}, ", end="")
    print(f"median error {np.median(np.abs(away)):.2f} deg, over 10 deg in {sum(abs(away) > 10)}")
    for kind in KINDS[2:]:
        chosen = [o for o in moved if o.blur.movement == o.kind == kind]
        z = [(o.blur.length_px - o.truth.length_px) / o.blur.length_std_px for o in chosen]
        if z:
            print(f"{kind}: error over its uncertainty, rms {np.sqrt(np.mean(np.square(z))):.2f}, ")
    chi = [o.blur.chi_square_per_degree for o in told]
    print(f"chi-square per degree: median {np.median(chi):.3f}, largest {max(chi):.3f}")


def _centre(o: Outcome) -> float:
    return float(np.dot(np.mean(_PLACES, axis=0), o.truth.plane[1:]))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="60 frames")
    parser.add_argument("--frames", type=int, default=300)
    parser.add_argument("--measured", action="store_true", help="edges placed by measure_edge")
    parser.add_argument("--first", type=int, default=0, help="first frame's seed")
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args()
    os.environ.update(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1")
    start = time.perf_counter()
    optics = fit_reference(stand_frames(6), DIFFRACTION_PX)
    print(f"reference of 6 frames, {time.perf_counter() - start:.1f} s: {optics}")
    print(f"truth: w040 {W040}, blur {RESIDUAL_PX} px")
    n = 60 if options.quick else options.frames
    cases = [(i, optics, options.measured) for i in range(options.first, options.first + n)]
    with ProcessPoolExecutor(options.workers, mp_context=get_context("spawn")) as pool:
        report(list(pool.map(outcome, cases, chunksize=4)))
    print_limit()


if __name__ == "__main__":
    main()
