"""Is the chart for a range of magnifications found wherever it must be?

    python -m tests.bench.register_study                   all frames, seven minutes
    python -m tests.bench.register_study --magnification 2 one fifth of them

One chart for 1x to 5x for each sensor, rendered at 1x, 2x, 3x, 4x and 5x (the true
magnification 1.3 % higher than the one stated) on sensors of 36 x 24 and 23.5 x 15.6 mm,
at f/5.6, in focus and four times the wave depth beyond, turned by 0, 90, 180 and 3
degrees, square to the axis and tilted by 2 degrees; pixels of 12 um, and a few frames
of 4.35 um. A tilt here defocuses; its perspective is in ``tests/edges``.

A frame fails if the chart is not found, if any edge placed is more than ``EDGE_LIMIT``
off its true line or bears another's name, if the magnification is more than 0.2 % off, or
if fewer than eight edges of a direction are placed. Square to the axis and in focus,
eight edges of each direction must also be measured, and in each corner (beyond half way
to both borders) one of each direction, at the centre one horizontal and one vertical.
"""

from __future__ import annotations

import argparse
import math
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from lab.edges.register import RegisteredEdge, Registration, register_field
from lab.edges.types import Rejection
from lab.frames.frame import Frame
from lab.optics.geometry import depth_of_field
from lab.session.measuring import CENTRE_RADIUS, measure_channel_edge
from lab.session.stops import exact_stop
from lab.simulate.render import render_frame
from lab.simulate.rig import SimulatedRig
from lab.simulate.truth import best_focus
from lab.threads import one_thread
from targets import Field, Layout, chart_sheet, nested_field, square_field

SENSORS_MM = ((36.0, 24.0), (23.5, 15.6))
MAGNIFICATIONS = (1.0, 2.0, 3.0, 4.0, 5.0)
TURNS_DEG = (0.0, 90.0, 180.0, 3.0)
DEPTHS = (0.0, 4.0)
TILTS_DEG = ((0.0, 0.0), (1.6, 1.2))  # 2 degrees in all
TRUE_OVER_STATED = 1.013
STOP = exact_stop(5.6)
CHANNEL = "green"
PITCH_UM, FINE_PITCH_UM = 12.0, 4.35
MAGNIFICATION_LIMIT = 0.002
EDGE_LIMIT = 0.03  # of the square's side, or 1.5 px where that is more
ENOUGH = 8
CORNERS = ("left upper", "left lower", "right upper", "right lower")
DIRECTIONS = ("horizontal", "vertical", "radial", "tangential")
PATTERN = np.array([[0, 1], [1, 2]], np.int8)


@dataclass(frozen=True, kw_only=True)
class Case:
    """One frame to render and register."""

    sensor_mm: tuple[float, float]
    magnification: float
    depths: float
    turn_deg: float
    tilt_deg: tuple[float, float]
    pitch_um: float = PITCH_UM

    def __str__(self) -> str:
        return (
            f"{self.sensor_mm[0]:g} mm {self.magnification:g}x {self.depths:g} depths "
            f"turn {self.turn_deg:g} tilt {math.hypot(*self.tilt_deg):g} {self.pitch_um:g} um"
        )


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What came of it; ``faults`` says what failed. Counts are by (place, direction)."""

    faults: tuple[str, ...]
    magnification_error: float = math.nan
    edge_error_px: float = math.nan
    placed: Counter[tuple[str, str]]
    measured: Counter[tuple[str, str]]
    seconds: float = math.nan


def cases() -> Iterator[Case]:
    """All frames of the study."""
    for sensor, m, depths, turn, tilt in product(
        SENSORS_MM, MAGNIFICATIONS, DEPTHS, TURNS_DEG, TILTS_DEG
    ):
        yield Case(sensor_mm=sensor, magnification=m, depths=depths, turn_deg=turn, tilt_deg=tilt)
    for m, depths, turn in ((1.0, 0.0, 3.0), (5.0, 0.0, 90.0), (3.0, 4.0, 180.0)):
        yield Case(
            sensor_mm=SENSORS_MM[1],
            magnification=m,
            depths=depths,
            turn_deg=turn,
            tilt_deg=TILTS_DEG[0],
            pitch_um=FINE_PITCH_UM,
        )


@lru_cache(maxsize=2)
def chart(sensor_mm: tuple[float, float]) -> Layout:
    """The sheet that serves a sensor from 1x to 5x."""
    field = nested_field(
        magnification_low=MAGNIFICATIONS[0],
        magnification_high=MAGNIFICATIONS[-1],
        sensor_width_mm=sensor_mm[0],
        sensor_height_mm=sensor_mm[1],
    )
    return chart_sheet([field], name="study")


@lru_cache(maxsize=8)
def _best_focus_um(rig: SimulatedRig, magnification: float) -> float:
    focus = best_focus(
        rig, magnification=magnification, stop=STOP, channel=CHANNEL, edge_angle_deg=6.0
    )
    return focus.shift_um / magnification**2


def shoot(case: Case, field: Field) -> tuple[Frame, SimulatedRig]:
    """The frame of a case, and the rig that took it."""
    n_cols, n_rows = (2 * int(mm * 1000 / case.pitch_um / 2) for mm in case.sensor_mm)
    m = case.magnification * TRUE_OVER_STATED
    square_on = SimulatedRig(
        n_rows=n_rows, n_cols=n_cols, pixel_pitch_um=case.pitch_um, tilt_x_deg=0.0, tilt_y_deg=0.0
    )
    rig = SimulatedRig(
        n_rows=n_rows,
        n_cols=n_cols,
        pixel_pitch_um=case.pitch_um,
        tilt_x_deg=case.tilt_deg[0],
        tilt_y_deg=case.tilt_deg[1],
        rotation_deg=case.turn_deg,
    )
    wave_um, _ = depth_of_field(
        rig.effective_f_number(m, STOP),
        m,
        wavelength_um=rig.band(CHANNEL).mean_um,
        circle_um=case.pitch_um,
    )
    raw = render_frame(
        rig,
        field,
        magnification=m,
        stop=STOP,
        focus_offset_object_um=_best_focus_um(square_on, m) + case.depths * float(wave_um),
        rng=np.random.default_rng(5),
    )
    frame = Frame(
        path=Path("invented.dng"),
        pixels=raw.astype(np.float32) - rig.black_dn,
        pattern=PATTERN,
        saturated=raw >= rig.white_dn,
        white_dn=float(rig.white_dn - rig.black_dn),
    )
    return frame, rig


def place(edge: RegisteredEdge, shape: tuple[int, int]) -> str:
    """Where an edge lies: at the "centre", in one of ``CORNERS``, or "between"."""
    if math.hypot(edge.field_x, edge.field_y) <= CENTRE_RADIUS:
        return "centre"
    diagonal = math.hypot(*shape)
    across = edge.field_x * diagonal / shape[1]
    down = edge.field_y * diagonal / shape[0]
    if min(abs(across), abs(down)) <= 0.5:
        return "between"
    return f"{'right' if across > 0 else 'left'} {'lower' if down > 0 else 'upper'}"


def edge_errors(
    found: Registration, field: Field, rig: SimulatedRig, magnification: float
) -> tuple[float, bool]:
    """Largest distance [px] of an edge from its true line; is any too far off or turned?"""
    turn = math.radians(rig.rotation_deg)
    px_per_mm = magnification * 1000 / rig.pixel_pitch_um
    rows = px_per_mm * np.array(
        [[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]]
    )
    middle = np.array([rig.n_cols - 1, rig.n_rows - 1]) / 2 + rig.centre_shift_px
    truth = {
        (square.name, edge.name): np.array([edge.start_mm, edge.end_mm]) @ rows + middle
        for square in field.squares
        for edge in square.edges()
    }
    worst, is_off = 0.0, False
    for edge in found.edges:
        start, end = truth[edge.square, edge.edge]
        side = float(np.hypot(*(end - start)))
        outward = np.array([end[1] - start[1], start[0] - end[0]]) / side
        at = np.array([edge.region.centre_col, edge.region.centre_row])
        error = abs(float((at - start) @ outward))
        angle = math.radians(edge.region.angle_deg)
        agrees = outward @ (math.cos(angle), math.sin(angle)) > math.cos(math.radians(1.0))
        is_off |= error > max(EDGE_LIMIT * side, 1.5) or not agrees
        worst = max(worst, error)
    return worst, is_off


def measured_counts(frame: Frame, found: Registration) -> Counter[tuple[str, str]]:
    """Edges measured in green: all at the centre and in corners, between until enough."""
    count: Counter[tuple[str, str]] = Counter()
    for edge in sorted(found.edges, key=lambda e: place(e, frame.shape) == "between"):
        where = place(edge, frame.shape)
        total = sum(count[other] for other in count if other[1] == edge.direction)
        if where != "between" or total < ENOUGH:
            record = measure_channel_edge(frame, edge, CHANNEL, None)
            count[where, edge.direction] += record.status == "measured"
    return count


def outcome(case: Case) -> Outcome:
    """Render, register and count one frame."""
    layout = chart(case.sensor_mm)
    field = layout.field_for(case.magnification)
    frame, rig = shoot(case, layout.fields[0].view(case.magnification))
    start = time.process_time()
    found = register_field(
        frame, field, magnification=case.magnification, pixel_pitch_um=case.pitch_um
    )
    seconds = time.process_time() - start
    none: Counter[tuple[str, str]] = Counter()
    if isinstance(found, Rejection):
        return Outcome(faults=(found.reason,), placed=none, measured=none, seconds=seconds)
    true_magnification = case.magnification * TRUE_OVER_STATED
    error = found.measured_magnification / true_magnification - 1
    worst_px, is_off = edge_errors(found, field, rig, true_magnification)
    placed = Counter((place(e, frame.shape), e.direction) for e in found.edges)
    faults = []
    if is_off:
        faults.append(f"an edge is {worst_px:.1f} px off, or bears a wrong name")
    if abs(error) > MAGNIFICATION_LIMIT:
        faults.append(f"the magnification is {100 * error:.2f} % off")
    faults += _too_few(placed, "placed")
    measured = none
    if case.depths == 0 and case.tilt_deg == (0.0, 0.0):
        measured = measured_counts(frame, found)
        faults += _too_few(measured, "measured")
        asked = [*product(CORNERS, DIRECTIONS), *product(["centre"], DIRECTIONS[:2])]
        faults += [f"no {way} edge measured {at}" for at, way in asked if not measured[at, way]]
    return Outcome(
        faults=tuple(faults),
        magnification_error=error,
        edge_error_px=worst_px,
        placed=placed,
        measured=measured,
        seconds=seconds,
    )


def _too_few(count: Counter[tuple[str, str]], what: str) -> list[str]:
    total = by_direction(count)
    return [f"{total[d]} {d} edges {what}" for d in DIRECTIONS if total[d] < ENOUGH]


def by_direction(count: Counter[tuple[str, str]]) -> Counter[str]:
    """Edges of each direction, all places together."""
    total: Counter[str] = Counter()
    for (_, direction), n in count.items():
        total[direction] += n
    return total


def seconds(field: Field) -> float:
    """Time of the registration of a field at 2x, 24 megapixels."""
    case = Case(
        sensor_mm=SENSORS_MM[0],
        magnification=2.0,
        depths=0.0,
        turn_deg=3.0,
        tilt_deg=TILTS_DEG[0],
        pitch_um=6.0,
    )
    frame, _ = shoot(case, field)
    times = []
    for _ in range(5):
        start = time.process_time()
        found = register_field(
            frame, field, magnification=case.magnification, pixel_pitch_um=case.pitch_um
        )
        times.append(time.process_time() - start)
        assert isinstance(found, Registration), found
    return min(times)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--magnification", type=float, help="only frames at this one")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    chosen = [case for case in cases() if options.magnification in (None, case.magnification)]
    context = get_context("spawn")
    with one_thread(), ProcessPoolExecutor(options.workers, mp_context=context) as pool:
        outcomes = list(pool.map(outcome, chosen))
    failed = 0
    for case, result in zip(chosen, outcomes, strict=True):
        if result.faults:
            failed += 1
            print(f"{case}: {'; '.join(result.faults)}")
    print(f"{len(chosen)} frames, {failed} failed")
    found = [r for r in outcomes if r.placed]
    print(f"magnification: worst {100 * max(abs(r.magnification_error) for r in found):.4f} % off")
    print(f"edges: worst {max(r.edge_error_px for r in found):.2f} px off their true line")
    print(f"time: worst {max(r.seconds for r in outcomes):.2f} s of processor")
    print(f"{'sensor':>7} {'m':>3}  fewest edges placed, then measured, and in a corner")
    for sensor, m in product(SENSORS_MM, MAGNIFICATIONS):
        here = [
            r
            for c, r in zip(chosen, outcomes, strict=True)
            if (c.sensor_mm, c.magnification) == (sensor, m) and r.placed
        ]
        if here:
            print(f"{sensor[0]:>7g} {m:>3g}  {_fewest(here)}")
    width_mm, height_mm = SENSORS_MM[0]
    one = square_field(magnification=2.0, sensor_width_mm=width_mm, sensor_height_mm=height_mm)
    fixed, nested = seconds(one), seconds(chart(SENSORS_MM[0]).field_for(2.0))
    print(f"24 megapixels: {nested:.2f} s, a chart for one magnification {fixed:.2f} s")


def _fewest(results: list[Outcome]) -> str:
    parts = []
    for way in DIRECTIONS:
        measured = [r.measured for r in results if r.measured]
        corners = [count[at, way] for count in measured for at in CORNERS]
        numbers = (
            min(by_direction(r.placed)[way] for r in results),
            min((by_direction(count)[way] for count in measured), default=0),
            min(corners, default=0),
        )
        parts.append(f"{way} {numbers[0]} {numbers[1]} {numbers[2]}")
    return ", ".join(parts)


if __name__ == "__main__":
    main()
