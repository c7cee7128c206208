"""From measured frames to a session's result: peaks, curves, optimum, cautions.

The figure of a stop is the through-focus peak of the green MTF50 at the field's
centre, the mean of both edge directions, lens and pixel together. The
prediction beside it is diffraction and pixel in the same channel's light.
"""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from importlib.metadata import version

import numpy as np

from lab.edges.types import FloatArray
from lab.inference.centre import CHANNEL, frame_mtf50, mean_curve
from lab.inference.colour import lateral_colour
from lab.inference.optimum import stop_curve
from lab.inference.results import ColourResult, FocusSample, SeriesResult, SessionResult, StopPoint
from lab.inference.through_focus import through_focus_peak
from lab.optics.geometry import effective_f_number
from lab.optics.sensor import pixel_mtf
from lab.optics.system import channel_band, diffraction_mtf, diffraction_mtf50
from lab.session.config import SessionConfig
from lab.session.draft import Problem
from lab.session.measuring import centre_edges
from lab.session.records import FrameRecord, bracketed
from lab.session.stops import exact_stop

__all__ = ["CHANNEL", "analyse_session"]

_EDGE_TILT_DEG = 6.0  # of the chart's edges; the pixel's aperture hardly depends on it
_ABOVE_DIFFRACTION = 1.02
_IMPOSSIBLE_PERCENT = 125.0  # of diffraction: no optimum is named beyond it
_MAGNIFICATION_OFF = 0.1
_SEED = 20  # redrawing points must give the same interval every time


class _Rig:
    """What the prediction needs of a session, per series."""

    def __init__(self, config: SessionConfig, magnification: float) -> None:
        self.pitch_um = config.body.pixel_pitch_um
        self.magnification = magnification
        self.pupil_ratio = config.lens.pupil_ratio or 1.0
        self.band = channel_band(config.light.wavelength_um[CHANNEL])
        per_px = magnification / self.pitch_um
        self.target_blur_px = config.target.edge_blur_um * per_px
        self.target_blur_std_px = config.target.edge_blur_std_um * per_px

    def effective(self, stop: float) -> float:
        return float(effective_f_number(stop, self.magnification, self.pupil_ratio))

    def diffraction_mtf50(self, stop: float) -> float:
        return diffraction_mtf50(
            wavelength_um=self.band,
            f_number=self.effective(stop),
            pixel_pitch_um=self.pitch_um,
            edge_angle_deg=_EDGE_TILT_DEG,
        )


def _common_target_std(rig: _Rig, mtf50: float, frequency: FloatArray, mtf: FloatArray) -> float:
    """What the doubt about the target's blur adds: it is the same in every frame.

    Dividing out a Gaussian of standard deviation sigma moves the MTF by
    ``mtf (2 pi f)**2 sigma`` times the error of sigma, and the crossing by that over
    the slope. In the unit of ``mtf50``, cycles per pixel.
    """
    if rig.target_blur_std_px == 0:
        return 0.0
    slope = float(np.interp(mtf50, frequency, np.gradient(mtf, frequency)))
    moved = 0.5 * (2 * math.pi * mtf50) ** 2 * rig.target_blur_px * rig.target_blur_std_px
    return moved / max(abs(slope), 1e-9)


def _point(
    stop: float, frames: Sequence[FrameRecord], rig: _Rig
) -> tuple[StopPoint | None, list[float]]:
    """One stop's peak, or None where no frame was measured there."""
    per_mm = 1e3 / rig.pitch_um
    samples = []
    for frame in frames:
        edges = centre_edges(frame.edges, CHANNEL) if frame.status == "measured" else []
        if edges:
            value, std = frame_mtf50(edges)
            samples.append((frame, edges, value * per_mm, std * per_mm))
    if not samples:
        return None, []
    peak = through_focus_peak(
        [frame.focus_position_um for frame, *_ in samples],
        [value for *_, value, _ in samples],
        [std for *_, std in samples],
    )
    exact = exact_stop(stop)
    predicted = rig.diffraction_mtf50(exact)
    effective = rig.effective(exact)
    sharpest = max(samples, key=lambda s: s[2])
    f, mtf, mtf_std = mean_curve(sharpest[1])
    common = per_mm * _common_target_std(rig, peak.mtf50 / per_mm, f, mtf)
    limit = diffraction_mtf(f * per_mm, wavelength_um=rig.band, f_number=effective) * pixel_mtf(
        f, _EDGE_TILT_DEG
    )
    flags = dict.fromkeys(peak.flags)
    if peak.mtf50_low95 > _ABOVE_DIFFRACTION * predicted:
        flags["sharper-than-diffraction"] = None
    flags.update(dict.fromkeys(flag for frame, *_ in samples for flag in frame.flags))
    point = StopPoint(
        marked_stop=stop,
        exact_stop=exact,
        effective_f_number=effective,
        mtf50_image_cyc_per_mm=peak.mtf50,
        mtf50_std=math.hypot(peak.mtf50_std, common),
        mtf50_low95=peak.mtf50 - math.hypot(peak.mtf50 - peak.mtf50_low95, 1.96 * common),
        mtf50_high95=peak.mtf50 + math.hypot(peak.mtf50_high95 - peak.mtf50, 1.96 * common),
        mtf50_object_cyc_per_mm=peak.mtf50 * rig.magnification,
        diffraction_mtf50_image_cyc_per_mm=predicted,
        percent_of_diffraction=100 * peak.mtf50 / predicted,
        best_focus_um=peak.best_focus_um,
        focus_curve_um=peak.curve_um,
        focus_curve_mtf50=peak.curve_mtf50,
        focus_samples=tuple(
            FocusSample(
                file=frame.file,
                focus_position_um=frame.focus_position_um,
                mtf50_image_cyc_per_mm=value,
                mtf50_std=std,
                used=used,
                flags=frame.flags,
            )
            for (frame, _, value, std), used in zip(samples, peak.used, strict=True)
        ),
        frequency_image_cyc_per_mm=tuple((f * per_mm).tolist()),
        mtf=tuple(mtf.tolist()),
        mtf_std=tuple(mtf_std.tolist()),
        diffraction_mtf=tuple(limit.tolist()),
        frames_measured=len(samples),
        frames_used=sum(peak.used),
        flags=tuple(flags),
    )
    sizes = [f.measured_magnification for f, *_ in samples if f.measured_magnification is not None]
    return point, sizes


def _series(
    config: SessionConfig,
    magnification: float,
    frames: Sequence[FrameRecord],
    loss_percent: float,
) -> SeriesResult:
    sizes: list[float] = []
    found = [f.measured_magnification for f in frames if f.measured_magnification is not None]
    measured = float(np.median(found)) if found else None
    rig = _Rig(config, magnification if measured is None else measured)
    stops = sorted({f.marked_stop for f in frames if f.marked_stop is not None})
    points = []
    for stop in stops:
        point, here = _point(stop, [f for f in frames if f.marked_stop == stop], rig)
        if point is not None:
            points.append(point)
            sizes += here
    size, size_std = None, None
    if sizes:
        size = float(np.mean(sizes))
        size_std = float(np.std(sizes, ddof=1) / math.sqrt(len(sizes))) if len(sizes) > 1 else None
    flags = []
    if size is not None and abs(size / magnification - 1) > _MAGNIFICATION_OFF:
        flags.append("magnification-off")
    series = SeriesResult(
        magnification=magnification,
        measured_magnification=size,
        measured_magnification_std=size_std,
        points=tuple(points),
        optimum_stop=None,
        optimum_low95=None,
        optimum_high95=None,
        optimum_mtf50_image_cyc_per_mm=None,
        deepest_sharp_stop=None,
        loss_percent=loss_percent,
        curve_stop=(),
        curve_mtf50_image_cyc_per_mm=(),
        curve_diffraction_mtf50_image_cyc_per_mm=(),
        flags=("too-few-stops", *flags),
    )
    if len(points) < 2:
        return series
    if max(p.percent_of_diffraction for p in points) > _IMPOSSIBLE_PERCENT:
        # Labels, scale or pupil ratio are wrong: whatever curve came out would be too.
        return replace(series, flags=("sharper-than-diffraction", *flags))
    curve = stop_curve(
        [p.exact_stop for p in points],
        [p.mtf50_image_cyc_per_mm for p in points],
        [p.mtf50_std for p in points],
        rig.diffraction_mtf50,
        loss_percent=loss_percent,
        rng=np.random.default_rng(_SEED),
    )
    nearest = min(points, key=lambda p: abs(math.log(p.exact_stop / curve.optimum_stop)))
    return replace(
        series,
        colours=_colours(config, nearest, frames, rig),
        optimum_stop=curve.optimum_stop,
        optimum_low95=curve.optimum_low95,
        optimum_high95=curve.optimum_high95,
        optimum_mtf50_image_cyc_per_mm=curve.optimum_mtf50,
        deepest_sharp_stop=curve.deepest_sharp_stop,
        deepest_low95=curve.deepest_low95,
        deepest_high95=curve.deepest_high95,
        curve_stop=curve.stop,
        curve_mtf50_image_cyc_per_mm=curve.mtf50,
        curve_diffraction_mtf50_image_cyc_per_mm=curve.diffraction_mtf50,
        flags=(*curve.flags, *flags),
    )


def _colours(
    config: SessionConfig, point: StopPoint, frames: Sequence[FrameRecord], rig: _Rig
) -> tuple[ColourResult, ...]:
    """Red and blue against green at one stop."""
    here = [f for f in frames if f.marked_stop == point.marked_stop and f.status == "measured"]
    used = {s.file for s in point.focus_samples if s.used}
    half_diagonal_px = math.hypot(*config.body.sensor_mm) / 2 * 1e3 / rig.pitch_um
    green = _best_focus(here, CHANNEL)
    out = []
    for channel in ("red", "blue"):
        lateral = lateral_colour(
            [f.edges for f in here if f.file in used], channel, half_diagonal_px
        )
        focus = _best_focus(here, channel)
        shift, shift_std = None, None
        if green is not None and focus is not None:
            shift = focus[0] - green[0]
            shift_std = math.hypot(focus[1], green[1])
        image_um = None if lateral is None else lateral.corner_px * rig.pitch_um
        out.append(
            ColourResult(
                channel=channel,
                marked_stop=point.marked_stop,
                lateral_corner_px=None if lateral is None else lateral.corner_px,
                lateral_corner_std_px=None if lateral is None else lateral.corner_std_px,
                lateral_corner_image_um=image_um,
                lateral_corner_object_um=None if image_um is None else image_um / rig.magnification,
                focus_difference_um=shift,
                focus_difference_std_um=shift_std,
            )
        )
    return tuple(out)


def _best_focus(frames: Sequence[FrameRecord], channel: str) -> tuple[float, float] | None:
    """Place of best focus in one colour and its uncertainty, object side."""
    samples = []
    for frame in frames:
        edges = centre_edges(frame.edges, channel)
        if edges and frame.focus_position_um is not None:
            samples.append((frame.focus_position_um, *frame_mtf50(edges)))
    if not samples:
        return None
    peak = through_focus_peak(*zip(*samples, strict=True))
    if peak.best_focus_um is None or peak.best_focus_std_um is None:
        return None
    return peak.best_focus_um, peak.best_focus_std_um


def _cautions(
    config: SessionConfig, frames: Sequence[FrameRecord], problems: Sequence[Problem]
) -> tuple[str, ...]:
    out = [problem.text for problem in problems]
    if config.lens.pupil_ratio is None:
        out.append(
            "The pupil ratio was not given and is taken as 1: effective f-numbers and the "
            "diffraction prediction are off if the lens is not symmetric."
        )
    if config.target.edge_blur_um == 0:
        out.append(
            "The target's own edge is taken as perfect. A printed edge is not; film serves to "
            "about 1x, a mask of chrome on glass or a blade to 5x."
        )
    else:
        made = config.target.technology
        out.append(
            f"The target's own edge ({config.target.edge_blur_um:g} um"
            + (f", {made}" if made else "")
            + f", give or take {config.target.edge_blur_std_um:g} um) is divided out."
        )
    if any("tone-mapped" in frame.flags for frame in frames):
        out.append(
            "Some frames are finished pictures, not raw data: their figures are indicative only."
        )
    return tuple(out)


def analyse_session(
    config: SessionConfig,
    frames: Sequence[FrameRecord],
    problems: Sequence[Problem] = (),
    *,
    loss_percent: float = 10.0,
) -> SessionResult:
    """Turn a session's measured frames into its result.

    Parameters
    ----------
    config : SessionConfig
    frames : sequence of FrameRecord
        Those of trials are left out.
    problems : sequence of Problem
        Of the assignment; they become cautions.
    loss_percent : float
        Permitted loss of MTF50 for the deepest sharp stop. [%], 0 < loss < 100

    Raises
    ------
    ValueError
        If loss_percent is outside its range.
    """
    if not 0 < loss_percent < 100:
        raise ValueError("loss_percent must lie between 0 and 100")
    frames = bracketed(frames)
    series = tuple(
        _series(
            config,
            one.magnification,
            [f for f in frames if f.magnification == one.magnification],
            loss_percent,
        )
        for one in config.brackets
    )
    digest = hashlib.sha256(
        "".join(sorted(f"{f.file}:{f.sha256}\n" for f in frames)).encode()
    ).hexdigest()
    keys = sorted({f.settings_key for f in frames if f.settings_key})
    return SessionResult(
        name=config.name,
        body_name=config.body.name,
        lens_name=config.lens.name,
        pixel_pitch_um=config.body.pixel_pitch_um,
        focal_length_mm=config.lens.focal_length_mm,
        pupil_ratio=config.lens.pupil_ratio or 1.0,
        pupil_ratio_source="assumed" if config.lens.pupil_ratio is None else "session.toml",
        channel=CHANNEL,
        wavelength_um=config.light.wavelength_um[CHANNEL],
        light_source=config.light.source,
        series=series,
        frames_by_status=dict(sorted(Counter(f.status for f in frames).items())),
        cautions=_cautions(config, frames, problems),
        provenance={
            "stopwise version": version("stopwise"),
            "frames": str(len(frames)),
            "frames SHA-256": digest,
            "measurement settings": ", ".join(keys),
            "permitted loss": f"{loss_percent:g} %",
        },
    )
