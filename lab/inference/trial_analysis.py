"""What does a trial say: keepers, kinds of blur, hand speed, and do conditions differ?

Sharpness is judged by the reference condition's median. Speeds come from the movement of
frames whose exposure is known; what they predict for another condition is set beside what
was measured there. Every pair of conditions is tested twice, by keepers and by medians,
and all tests of a trial are corrected together.

Left out: drawing and wording; the optics of movement (``lab.optics.shutter``).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from lab.edges.types import FloatArray, Rejection
from lab.errors import SessionError
from lab.inference.centre import CHANNEL, mean_curve
from lab.inference.frame_blur import FrameBlur, Optics, fit_reference, frame_blur
from lab.inference.permutation import median, median_interval
from lab.inference.proportions import frames_for_one, frames_for_one_interval, wilson
from lab.inference.trial_differences import frame_values, pair_differences
from lab.inference.trial_frames import Sharpness, profile_edges, sharpness, step_dn
from lab.inference.trial_records import (
    ShutterCurve,
    TrialCondition,
    TrialFrame,
    TrialResult,
)
from lab.optics.geometry import effective_f_number
from lab.optics.shutter import Flash, StillImage, of_still, slowest_safe_s
from lab.optics.system import channel_band, crossing
from lab.session.config import Series, SessionConfig
from lab.session.draft import Assignment
from lab.session.records import FrameRecord
from lab.session.stops import exact_stop
from lab.session.trial_config import Condition, Trial

__all__ = ["TrialStill", "analyse_trial", "trial_still"]

_FLASH_ALONE = 0.005  # of ambient light: less leaves no trail that shows
_MOVED = 2.0  # standard uncertainties of its length: less is no movement that shows
_SPEED_SHARE = 0.9  # of the frames that the faster of two stated speeds covers
_CURVE_S = np.geomspace(1 / 8000, 1.0, 120)
_REFERENCE_FRAMES = 8  # the sharpest ones tell the optics; more would only cost time


@dataclass(frozen=True)
class _Shot:
    """A frame with what is worked out of it."""

    record: FrameRecord
    figure: Sharpness | None
    blur: FrameBlur | None
    step_dn: float | None


@dataclass(frozen=True)
class _Rig:
    """Scale and optics of the trial."""

    magnification: float
    pitch_um: float
    f_number: float
    diffraction_px: float

    @property
    def per_mm(self) -> float:
        return 1e3 / self.pitch_um


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialStill:
    """What the trial's lens shows when nothing moves, as its shutter times are found with it.

    ``magnification`` [-] is as measured, ``effective_f_number`` [-] follows from it, and
    ``image`` is the mean curve of the reference's sharpest frame.
    """

    magnification: float
    effective_f_number: float
    image: StillImage


def trial_still(
    config: SessionConfig, frames: Sequence[FrameRecord], series: Series
) -> TrialStill | None:
    """The still image that ``analyse_trial`` sets movement against.

    Parameters
    ----------
    config, frames, series : as for ``analyse_trial``

    Returns
    -------
    TrialStill or None
        None where no frame of the reference holds more than half of the contrast.

    Raises
    ------
    ValueError
        If the series is no trial.
    """
    trial = series.trial
    if trial is None:
        raise ValueError("the series is no trial")
    here = _of_trial(frames, trial)
    rig = _rig(config, series, here)
    still = _still(_sharpest([_shot(f) for f in here if f.condition == trial.reference]), rig)
    if still is None:
        return None
    return TrialStill(magnification=rig.magnification, effective_f_number=rig.f_number, image=still)


def analyse_trial(
    config: SessionConfig,
    assignment: Assignment,
    frames: Sequence[FrameRecord],
    series: Series,
    *,
    loss_percent: float = 10.0,
) -> TrialResult:
    """Turn a trial's measured frames into its result.

    Parameters
    ----------
    config : SessionConfig
    assignment : Assignment
        For the exposure times that the camera wrote.
    frames : sequence of FrameRecord
        Of the session; those of other trials and of brackets are passed over.
    series : Series
        One of ``config.trials``.
    loss_percent : float
        Permitted loss of MTF50, against the reference's median, of a keeper. [%],
        0 < loss < 100

    Returns
    -------
    TrialResult

    Raises
    ------
    SessionError
        If no frame of the reference condition could be measured.
    ValueError
        If loss_percent is outside its range or the series is no trial.
    """
    trial = series.trial
    if trial is None:
        raise ValueError("the series is no trial")
    if not 0 < loss_percent < 100:
        raise ValueError("loss_percent must lie between 0 and 100")
    here = _of_trial(frames, trial)
    rig = _rig(config, series, here)
    shots = [_shot(f) for f in here]
    of = {name: [s for s in shots if s.record.condition == name] for name in trial.names}
    standard = [s.figure.softer for s in of[trial.reference] if s.figure is not None]
    if not standard:
        raise SessionError(
            f"Trial {trial.name}: no frame of the reference condition ({trial.reference}) could be "
            "measured, and sharpness is judged by it. Shoot it again, or name another as "
            "reference in session.toml."
        )
    limit = (1 - loss_percent / 100) * float(np.median(standard))
    optics, still = _optics(of[trial.reference], rig)
    if optics is not None:
        of = {name: [_with_blur(s, optics) for s in some] for name, some in of.items()}
    exposures = _exposures(trial, assignment)
    shares = {c.name: _ambient_share(c, of) for c in trial.conditions}
    tables = {
        c.name: [
            _frame(
                s,
                rig,
                float(np.median(standard)),
                limit,
                None
                if c.name == trial.reference  # it stands still
                else _duration(c, exposures[c.name], shares[c.name]),
            )
            for s in of[c.name]
        ]
        for c in trial.conditions
    }
    speeds = {name: _speeds(some) for name, some in tables.items()}
    source = _speed_source(trial, exposures, speeds)
    conditions = [
        _condition(
            c,
            tables[c.name],
            exposures[c.name],
            shares[c.name],
            speeds[c.name],
            _predicted(c, exposures[c.name], shares[c.name], rig, still, source, speeds)
            if c.name != trial.reference
            else None,
            float(np.median(standard)) * rig.per_mm,
        )
        for c in trial.conditions
        if tables[c.name]
    ]
    notes = []
    if optics is None:
        notes.append(
            "The reference's frames do not give the optics (too few edges of both directions): "
            "kinds and lengths of blur are not known."
        )
    return TrialResult(
        name=trial.name,
        magnification=series.magnification,
        marked_stop=series.stops[0],
        effective_f_number=rig.f_number,
        pixel_pitch_um=rig.pitch_um,
        reference=trial.reference,
        loss_percent=loss_percent,
        limit_mtf50_image_cyc_per_mm=limit * rig.per_mm,
        frames=tuple(frame for c in trial.names for frame in tables[c]),
        conditions=tuple(conditions),
        differences=pair_differences(conditions, tables),
        curves=_curves(trial, rig, still, source, speeds, shares, loss_percent),
        notes=tuple(notes),
    )


def _of_trial(frames: Sequence[FrameRecord], trial: Trial) -> list[FrameRecord]:
    return [f for f in frames if f.trial == trial.name and f.status in ("measured", "rejected")]


def _shot(record: FrameRecord) -> _Shot:
    return _Shot(record, sharpness(record.edges), None, step_dn(record))


def _rig(config: SessionConfig, series: Series, frames: Sequence[FrameRecord]) -> _Rig:
    found = [f.measured_magnification for f in frames if f.measured_magnification is not None]
    m = float(np.median(found)) if found else series.magnification
    n = float(effective_f_number(exact_stop(series.stops[0]), m, config.lens.pupil_ratio or 1.0))
    wavelength_um = channel_band(config.light.wavelength_um[CHANNEL]).mean_um
    pitch = config.body.pixel_pitch_um
    return _Rig(m, pitch, n, wavelength_um * n / pitch)


def _sharpest(shots: Sequence[_Shot]) -> list[_Shot]:
    measured = (s for s in shots if s.figure is not None)
    return sorted(measured, key=lambda s: -(s.figure or _NONE).softer)[:_REFERENCE_FRAMES]


def _optics(shots: Sequence[_Shot], rig: _Rig) -> tuple[Optics | None, StillImage | None]:
    """What the lens does when nothing moves, from the reference's sharpest frames."""
    sharp = _sharpest(shots)
    edges = [profile_edges(s.record) for s in sharp]
    optics = fit_reference([e for e in edges if e], rig.diffraction_px) if any(edges) else None
    return None if isinstance(optics, Rejection) else optics, _still(sharp, rig)


def _still(sharp: Sequence[_Shot], rig: _Rig) -> StillImage | None:
    """Mean curve of the sharpest frame."""
    if not sharp:
        return None
    f, mtf, _ = mean_curve([e for e in sharp[0].record.edges if e.status == "measured"])

    def transfer(frequency: FloatArray) -> FloatArray:
        return np.asarray(np.interp(frequency / rig.per_mm, f, mtf))

    half = crossing(transfer, 0.5, float(f[-1]) * rig.per_mm)
    return None if half is None else StillImage(transfer=transfer, mtf50_cyc_per_mm=half)


_NONE = Sharpness(best_edge=0.0, softer=0.0, softer_std=0.0)


def _with_blur(shot: _Shot, optics: Optics) -> _Shot:
    edges = profile_edges(shot.record)
    found = frame_blur(edges, optics) if edges else None
    return shot if found is None or isinstance(found, Rejection) else replace(shot, blur=found)


def _exposures(trial: Trial, assignment: Assignment) -> dict[str, float | None]:
    """Shutter time of each condition: stated, or the most frequent one that the camera wrote."""
    times: dict[str, float | None] = {}
    for condition in trial.conditions:
        written = Counter(
            f.exposure_s
            for f in assignment.frames
            if (f.trial, f.condition) == (trial.name, condition.name) and f.exposure_s
        )
        usual = written.most_common(1)[0][0] if written else None
        times[condition.name] = condition.exposure_s or usual
    return times


def _duration(condition: Condition, exposure_s: float | None, share: float | None) -> float | None:
    """How long a frame's movement lasts: the flash where there is one, else the shutter.

    Not known where flash and ambient light both make the picture: the trail that ambient
    light leaves is no movement in the flash.
    """
    if condition.flash_t01_s is None:
        return exposure_s
    return condition.flash_t01_s if share is not None and share < _FLASH_ALONE else None


def _ambient_share(condition: Condition, of: Mapping[str, Sequence[_Shot]]) -> float | None:
    if condition.ambient is None:
        return condition.ambient_share
    both = [s.step_dn for s in of[condition.name] if s.step_dn]
    alone = [s.step_dn for s in of[condition.ambient] if s.step_dn]
    if not both or not alone:
        return None
    return min(1.0, max(0.0, float(np.median(alone) / np.median(both))))


def _frame(
    shot: _Shot, rig: _Rig, standard: float, limit: float, duration_s: float | None
) -> TrialFrame:
    record, figure, blur = shot.record, shot.figure, shot.blur
    is_moved = blur is not None and blur.length_px > _MOVED * blur.length_std_px
    length_um = None if blur is None else blur.length_px * rig.pitch_um
    moved_um = None if length_um is None else length_um / rig.magnification
    known = figure is not None
    return TrialFrame(
        file=record.file,
        condition=record.condition,
        status="measured" if known else "rejected",
        reason="" if known else record.reason or "no square shows edges of two directions",
        best_edge_mtf50_image_cyc_per_mm=figure.best_edge * rig.per_mm if figure else None,
        mtf50_image_cyc_per_mm=figure.softer * rig.per_mm if figure else None,
        mtf50_std=figure.softer_std * rig.per_mm if figure else None,
        of_reference=figure.softer / standard if figure else None,
        is_keeper=figure is not None and figure.softer >= limit,
        kind=None if blur is None else blur.kind,
        probability={} if blur is None else dict(blur.probability),
        axis_deg=blur.axis_deg if blur is not None and blur.is_axis_known else None,
        length_px=None if blur is None else blur.length_px,
        length_std_px=None if blur is None else blur.length_std_px,
        length_image_um=length_um,
        length_object_um=moved_um,
        speed_object_um_per_s=None
        if moved_um is None or duration_s is None
        else moved_um / duration_s
        if is_moved
        else 0.0,
        defocus_waves=None if blur is None else blur.defocus_waves,
        flags=record.flags,
    )


def _speeds(frames: Sequence[TrialFrame]) -> FloatArray:
    return np.array(
        [f.speed_object_um_per_s for f in frames if f.speed_object_um_per_s is not None]
    )


def _quantile(speeds: FloatArray, share: float) -> float | None:
    """Speed that a share of the frames does not pass; None where these show no movement."""
    speed = float(np.quantile(speeds, share)) if speeds.size else 0.0
    return speed if speed > 0 else None


def _speed_source(
    trial: Trial, exposures: Mapping[str, float | None], speeds: Mapping[str, FloatArray]
) -> str | None:
    """The condition that shows the hand's speed best: the longest exposure without flash."""
    fit = [
        c
        for c in trial.conditions
        if c.name != trial.reference
        and c.flash_t01_s is None
        and exposures[c.name]
        and _quantile(speeds[c.name], 0.5)
    ]
    return max(fit, key=lambda c: exposures[c.name] or 0.0).name if fit else None


def _flash(condition: Condition, share: float | None) -> Flash | None:
    if condition.flash_t01_s is None:
        return None
    return Flash(t01_s=condition.flash_t01_s, ambient_share=share or 0.0)


def _predicted(
    condition: Condition,
    exposure_s: float | None,
    share: float | None,
    rig: _Rig,
    still: StillImage | None,
    source: str | None,
    speeds: Mapping[str, FloatArray],
) -> float | None:
    """Share of MTF50 that the median speed of another condition leaves here."""
    if source is None or still is None or exposure_s is None or condition.name == source:
        return None
    return float(
        of_still(
            still,
            exposure_s,
            magnification=rig.magnification,
            speed_um_per_s=float(np.median(speeds[source])),
            flash=_flash(condition, share),
        )
    )


def _condition(
    condition: Condition,
    frames: Sequence[TrialFrame],
    exposure_s: float | None,
    share: float | None,
    speeds: FloatArray,
    predicted: float | None,
    standard: float,
) -> TrialCondition:
    n, kept = len(frames), sum(f.is_keeper for f in frames)
    low, high = wilson(kept, n)
    values = frame_values(frames)
    middle, ends = median(values), median_interval(values)
    fewest, most = frames_for_one_interval(kept, n)
    return TrialCondition(
        name=condition.name,
        frames=n,
        measured=sum(f.status == "measured" for f in frames),
        keepers=kept,
        share=kept / n,
        share_low95=float(low),
        share_high95=float(high),
        median_mtf50_image_cyc_per_mm=middle,
        median_low95=ends[0],
        median_high95=ends[1],
        frames_for_one=frames_for_one(kept / n),
        frames_for_one_low95=fewest,
        frames_for_one_high95=most,
        kinds=dict(Counter(f.kind for f in frames if f.kind is not None)),
        exposure_s=exposure_s,
        flash_t01_s=condition.flash_t01_s,
        ambient_share=share,
        speed_median_um_per_s=_quantile(speeds, 0.5),
        speed_p90_um_per_s=_quantile(speeds, _SPEED_SHARE),
        predicted_of_reference=predicted,
        measured_of_reference=None if middle is None else middle / standard,
    )


def _curves(
    trial: Trial,
    rig: _Rig,
    still: StillImage | None,
    source: str | None,
    speeds: Mapping[str, FloatArray],
    shares: Mapping[str, float | None],
    loss_percent: float,
) -> tuple[ShutterCurve, ...]:
    """Sharpness kept against shutter time at the measured speeds, and with each flash."""
    if source is None or still is None:
        return ()
    median = float(np.median(speeds[source]))
    fast = float(np.quantile(speeds[source], _SPEED_SHARE))
    lights: list[tuple[str, float, Flash | None]] = [
        (f"half of the frames ({source})", median, None),
        (f"nine in ten frames ({source})", fast, None),
    ]
    for condition in trial.conditions:
        flash = _flash(condition, shares[condition.name])
        if flash is not None and condition.name != trial.reference:
            lights.append((f"half of the frames, {condition.name}", median, flash))
    out = []
    for label, speed, flash in lights:
        m = rig.magnification
        kept = of_still(still, _CURVE_S, magnification=m, speed_um_per_s=speed, flash=flash)
        out.append(
            ShutterCurve(
                label=label,
                speed_um_per_s=speed,
                time_s=tuple(_CURVE_S.tolist()),
                of_sharp=tuple(np.asarray(kept).tolist()),
                slowest_safe_s=slowest_safe_s(
                    still,
                    magnification=m,
                    speed_um_per_s=speed,
                    loss_percent=loss_percent,
                    flash=flash,
                ),
            )
        )
    return tuple(out)
