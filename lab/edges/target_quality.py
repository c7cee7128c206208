"""How blurred is the target's own edge, seen from the frames?

Whatever an edge is softer than diffraction and pixel allow comes from the lens, from
focus and movement, or from the target. ``excess_blur`` states it for one measured edge
as the variance of a Gaussian on the sensor. From one frame that bounds the target's
blur: all of it may be the target's. From frames at two magnifications or more it is told
apart, since the target's blur grows with magnification and the rest does not:
``excess = residual**2 + (magnification * blur)**2``, fitted by weighted least squares.

Assumed: best focus in every frame, the same stop, and a residual that is the same on the
sensor at every magnification. Aberration that grows with magnification is counted as the
target's: the estimate then errs high; the bound holds all the same. Shapes are taken as
Gaussian, which matters little at MTF50. Raggedness finer than the measured length of
edge is part of the blur found here.

The prediction is only as good as wavelength, stop and pupil ratio. What they shift in all
frames together comes from the caller (``lab.session.target_estimate``) and is carried into
every figure: it decides far more than pixel noise does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from lab.edges.combine import combine
from lab.edges.types import FloatArray, Rejection
from lab.optics.sensor import pixel_mtf
from lab.optics.system import Band, diffraction_mtf

__all__ = [
    "SHARPER_THAN_DIFFRACTION",
    "ExcessBlur",
    "TargetBlur",
    "excess_blur",
    "frame_excess",
    "least_raggedness",
    "median_raggedness",
    "target_blur",
]

SHARPER_THAN_DIFFRACTION = (
    "sharper than diffraction allows: stop, magnification, pixel pitch or pupil ratio is not "
    "the frame's"
)
_STEP = 1e-4  # relative, of the numerical derivatives


@dataclass(frozen=True, kw_only=True)
class ExcessBlur:
    """Blur beyond diffraction and pixel, as the variance of a Gaussian on the sensor.

    Attributes
    ----------
    variance_um2 : float
        Negative where the edge is sharper than predicted. [um**2]
    variance_std_um2 : float
        Its standard uncertainty from the measured edges alone. [um**2]
    per_prediction_um2 : float
        Its change with the logarithm of wavelength x effective f-number. [um**2]
    """

    variance_um2: float
    variance_std_um2: float
    per_prediction_um2: float


@dataclass(frozen=True, kw_only=True)
class TargetBlur:
    """Gaussian blur of the target's edge, standard deviations on the target.

    Attributes
    ----------
    blur_upper95_um : float
        One-sided 95 % limit: all of the excess may be the target's. [um]
    blur_um, blur_std_um, blur_low95_um, blur_high95_um : float or None
        Estimate, standard uncertainty and two-sided 95 % interval; None with a single
        magnification. [um]
    residual_image_um : float or None
        What the lens, focus and movement add at every magnification, on the sensor. [um]
    """

    blur_upper95_um: float
    blur_um: float | None = None
    blur_std_um: float | None = None
    blur_low95_um: float | None = None
    blur_high95_um: float | None = None
    residual_image_um: float | None = None


def excess_blur(
    mtf50_cyc_per_px: float,
    mtf50_std: float,
    *,
    edge_angle_deg: float,
    pixel_pitch_um: float,
    f_number: float,
    wavelength_um: float | Band,
) -> ExcessBlur | Rejection:
    """Blur of one measured edge beyond diffraction and pixel.

    From ``diffraction(f) pixel(f) exp(-2 pi**2 S**2 f**2) = 1/2`` at the measured MTF50:
    ``S**2 = ln(2 diffraction pixel) / (2 pi**2 f**2)``.

    Parameters
    ----------
    mtf50_cyc_per_px, mtf50_std : float
        Of lens and pixel, and its standard uncertainty. [cycles per px], > 0
    edge_angle_deg : float
        Of the edge's normal against the pixel rows. [deg]
    pixel_pitch_um : float
        [um], > 0
    f_number : float
        Effective f-number. [-], > 0
    wavelength_um : float or Band
        [um], > 0

    Returns
    -------
    ExcessBlur or Rejection
        A Rejection where diffraction lets nothing through at the measured MTF50.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    if not (0 < mtf50_cyc_per_px < math.inf and 0 < mtf50_std < math.inf):
        raise ValueError("mtf50_cyc_per_px and mtf50_std must be finite numbers > 0")
    if not 0 < pixel_pitch_um < math.inf:
        raise ValueError("pixel_pitch_um must be a finite number > 0")

    def variance(per_px: FloatArray, scale: float = 1.0) -> FloatArray:
        """At frequencies (n,), with the prediction's f-number scaled."""
        f = per_px * (1e3 / pixel_pitch_um)
        lens = diffraction_mtf(f, wavelength_um=wavelength_um, f_number=f_number * scale)
        left = 2 * lens * pixel_mtf(per_px, edge_angle_deg)
        return np.asarray(1e6 * np.log(left) / (2 * (np.pi * f) ** 2))

    steps = mtf50_cyc_per_px * np.array([1.0, 1 - _STEP, 1 + _STEP])
    beyond = diffraction_mtf(
        steps[2:] * (1e3 / pixel_pitch_um),
        wavelength_um=wavelength_um,
        f_number=f_number * (1 + _STEP),
    )
    if not beyond[0] * pixel_mtf(steps[2], edge_angle_deg) > 0:
        return Rejection(reason=SHARPER_THAN_DIFFRACTION)
    at, below, above = variance(steps)
    slower, faster = variance(steps[:1], 1 - _STEP)[0], variance(steps[:1], 1 + _STEP)[0]
    slope = (above - below) / (steps[2] - steps[1])
    return ExcessBlur(
        variance_um2=float(at),
        variance_std_um2=float(abs(slope) * mtf50_std),
        per_prediction_um2=float((faster - slower) / (2 * _STEP)),
    )


def frame_excess(edges: Sequence[ExcessBlur]) -> ExcessBlur:
    """One frame's excess blur from several of its edges, with their scatter.

    Parameters
    ----------
    edges : sequence of ExcessBlur, (n,)
        n >= 1

    Raises
    ------
    ValueError
        If there is no edge.
    """
    mean, std = combine([e.variance_um2 for e in edges], [e.variance_std_um2 for e in edges])
    return ExcessBlur(
        variance_um2=mean,
        variance_std_um2=std,
        per_prediction_um2=float(np.mean([e.per_prediction_um2 for e in edges])),
    )


def target_blur(
    magnifications: Sequence[float],
    frames: Sequence[ExcessBlur],
    common_std_um2: npt.ArrayLike,
) -> TargetBlur:
    """Bound and, with two magnifications or more, estimate of the target's own blur.

    Parameters
    ----------
    magnifications : sequence of float, (n,)
        Of each frame. [-], > 0, n >= 1
    frames : sequence of ExcessBlur, (n,)
    common_std_um2 : array_like, (k, n)
        By how much one standard uncertainty of each common cause, independent of the
        others, moves each frame's variance. [um**2], signed; k may be 0

    Returns
    -------
    TargetBlur

    Raises
    ------
    ValueError
        If the lengths differ or are 0, or a value is outside its range.

    Notes
    -----
    Each frame alone bounds the blur. The smallest limit of n is taken at 1 - 0.05 / n
    each, so that all hold together at 95 % (Bonferroni, from memory). The estimate is
    kept from negative variances; its interval is that of the free fit, whose upper end
    counts from zero where the free fit is negative. Three frames or more that scatter
    beyond their uncertainties widen it, with Student's t.
    """
    m = np.asarray(magnifications, dtype=np.float64)
    if m.size == 0 or m.shape != (len(frames),):
        raise ValueError("magnifications and frames need one length >= 1")
    if not np.all((m > 0) & (m < np.inf)):
        raise ValueError("magnifications must be finite numbers > 0")
    common = np.asarray(common_std_um2, dtype=np.float64)
    if common.ndim != 2 or common.shape[1] != m.size or not np.all(np.isfinite(common)):
        raise ValueError("common_std_um2 must be finite numbers, a row a cause, a column a frame")
    excess = np.array([frame.variance_um2 for frame in frames])
    noise = np.array([frame.variance_std_um2 for frame in frames])
    quantile = NormalDist().inv_cdf(1 - 0.05 / m.size)
    limit = np.maximum(excess, 0.0) + quantile * np.sqrt(noise**2 + np.sum(common**2, axis=0))
    upper95 = float(np.min(np.sqrt(limit) / m))
    if np.ptp(m) < 1e-9 * m.max():
        return TargetBlur(blur_upper95_um=upper95)
    fit = _fitted(m**2, excess, noise, common)
    return TargetBlur(
        blur_upper95_um=upper95,
        blur_um=math.sqrt(fit.blur2),
        blur_std_um=_root_std(fit.blur2, fit.free_std),
        blur_low95_um=math.sqrt(min(max(fit.free - fit.free_half95, 0.0), fit.blur2)),
        blur_high95_um=math.sqrt(max(fit.free, fit.blur2) + fit.free_half95),
        residual_image_um=math.sqrt(fit.residual2),
    )


class _Fit(NamedTuple):
    """blur**2 of the free fit with half its 95 % interval, then both squares kept >= 0."""

    free: float
    free_std: float
    free_half95: float
    residual2: float
    blur2: float


def _fitted(x: FloatArray, excess: FloatArray, noise: FloatArray, common: FloatArray) -> _Fit:
    """Fit ``excess = residual**2 + x blur**2``."""
    from scipy.special import stdtrit

    weight = 1 / noise**2
    design = np.stack([np.ones_like(x), x], axis=1)
    covariance = np.linalg.inv(design.T @ (weight[:, None] * design))
    pull = covariance @ (design.T * weight)  # (2, n): each frame's share in the result
    free = pull @ excess
    freedom = x.size - 2
    own, normal = math.sqrt(covariance[1, 1]), NormalDist().inv_cdf(0.975)
    quantile = normal
    if freedom > 0:
        chi_square = float(weight @ (excess - design @ free) ** 2) / freedom
        if chi_square > 1:
            own, quantile = own * math.sqrt(chi_square), float(stdtrit(freedom, 0.975))
    shared = float(np.linalg.norm(common @ pull[1]))
    residual2, blur2 = (float(v) for v in free)
    if residual2 < 0:
        residual2, blur2 = 0.0, float(weight @ (x * excess) / (weight @ x**2))
    if blur2 < 0:
        residual2, blur2 = max(float(weight @ excess / weight.sum()), 0.0), 0.0
    return _Fit(
        free=float(free[1]),
        free_std=math.hypot(own, shared),
        free_half95=math.hypot(quantile * own, normal * shared),
        residual2=residual2,
        blur2=blur2,
    )


def median_raggedness(values_um: Sequence[float], stds_um: Sequence[float]) -> tuple[float, float]:
    """Typical raggedness of several edges, and its standard uncertainty. [um].

    The median of the variances: those that noise made negative are stated as 0, which
    lifts a mean but no median, and a nick in one edge is not the target's raggedness.

    Parameters
    ----------
    values_um, stds_um : sequence of float, (n,)
        As ``lab.edges.locus.raggedness`` states them, n >= 1. [um], >= 0 and > 0

    Raises
    ------
    ValueError
        If the lengths differ or are 0, or a value is outside its range.
    """
    value = np.asarray(values_um, dtype=np.float64)
    std = np.asarray(stds_um, dtype=np.float64)
    if value.size == 0 or value.shape != std.shape or not np.all((value >= 0) & (std > 0)):
        raise ValueError("values_um and stds_um need one length >= 1, values >= 0 and stds > 0")
    mean_std = math.hypot(*map(_variance_std, values_um, stds_um)) / value.size
    # A median of normal values scatters sqrt(pi / 2) times as much as their mean.
    loss = math.sqrt(math.pi / 2) if value.size > 2 else 1.0
    variance = float(np.median(value**2))
    return math.sqrt(variance), _root_std(variance, loss * mean_std)


def least_raggedness(value: float, std: float) -> float:
    """Smallest raggedness that would show beyond noise, in the unit given.

    Three standard uncertainties of the variance; below it a stated value may be noise.

    Parameters
    ----------
    value, std : float
        Raggedness and its standard uncertainty, as ``lab.edges.locus.raggedness`` or
        ``median_raggedness`` states them. >= 0 and > 0
    """
    return math.sqrt(3 * _variance_std(value, std))


def _variance_std(value: float, std: float) -> float:
    """Standard uncertainty of the variance: undoes `_root_std`."""
    return 2 * std * max(value, 2 * std)


def _root_std(variance: float, variance_std: float) -> float:
    """Standard uncertainty of a variance's root; near zero, of what would just show."""
    return variance_std / (2 * math.sqrt(max(variance, variance_std)))
