"""From the normal equations to the shape: the prior's mixture, weighed by evidence.

The pixels' likelihood is quadratic in the shape (lens f50 and the family's
coefficients) once levels and place are integrated out. Every component of the
prior is Gaussian, so its evidence, mean and covariance are closed forms; the
answer is their mixture. Components: the manifold of physical shapes (local,
low-dimensional), and the same space with wide variances, free of optics. Both
with the light even over the region, or with a gradient.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lab.edges.model import N_NUISANCE, EdgeState, NormalEquations
from lab.edges.shapes import ShapeFamily
from lab.edges.types import FloatArray

__all__ = ["ShapePosterior", "departure", "nuisance_precision", "shape_posterior"]

# Standard deviation of the light's gradient over half the region: even, or free.
GRADIENT_STD = (1e-4, 0.1)
_SAGITTA_STD_PX = 2.0
# Wide components: width in standard deviations of the grid's coefficients, share of the
# prior. The last is the companion.
FREE = ((1.0, 0.06), (8.0, 0.02))
# The mixture's spread is the average over all lenses that the prior holds possible; for
# any one lens the estimates scatter less. The factor brings the 95 % intervals of the
# study in tests/bench to their nominal coverage.
_CALIBRATION = 0.95
_KEPT = 32  # grid points worked out in full; the rest are too far to matter


@dataclass(frozen=True, kw_only=True, eq=False)
class ShapePosterior:
    """Step from the current state to the posterior mean, and its covariance.

    Order: nuisance parameters, lens f50, coefficients. ``physical_share`` is the
    posterior weight of the physical components. ``companion_*`` are f50 and
    coefficients (steps) of the widest component alone, ``physical_*`` of the
    physical ones alone.
    """

    step: FloatArray
    covariance: FloatArray
    physical_share: float
    companion_step: FloatArray
    companion_covariance: FloatArray
    physical_step: FloatArray
    physical_covariance: FloatArray


def nuisance_precision(gradient_std: float) -> FloatArray:
    """Prior precisions of levels, gradients and place (0 = flat)."""
    precision = np.zeros(N_NUISANCE)
    precision[2:4] = 1 / gradient_std**2
    precision[6] = 1 / _SAGITTA_STD_PX**2
    return precision


def departure(state: EdgeState) -> FloatArray:
    """Nuisance parameters minus their prior means."""
    values = np.zeros(N_NUISANCE)
    values[2], values[3], values[6] = state.gradient_t, state.gradient_x, state.curvature_px
    return values


def _nearest(
    information: FloatArray, gradient: FloatArray, state: EdgeState, family: ShapeFamily
) -> npt.NDArray[np.intp]:
    """Grid points that the pixels like best, f50 left free."""
    # f50 integrated out; what is left is quadratic in the coefficients.
    row = information[0, 1:]
    precise = information[1:, 1:] - np.outer(row, row) / information[0, 0]
    pull = gradient[1:] - row * (gradient[0] / information[0, 0])
    # Blunted by a typical distance to the nearest grid point, which the local
    # directions will take up: (precise^-1 + typical)^-1, written without the inverse.
    root = np.sqrt(family.typical_variance)
    blunt = np.linalg.inv(np.eye(root.size) + root[:, None] * precise * root)
    core = blunt @ (root[:, None] * precise) / root[:, None]
    likely = np.linalg.solve(precise + np.diag(1e-3 / family.variance), pull)
    # Ranking needs no more than single precision.
    offset = family.rank_point - (state.coefficient + likely).astype(np.float32)
    distance = np.einsum("ki,ki->k", offset @ core.astype(np.float32), offset)
    return np.argpartition(family.log_weight - 0.5 * distance, -_KEPT)[-_KEPT:]


def _physical(
    information: FloatArray,
    gradient: FloatArray,
    state: EdgeState,
    family: ShapeFamily,
    near: npt.NDArray[np.intp],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log evidence (2,), mean (2, m) and covariance (2, m, m) of the physical shapes.

    Of grid points ``near`` (k,) with their directions, for both priors of the light.
    """
    n, m, d = near.size, 1 + family.n, 1 + family.direction.shape[2]
    offset = np.zeros((n, m))
    offset[:, 1:] = family.point[near] - state.coefficient
    move = np.zeros((n, m, d))
    move[:, 0, 0] = 1.0
    move[:, 1:, 1:] = family.direction[near]
    flat = np.ascontiguousarray(move.transpose(1, 0, 2)).reshape(m, n * d)
    pushed = offset @ information
    pushed_move = (information @ flat).reshape(2, m, n, d).transpose(0, 2, 1, 3)
    inner = move.transpose(0, 2, 1) @ pushed_move
    inner[..., np.arange(1, d), np.arange(1, d)] += 1.0
    right = ((gradient[:, None] - pushed)[:, :, None, :] @ move)[:, :, 0]
    inverse = np.linalg.inv(inner)
    amount = (inverse @ right[..., None])[..., 0]
    evidence = (
        family.log_weight[near]
        + gradient @ offset.T
        - 0.5 * (pushed * offset).sum(axis=2)
        + 0.5 * (right * amount).sum(axis=2)
        - 0.5 * np.linalg.slogdet(inner)[1]
    )
    mean = offset + (move @ amount[..., None])[..., 0]
    top = evidence.max(axis=1)
    weight = np.exp(evidence - top[:, None])
    total = weight.sum(axis=1)
    weight /= total[:, None]
    # What each point leaves open, all points in one product.
    weighed = move @ (weight[..., None, None] * inverse)
    within: FloatArray = weighed.transpose(0, 2, 1, 3).reshape(2, m, n * d) @ flat.T
    centre, between = _spread(weight, mean)
    return np.asarray(top + np.log(total)), centre, np.asarray(within + between)


def _free(
    information: FloatArray, gradient: FloatArray, state: EdgeState, family: ShapeFamily
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log evidence (2, 2), mean (2, 2, m), covariance (2, 2, m, m) of the wide components.

    For both priors of the light, then both widths, around the mean shape.
    """
    width = np.array([width for width, _ in FREE])
    precision = np.zeros((width.size, 1 + family.n))
    precision[:, 1:] = 1 / (family.variance * width[:, None] ** 2)
    away = np.concatenate([[0.0], state.coefficient])
    right = gradient[:, None] - precision * away
    posterior = information[:, None] + precision[:, :, None] * np.eye(1 + family.n)
    covariance = np.linalg.inv(posterior)
    mean = (covariance @ right[..., None])[..., 0]
    evidence: FloatArray = (
        0.5 * (right * mean).sum(axis=-1)
        - 0.5 * precision @ away**2
        - 0.5 * np.linalg.slogdet(posterior)[1]
        + 0.5 * np.log(precision[:, 1:]).sum(axis=1)
    )
    return evidence, np.asarray(mean), np.asarray(covariance, dtype=np.float64)


def _spread(weight: FloatArray, mean: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean (..., m) of means (..., k, m) and their covariance; weights (..., k) add up to 1."""
    centre = (weight[..., None, :] @ mean)[..., 0, :]
    off = mean - centre[..., None, :]
    return centre, np.swapaxes(off * weight[..., None], -1, -2) @ off


def _mixed(
    weight: FloatArray, mean: FloatArray, covariance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean (..., m) and covariance (..., m, m) of mixtures of k components."""
    centre, between = _spread(weight, mean)
    return centre, (weight[..., None, None] * covariance).sum(axis=-3) + between


def shape_posterior(
    system: NormalEquations, state: EdgeState, family: ShapeFamily
) -> ShapePosterior:
    """Posterior of all parameters at a state, quadratic likelihood.

    Parameters
    ----------
    system : NormalEquations
        At ``state``, with all coefficients.
    state : EdgeState
    family : ShapeFamily
    """
    n = N_NUISANCE
    away = departure(state)
    precision = np.array([nuisance_precision(std) for std in GRADIENT_STD])
    place = np.linalg.inv(system.normal[:n, :n] + precision[:, :, None] * np.eye(n))
    cross = system.normal[:n, n:]
    pull = system.right[:n] - precision * away
    carried = place @ cross
    shift = (place @ pull[..., None])[..., 0]
    information = system.normal[n:, n:] - cross.T @ carried
    gradient = system.right[n:] - shift @ cross
    constant = (
        0.5 * (pull * shift).sum(axis=1)
        + 0.5 * np.linalg.slogdet(place)[1]
        - 0.5 * precision @ away**2
        + 0.5 * np.log(precision[:, 2:4]).sum(axis=1)
    )
    # The grid is ranked once, with the light left free.
    near = _nearest(information[1], gradient[1], state, family)
    evidence, mean, covariance = _physical(information, gradient, state, family, near)
    wide, wide_mean, wide_covariance = _free(information, gradient, state, family)
    shares = np.array([share for _, share in FREE])
    log_weight = constant[:, None] + np.concatenate(
        [evidence[:, None] + np.log(1 - shares.sum()), wide + np.log(shares)], axis=1
    )
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()

    light = np.maximum(weight.sum(axis=1), 1e-300)  # one of them may underflow
    means = np.concatenate([mean[:, None], wide_mean], axis=1)
    covariances = np.concatenate([covariance[:, None], wide_covariance], axis=1)
    centre, spread = _mixed(weight / light[:, None], means, covariances)
    size = system.right.size
    full = np.empty((2, size))
    full[:, n:] = centre
    full[:, :n] = shift - (carried @ centre[..., None])[..., 0]
    block = np.empty((2, size, size))
    block[:, n:, n:] = spread
    block[:, :n, n:] = -carried @ spread
    block[:, n:, :n] = np.swapaxes(block[:, :n, n:], 1, 2)
    block[:, :n, :n] = place - block[:, :n, n:] @ np.swapaxes(carried, 1, 2)
    step, full_covariance = _mixed(light / light.sum(), full, block)
    best = int(np.argmax(light))
    return ShapePosterior(
        step=step,
        covariance=_CALIBRATION**2 * full_covariance,
        physical_share=float(weight[:, 0].sum()),
        companion_step=wide_mean[best, -1],
        companion_covariance=_CALIBRATION**2 * wide_covariance[best, -1],
        physical_step=mean[best],
        physical_covariance=_CALIBRATION**2 * covariance[best],
    )
