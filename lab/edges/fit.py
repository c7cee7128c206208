"""Fit the forward model to one edge's raw pixels: iterate to the posterior.

All pixels of a strip along the edge take part. First Gauss-Newton with a few shape
components places the edge; then steps to the full posterior. Weights come from the
noise model, which is estimated from what is left over on both sides when none is given;
single pixels far out (dust, dead pixels) are left out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from lab.edges.model import (
    MOST_OUTLIERS,
    N_NUISANCE,
    OUTLIER,
    OUTLIER_STEP,
    EdgeState,
    NormalEquations,
    PixelSet,
    collapsed,
    moved,
    normal_equations,
)
from lab.edges.posterior import departure, nuisance_precision, shape_posterior
from lab.edges.shapes import shape_family
from lab.edges.sites import SiteWindow
from lab.edges.types import FloatArray, NoiseModel

__all__ = ["EdgeFit", "EdgeLostError", "fit_edge"]

_FIRST_MODES = 5
_MODEL_ERROR = 2e-4  # of the step: no pixel is explained better than the tables are exact
# Half width of the strip, in 1 / MTF50 of the lens. Pixels farther out know the levels
# only: leaving them out costs 1 % of the standard uncertainty, and less is asked of the
# light's evenness.
_STRIP = 15.0
_LEAST_STRIP_PX = 40.0
_FEWEST_PIXELS = 100
_MOVED = (0.8, 1.25)  # the blur's first value, if it was farther off, chose wrong pixels


class EdgeLostError(Exception):
    """The fit ran away: there is no one straight edge to follow."""


@dataclass(frozen=True, kw_only=True, eq=False)
class EdgeFit:
    """A fitted edge: state, posterior, and what is left over.

    ``pixels`` are those of the strip. ``covariance`` is ordered: low, step, two gradients,
    offset, angle, curvature, lens f50, coefficients. ``companion`` and ``physical`` hold
    f50 and coefficients of the shape free of optics and of the purely physical one.
    """

    pixels: PixelSet
    state: EdgeState
    covariance: FloatArray
    companion: FloatArray
    companion_covariance: FloatArray
    physical: FloatArray
    physical_covariance: FloatArray
    physical_share: float
    noise: NoiseModel
    distance_px: FloatArray
    along: FloatArray
    residual: FloatArray  # in noise standard deviations of a single pixel
    signal: FloatArray
    keep: FloatArray

    @cached_property
    def chi_square(self) -> float:
        """Mean squared residual of the kept pixels in units of the noise, 1 where all is well."""
        pixels = self.pixels
        within = pixels.scatter / self.noise.variance(self.signal)
        total = self.keep @ (pixels.count * self.residual**2 + within)
        return float(total / (self.keep @ pixels.count))

    @cached_property
    def pixels_used(self) -> int:
        """Number of pixels that the fit kept."""
        return round(float(self.keep @ self.pixels.count))

    @cached_property
    def pixels_left_out(self) -> int:
        """Number of pixels far out, dust and the like."""
        kept = round(float(self.pixels.count.sum())) - self.pixels_used
        return kept + self.pixels.left_out

    @property
    def widening(self) -> float:
        """What the noise model does not explain widens every covariance by this factor."""
        return max(1.0, self.chi_square)

    @property
    def shape(self) -> tuple[FloatArray, FloatArray]:
        """Lens MTF50 and coefficients, and their widened covariance: see ``lab.edges.mtf``."""
        return (
            np.concatenate([[self.state.lens_f50], self.state.coefficient]),
            self.widening * self.covariance[N_NUISANCE:, N_NUISANCE:],
        )


def noise_from_residuals(system: NormalEquations, step: float, quantum: float) -> NoiseModel:
    """Two-level noise model from what a fit left over on both sides of the edge.

    ``quantum`` is the step between pixel values, whose noise is there even where a
    quiet plateau does not show it.
    """
    level, variance = [], []
    for side in (system.bright_share < 0.25, system.bright_share > 0.75):
        if np.count_nonzero(side) < 20:
            side = np.ones(side.shape, dtype=bool)
        r = system.residual[side]
        r = r - np.median(r[::3])
        spread = 1.4826 * float(np.median(np.abs(r[::3])))
        r = r[np.abs(r) <= 5 * spread] if spread > 0 else r
        level.append(float(system.signal[side].mean()))
        variance.append(float(np.mean(r * r)))
    floor = max((_MODEL_ERROR * step) ** 2, quantum**2 / 12)
    rise = level[1] - level[0]
    gain = max((variance[1] - variance[0]) / rise, 0.0) if rise > 0 else 0.0
    read = variance[0] - gain * max(level[0], 0.0) if gain > 0 else float(np.mean(variance))
    if read < 0:  # shot noise alone
        gain, read = variance[1] / level[1], 0.0
    return NoiseModel(read_std=float(np.sqrt(max(read, floor))), gain=gain)


def _quantum(value: FloatArray) -> float:
    """Smallest difference between a few hundred of the pixel values."""
    distinct = np.unique(value[:: max(1, value.size // 400)])
    return float(np.min(np.diff(distinct))) if distinct.size > 1 else 0.0


def fit_edge(
    window: SiteWindow,
    start: EdgeState,
    noise: NoiseModel | None,
    square_side_px: float,
) -> EdgeFit:
    """Fit the model to pixels.

    Parameters
    ----------
    window : SiteWindow
    start : EdgeState
        Rough values; coefficients 0.
    noise : NoiseModel or None
        None: estimated from the residuals.
    square_side_px : float
        Side of the dark square that the edge belongs to; infinite for none.

    Raises
    ------
    EdgeLostError
        If no one straight edge can be followed.
    """
    family = shape_family()
    if noise is not None:
        floor = _MODEL_ERROR * (start.high - start.low)
        noise = NoiseModel(read_std=float(np.hypot(noise.read_std, floor)), gain=noise.gain)
    raw = _strip(window, start, square_side_px, None)
    pixels = raw if noise is None else collapsed(raw, start, noise)
    state, used_noise = _placed(pixels, start, noise)
    if not _MOVED[0] < state.lens_f50 / start.lens_f50 < _MOVED[1]:
        raw = _strip(window, state, square_side_px, raw)
        pixels = raw if noise is None else collapsed(raw, state, noise)
    n_all = family.n
    keep: FloatArray | None = None
    for _ in range(8):
        system = normal_equations(pixels, state, family, n_all, used_noise, keep)
        if noise is None:
            used_noise = noise_from_residuals(system, state.high - state.low, pixels.quantum)
        deviation = np.sqrt(used_noise.variance(system.signal))
        limit = np.maximum(OUTLIER * deviation, OUTLIER_STEP * (state.high - state.low))
        good = np.abs(system.residual) < limit
        # Specks are few, also near the edge itself: a ragged edge is no dust.
        near = np.abs(system.distance) * state.lens_f50 < 0.5
        worst = min(good.mean(), good[near].mean() if near.any() else 1.0)
        if not good.all() and worst > 1 - MOST_OUTLIERS:
            keep = good.astype(np.float64)
            system = normal_equations(pixels, state, family, n_all, used_noise, keep)
        posterior = shape_posterior(system, state, family)
        before = state
        state = _stepped(state, posterior.step, pixels)
        # What a step leaves behind is of the order of its square: it must be well
        # below the uncertainty, or the evidence was weighed at the wrong place.
        std = np.sqrt(np.diag(posterior.covariance))
        f50_limit = min(0.02, max(3e-4, 2 * float(std[N_NUISANCE]) / state.lens_f50))
        if abs(posterior.step[N_NUISANCE]) < f50_limit * state.lens_f50 and abs(
            posterior.step[4]
        ) < min(0.03, max(3e-4, 2 * float(std[4]))):
            break
    return EdgeFit(
        pixels=pixels,
        state=state,
        covariance=posterior.covariance,
        companion=_shape_after(before, posterior.companion_step),
        companion_covariance=posterior.companion_covariance,
        physical=_shape_after(before, posterior.physical_step),
        physical_covariance=posterior.physical_covariance,
        physical_share=posterior.physical_share,
        noise=used_noise,
        distance_px=system.distance,
        along=system.along,
        residual=system.residual / deviation,
        signal=system.signal,
        keep=np.ones_like(pixels.value) if keep is None else keep,
    )


def _strip(
    window: SiteWindow, state: EdgeState, square_side_px: float, scales: PixelSet | None
) -> PixelSet:
    """Single pixels of a strip along the edge, with the scales of an earlier one.

    Raises
    ------
    EdgeLostError
        If hardly any pixel lies in it.
    """
    reach = max(_STRIP / state.lens_f50, _LEAST_STRIP_PX)
    sites = window.strip(state.angle_rad, state.offset_px, reach)
    if sites.value.size < _FEWEST_PIXELS:
        raise EdgeLostError
    if scales is None:
        cos, sin = np.cos(state.angle_rad), np.sin(state.angle_rad)
        along = sites.row * cos - sites.col * sin
        distance = sites.col * cos + sites.row * sin - state.offset_px
        half_length = float(max(along.max(), -along.min()))
        half_width = float(max(distance.max(), -distance.min()))
    else:
        half_length, half_width = scales.half_length, scales.half_width
    return PixelSet(
        value=sites.value,
        row=sites.row,
        col=sites.col,
        count=np.ones_like(sites.value),
        scatter=np.zeros_like(sites.value),
        left_out=0,
        middle=state.offset_px,
        half_length=half_length,
        half_width=half_width,
        quantum=_quantum(sites.value),
        square_side=square_side_px,
    )


def _stepped(state: EdgeState, step: FloatArray, pixels: PixelSet) -> EdgeState:
    """Take a step, if what comes out is still an edge inside the region.

    Raises
    ------
    EdgeLostError
        If it is not.
    """
    if not np.all(np.isfinite(step)):
        raise EdgeLostError
    after = moved(state, step)
    if not (after.high > after.low and abs(after.offset_px - pixels.middle) < pixels.half_width):
        raise EdgeLostError
    return after


def _shape_after(state: EdgeState, step: FloatArray) -> FloatArray:
    return np.concatenate([[state.lens_f50], state.coefficient]) + step


def _placed(
    pixels: PixelSet, start: EdgeState, noise: NoiseModel | None
) -> tuple[EdgeState, NoiseModel]:
    """Gauss-Newton with the first components, until the edge sits still."""
    family = shape_family()
    precision = np.concatenate([nuisance_precision(0.1), [0.0], 1 / family.variance[:_FIRST_MODES]])
    state, used = start, noise
    for _ in range(12):
        system = normal_equations(pixels, state, family, _FIRST_MODES, used, None)
        if noise is None:
            fresh = noise_from_residuals(system, state.high - state.low, pixels.quantum)
            if used is None:  # weights were even: bring them to scale
                mean = 1 / float(np.mean(fresh.variance(system.signal)))
                system = replace(system, normal=system.normal * mean, right=system.right * mean)
            used = fresh
        away = np.concatenate([departure(state), [0.0], state.coefficient[:_FIRST_MODES]])
        step = np.linalg.solve(system.normal + np.diag(precision), system.right - precision * away)
        state = _stepped(state, step, pixels)
        if (
            abs(step[N_NUISANCE]) < 0.05 * state.lens_f50
            and abs(step[4]) < 0.05
            and abs(step[5]) * pixels.half_length < 0.05
        ):
            break
    assert used is not None
    return state, used
