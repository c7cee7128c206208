"""One session's sharpness at one magnification, ready to be set against another's.

The curve is object-side MTF50 against the ring position: the model of the lens where it
describes the frames, else the interpolation. Its doubt has parts that behave apart
between sessions: ``own`` (scatter, focus, fit, form, scale) belongs to the session alone;
``target`` is what is not known of the target's edge, the same in all frames of a
session and, where one target served both, in both sessions.

Leaves out what a session cannot show of itself: how far it comes out alike when the rig
is put up again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lab.edges.types import FloatArray
from lab.inference.compare_lens import KeptLens, kept_lens
from lab.inference.compare_records import ComparedCurve, ComparedMark
from lab.inference.results import LensSeries, SeriesResult, SessionResult, StopPoint
from lab.session.config import SessionConfig
from lab.session.stops import exact_stop
from targets.fidelity import gaussian_mtf

__all__ = ["FORM_STD", "KeptSession", "Sharpest", "SizeCurve", "size_curves"]

_Z95 = 1.959964
_DRAWN_POINTS = 61
# What the fitted shapes miss of a real lens's height at its optimum, as a standard deviation
# of log MTF50, beside what the fit claims: 0.74 % (halves: 0.86 and 0.60 %) on 40 simulated
# lenses with zonal spherical aberration, polygonal irises and vibration, seeds 0 to 39 of
# ``tests.bench.compare_study``. It does not cancel between two lenses.
FORM_STD = 0.0075


@dataclass(frozen=True, kw_only=True)
class KeptSession:
    """A session's result, and its session.toml where that is at hand."""

    result: SessionResult
    config: SessionConfig | None = None


@dataclass(frozen=True, kw_only=True)
class Sharpest:
    """The session's own optimum, or its sharpest stop where none could be named."""

    stop: float
    log_mtf50: float
    own: float
    target: float
    percent_of_diffraction: float
    flags: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class SizeCurve:
    """One magnification of one session; arrays are (n,), stops rising.

    Attributes
    ----------
    session : int
    magnification : float
        As measured, or as stated where it was not.
    series : SeriesResult
    log_stop : ndarray
        Natural logarithm of the ring position.
    log_f_number, f_number_std : ndarray
        Of the effective f-number, and the standard uncertainty of that logarithm.
    log_mtf50 : ndarray
        Object side.
    own, target : ndarray
        Standard uncertainties of ``log_mtf50``, see the module.
    lens : KeptLens or None
        None where the model does not describe the frames.
    """

    session: int
    magnification: float
    series: SeriesResult
    log_stop: FloatArray
    log_f_number: FloatArray
    f_number_std: FloatArray
    log_mtf50: FloatArray
    own: FloatArray
    target: FloatArray
    lens: KeptLens | None

    def at_stop(self, values: FloatArray, stop: float) -> float:
        """One of the arrays at a ring position within those measured."""
        return float(np.interp(math.log(stop), self.log_stop, values))

    def at_f_number(self, log_f_number: float) -> tuple[float, float, float]:
        """Log MTF50, own and target's doubt at an effective f-number within those measured.

        The doubt of the f-number itself counts by the slope of the curve there.
        """
        value, own, target, f_std = (
            float(np.interp(log_f_number, self.log_f_number, one))
            for one in (self.log_mtf50, self.own, self.target, self.f_number_std)
        )
        slope = 0.0
        if self.log_f_number.size > 1:
            slopes = np.gradient(self.log_mtf50, self.log_f_number)
            slope = float(np.interp(log_f_number, self.log_f_number, slopes))
        return value, math.hypot(own, slope * f_std), target

    def sharpest(self) -> Sharpest:
        """The optimum of the session."""
        series = self.series
        stop = series.optimum_stop
        flags = [] if self.lens is not None else ["interpolated"]
        if stop is None:
            point = max(_known(series), key=lambda p: p.mtf50_image_cyc_per_mm)
            stop, percent = point.exact_stop, point.percent_of_diffraction
            flags.append("optimum-not-bracketed")
        else:
            if "optimum-not-bracketed" in series.flags:
                flags.append("optimum-not-bracketed")
            limit = np.interp(
                math.log(stop),
                np.log(series.curve_stop),
                series.curve_diffraction_mtf50_image_cyc_per_mm,
            )
            image = math.exp(self.at_stop(self.log_mtf50, stop)) / self.magnification
            percent = 100 * image / float(limit)
        return Sharpest(
            stop=stop,
            log_mtf50=self.at_stop(self.log_mtf50, stop),
            own=self.at_stop(self.own, stop),
            target=self.at_stop(self.target, stop),
            percent_of_diffraction=percent,
            flags=tuple(flags),
        )

    def drawn(self) -> ComparedCurve:
        """The curve with its band, thinned for figures."""
        count = min(self.log_stop.size, _DRAWN_POINTS)
        at = np.linspace(self.log_stop[0], self.log_stop[-1], count)
        f_number, value, own, target = (
            np.interp(at, self.log_stop, one)
            for one in (self.log_f_number, self.log_mtf50, self.own, self.target)
        )
        spread = _Z95 * np.hypot(own, target)
        marks = [
            ComparedMark(
                effective_f_number=math.exp(self.at_stop(self.log_f_number, p.exact_stop)),
                mtf50_object_cyc_per_mm=p.mtf50_image_cyc_per_mm * self.magnification,
                low95=p.mtf50_low95 * self.magnification,
                high95=p.mtf50_high95 * self.magnification,
                marked_stop=p.marked_stop,
            )
            for p in _known(self.series)
        ]
        return ComparedCurve(
            session=self.session,
            effective_f_number=tuple(np.exp(f_number).tolist()),
            mtf50_object_cyc_per_mm=tuple(np.exp(value).tolist()),
            low95=tuple(np.exp(value - spread).tolist()),
            high95=tuple(np.exp(value + spread).tolist()),
            marks=tuple(marks),
            from_model=self.lens is not None,
        )


def size_curves(kept: KeptSession, session: int) -> tuple[SizeCurve, ...]:
    """The magnifications of a session of which a stop was measured."""
    result = kept.result
    lenses = {} if result.lens is None else {one.magnification: one for one in result.lens.series}
    return tuple(
        _curve(kept, session, series, lenses.get(series.magnification))
        for series in result.series
        if _known(series)
    )


def _known(series: SeriesResult) -> list[StopPoint]:
    """Points whose figures can be compared, by rising stop."""
    points = [
        p
        for p in series.points
        if 0 < p.mtf50_image_cyc_per_mm < math.inf and 0 <= p.mtf50_std < math.inf
    ]
    return sorted(points, key=lambda p: p.exact_stop)


def _curve(
    kept: KeptSession, session: int, series: SeriesResult, of_lens: LensSeries | None
) -> SizeCurve:
    result, points = kept.result, _known(series)
    size = series.measured_magnification or series.magnification
    size_std = (series.measured_magnification_std or 0.0) / size
    at_points = np.log([p.exact_stop for p in points])
    by_target = np.array([_target_std(p, kept, size) for p in points])
    lens = None if of_lens is None else kept_lens(result, of_lens)
    if of_lens is not None and lens is not None:
        log_stop = np.log(of_lens.curve_stop)
        image = np.array(of_lens.curve_mtf50_image_cyc_per_mm)
        own = np.array(of_lens.curve_mtf50_std) / image
        marks = np.log([exact_stop(s.marked_stop) for s in of_lens.stops])
        f_number = np.log([s.effective_f_number for s in of_lens.stops])
        stds = [s.effective_f_number_std / s.effective_f_number for s in of_lens.stops]
        f_std = np.interp(log_stop, marks, stds)
    else:
        marks, f_number = at_points, np.log([p.effective_f_number for p in points])
        if len(points) > 1 and series.curve_stop:
            log_stop = np.log(series.curve_stop)
            image = np.array(series.curve_mtf50_image_cyc_per_mm)
        else:
            log_stop = at_points
            image = np.array([p.mtf50_image_cyc_per_mm for p in points])
        # The intervals know of few frames, and between two stops neither may be better known.
        relative = np.array(
            [
                max(p.mtf50_std, (p.mtf50_high95 - p.mtf50_low95) / (2 * _Z95))
                / p.mtf50_image_cyc_per_mm
                for p in points
            ]
        )
        alone = np.sqrt(np.maximum(relative**2 - by_target**2, 0.0))
        after = np.clip(np.searchsorted(at_points, log_stop), 0, len(points) - 1)
        before = np.clip(np.searchsorted(at_points, log_stop, "right") - 1, 0, len(points) - 1)
        own = np.maximum(alone[before], alone[after])
        f_std = np.zeros_like(log_stop)
    return SizeCurve(
        session=session,
        magnification=size,
        series=series,
        log_stop=log_stop,
        log_f_number=log_stop + np.interp(log_stop, marks, f_number - marks),
        f_number_std=f_std,
        log_mtf50=np.log(image * size),
        own=np.sqrt(own**2 + size_std**2 + FORM_STD**2),
        target=np.interp(log_stop, at_points, by_target),
        lens=lens,
    )


def _target_std(point: StopPoint, kept: KeptSession, size: float) -> float:
    """Relative doubt about MTF50 that the target's edge leaves, the same in every frame.

    How far the crossing moves when the blur divided out is one standard uncertainty
    larger. 0 where the target is not known.
    """
    if kept.config is None or not point.mtf:
        return 0.0
    target = kept.config.target
    blur_mm, std_mm = (1e-3 * um * size for um in (target.edge_blur_um, target.edge_blur_std_um))
    if std_mm == 0:
        return 0.0
    f, mtf = np.array(point.frequency_image_cyc_per_mm), np.array(point.mtf)
    moved = mtf * gaussian_mtf(f, blur_mm) / gaussian_mtf(f, blur_mm + std_mm)
    here, there = (_first_half(f, one) for one in (mtf, moved))
    return 0.0 if here is None or there is None else abs(math.log(there / here))


def _first_half(f: FloatArray, mtf: FloatArray) -> float | None:
    """First frequency at which a curve falls to one half, linear between its samples."""
    below = np.flatnonzero(mtf < 0.5)
    if not below.size or below[0] == 0:
        return None
    k = int(below[0])
    share = (mtf[k - 1] - 0.5) / (mtf[k - 1] - mtf[k])
    return float(f[k - 1] + share * (f[k] - f[k - 1]))
