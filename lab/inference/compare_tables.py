"""What of a fitted lens must be kept, so that lenses can be compared without their frames?

Tables of sharpness at one effective f-number, over a depth, and of depth within a loss, each
with the uncertainty that only the whole fit can give: a ring's error moves sharpness and
f-number together, so that at a given f-number much of it cancels. The doubt about the light
is kept apart, since sessions may share it: at a given f-number it is most of what is not
known. So is what a blur would change, by which a target's doubt counts.

Sharpness is MTF50 at the field's centre in green, object side. Leaves out the other colours
and the field, which are not compared.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.inference.centre import CHANNEL
from lab.inference.depth import Sharpness, depth_within, held_curve
from lab.inference.drawn_stops import tops
from lab.inference.lens_curve import LensCurve, lens_curve
from lab.inference.lens_fit import LensFit
from lab.inference.lens_model import log2_stop
from lab.inference.lens_optics import LensOptics, measured_optics
from lab.inference.results import CompareTable, CompareTables
from lab.optics.geometry import depth_of_field

__all__ = ["compare_tables"]

_LOSSES_PERCENT = (0.1, 0.2, 0.5, 1, 2, 3, 5, 7, 10, 15, 20, 30, 40, 50, 60, 70, 80, 90)
_PER_STOP = 6  # of the table of f-numbers; whole stops are among them
_DIGITS = 6  # kept: hundreds of times finer than any uncertainty
_ROUND = np.array([1, 1.4, 2, 3, 5, 7])  # depths: what a field's default is rounded to, and between
_SHALLOW, _DEEP = 0.2, 8.0  # depths, of the wave's at the widest and the smallest stop
_TRIED = 0.5  # stops between those tried for a depth
_HOPELESS = 6.0  # wave's depths, 1.5 waves at the ends: a smaller stop holds more
_LOST = 0.01  # cycles per mm: below all that is held
_SHARP = Sharpness()


def compare_tables(fit: LensFit, series: int, curve: LensCurve, optimum: float) -> CompareTables:
    """Tables of one magnification.

    Parameters
    ----------
    fit : LensFit
    series : int
        Index of the magnification in the fit's data.
    curve : LensCurve
        Of that magnification in green, on a fine grid of stops.
    optimum : float
        Ring position, exact, within the curve's stops.
    """
    table = _Tables(fit, series, curve)
    return CompareTables(
        light=float(fit.value("light")[0]),
        light_std=float(fit.std("light")[0]),
        optimum=table.optimum(optimum),
        equal_stop=table.equal_stop(),
        over_depth=table.over_depth(),
        depth_within=table.depth_within(optimum),
    )


class _Tables:
    """The tables of one magnification, and what they share."""

    def __init__(self, fit: LensFit, series: int, curve: LensCurve) -> None:
        self._fit, self._series, self._curve = fit, series, curve
        self._light = fit.model.slices["light"].start
        self._blur = fit.model.slices["blur2"].start + series
        self._size = float(fit.model.magnification[series])
        self._ends = log2_stop(curve.stop[[0, -1]])

    def _at(self, stop: npt.ArrayLike) -> LensOptics:
        return measured_optics(self._fit, self._series, CHANNEL, stop)

    def _table(
        self,
        at: npt.ArrayLike,
        stop: FloatArray,
        f_number: FloatArray,
        value: FloatArray,
        gradient: FloatArray,
        between: FloatArray | float = 0.0,
    ) -> CompareTable:
        """Rows from the gradient of the logarithm, and its variance that no figure carries."""
        covariance = self._fit.covariance
        of_light = covariance[:, self._light]
        whole = np.einsum("ij,jk,ik->i", gradient, covariance, gradient) + between
        by_light = gradient @ of_light / of_light[self._light]
        std = np.sqrt(np.maximum(whole - by_light**2 * of_light[self._light], 0))
        return CompareTable(
            at=_kept(at),
            stop=_kept(stop),
            effective_f_number=_kept(f_number),
            value=_kept(value),
            std=_kept(std),
            by_light=_kept(by_light),
            by_blur=_kept(gradient[:, self._blur]),
        )

    def optimum(self, stop: float) -> CompareTable:
        """Sharpness at a ring position."""
        here = lens_curve(self._fit, self._series, CHANNEL, [stop])
        return self._table(
            here.f_number,
            here.stop,
            here.f_number,
            self._size * here.mtf50_image_cyc_per_mm,
            here.gradient,
            np.diag(self._at([stop]).between),
        )

    def equal_stop(self) -> CompareTable:
        """Sharpness at an effective f-number that is given.

        If the cone at a ring position is larger than the fit says, the f-number asked for
        lies elsewhere on the ring: the curve's slope takes that into account.
        """
        curve, optics = self._curve, self._at(self._curve.stop)
        log_n, log_value = np.log(curve.f_number), np.log(curve.mtf50_image_cyc_per_mm)
        slope = np.gradient(log_value, log_n)
        gradient = curve.gradient - slope[:, np.newaxis] * optics.cone.by_f_number
        low, high = log2_stop(curve.f_number[[0, -1]]) * _PER_STOP
        inner = np.arange(math.ceil(low + 0.01), math.floor(high - 0.01) + 1) / _PER_STOP
        at = np.concatenate([log_n[:1], inner * math.log(2) / 2, log_n[-1:]])

        def there(figure: FloatArray) -> FloatArray:
            return np.asarray(np.interp(at, log_n, figure))

        return self._table(
            np.exp(at),
            np.exp(there(np.log(curve.stop))),
            np.exp(at),
            self._size * np.exp(there(log_value)),
            np.stack([there(column) for column in gradient.T], axis=1),
            there(np.diag(optics.between)),
        )

    def over_depth(self) -> CompareTable:
        """Sharpness held over a depth at the best stop for it; small changes of it lose none."""
        curve, depth_um = self._curve, self._depths_um()
        low, high = self._ends
        x = np.linspace(low, high, max(3, math.ceil((high - low) / _TRIED) + 1))
        stop, depth = np.broadcast_arrays(2 ** (x / 2), depth_um[:, np.newaxis])
        # Far too wide a stop for a depth costs most to work out and is never the best.
        near = depth < _HOPELESS * self._wave_depth_um(
            np.interp(x, log2_stop(curve.stop), curve.f_number)
        )
        near[:, -1] = True
        height = np.full(stop.shape, math.log(_LOST))
        height[near] = held_curve(self._at(stop[near]), _SHARP, depth[near]).height
        best = tops(x, height)
        optics = self._at(2 ** (best / 2))
        found = held_curve(optics, _SHARP, depth_um)
        between = np.diag(optics.between) * found.by_excess**2
        return self._table(
            depth_um, found.stop, found.f_number, found.held, found.gradient, between
        )

    def _depths_um(self) -> FloatArray:
        """Round depths from one that costs nothing to one that hardly anything is held over."""
        low, high = self._wave_depth_um(self._curve.f_number[[0, -1]]) * (_SHALLOW, _DEEP)
        powers = np.arange(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
        every = (10.0 ** powers[:, np.newaxis] * _ROUND).ravel()
        return np.asarray(every[(every >= low) & (every <= high)])

    def _wave_depth_um(self, f_number: FloatArray) -> FloatArray:
        channel = self._fit.model.data.channels.index(CHANNEL)
        wavelength_um = float(self._fit.model.wavelength_um[channel])
        wave_um, _ = depth_of_field(
            f_number, self._size, wavelength_um=wavelength_um, circle_um=1.0
        )
        return wave_um

    def depth_within(self, stop: float) -> CompareTable:
        """Depth about best focus at a ring position, by loss."""
        optics = self._at(np.full(len(_LOSSES_PERCENT), stop))
        found = depth_within(optics, _SHARP, _LOSSES_PERCENT)
        return self._table(
            _LOSSES_PERCENT,
            optics.stop,
            optics.cone.f_number,
            found.depth_um,
            found.gradient / found.depth_um[:, np.newaxis],
        )


def _kept(column: npt.ArrayLike) -> tuple[float, ...]:
    return tuple(float(f"{one:.{_DIGITS}g}") for one in np.asarray(column))
