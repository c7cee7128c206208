"""How sharp is a stop at its best focus? The peak of a focus bracket.

MTF50 against focus has the shape of a defocused pupil's (``focus_shape``); height,
place, width and, against a prior, spherical aberration are fitted. Frames far down the
flanks are left out: the shape is only borrowed.

Frames may scatter beyond their own noise (the camera shook, the rail slipped), and a
bracket of a few hardly tells by how much. Here every scatter counts by its probability,
and the interval holds 95 % of all of them together. What brackets scatter is a prior,
and intervals lean on it: they are too narrow where frames scatter several times more.

Leaves out: joint fits over field points and stops, and unknown rail positions
beyond taking the sharpest frame, which is flagged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lab.edges.types import FloatArray, MaskArray
from lab.inference.focus_shape import W040_END, focus_shape

if TYPE_CHECKING:
    from scipy.optimize import OptimizeResult

__all__ = ["FocusPeak", "through_focus_peak"]

_FLANK = 0.55  # frames below this share of the sharpest one do not shape the peak
_LEAST_NEAR = 4  # frames above the flank, else some from further down are taken in
_WIDTHS = (0.2, 0.4, 0.8, 1.6, 3.2)  # of the bracket's span, where descents begin
# Judged by us, no published source:
_W040_STD = 0.7  # waves of spherical aberration, before any frame
# Of the peak: as likely as not frames scatter less beyond their noise. The middle one of
# three tried (0.001, 0.002, 0.004): intervals hold 96 to 98 % of the peaks of simulated
# brackets without scatter, 80 % where frames scatter by 1 % beyond a stated 0.3 %.
_SCATTER = 0.002
_RIDGE = 1e-10  # of information
_SCATTERS = np.append(0.0, np.geomspace(3e-4, 0.3, 40))
# Pixel and blur, which the shape leaves out, put the peak of simulated lenses 0.02 to
# 0.2 % too low. Counted once: the first for the peak, the second for frames.
_PEAK_ERROR = 0.001
_SHAPE_ERROR = 0.02  # of the fall from the peak


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


@dataclass(frozen=True, kw_only=True)
class _Spread:
    """What is known of the logarithm of the peak: a mixture of k normal distributions.

    ``share`` (k,) sums to 1, ``step`` (k,) is from the fit, ``std`` (k,). ``scatter`` is
    the root mean square of that of the frames, relative to the peak.
    """

    share: FloatArray
    step: FloatArray
    std: FloatArray
    scatter: float

    def half_width(self, centre: float) -> float:
        """Of the interval about a centre that holds 95 %."""
        from scipy.special import ndtr

        std = np.hypot(self.std, _PEAK_ERROR)
        away = self.step - centre
        low, high = 0.0, float(np.max(np.abs(away) + 3 * std))
        for _ in range(40):
            middle = (low + high) / 2
            held = self.share @ (ndtr((middle - away) / std) - ndtr((-middle - away) / std))
            low, high = (middle, high) if held < 0.95 else (low, middle)
        return high


def _spread(
    residual: FloatArray, own: FloatArray, jacobian: FloatArray, aberration: float
) -> _Spread:
    """The peak for each scatter of the frames, and how probable that is.

    Parameters
    ----------
    residual, own : ndarray, (n,)
        Of the frames, relative to the fitted peak.
    jacobian : ndarray, (n, 4)
        Of the model, relative too; it is linear about the fit.
    aberration : float
        Its fitted value, the last parameter, which has a prior.
    """
    variance = own**2 + _SCATTERS[:, np.newaxis] ** 2
    weighted = jacobian / variance[:, :, np.newaxis]
    information = np.swapaxes(weighted, 1, 2) @ jacobian
    information[:, 3, 3] += _W040_STD**-2
    # Figures of several units, inverted by their own scales; frames that differ in nothing
    # do not tell place and width at all.
    scale = np.sqrt(np.diagonal(information, axis1=1, axis2=2))
    scale = np.where(scale > 0, scale, 1.0)
    outer = scale[:, :, np.newaxis] * scale[:, np.newaxis, :]
    scaled = information / outer + _RIDGE * np.eye(4)
    covariance = np.linalg.inv(scaled) / outer
    log_determinant = np.linalg.slogdet(scaled)[1] + 2 * np.sum(np.log(scale), axis=1)
    gradient = np.sum(weighted * residual[:, np.newaxis], axis=1)
    gradient[:, 3] -= aberration / _W040_STD**2
    step = np.einsum("kij,kj->ki", covariance, gradient)
    chi_square = np.sum(residual**2 / variance, axis=1) - np.sum(gradient * step, axis=1)
    log = -0.5 * (chi_square + np.sum(np.log(variance), axis=1) + log_determinant)
    # Prior: half of a Cauchy distribution, on the spacing of the scatters.
    log += np.log(np.gradient(_SCATTERS) / (1 + (_SCATTERS / _SCATTER) ** 2))
    share = np.exp(log - log.max())
    share /= share.sum()
    return _Spread(
        share=share,
        step=step[:, 0],
        std=np.sqrt(covariance[:, 0, 0]),
        scatter=float(np.sqrt(share @ _SCATTERS**2)),
    )


def _fitted(z: FloatArray, y: FloatArray, s: FloatArray, near: MaskArray) -> FocusPeak:
    from scipy.optimize import least_squares

    zn, yn = z[near], y[near]
    top = float(yn.max())
    own = np.hypot(s[near], _SHAPE_ERROR * (top - yn))
    k = int(np.argmax(yn))
    span = float(np.ptp(z))

    def curve(p: FloatArray, at: FloatArray) -> FloatArray:
        w040 = W040_END * float(np.tanh(p[3] / W040_END))
        return np.asarray(np.exp(p[0]) * focus_shape((at - p[1]) / np.exp(p[2]), w040))

    def fitted(start: FloatArray, scatter: float) -> OptimizeResult:
        std = np.hypot(own, scatter * top)

        def residual(p: FloatArray) -> FloatArray:
            return np.append((yn - curve(p, zn)) / std, p[3] / _W040_STD)

        return least_squares(residual, start, x_scale=np.array([0.05, 0.1 * span, 0.3, 0.3]))

    def spread(fit: OptimizeResult, scatter: float) -> _Spread:
        by = -fit.jac[:-1] * np.hypot(own / top, scatter)[:, np.newaxis]
        return _spread((yn - curve(fit.x, zn)) / top, own / top, by, float(fit.x[3]))

    def start(w040: float) -> FloatArray:
        """The best of some widths, to begin with."""
        tried = [np.array([np.log(top), zn[k], np.log(w * span), w040]) for w in _WIDTHS]
        return min(tried, key=lambda p: float(np.sum(((yn - curve(p, zn)) / own) ** 2)))

    # Either sign of the aberration may trap a descent.
    fit = min((fitted(start(w040), 0.0) for w040 in (-0.4, 0.4)), key=lambda f: float(f.cost))
    known, scatter = spread(fit, 0.0), 0.0
    for _ in range(2):
        scatter = known.scatter
        fit = fitted(fit.x, scatter)
        known = spread(fit, scatter)
    jacobian = np.asarray(fit.jac, dtype=np.float64)
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    peak = float(np.exp(fit.x[0]))
    half_width = peak * known.half_width(0.0)
    if not (0.5 * y.max() < peak < 2 * y.max() and half_width < 0.6 * peak):
        return _sharpest(y, s, float(z[int(np.argmax(y))]), ("focus-fit-failed",))
    best = float(fit.x[1])
    flags = []
    if np.sum(y >= _FLANK * y.max()) < _LEAST_NEAR:
        flags.append("bracket-too-coarse")
    order = np.argsort(z)
    if not z.min() < best < z.max() or int(np.argmax(y[order])) in (0, y.size - 1):
        flags.append("peak-not-bracketed")
    grid = np.linspace(zn.min(), zn.max(), 61)
    return FocusPeak(
        mtf50=peak,
        mtf50_std=half_width / 1.96,  # so that 1.96 of it are the 95 % interval
        mtf50_low95=peak - half_width,
        mtf50_high95=peak + half_width,
        best_focus_um=best,
        best_focus_std_um=float(np.sqrt(covariance[1, 1])),
        curve_um=tuple(grid.tolist()),
        curve_mtf50=tuple(curve(fit.x, grid).tolist()),
        used=tuple(bool(v) for v in near),
        flags=tuple(flags),
    )
