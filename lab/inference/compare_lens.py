"""The lens of a kept result again, without its frames: what it holds over a depth.

A result holds the fitted figures and their standard uncertainties, not the covariance of
all of them. The lens is rebuilt from the figures and scaled so that best focus gives the
recorded curve. Uncertainty over a depth is that of the recorded curve plus that of the
fall over the depth, added as if the two went together, since what is not kept cannot
say that they do not: intervals are, if anything, too wide.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from lab.edges.types import FloatArray
from lab.inference.depth import (
    BestStop,
    Sharpness,
    best_stop,
    depth_within,
    held_curve,
)
from lab.inference.lens_curve import best_focus_um
from lab.inference.lens_model import log2_stop
from lab.inference.lens_optics import LensOptics, predicted_optics
from lab.inference.results import LensSeries, SessionResult
from lab.session.stops import exact_stop

__all__ = ["KeptLens", "kept_lens"]

_STEP = 0.5  # of a standard uncertainty, for slopes
_EXCESS_POINTS = 17  # of the recorded curve, to which best focus is scaled
_SHARP = Sharpness()


@dataclass(frozen=True, kw_only=True, eq=False)
class _Figures:
    """What a kept lens hangs on: one of each a stop, but for the blur."""

    log_f_number: FloatArray  # change of the effective f-number
    primary_um: FloatArray  # at the rim of the widest stop
    secondary_um: FloatArray
    blur_um: float


@dataclass(frozen=True, kw_only=True, eq=False)
class KeptLens:
    """One magnification of a kept result.

    Attributes
    ----------
    magnification : float
        As measured.
    first, last : float
        Ring positions between which it was measured.
    """

    magnification: float
    first: float
    last: float
    _optics: Callable[[_Figures, FloatArray], LensOptics]
    _values: tuple[float, float, float, float]  # in the order of _Figures
    _stds: tuple[float, float, float, float]

    def held(self, depth_um: float) -> tuple[BestStop, float]:
        """The best stop for a depth, and the standard uncertainty of log ``held`` / focused.

        Parameters
        ----------
        depth_um : float
            Total, object side, > 0. [um]
        """
        best = best_stop(
            lambda stop: self._optics(_figures(np.array(self._values)[:, np.newaxis]), stop),
            self.first,
            self.last,
            _SHARP,
            depth_um,
            rng=np.random.default_rng(0),  # nothing is drawn: the kept lens has no covariance
        )

        def fall(optics: LensOptics) -> FloatArray:
            focused = held_curve(optics, _SHARP, 0.0).held
            return np.asarray(np.log(held_curve(optics, _SHARP, depth_um).held / focused))

        return best, self._spread(fall, best.stop)[1] if best.held > 0 else 0.0

    def depth_within(self, stop: float, loss_percent: float) -> tuple[float, float]:
        """Depth at a ring position within a loss [um], and its relative uncertainty."""

        def log_depth(optics: LensOptics) -> FloatArray:
            return np.asarray(np.log(depth_within(optics, _SHARP, loss_percent).depth_um))

        log, std = self._spread(log_depth, stop)
        return math.exp(log), std

    def _spread(
        self, value: Callable[[LensOptics], FloatArray], stop: float
    ) -> tuple[float, float]:
        """A value at one stop and its standard uncertainty, by differences.

        Changes of f-number and aberrations stand side by side as if they were stops.
        """
        figures = np.array(self._values)
        steps = _STEP * np.diag(self._stds)
        cone = np.concatenate([figures + steps[:3], figures - steps[:3], figures[np.newaxis]]).T
        blurs = np.stack([figures + steps[3], figures - steps[3]])
        found = value(self._optics(_figures(cone), np.full(7, stop)))
        high, low = (
            value(self._optics(_figures(one[:, np.newaxis]), np.array([stop])))[0] for one in blurs
        )
        slopes = np.append(found[:3] - found[3:6], high - low) / (2 * _STEP)
        return float(found[6]), float(np.sqrt(np.sum(slopes**2)))


def _figures(values: FloatArray) -> _Figures:
    """From rows in the order of the fields; the blur is that of the first column."""
    return _Figures(
        log_f_number=values[0],
        primary_um=values[1],
        secondary_um=values[2],
        blur_um=max(float(values[3, 0]), 0.0),
    )


def kept_lens(result: SessionResult, series: LensSeries) -> KeptLens | None:
    """The lens of one magnification; None where its model does not describe the frames.

    Parameters
    ----------
    result : SessionResult
        With its ``lens``.
    series : LensSeries
        Of that lens, with a curve.
    """
    lens = result.lens
    if lens is None or not lens.describes or not series.curve_stop:
        return None
    value = {one.name: one.value for one in lens.figures}
    std = {one.name: one.std for one in lens.figures}
    sizes = [_magnification(one) for one in lens.series]
    m, mean = _magnification(series), float(np.mean(sizes))
    ratio = value["pupil ratio"]
    widest = min(
        (exact_stop(s.marked_stop), s.effective_f_number / (1 + size / ratio))
        for one, size in zip(lens.series, sizes, strict=True)
        for s in one.stops
    )
    primary, secondary = (f"{name} spherical, widest stop" for name in ("primary", "secondary"))
    rise = "primary spherical, rise to twice the mean magnification"
    bend = (m - mean) / mean
    blur = f"residual blur at {series.magnification:g}x"
    figures = (0.0, value[primary] + value.get(rise, 0.0) * bend, value[secondary], value[blur])
    stds = (
        max(s.effective_f_number_std / s.effective_f_number for s in series.stops),
        math.hypot(std[primary], std.get(rise, 0.0) * bend),
        std[secondary],
        std[blur],
    )
    light = 1 + value["wavelength against stated"] / 100
    marks = np.array([exact_stop(s.marked_stop) for s in series.stops])
    over = np.array([s.effective_f_number for s in series.stops]) / marks
    thin = np.unique(np.linspace(0, len(series.curve_stop) - 1, _EXCESS_POINTS).round().astype(int))
    grid = np.array(series.curve_stop)[thin]
    curve = np.array(series.curve_mtf50_image_cyc_per_mm)[thin]

    def plain(which: _Figures, stop: FloatArray) -> LensOptics:
        optics = predicted_optics(
            stop,
            magnification=m,
            pupil_ratio=ratio,
            wavelength_um=result.wavelength_um * light,
            pixel_pitch_um=result.pixel_pitch_um,
            blur_std_um=which.blur_um,
        )
        f_number = stop * np.interp(log2_stop(stop), log2_stop(marks), over)
        closed = widest[1] * (1 + m / ratio) / f_number
        waves = closed**4 / optics.cone.wavelength_um
        cone = replace(
            optics.cone,
            f_number=f_number * np.exp(which.log_f_number),
            w040=which.primary_um * waves,
            w060=which.secondary_um * waves * closed**2,
        )
        return replace(optics, cone=cone)

    focused = plain(_figures(np.array(figures)[:, np.newaxis]), grid)
    excess = np.log(curve / focused.crossing(best_focus_um(focused), 0.5))

    def optics(which: _Figures, stop: FloatArray) -> LensOptics:
        shift = np.interp(log2_stop(stop), log2_stop(grid), excess)
        return replace(plain(which, stop), excess=shift)

    return KeptLens(
        magnification=m,
        first=float(grid[0]),
        last=float(grid[-1]),
        _optics=optics,
        _values=figures,
        _stds=stds,
    )


def _magnification(series: LensSeries) -> float:
    """As measured: of f-number over N (1 + m) and the f-number."""
    stop = series.stops[0]
    return stop.effective_f_number / (stop.over_nominal * exact_stop(stop.marked_stop)) - 1
