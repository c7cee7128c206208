"""One session's sharpness at one magnification, ready to be set against another's.

Figures are object-side MTF50 or a depth, each from a table that the fit of the lens left
(``lab.inference.compare_tables``) or, where no model describes the frames, from the curve
interpolated between the stops. A figure's doubt has parts that behave apart between
sessions: ``own`` (scatter, focus, fit, form, scale) belongs to the session alone; ``light``
is what is not known of the wavelength, and ``target`` of the target's edge: each is the same
in all frames of a session and, where one light or one target served both, in both sessions.

Leaves out what a session cannot show of itself: how far it comes out alike when the rig
is put up again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from lab.edges.types import FloatArray
from lab.inference.compare_records import ComparedCurve, ComparedMark
from lab.inference.results import (
    CompareTable,
    CompareTables,
    SeriesResult,
    SessionResult,
    StopPoint,
)
from lab.session.config import SessionConfig, Target
from targets.fidelity import gaussian_mtf

__all__ = ["FORM_STD", "Columns", "Figure", "Sharpest", "SizeCurve", "size_curves"]

_Z95 = 1.959964
_DRAWN_POINTS = 61
_ROUNDING = 1e-5  # of a table's ends
# What the fitted shapes miss of a real lens's height at its optimum, as a standard deviation
# of log MTF50, beside what the fit claims: 0.74 % (halves: 0.86 and 0.60 %) on 40 simulated
# lenses with zonal spherical aberration, polygonal irises and vibration, seeds 0 to 39 of
# ``tests.bench.compare_study``. It does not cancel between two lenses. Where diffraction alone
# decides, MTF50 is as 1 over the wavelength and nothing can be missed: elsewhere it counts by
# how far the figure is from that.
FORM_STD = 0.0075


@dataclass(frozen=True, kw_only=True)
class Figure:
    """A figure of one session, as its logarithm, and its doubts.

    Attributes
    ----------
    log : float
        At the wavelength that the fit found.
    stop, f_number : float
        Ring position and effective f-number.
    own, target : float
        Standard uncertainties of ``log``.
    by_light : float
        Change of ``log`` with the relative error of the wavelength.
    light, light_std : float
        That error as fitted, and its standard uncertainty.
    """

    log: float
    stop: float
    f_number: float
    own: float
    target: float
    by_light: float = 0.0
    light: float = 0.0
    light_std: float = 0.0

    @property
    def std(self) -> float:
        """Of ``log``, all doubts together."""
        return math.hypot(self.own, self.target, self.by_light * self.light_std)


@dataclass(frozen=True, kw_only=True)
class Sharpest:
    """The session's own optimum, or its sharpest stop where none could be named."""

    figure: Figure
    percent_of_diffraction: float
    flags: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Columns:
    """Figures against a variable, (n,): all but ``own`` and so on are natural logarithms."""

    at: FloatArray
    stop: FloatArray
    f_number: FloatArray
    log: FloatArray
    own: FloatArray
    target: FloatArray
    by_light: FloatArray
    light: float = 0.0
    light_std: float = 0.0

    def figure(self, at: float) -> Figure | None:
        """By interpolation; None beyond the ends."""
        if not self.at[0] - _ROUNDING <= at <= self.at[-1] + _ROUNDING:
            return None
        stop, f_number, log, own, target, by_light = (
            float(np.interp(at, self.at, one))
            for one in (self.stop, self.f_number, self.log, self.own, self.target, self.by_light)
        )
        return Figure(
            log=log,
            stop=math.exp(stop),
            f_number=math.exp(f_number),
            own=own,
            target=target,
            by_light=by_light,
            light=self.light,
            light_std=self.light_std,
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class SizeCurve:
    """One magnification of one session.

    Attributes
    ----------
    magnification, stated : float
        As measured, or as stated where it was not; and as stated.
    sharpest : Sharpest
    equal_stop : Columns
        MTF50 against the logarithm of the effective f-number.
    over_depth, depth_within : Columns or None
        MTF50 against the logarithm of a depth [um] and depth [um] at the optimum against the
        logarithm of a loss [%]. None where no model describes the frames.
    marks : tuple of ComparedMark
    """

    magnification: float
    stated: float
    sharpest: Sharpest
    equal_stop: Columns
    over_depth: Columns | None
    depth_within: Columns | None
    marks: tuple[ComparedMark, ...]

    def drawn(self, session: int) -> ComparedCurve:
        """The curve with its band, thinned for figures."""
        columns = self.equal_stop
        at = np.linspace(columns.at[0], columns.at[-1], min(columns.at.size, _DRAWN_POINTS))
        log, own, target, by_light = (
            np.interp(at, columns.at, one)
            for one in (columns.log, columns.own, columns.target, columns.by_light)
        )
        spread = _Z95 * np.sqrt(own**2 + target**2 + (by_light * columns.light_std) ** 2)
        return ComparedCurve(
            session=session,
            effective_f_number=tuple(np.exp(at).tolist()),
            mtf50_object_cyc_per_mm=tuple(np.exp(log).tolist()),
            low95=tuple(np.exp(log - spread).tolist()),
            high95=tuple(np.exp(log + spread).tolist()),
            marks=self.marks,
            from_model=self.over_depth is not None,
        )


def size_curves(result: SessionResult, config: SessionConfig | None) -> tuple[SizeCurve, ...]:
    """The magnifications of a session of which a stop was measured.

    Parameters
    ----------
    result : SessionResult
    config : SessionConfig or None
        Where it is at hand: of it comes the doubt about the target.

    Raises
    ------
    ValueError
        If figures make no sense.
    """
    lens = result.lens
    lenses = {}
    if lens is not None and lens.describes:
        lenses = {one.magnification: one.compare for one in lens.series}
    target = None if config is None else config.target
    return tuple(
        _curve(series, lenses.get(series.magnification), target)
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


def _curve(series: SeriesResult, tables: CompareTables | None, target: Target | None) -> SizeCurve:
    size = series.measured_magnification or series.magnification
    scale_std = (series.measured_magnification_std or 0.0) / size
    marks = _known(series)
    over_depth = depth_within = sharpest = None
    if tables is None:
        equal_stop = _interpolated(series, target, size, scale_std)
    else:
        blur_um2 = _doubtful_blur_um2(target, size)
        equal_stop, optimum, over_depth, depth_within = (
            _columns(one, tables, blur_um2, scale_std)
            for one in (tables.equal_stop, tables.optimum, tables.over_depth, tables.depth_within)
        )
        sharpest = optimum.figure(float(optimum.at[0]))
    f_number = np.interp(
        np.log([p.exact_stop for p in marks]), equal_stop.stop, equal_stop.f_number
    )
    return SizeCurve(
        magnification=size,
        stated=series.magnification,
        sharpest=_sharpest(series, sharpest, equal_stop, size),
        equal_stop=equal_stop,
        over_depth=over_depth,
        depth_within=depth_within,
        marks=tuple(
            ComparedMark(
                effective_f_number=math.exp(log_n),
                mtf50_object_cyc_per_mm=p.mtf50_image_cyc_per_mm * size,
                low95=p.mtf50_low95 * size,
                high95=p.mtf50_high95 * size,
                marked_stop=p.marked_stop,
            )
            for p, log_n in zip(marks, f_number.tolist(), strict=True)
        ),
    )


def _columns(
    table: CompareTable, tables: CompareTables, blur_um2: float, scale_std: float
) -> Columns:
    _check(table)
    by_light = np.array(table.by_light)
    form = FORM_STD * np.maximum(1 + by_light, 0.0)
    return Columns(
        at=np.log(table.at),
        stop=np.log(table.stop),
        f_number=np.log(table.effective_f_number),
        log=np.log(table.value),
        own=np.sqrt(np.square(table.std) + form**2 + scale_std**2),
        target=np.abs(table.by_blur) * blur_um2,
        by_light=by_light,
        light=tables.light,
        light_std=tables.light_std,
    )


def _check(table: CompareTable) -> None:
    """A table that was read may hold anything of the right type.

    Raises
    ------
    ValueError
        If it is no table.
    """
    positive = (table.at, table.stop, table.effective_f_number, table.value)
    columns = (*positive, table.std, table.by_light, table.by_blur)
    if not table.at or len({len(one) for one in columns}) > 1:
        raise ValueError("columns of a table must have one length, at least 1")
    if not min(map(min, positive)) > 0 or not min(table.std) >= 0:
        raise ValueError("a table's figures must be > 0, its uncertainties >= 0")
    if any(after <= before for before, after in pairwise(table.at)):
        raise ValueError("a table's variable must rise")


def _doubtful_blur_um2(target: Target | None, size: float) -> float:
    """Variance on the sensor by which the target's blur may be larger; 0 where not known."""
    if target is None:
        return 0.0
    blur_um, larger_um = target.edge_blur_um, target.edge_blur_um + target.edge_blur_std_um
    return (larger_um**2 - blur_um**2) * size**2


def _interpolated(
    series: SeriesResult, target: Target | None, size: float, scale_std: float
) -> Columns:
    """The curve between the stops, without a model of the lens."""
    points = _known(series)
    at_points = np.log([p.exact_stop for p in points])
    if len(points) > 1 and series.curve_stop:
        log_stop = np.log(series.curve_stop)
        image = np.array(series.curve_mtf50_image_cyc_per_mm)
    else:
        log_stop = at_points
        image = np.array([p.mtf50_image_cyc_per_mm for p in points])
    f_number = np.log([p.effective_f_number for p in points])
    log_n = log_stop + np.interp(log_stop, at_points, f_number - at_points)
    by_target = np.array([_target_std(p, target, size) for p in points])
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
    return Columns(
        at=log_n,
        stop=log_stop,
        f_number=log_n,
        log=np.log(image * size),
        own=np.sqrt(own**2 + scale_std**2 + FORM_STD**2),
        target=np.interp(log_stop, at_points, by_target),
        by_light=np.zeros_like(log_n),
    )


def _sharpest(
    series: SeriesResult, modelled: Figure | None, equal_stop: Columns, size: float
) -> Sharpest:
    """The optimum of the session: of its model, of its curve, or the sharpest of its stops."""
    flags = [] if modelled is not None else ["interpolated"]
    stop = series.optimum_stop
    if stop is None:
        point = max(_known(series), key=lambda p: p.mtf50_image_cyc_per_mm)
        flags.append("optimum-not-bracketed")
        figure = _at_stop(equal_stop, point.exact_stop)
        return Sharpest(
            figure=figure, percent_of_diffraction=point.percent_of_diffraction, flags=tuple(flags)
        )
    if "optimum-not-bracketed" in series.flags:
        flags.append("optimum-not-bracketed")
    figure = _at_stop(equal_stop, stop) if modelled is None else modelled
    limit = np.interp(
        math.log(figure.stop),
        np.log(series.curve_stop),
        series.curve_diffraction_mtf50_image_cyc_per_mm,
    )
    percent = 100 * math.exp(figure.log) / (size * float(limit))
    return Sharpest(figure=figure, percent_of_diffraction=percent, flags=tuple(flags))


def _at_stop(columns: Columns, stop: float) -> Figure:
    """At a ring position within those measured."""
    log_n = float(np.interp(math.log(stop), columns.stop, columns.f_number))
    figure = columns.figure(log_n)
    assert figure is not None  # the two columns end together
    return figure


def _target_std(point: StopPoint, target: Target | None, size: float) -> float:
    """Relative doubt about MTF50 that the target's edge leaves, the same in every frame.

    How far the crossing moves when the blur divided out is one standard uncertainty
    larger. 0 where the target is not known.
    """
    if target is None or not point.mtf:
        return 0.0
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
