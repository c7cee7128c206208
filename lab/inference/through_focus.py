"""How sharp is a stop at its best focus? The peak of a focus bracket.

MTF50 against focus has the shape of a defocused pupil's MTF50; height, place and
width are fitted, and with enough frames a difference of the two sides' widths
(spherical aberration is not symmetric about best focus). Frames far down the
flanks are left out: the shape is only borrowed. Interval ends use Student's t
with the residual scatter where frames scatter more than their own noise.

Leaves out: joint fits over field points and stops, and unknown rail positions
beyond taking the sharpest frame, which is flagged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from lab.edges.types import FloatArray, MaskArray
from lab.optics.pupil import aberrated_otf
from lab.optics.system import crossing

if TYPE_CHECKING:
    from scipy.optimize import OptimizeResult

__all__ = ["FocusPeak", "through_focus_peak"]

_FLANK = 0.55  # frames below this share of the sharpest one do not shape the peak
_LEAST_NEAR = 4  # frames above the flank, else some from further down are taken in
_SIDES_FROM = 6  # frames from which the two sides may differ
_LARGEST_SKEW = 0.5
_PEAK_ERROR = 0.002  # what a borrowed shape may miss the peak by
_SHAPE_ERROR = 0.06  # of the fall from the peak; judged on simulated aberrated lenses


@dataclass(frozen=True, kw_only=True)
class FocusPeak:
    """Peak of one bracket. Unit of ``mtf50`` as given; positions on the object side."""

    mtf50: float
    mtf50_std: float
    mtf50_low95: float
    mtf50_high95: float
    best_focus_um: float | None
    best_focus_std_um: float | None
    curve_um: tuple[float, ...]
    curve_mtf50: tuple[float, ...]
    used: tuple[bool, ...]
    flags: tuple[str, ...]


@lru_cache(maxsize=1)
def _defocus_curve() -> tuple[FloatArray, FloatArray]:
    """MTF50 of a defocused clear pupil over that in focus, against defocus in waves."""
    waves = np.linspace(0, 2, 81)
    found = [crossing(lambda s, w=w: aberrated_otf(s, w), 0.5, 1.0) for w in waves]  # type: ignore[misc]
    values = np.array([f for f in found if f is not None])
    return waves, values / values[0]


def _shape(z: FloatArray, best: float, width: float, skew: float) -> FloatArray:
    """Template: 1 at best focus; ``width`` is the object-side shift of one wave."""
    waves, values = _defocus_curve()
    side = 1 + skew * np.tanh((z - best) / (0.3 * width))
    away = np.abs(z - best) / (width * side)
    # Beyond the table blur is geometric: MTF50 falls as 1 / defocus.
    far = values[-1] * waves[-1] / np.maximum(away, waves[-1])
    return np.asarray(np.where(away > waves[-1], far, np.interp(away, waves, values)))


def through_focus_peak(
    position_um: Sequence[float | None], mtf50: Sequence[float], std: Sequence[float]
) -> FocusPeak:
    """Fit the peak of one stop's bracket.

    Parameters
    ----------
    position_um : sequence of float or None, (n,)
        Rail positions on the object side, any origin; None = unknown.
    mtf50, std : sequence of float, (n,)
        Value of each frame, > 0, and its standard uncertainty, > 0.

    Raises
    ------
    ValueError
        If there is no frame.
    """
    y = np.asarray(mtf50, dtype=np.float64)
    s = np.asarray(std, dtype=np.float64)
    if y.size == 0:
        raise ValueError("a bracket needs at least one frame")
    known = all(p is not None for p in position_um)
    if not known:
        return _sharpest(y, s, None, ("focus-order-unknown",))
    z = np.array([float(p) for p in position_um if p is not None])
    near = y >= _FLANK * y.max()
    if near.sum() < _LEAST_NEAR:
        near = np.zeros(y.size, dtype=bool)
        near[np.argsort(y)[-min(_LEAST_NEAR, y.size) :]] = True
    if np.unique(z[near]).size < 3:
        return _sharpest(y, s, float(z[int(np.argmax(y))]), ("few-frames",))
    return _fitted(z, y, s, near)


def _sharpest(
    y: FloatArray, s: FloatArray, best: float | None, flags: tuple[str, ...]
) -> FocusPeak:
    """The sharpest frame for the peak, which may lie above it by what frames differ."""
    order = np.argsort(y)[::-1]
    k = int(order[0])
    above = float(y[k] - y[order[min(2, y.size - 1)]])
    return FocusPeak(
        mtf50=float(y[k]),
        mtf50_std=float(np.hypot(s[k], above / 1.96)),
        mtf50_low95=float(y[k] - 1.96 * s[k]),
        mtf50_high95=float(y[k] + 1.96 * s[k] + above),
        best_focus_um=best,
        best_focus_std_um=None,
        curve_um=(),
        curve_mtf50=(),
        used=tuple(bool(i == k) for i in range(y.size)),
        flags=flags,
    )


def _scatter(residual: FloatArray, own: FloatArray, freedom: int) -> float:
    """Common scatter that brings chi-square down to its expectation, 0 if it is there."""
    low, high = 0.0, float(np.sqrt(np.sum(residual**2) / freedom))
    if np.sum((residual / own) ** 2) <= freedom:
        return 0.0
    for _ in range(40):
        middle = (low + high) / 2
        if np.sum(residual**2 / (own**2 + middle**2)) > freedom:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _fitted(z: FloatArray, y: FloatArray, s: FloatArray, near: MaskArray) -> FocusPeak:
    from scipy.optimize import least_squares
    from scipy.stats import t as student

    zn, yn = z[near], y[near]
    # The borrowed shape holds to 2 per mille at the peak and less well the further down
    # the flank.
    doubt = np.hypot(_PEAK_ERROR, _SHAPE_ERROR * (1 - yn / yn.max()))
    own = np.hypot(s[near] / yn, doubt) * yn
    k = int(np.argmax(yn))
    span = float(np.ptp(z))
    n_free = 4 if zn.size >= _SIDES_FROM else 3

    def model(p: FloatArray) -> FloatArray:
        skew = _LARGEST_SKEW * np.tanh(p[3]) if n_free == 4 else 0.0
        return np.asarray(np.exp(p[0]) * _shape(zn, p[1], np.exp(p[2]), skew))

    def fitted(start: FloatArray, scatter: float) -> OptimizeResult:
        std = np.hypot(own, scatter)

        def residual(p: FloatArray) -> FloatArray:
            out = (yn - model(p)) / std
            return np.append(out, p[3] / 0.5) if n_free == 4 else out

        scale = np.array([0.05, 0.1 * span, 0.3, 0.3])[:n_free]
        return least_squares(residual, start, x_scale=scale)

    starts = [
        np.array([np.log(yn[k]), zn[k], np.log(width * span), 0.0])[:n_free]
        for width in (0.3, 0.8, 2.0)
    ]
    fit = min((fitted(start, 0.0) for start in starts), key=lambda f: float(f.cost))
    # Scatter of the frames beyond their own noise, as in the Mandel-Paule mean.
    freedom = max(zn.size - n_free, 1)
    scatter = 0.0
    for _ in range(3):
        scatter = _scatter(yn - model(fit.x), own, freedom)
        if scatter == 0:
            break
        fit = fitted(fit.x, scatter)
    jacobian = np.asarray(fit.jac, dtype=np.float64)
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    peak = float(np.exp(fit.x[0]))
    std = peak * float(np.hypot(np.sqrt(covariance[0, 0]), _PEAK_ERROR))
    if not (0.5 * y.max() < peak < 2 * y.max() and std < 0.3 * peak):
        return _sharpest(y, s, float(z[int(np.argmax(y))]), ("focus-fit-failed",))
    # Frames down the flanks hardly tell the scatter: they count by their weight.
    telling = float(np.sum((_PEAK_ERROR / doubt) ** 2)) - 2
    # The standard uncertainty is given so that 1.96 of it are the 95 % interval.
    reach = 1.96 if scatter == 0 else float(student.ppf(0.975, np.clip(telling, 2, freedom)))
    best = float(fit.x[1])
    flags = []
    if np.sum(y >= _FLANK * y.max()) < _LEAST_NEAR:
        flags.append("bracket-too-coarse")
    order = np.argsort(z)
    if not z.min() < best < z.max() or int(np.argmax(y[order])) in (0, y.size - 1):
        flags.append("peak-not-bracketed")
    skew = float(_LARGEST_SKEW * np.tanh(fit.x[3])) if n_free == 4 else 0.0
    grid = np.linspace(zn.min(), zn.max(), 61)
    return FocusPeak(
        mtf50=peak,
        mtf50_std=std * reach / 1.96,
        mtf50_low95=peak - reach * std,
        mtf50_high95=peak + reach * std,
        best_focus_um=best,
        best_focus_std_um=float(np.sqrt(covariance[1, 1])),
        curve_um=tuple(grid.tolist()),
        curve_mtf50=tuple((peak * _shape(grid, best, float(np.exp(fit.x[2])), skew)).tolist()),
        used=tuple(bool(v) for v in near),
        flags=tuple(flags),
    )
