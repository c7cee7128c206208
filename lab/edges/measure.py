"""MTF50 of one slanted edge from raw pixels, with its uncertainty.

``measure_edge`` takes a region that holds one straight edge and nothing else,
finds the edge, fits the forward model (see ``fit``) and reads the figures off
the fitted curve. What cannot be measured comes back as a ``Rejection``.

Frequencies run along the edge's normal in cycles per pixel pitch. MTF and
MTF50 are the system's, lens and pixel; the lens alone is beside them.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from lab.edges.fit import EdgeFit, EdgeLost, fit_edge
from lab.edges.curves import node_curves
from lab.edges.model import N_NUISANCE, EdgeState
from lab.edges.shapes import NODES_PER_UNIT, shape_family
from lab.edges.start import EdgeStart, find_start
from lab.edges.types import FloatArray, MaskArray, NoiseModel, Rejection
from lab.optics.sensor import pixel_mtf

__all__ = ["EdgeMeasurement", "measure_edge"]

_MIN_PIXELS = 150
_MIN_EXTENT = 12
_MIN_STEP = 6.0  # in noise standard deviations
_FREQUENCY = np.linspace(0.0, 1.0, 101)


@dataclass(frozen=True, kw_only=True, eq=False)
class EdgeMeasurement:
    """One measured edge.

    Attributes
    ----------
    mtf50_cyc_per_px, mtf50_std : float
        Frequency where the system's MTF falls to one half. [cycles per pixel]
    mtf20_cyc_per_px, mtf10_cyc_per_px : float or None
        Likewise for 0.2 and 0.1, with ``_std``; None if the curve stays above.
    lens_mtf50_cyc_per_px, lens_mtf50_std : float
        The lens alone, the pixel's aperture divided out.
    frequency_cyc_per_px, mtf, mtf_std : ndarray, (101,)
        The system's MTF from 0 to 1 cycle per pixel, pointwise uncertainty.
    companion_mtf50_cyc_per_px, companion_mtf50_std : float
        MTF50 with the shape free of optics; beside the figure, for comparison.
    angle_deg : float
        Of the normal, dark to bright; 0 = towards higher columns, 90 = higher rows.
    offset_px : float
        Of the edge along the normal from the region's centre.
    sagitta_px : float
        Departure of the locus from straight, ends against middle.
    low_dn, high_dn : float
        Levels of both sides.
    noise : NoiseModel
        Given or estimated.
    raggedness_px, raggedness_std : float
        Standard deviation of the edge's locus beyond noise, along 16 pieces, and
        the uncertainty of its estimate.
    pixels_used, pixels_left_out : int
    flags : tuple of str
    """

    mtf50_cyc_per_px: float
    mtf50_std: float
    mtf20_cyc_per_px: float | None
    mtf20_std: float | None
    mtf10_cyc_per_px: float | None
    mtf10_std: float | None
    lens_mtf50_cyc_per_px: float
    lens_mtf50_std: float
    companion_mtf50_cyc_per_px: float
    companion_mtf50_std: float
    frequency_cyc_per_px: FloatArray
    mtf: FloatArray
    mtf_std: FloatArray
    angle_deg: float
    offset_px: float
    sagitta_px: float
    low_dn: float
    high_dn: float
    noise: NoiseModel
    raggedness_px: float
    raggedness_std: float
    pixels_used: int
    pixels_left_out: int
    flags: tuple[str, ...]
    fit: EdgeFit = field(repr=False)

    def mtf_at(self, frequency_cyc_per_px: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """MTF and its standard uncertainty, (n,), at frequencies >= 0. [cycles per pixel]"""
        state = self.fit.state
        shape = np.concatenate([[state.lens_f50], state.coefficient])
        return _curve(
            np.atleast_1d(np.asarray(frequency_cyc_per_px, dtype=np.float64)),
            shape,
            max(1.0, _chi_square(self.fit)) * self.fit.covariance[N_NUISANCE:, N_NUISANCE:],
            state.angle_rad,
        )

    def edge_spread(self, x_px: npt.ArrayLike) -> FloatArray:
        """Fitted edge spread function, pixel included, 0 to 1, at distances from the edge."""
        state = self.fit.state
        node = np.asarray(x_px, dtype=np.float64) * (state.lens_f50 * NODES_PER_UNIT)
        first, last = int(np.floor(node.min())), int(np.ceil(node.max())) + 1
        esf, _, _ = node_curves(
            shape_family(),
            first,
            last,
            state.lens_f50,
            state.coefficient,
            state.angle_rad,
            np.inf,
        )
        profile = 0.5 + esf[:, 0] + esf[:, 1:] @ state.coefficient
        return np.asarray(np.interp(node, np.arange(first, last + 1), profile))


def _functions(f: FloatArray, f50: float) -> tuple[FloatArray, FloatArray]:
    """The family's transfer functions at f (n, n_col), and their slopes by t."""
    family = shape_family()
    per_t = (family.t.size - 1) / family.t[-1]
    at = np.minimum(f * (per_t / f50), family.t.size - 1.001)
    i = at.astype(np.intp)
    low = family.transfer[i]
    rise = family.transfer[i + 1] - low
    return low + (at - i)[:, None] * rise, rise * per_t


def _curve(
    f: FloatArray, shape: FloatArray, covariance: FloatArray, angle_rad: float
) -> tuple[FloatArray, FloatArray]:
    """System MTF at f (n,) and its standard uncertainty; ``shape`` = lens f50, coefficients."""
    n_even = 1 + shape_family().n_modes
    f50 = float(shape[0])
    functions, slopes = _functions(f, f50)
    mix = np.concatenate([[1.0], shape[1:]])
    pixel = np.abs(pixel_mtf(f, float(np.rad2deg(angle_rad))))
    real = functions[:, :n_even] @ mix[:n_even]
    imaginary = functions[:, n_even:] @ mix[n_even:]
    size = np.hypot(real, imaginary)
    to_real = real / np.maximum(size, 1e-12)
    to_imaginary = imaginary / np.maximum(size, 1e-12)
    slope = to_real * (slopes[:, :n_even] @ mix[:n_even]) + to_imaginary * (
        slopes[:, n_even:] @ mix[n_even:]
    )
    gradient = np.empty((f.size, shape.size))
    gradient[:, 0] = -slope * f / f50**2
    gradient[:, 1:n_even] = to_real[:, None] * functions[:, 1:n_even]
    gradient[:, n_even:] = to_imaginary[:, None] * functions[:, n_even:]
    variance = np.einsum("ij,ij->i", gradient @ covariance, gradient)
    return size * pixel, np.sqrt(np.maximum(variance, 0.0)) * pixel


def _level_crossing(
    level: float, shape: FloatArray, covariance: FloatArray, angle_rad: float
) -> tuple[float, float] | None:
    """Frequency at which the system's MTF first falls to a level, and its uncertainty."""
    family = shape_family()
    n_even = 1 + family.n_modes
    mix = np.concatenate([[1.0], shape[1:]])
    lens = np.hypot(
        family.transfer[:, :n_even] @ mix[:n_even], family.transfer[:, n_even:] @ mix[n_even:]
    )
    f = family.t * shape[0]
    value = lens * np.abs(pixel_mtf(f, float(np.rad2deg(angle_rad))))
    below = np.flatnonzero(value < level)
    if below.size == 0 or below[0] == 0:
        return None
    k = int(below[0])
    slope = float((value[k] - value[k - 1]) / (f[k] - f[k - 1]))
    found = float(f[k - 1] + (level - value[k - 1]) / slope)
    _, std = _curve(np.array([found]), shape, covariance, angle_rad)
    return found, float(std[0] / abs(slope))


def _clipped_side(values: FloatArray) -> str | None:
    """Which end of the scale holds a pile of equal values that the other end lacks."""
    top = np.count_nonzero(values == values.max()) / values.size
    bottom = np.count_nonzero(values == values.min()) / values.size
    if top > 0.05 and top > 5 * bottom:
        return "bright"
    if bottom > 0.05 and bottom > 5 * top:
        return "dark"
    return None


def _raggedness(fit: EdgeFit) -> tuple[float, float]:
    """Scatter of the locus over 16 pieces beyond noise, px, and its uncertainty."""
    state = fit.state
    reach = 0.9 / state.lens_f50
    near = (np.abs(fit.distance_px) < reach) & (fit.keep > 0)
    x, along = fit.distance_px[near], fit.along[near]
    node = x * (state.lens_f50 * NODES_PER_UNIT)
    first, last = int(np.floor(node.min())), int(np.floor(node.max())) + 1
    _, slope, _ = node_curves(
        shape_family(), first, last, state.lens_f50, state.coefficient, state.angle_rad, np.inf
    )
    step = state.high - state.low
    gradient = -step * state.lens_f50 * np.interp(node, np.arange(first, last + 1), slope)
    gradient = gradient / np.sqrt(fit.noise.variance(fit.signal[near]))
    piece = np.minimum(((along + 1) * 8).astype(np.intp), 15)
    information = np.bincount(piece, gradient * gradient, 16)
    shift = np.bincount(piece, gradient * fit.residual[near], 16)
    good = information > 0.2 * np.median(information)
    if good.sum() < 6:
        return 0.0, float("inf")
    place = shift[good] / information[good]
    noise = 1 / information[good]
    n = int(good.sum())
    # Offset, angle and curvature were fitted: three of the pieces' freedoms are gone.
    scatter = float(np.sum(place**2) / (n - 3))
    expected = float(np.mean(noise))
    excess = scatter - expected
    std_of_variance = scatter * np.sqrt(2 / (n - 3))
    ragged = float(np.sqrt(max(excess, 0.0)))
    return ragged, float(std_of_variance / (2 * max(ragged, np.sqrt(std_of_variance))))


def _structure(fit: EdgeFit, row: FloatArray, col: FloatArray) -> tuple[float, float]:
    """Largest mean residual over cells of an eighth of the region, and the noise of such
    a mean, both over the step."""
    cell_row = np.floor((row - row.min()) / (np.ptp(row) + 1) * 8).astype(np.intp)
    cell_col = np.floor((col - col.min()) / (np.ptp(col) + 1) * 8).astype(np.intp)
    cell = cell_row * 8 + cell_col
    step = fit.state.high - fit.state.low
    deviation = np.sqrt(fit.noise.variance(fit.signal)) / step
    count = np.bincount(cell, minlength=64)
    full = count > 8
    mean = np.bincount(cell, fit.residual * deviation, 64)[full] / count[full]
    noise = np.sqrt(np.bincount(cell, deviation**2, 64)[full]) / count[full]
    worst = int(np.argmax(np.abs(mean)))
    return float(abs(mean[worst])), float(noise[worst])


def measure_edge(
    pixels: npt.NDArray[np.float64],
    mask: MaskArray | None = None,
    noise: NoiseModel | None = None,
    *,
    far_side_px: float = np.inf,
) -> EdgeMeasurement | Rejection:
    """Measure the one slanted edge in a region.

    Parameters
    ----------
    pixels : ndarray, (n_row, n_col) float64
        Linear, black-subtracted. [DN or any linear unit]
    mask : ndarray of bool, (n_row, n_col), optional
        True = use; one raw colour's sites, unsaturated. None: all.
    noise : NoiseModel, optional
        In the same unit. None: estimated from the region.
    far_side_px : float
        Where the dark side is a bar or square: the distance to its parallel far
        edge, outside the region. Its tail lifts the dark side; left in, it overstates
        MTF50 by up to 1 % where the blur is a twentieth of the bar. [px], > 0

    Returns
    -------
    EdgeMeasurement or Rejection
        A Rejection's reason is for the photographer.

    Raises
    ------
    ValueError
        If an array has the wrong shape or far_side_px is not > 0.
    """
    if not far_side_px > 0:
        raise ValueError("far_side_px must be > 0")
    pixels = np.asarray(pixels, dtype=np.float64)
    if pixels.ndim != 2:
        raise ValueError("pixels must have two dimensions (n_row, n_col)")
    use = np.ones(pixels.shape, dtype=bool) if mask is None else np.asarray(mask, dtype=bool)
    if use.shape != pixels.shape:
        raise ValueError("mask must have the shape of pixels")
    count = int(np.count_nonzero(use))
    if count == 0:
        return Rejection(reason="no pixel of the region may be used (empty mask)")
    if min(pixels.shape) < _MIN_EXTENT or count < _MIN_PIXELS:
        return Rejection(
            reason=f"the region is too small: {count} pixels used, "
            f"at least {_MIN_PIXELS} and {_MIN_EXTENT} rows and columns are needed"
        )
    value = pixels[use]
    bad = int(np.count_nonzero(~np.isfinite(value)))
    if bad:
        return Rejection(reason=f"{bad} of {count} pixels hold no number; mask them out")
    if value.min() == value.max():
        return Rejection(reason="the region is uniform: no edge in it")
    side = _clipped_side(value)
    if side is not None:
        mend = "halve the exposure" if side == "bright" else "expose more or check the black level"
        return Rejection(reason=f"the {side} side is clipped: {mend}")
    start = find_start(np.where(use, pixels, 0.0), use)
    if isinstance(start, Rejection):
        return start
    row, col = np.nonzero(use)
    row = row - (pixels.shape[0] - 1) / 2
    col = col - (pixels.shape[1] - 1) / 2
    return _measured(value, row, col, start, noise, far_side_px)


def _measured(
    value: FloatArray,
    row: FloatArray,
    col: FloatArray,
    start: EdgeStart,
    noise: NoiseModel | None,
    far_side_px: float,
) -> EdgeMeasurement | Rejection:
    family = shape_family()
    state = EdgeState(
        angle_rad=start.angle_rad,
        offset_px=start.offset_px,
        curvature_px=0.0,
        low=start.low,
        high=start.high,
        gradient_t=0.0,
        gradient_x=0.0,
        # A Gaussian's MTF50 is 0.18739 / std; a lens's tails make it look 15 % softer.
        lens_f50=1.15 * 0.18739 / np.sqrt(max(start.blur_std_px**2 - 1 / 12, 0.35**2)),
        coefficient=np.zeros(family.n_modes + family.n_odd),
    )
    try:
        fit = fit_edge(value, row, col, state, noise, far_side_px)
    except (EdgeLost, np.linalg.LinAlgError):
        return Rejection(reason="no single straight edge could be followed in the region")
    reason = _unfit(fit, row, col)
    if reason is not None:
        return Rejection(reason=reason)
    state = fit.state
    angle = state.angle_rad
    shape = np.concatenate([[state.lens_f50], state.coefficient])
    # What the noise model does not explain widens every uncertainty.
    surplus = max(1.0, _chi_square(fit))
    covariance = surplus * fit.covariance[N_NUISANCE:, N_NUISANCE:]
    companion_covariance = surplus * fit.companion_covariance
    mtf50 = _level_crossing(0.5, shape, covariance, angle)
    companion = _level_crossing(0.5, fit.companion, companion_covariance, angle)
    if mtf50 is None or companion is None or not mtf50[1] < 0.3 * mtf50[0]:
        return Rejection(
            reason="the blur is too wide for the region: both sides of the edge must be in it"
        )
    mtf20 = _level_crossing(0.2, shape, covariance, angle)
    mtf10 = _level_crossing(0.1, shape, covariance, angle)
    curve, curve_std = _curve(_FREQUENCY, shape, covariance, angle)
    ragged, ragged_std = _raggedness(fit)
    return EdgeMeasurement(
        mtf50_cyc_per_px=mtf50[0],
        mtf50_std=mtf50[1],
        mtf20_cyc_per_px=None if mtf20 is None else mtf20[0],
        mtf20_std=None if mtf20 is None else mtf20[1],
        mtf10_cyc_per_px=None if mtf10 is None else mtf10[0],
        mtf10_std=None if mtf10 is None else mtf10[1],
        lens_mtf50_cyc_per_px=state.lens_f50,
        lens_mtf50_std=float(np.sqrt(covariance[0, 0])),
        companion_mtf50_cyc_per_px=companion[0],
        companion_mtf50_std=companion[1],
        frequency_cyc_per_px=_FREQUENCY,
        mtf=curve,
        mtf_std=curve_std,
        angle_deg=float((np.rad2deg(angle) + 180) % 360 - 180),
        offset_px=state.offset_px,
        sagitta_px=state.curvature_px,
        low_dn=state.low,
        high_dn=state.high,
        noise=fit.noise,
        raggedness_px=ragged,
        raggedness_std=ragged_std,
        pixels_used=int(fit.keep.sum()),
        pixels_left_out=int(fit.keep.size - fit.keep.sum()),
        flags=_flags(fit, mtf50, companion, curve, ragged, ragged_std),
        fit=fit,
    )


def _chi_square(fit: EdgeFit) -> float:
    """Mean squared residual of the kept pixels in units of the noise, 1 where all is well."""
    return float(fit.keep @ fit.residual**2 / fit.keep.sum())


def _unfit(fit: EdgeFit, row: FloatArray, col: FloatArray) -> str | None:
    """Why a fit must not be believed, or None."""
    state = fit.state
    step = state.high - state.low
    numbers = np.array([state.angle_rad, state.offset_px, state.low, state.high, state.lens_f50])
    if not np.all(np.isfinite(numbers)) or not step > 0:
        return "no single straight edge could be followed in the region"
    deviation = float(np.sqrt(fit.noise.variance((state.low + state.high) / 2)))
    if step < _MIN_STEP * deviation:
        return (
            f"the step is only {step / deviation:.1f} times the noise "
            f"(at least {_MIN_STEP:.0f}): more light or more contrast"
        )
    share = np.mean(fit.distance_px > 0)
    if not 0.08 < share < 0.92:
        return "the edge lies at the border of the region: one of its sides is missing"
    largest, spread = _structure(fit, row, col)
    if largest > 0.06 and largest > 8 * spread:
        return (
            "something besides one straight edge is in the region "
            f"({100 * largest:.0f} % of the step left over): a second edge, a corner or dirt"
        )
    if min(fit.distance_px.max(), -fit.distance_px.min()) * state.lens_f50 < 0.3:
        return "the blur is too wide for the region: both sides of the edge must be in it"
    return _too_few_phases(fit)


def _too_few_phases(fit: EdgeFit) -> str | None:
    """Pixels sample the profile at their distances; a gap wider than the blur can bridge
    leaves it unknown there (an edge along the pixel grid, or at 45 degrees)."""
    near = np.sort(fit.distance_px[np.abs(fit.distance_px) < 0.5 / fit.state.lens_f50])
    if near.size < 10:
        return "too few pixels lie on the edge itself"
    gap = float(np.max(np.diff(near)))
    # Diffraction's cut-off lies at 2.5 MTF50: twice that must be sampled.
    if gap * fit.state.lens_f50 > 0.2:
        return (
            f"the edge's angle samples the profile only every {gap:.2f} px, too coarse for "
            "this blur: turn the target by a few degrees"
        )
    return None


def _flags(
    fit: EdgeFit,
    mtf50: tuple[float, float],
    companion: tuple[float, float],
    curve: FloatArray,
    ragged: float,
    ragged_std: float,
) -> tuple[str, ...]:
    state = fit.state
    flags = []
    apart = abs(companion[0] - mtf50[0])
    if fit.physical_share < 0.02:
        flags.append("shape-outside-model")
    if apart > 3 * companion[1] and apart > 0.01 * mtf50[0]:
        flags.append("shape-disagrees")
    if float(curve.max()) > 1.03:
        flags.append("overshoot")
    if mtf50[1] > 0.05 * mtf50[0]:
        flags.append("noisy")
    if min(fit.distance_px.max(), -fit.distance_px.min()) * state.lens_f50 < 0.9:
        flags.append("wide-blur")
    if _chi_square(fit) > 1.5:
        flags.append("noise-above-model")
    if fit.keep.mean() < 1:
        flags.append("specks-left-out")
    if ragged > 3 * ragged_std and 2 * (np.pi * ragged * mtf50[0]) ** 2 > 0.02:
        flags.append("ragged-edge")
    return tuple(flags)
