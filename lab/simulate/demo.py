"""Writes a whole session that nobody shot: raw files, chart, session.toml and the truth.

A fictional club that photographs mineral micromounts tests a reversed enlarger lens
at three magnifications. The lens has spherical aberration: it is soft wide open, and
diffraction softens it stopped down, so that there is a best stop in between and best
focus moves with the stop. Names, figures and times are invented.

The photographer refocuses at each stop on the taking aperture, to within half a step,
then moves the rail by even steps through focus. Exposure wanders by a few percent from
frame to frame, as flash does. Then follow the trials of ``lab.simulate.demo_trials``.

The same seed gives the same bytes, however many workers share the job.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from lab.frames.dng import write_dng
from lab.frames.frame import FrameMetadata
from lab.session.stops import exact_stop
from lab.simulate.demo_trials import (
    CLUB_TRIALS,
    DemoTrial,
    TrialShot,
    draw_trial,
    trial_toml,
    true_trial,
)
from lab.simulate.render import render_frame
from lab.simulate.rig import SimulatedRig
from lab.simulate.truth import (
    TRUTH_NAME,
    SimulatedTruth,
    TruePoint,
    TrueSeries,
    TrueTrial,
    best_focus,
    true_optimum_stop,
    write_truth,
)
from lab.threads import one_thread
from targets.chart import chart_sheet, square_field
from targets.layout import Field, write_layout

__all__ = ["DemoPlan", "DemoSeries", "write_demo_session"]

_CHANNEL = "green"
_FIRST_SHOT = datetime(2024, 11, 16, 14, 7, 31)
_FIRST_OF_TRIALS = datetime(2024, 11, 17, 10, 22, 5)
_EXPOSURE_SPREAD = 0.06  # of a frame's exposure, either way


@dataclass(frozen=True, kw_only=True)
class DemoSeries:
    """One magnification: nominal, as the rig really stood, and the rail's step [um]."""

    magnification: float
    true_magnification: float
    focus_step_um: float


@dataclass(frozen=True, kw_only=True)
class DemoPlan:
    """What is shot. A step is about 0.15 um of defocus (path length) at the widest stop.

    The club's own plan has the trials ``CLUB_TRIALS`` too; lists may be empty.
    """

    rig: SimulatedRig = field(default_factory=SimulatedRig)
    stops: tuple[float, ...] = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
    frames_per_stop: int = 7
    series: tuple[DemoSeries, ...] = (
        DemoSeries(magnification=1.0, true_magnification=1.003, focus_step_um=40.0),
        DemoSeries(magnification=2.0, true_magnification=1.991, focus_step_um=25.0),
        DemoSeries(magnification=3.0, true_magnification=3.012, focus_step_um=20.0),
    )
    trials: tuple[DemoTrial, ...] = ()


@dataclass(frozen=True, kw_only=True)
class _Drawn:
    """A trial, its place among series and trials, what is shot and the names of the files."""

    trial: DemoTrial
    number: int
    shots: tuple[TrialShot, ...]
    files: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class _Shot:
    """One frame to render and write: all that a worker process needs to know."""

    path: Path
    rig: SimulatedRig
    magnification: float  # that the field was made for
    true_magnification: float
    stop: float
    focus_offset_object_um: float
    seed: tuple[int, ...]
    metadata: FrameMetadata


def write_demo_session(
    folder: Path,
    *,
    seed: int,
    workers: int,
    progress: Callable[[int, int], None] | None = None,
    plan: DemoPlan | None = None,
) -> SimulatedTruth:
    """Write the session and return the truth that is also in ``truth.json``.

    Parameters
    ----------
    folder : Path
        Made if missing; files of an earlier demo in it are replaced.
    seed : int
        >= 0
    workers : int
        Processes to share the job; 1 works in this one.
    progress : callable, optional
        Called with (frames written, frames in all) after each.
    plan : DemoPlan, optional
        None shoots the club's 182 frames, 56 of them in trials.

    Raises
    ------
    ValueError
        If seed or workers is out of range.
    OSError
        If a file cannot be written.
    """
    if not (seed >= 0 and workers >= 1):
        raise ValueError("seed must be >= 0 and workers >= 1")
    plan = DemoPlan(trials=CLUB_TRIALS) if plan is None else plan
    for name in (*map(_subfolder, plan.series), *(trial.folder for trial in plan.trials)):
        (folder / "frames" / name).mkdir(parents=True, exist_ok=True)
    (folder / "session.toml").write_text(_session_toml(plan), encoding="utf-8")
    magnifications = {one.magnification for one in plan.series}
    magnifications |= {one.magnification for one in plan.trials}
    fields = [_field(_sensor_mm(plan.rig), m) for m in sorted(magnifications)]
    write_layout(chart_sheet(fields, name="Micromount club"), folder / "target.json")
    drawn = _drawn_trials(plan, seed)
    with _task_map(workers) as task_map:
        truth = SimulatedTruth(
            seed=seed,
            channel=_CHANNEL,
            pupil_ratio=plan.rig.pupil_ratio,
            series=tuple(task_map(_true_series, [(plan, one) for one in plan.series])),
            trials=tuple(task_map(_true_trial, [(plan, one) for one in drawn])),
        )
        write_truth(truth, folder / TRUTH_NAME)
        shots = [*_shots(plan, truth, folder, seed), *_trial_shots(plan, truth, drawn, folder)]
        for done, _ in enumerate(task_map(_write_shot, shots), start=1):
            if progress is not None:
                progress(done, len(shots))
    return truth


def _subfolder(series: DemoSeries) -> str:
    return f"{series.magnification:g}x"


def _sensor_mm(rig: SimulatedRig) -> tuple[float, float]:
    """Width and height."""
    pitch_mm = rig.pixel_pitch_um / 1000
    return rig.n_cols * pitch_mm, rig.n_rows * pitch_mm


@lru_cache(maxsize=4)  # a worker meets the same field again and again
def _field(sensor_mm: tuple[float, float], magnification: float) -> Field:
    width_mm, height_mm = sensor_mm
    return square_field(
        magnification=magnification, sensor_width_mm=width_mm, sensor_height_mm=height_mm
    )


@contextmanager
def _task_map(workers: int) -> Iterator[Callable[[Callable[[Any], Any], Any], Iterable[Any]]]:
    """``map`` over this process or over a pool of fresh ones with one thread each."""
    if workers == 1:
        yield map
        return
    with one_thread(), ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        try:
            yield pool.map
        except BaseException:  # an interrupt too must not wait for the frames still queued
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _centre_angle_deg(rig: SimulatedRig, magnification: float) -> float:
    """Of an edge's normal at the field's centre."""
    squares = _field(_sensor_mm(rig), magnification).squares
    centre = min(squares, key=lambda square: np.hypot(*square.centre_mm))
    return centre.rotation_deg + rig.rotation_deg


def _true_series(task: tuple[DemoPlan, DemoSeries]) -> TrueSeries:
    plan, series = task
    rig, magnification = plan.rig, series.true_magnification
    edge_angle_deg = _centre_angle_deg(rig, series.magnification)
    points = []
    for marked in plan.stops:
        stop = exact_stop(marked)
        focus = best_focus(
            rig,
            magnification=magnification,
            stop=stop,
            channel=_CHANNEL,
            edge_angle_deg=edge_angle_deg,
        )
        points.append(
            TruePoint(
                marked_stop=marked,
                exact_stop=stop,
                effective_f_number=rig.effective_f_number(magnification, stop),
                mtf50_image_cyc_per_mm=focus.mtf50_cyc_per_mm,
                best_focus_object_um=focus.shift_um / magnification**2,
            )
        )
    optimum = true_optimum_stop(
        rig,
        magnification=magnification,
        narrowest_stop=exact_stop(max(plan.stops)),
        channel=_CHANNEL,
        edge_angle_deg=edge_angle_deg,
    )
    return TrueSeries(
        magnification=series.magnification,
        true_magnification=magnification,
        points=tuple(points),
        optimum_stop=optimum.stop,
        optimum_mtf50_image_cyc_per_mm=optimum.mtf50_cyc_per_mm,
    )


def _shots(plan: DemoPlan, truth: SimulatedTruth, folder: Path, seed: int) -> Iterator[_Shot]:
    """Every frame in the order it is taken."""
    rng = np.random.default_rng(seed)
    at = _FIRST_SHOT
    number = 0
    for i, (series, true) in enumerate(zip(plan.series, truth.series, strict=True)):
        for j, point in enumerate(true.points):
            first = rng.uniform(-0.5, 0.5) - (plan.frames_per_stop - 1) / 2
            for k in range(plan.frames_per_stop):
                number += 1
                at += timedelta(seconds=round(rng.uniform(6, 11), 2))
                exposure = _exposure(plan.rig, rng)
                yield _Shot(
                    path=folder / "frames" / _subfolder(series) / f"IMG_{number:04d}.dng",
                    rig=replace(plan.rig, exposure=exposure),
                    magnification=series.magnification,
                    true_magnification=series.true_magnification,
                    stop=point.exact_stop,
                    focus_offset_object_um=point.best_focus_object_um
                    + (first + k) * series.focus_step_um,
                    seed=(seed, i, j, k),
                    metadata=_metadata(plan.rig, at, 1 / 125),
                )
            at += timedelta(seconds=45)
        at += timedelta(minutes=20)


def _exposure(rig: SimulatedRig, rng: np.random.Generator) -> float:
    return rig.exposure * (1 + _EXPOSURE_SPREAD * rng.uniform(-1, 1))


def _metadata(rig: SimulatedRig, at: datetime, exposure_s: float) -> FrameMetadata:
    return FrameMetadata(
        camera=rig.body_name,
        exposure_s=exposure_s,
        iso=100,
        captured_at=f"{at:%Y:%m:%d %H:%M:%S}.{at.microsecond // 10_000:02d}",
    )


def _drawn_trials(plan: DemoPlan, seed: int) -> list[_Drawn]:
    number = len(plan.series) * len(plan.stops) * plan.frames_per_stop
    drawn = []
    for i, trial in enumerate(plan.trials, start=len(plan.series)):
        rng = np.random.default_rng((seed, i))
        shots = draw_trial(trial, plan.rig, rng)
        files = tuple(f"{trial.folder}/IMG_{number + k:04d}.dng" for k in range(1, len(shots) + 1))
        number += len(shots)
        drawn.append(_Drawn(trial=trial, number=i, shots=shots, files=files))
    return drawn


def _true_trial(task: tuple[DemoPlan, _Drawn]) -> TrueTrial:
    plan, drawn = task
    return true_trial(
        drawn.trial,
        plan.rig,
        drawn.shots,
        drawn.files,
        channel=_CHANNEL,
        edge_angle_deg=_centre_angle_deg(plan.rig, drawn.trial.magnification),
    )


def _trial_shots(
    plan: DemoPlan, truth: SimulatedTruth, drawn: list[_Drawn], folder: Path
) -> Iterator[_Shot]:
    """Every frame of the trials in the order it is taken, all about best focus."""
    at = _FIRST_OF_TRIALS
    for one, true in zip(drawn, truth.trials, strict=True):
        rng = np.random.default_rng((truth.seed, one.number, 1))
        for k, (shot, file) in enumerate(zip(one.shots, one.files, strict=True)):
            at += timedelta(seconds=round(rng.uniform(6, 11), 2))
            rig = shot.rig(plan.rig)
            yield _Shot(
                path=folder / "frames" / file,
                rig=replace(rig, exposure=_exposure(rig, rng)),
                magnification=one.trial.magnification,
                true_magnification=one.trial.true_magnification,
                stop=exact_stop(one.trial.stop),
                focus_offset_object_um=true.best_focus_object_um + shot.hand.focus_offset_object_um,
                seed=(truth.seed, one.number, k, 0),
                metadata=_metadata(rig, at, shot.condition.exposure_s),
            )
        at += timedelta(minutes=20)


def _write_shot(shot: _Shot) -> None:
    mosaic = render_frame(
        shot.rig,
        _field(_sensor_mm(shot.rig), shot.magnification),
        magnification=shot.true_magnification,
        stop=shot.stop,
        focus_offset_object_um=shot.focus_offset_object_um,
        rng=np.random.default_rng(shot.seed),
    )
    write_dng(
        shot.path,
        mosaic,
        pattern="RGGB",
        black_dn=shot.rig.black_dn,
        white_dn=shot.rig.white_dn,
        bits=shot.rig.bits,
        metadata=shot.metadata,
        unique_camera_model=shot.rig.body_name,
    )


def _session_toml(plan: DemoPlan) -> str:
    rig = plan.rig
    width_mm, height_mm = _sensor_mm(rig)
    red_um, green_um, blue_um = rig.wavelength_um
    stops = ", ".join(f"{stop:g}" for stop in plan.stops)
    text = f'''# An invented session, rendered and not shot. Its truth is in truth.json.
[session]
name = "Mineral micromounts: which stop?"

[body]
name = "{rig.body_name}"
pixel_pitch_um = {rig.pixel_pitch_um!r}
sensor_mm = [{width_mm:.6g}, {height_mm:.6g}]

[lens]
name = "{rig.lens_name}"
focal_length_mm = {rig.focal_length_mm:g}
pupil_ratio = {rig.pupil_ratio!r}  # exit over entrance pupil, by ruler from both ends
exif_f_number = "absent"  # a manual lens tells the camera nothing

[light]
wavelength_um = {{ red = {red_um!r}, green = {green_um!r}, blue = {blue_um!r} }}

[target]
layout = "target.json"
'''
    for series in plan.series:
        text += f'''
[[series]]
magnification = {series.magnification!r}
stops = [{stops}]
frames_per_stop = {plan.frames_per_stop}
focus_step_um = {series.focus_step_um!r}
frames = "{_subfolder(series)}/*.dng"
light = "flash"
'''
    return text + "".join(map(trial_toml, plan.trials))
