"""The forward model of one edge's raw pixels, and its normal equations.

Model of pixel i, at distance x from the edge's locus and t along it:

    y = (1 + g_t t + g_x x) (low + step E(x; f50, c)) + noise
    x = (col, row) . normal - offset - curvature t**2

E is the shape family's edge profile with the pixel's aperture in the edge's
direction. Its derivatives are held piecewise linear between nodes, 1/48 of the
blur's size apart near the edge (see ``curves``), so the weighted normal equations of
the raw pixels are sums over nodes of weights, weights times powers of t, and the like:
a few weighted counts, whatever the number of parameters. Residuals use cubic
interpolation, so the fit's fixed point is the likelihood's, not the interpolation's.
Pixels near the edge are never binned: every iteration places every one anew.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from lab.edges.curves import node_at, node_curves, node_places
from lab.edges.shapes import ShapeFamily
from lab.edges.types import FloatArray, MaskArray, NoiseModel
from lab.optics.edge_profile import cubic_hermite

__all__ = [
    "MOST_OUTLIERS",
    "N_NUISANCE",
    "OUTLIER",
    "OUTLIER_STEP",
    "EdgeState",
    "NormalEquations",
    "PixelSet",
    "collapsed",
    "moved",
    "normal_equations",
]

N_NUISANCE = 7  # low, step, two gradients, offset, angle, curvature; then f50, coefficients
_F50_LIMITS = (0.004, 1.5)
OUTLIER = 6.0  # noise standard deviations
OUTLIER_STEP = 0.02  # and at least this share of the step: model error is no dust
MOST_OUTLIERS = 0.03
_FAR_U = 2.0
_NODES_PER_CELL, _PIECES = 6, 16  # across the edge, along it
_FEWEST_FAR = 4000  # below it averaging saves nothing

IndexArray = npt.NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, eq=False)
class EdgeState:
    """Parameters of the model. ``coefficient``: components, then odd functions."""

    angle_rad: float
    offset_px: float
    curvature_px: float  # offset of the locus at t = +-1 against t = 0
    low: float
    high: float
    gradient_t: float
    gradient_x: float  # per half width
    lens_f50: float  # lens alone, cycles per pixel
    coefficient: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class PixelSet:
    """The used pixels of a region: values and offsets from the window's centre.

    An item is a pixel, or the mean of ``count`` pixels of one cell whose squared
    departures from it add up to ``scatter`` (see ``collapsed``); ``left_out`` pixels are
    in no item. ``middle`` is the offset that the set lies around,
    ``half_length`` and ``half_width`` scale t and x, ``quantum`` is the step
    between pixel values, ``square_side`` the side of the dark square (px).
    """

    value: FloatArray
    row: FloatArray
    col: FloatArray
    count: FloatArray
    scatter: FloatArray
    left_out: int
    middle: float
    half_length: float
    half_width: float
    quantum: float
    square_side: float


@dataclass(frozen=True, kw_only=True, eq=False)
class NormalEquations:
    """Normal equations at a state: curvature and gradient of the log likelihood."""

    normal: FloatArray
    right: FloatArray
    distance: FloatArray
    along: FloatArray
    residual: FloatArray  # in DN
    signal: FloatArray  # the model's value, for the noise
    bright_share: FloatArray  # E, 0 on the dark side


def _geometry(p: PixelSet, s: EdgeState) -> tuple[FloatArray, FloatArray]:
    cos, sin = np.cos(s.angle_rad), np.sin(s.angle_rad)
    along = (p.row * cos - p.col * sin) / p.half_length
    distance = p.col * cos + p.row * sin - s.offset_px
    if s.curvature_px:
        distance = distance - s.curvature_px * along * along
    return distance, along


def normal_equations(
    p: PixelSet,
    s: EdgeState,
    family: ShapeFamily,
    n_shape: int,
    noise: NoiseModel | None,
    keep: FloatArray | None,
) -> NormalEquations:
    """Residuals and node sums at a state, for the first ``n_shape`` coefficients.

    Parameters
    ----------
    p : PixelSet
    s : EdgeState
    family : ShapeFamily
    n_shape : int
        How many shape coefficients to use; the others must be 0.
    noise : NoiseModel or None
        Gives the weights; None weighs all pixels alike.
    keep : ndarray, (n,), or None
        1 = use the pixel, 0 = leave it out.
    """
    distance, t = _geometry(p, s)
    node = node_at(distance * s.lens_f50)
    whole = np.floor(node)
    part = node - whole
    first, last = int(whole.min()), int(whole.max()) + 1
    at = (whole - first).astype(np.intp)
    n_node = last - first + 1
    used = s.coefficient[:n_shape]
    esf, slope, by_f50 = node_curves(
        family, first, last, s.lens_f50, used, s.angle_rad, p.square_side
    )
    profile = 0.5 + esf[:, 0] + esf[:, 1:] @ used
    step = s.high - s.low
    signal = s.low + step * profile
    place, per_node = node_places(first, last)
    flat = cubic_hermite(signal, slope * (step * per_node), at, part)
    if np.isfinite(p.square_side):
        # The square's other two sides lift its dark towards the corners: Airy tails.
        tail = -_slope_at_zero(family, used) / (2 * np.pi**2 * s.lens_f50)
        half = p.square_side / 2
        off = t * (p.half_length / half)
        flat = flat + (s.high - flat) * ((2 * tail / half) / (1 - off * off))
    light = 1 + s.gradient_t * t + (s.gradient_x / p.half_width) * distance
    residual = p.value - flat * light
    weight = p.count if noise is None else p.count / noise.variance(flat)
    if keep is not None:
        weight = weight * keep

    x_node = place / (s.lens_f50 * p.half_width)
    basis = np.empty((n_node, 6 + n_shape))
    basis[:, 0] = 1
    basis[:, 1] = profile
    basis[:, 2] = signal
    basis[:, 3] = x_node * signal
    basis[:, 4] = (step * s.lens_f50) * slope
    basis[:, 5] = step * by_f50
    basis[:, 6:] = step * esf[:, 1:]
    k, power, picks = _derivatives(n_shape)
    scale = np.ones(8 + n_shape)
    scale[4], scale[5], scale[6] = -1.0, p.half_length, -1.0

    def summed(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(at, values, n_node), dtype=np.float64)

    normal = np.empty((k.size, k.size))
    right = np.empty(k.size)
    moment = weight
    for q in range(5):
        if q:
            moment = moment * t
        # With place p between nodes: sums of (1 - p)**2, p (1 - p) and p**2.
        by_place = moment * part
        first_sum, second_sum = summed(by_place), summed(by_place * part)
        off_diagonal = (first_sum - second_sum)[:-1, None]
        diagonal = summed(moment) - 2 * first_sum + second_sum
        diagonal[1:] += second_sum[:-1]
        # Only columns 2 and 4 ever come with a power of t.
        side = slice(None) if q == 0 else slice(2, 5, 2)
        b = basis[:, side]
        product = diagonal[:, None] * b
        product[:-1] += off_diagonal * b[1:]
        product[1:] += off_diagonal * b[:-1]
        gram = np.zeros((basis.shape[1], basis.shape[1]))
        gram[:, side] = basis.T @ product
        gram[side, :] = gram[:, side].T
        pick, column, other = picks[q]
        normal[pick] = gram[column, other]
        if q < 3:
            upper = summed(by_place * residual)
            node_sum = summed(moment * residual) - upper
            node_sum[1:] += upper[:-1]
            right[power == q] = (node_sum @ basis)[k[power == q]]
    return NormalEquations(
        normal=normal * (scale[:, None] * scale),
        right=right * scale,
        distance=distance,
        along=t,
        residual=residual,
        signal=flat,
        bright_share=(flat - s.low) / step,
    )


@lru_cache(maxsize=8)
def _derivatives(
    n_shape: int,
) -> tuple[IndexArray, IndexArray, list[tuple[MaskArray, IndexArray, IndexArray]]]:
    """Which column and which power of t make each parameter's derivative.

    And which pairs of them go with each sum of two powers: a mask and both columns.
    """
    k = np.array([0, 1, 2, 3, 4, 4, 4, 5, *range(6, 6 + n_shape)])
    power = np.array([0, 0, 1, 0, 0, 1, 2, 0] + [0] * n_shape)
    column, other = np.broadcast_arrays(k[:, None], k)
    total = power[:, None] + power
    return k, power, [(total == q, column[total == q], other[total == q]) for q in range(5)]


def collapsed(p: PixelSet, s: EdgeState, noise: NoiseModel) -> PixelSet:
    """Average the pixels far from the edge over cells small against the profile's bends.

    Beyond twice the blur's size the profile is little but its tail in 1/u, and what is
    averaged is linear in all but that. Single pixels far out of their cell (dust, dead
    pixels) are left out, if they are few.

    Parameters
    ----------
    p : PixelSet
        Single pixels.
    s : EdgeState
        Near the truth.
    noise : NoiseModel
    """
    distance, t = _geometry(p, s)
    u = distance * s.lens_f50
    far = np.flatnonzero(np.abs(u) > _FAR_U)
    if far.size < _FEWEST_FAR:
        return p
    across = np.floor(node_at(u[far]) / _NODES_PER_CELL).astype(np.intp)
    across -= across.min()
    piece = np.clip((t[far] + 1) * (_PIECES / 2), 0, _PIECES - 1).astype(np.intp)
    cell = across * _PIECES + piece
    value = p.value[far]
    mean = np.bincount(cell, value) / np.maximum(np.bincount(cell), 1)
    good = _in_keeping(value, cell, mean, noise, s)
    if not good.all():  # dust draws a cell's mean towards itself, but not its median
        good = _in_keeping(value, cell, _medians(value, cell), noise, s)
        if good.mean() > 1 - MOST_OUTLIERS:
            far, cell, value = far[good], cell[good], value[good]
    count = np.bincount(cell).astype(np.float64)
    share = 1 / np.maximum(count, 1)
    mean = np.bincount(cell, value) * share
    off = value - mean[cell]
    live = count > 0
    near = np.abs(u) <= _FAR_U
    n_near = int(np.count_nonzero(near))

    def joined(single: FloatArray, mean: FloatArray) -> FloatArray:
        return np.concatenate([single[near], mean[live]])

    ones = np.ones(n_near)
    return replace(
        p,
        value=joined(p.value, mean),
        row=joined(p.row, np.bincount(cell, p.row[far]) * share),
        col=joined(p.col, np.bincount(cell, p.col[far]) * share),
        count=np.concatenate([ones, count[live]]),
        scatter=np.concatenate([0 * ones, np.bincount(cell, off * off)[live]]),
        left_out=p.value.size - n_near - far.size,
    )


def _in_keeping(
    value: FloatArray, cell: IndexArray, middle: FloatArray, noise: NoiseModel, s: EdgeState
) -> MaskArray:
    """Which pixels are no farther from the middle of their cell than noise explains."""
    deviation = np.sqrt(noise.variance(middle))
    limit = np.maximum(OUTLIER * deviation, OUTLIER_STEP * abs(s.high - s.low))
    return np.asarray(np.abs(value - middle[cell]) <= limit[cell])


def _medians(value: FloatArray, cell: IndexArray) -> FloatArray:
    """Median of each cell, 0 of one without pixels."""
    count = np.bincount(cell)
    ordered = value[np.lexsort((value, cell))]
    at = np.cumsum(count) - count + count // 2
    return np.where(count > 0, ordered[np.minimum(at, ordered.size - 1)], 0.0)


def _slope_at_zero(family: ShapeFamily, coefficient: FloatArray) -> float:
    """Initial slope of the lens's transfer function by t: what its tails are made of."""
    first = family.transfer[1, : coefficient.size + 1]
    even = min(coefficient.size, family.n_even)
    value = first[0] + first[1 : 1 + even] @ coefficient[:even]
    return float((value - 1) / family.t[1])


def moved(s: EdgeState, delta: FloatArray) -> EdgeState:
    """State after a step, each part kept within a sane stride."""
    coefficient = s.coefficient.copy()
    coefficient[: delta.size - 8] += delta[8:]
    ratio = float(np.clip(1 + delta[7] / s.lens_f50, 0.6, 1.6))
    return EdgeState(
        angle_rad=s.angle_rad + float(np.clip(delta[5], -0.1, 0.1)),
        offset_px=s.offset_px + float(delta[4]),
        curvature_px=s.curvature_px + float(np.clip(delta[6], -2, 2)),
        low=s.low + float(delta[0]),
        high=s.high + float(delta[0] + delta[1]),
        gradient_t=s.gradient_t + float(np.clip(delta[2], -0.3, 0.3)),
        gradient_x=s.gradient_x + float(np.clip(delta[3], -0.3, 0.3)),
        lens_f50=float(np.clip(s.lens_f50 * ratio, *_F50_LIMITS)),
        coefficient=coefficient,
    )
