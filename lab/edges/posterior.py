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
    """Log evidence, means and covariances of grid points with their directions."""
    n_direction = family.direction.shape[2]
    offset = np.zeros((near.size, 1 + family.n))
    offset[:, 1:] = family.point[near] - state.coefficient
    pushed = offset @ information
    move = np.zeros((near.size, 1 + family.n, 1 + n_direction))
    move[:, 0, 0] = 1.0
    move[:, 1:, 1:] = family.direction[near]
    transposed = np.swapaxes(move, 1, 2)
    inner = transposed @ (information @ move)
    inner[:, np.arange(1, 1 + n_direction), np.arange(1, 1 + n_direction)] += 1.0
    right = ((gradient - pushed)[:, None, :] @ move)[:, 0]
    inverse = np.linalg.inv(inner)
    amount = (inverse @ right[:, :, None])[:, :, 0]
    evidence = (
        family.log_weight[near]
        + offset @ gradient
        - 0.5 * (pushed * offset).sum(axis=1)
        + 0.5 * (right * amount).sum(axis=1)
        - 0.5 * np.linalg.slogdet(inner)[1]
    )
    mean = offset + (move @ amount[:, :, None])[:, :, 0]
    return evidence, mean, move @ inverse @ transposed


def _free(
    information: FloatArray,
    gradient: FloatArray,
    state: EdgeState,
    family: ShapeFamily,
    width: float,
) -> tuple[float, FloatArray, FloatArray]:
    """Log evidence, mean and covariance of a wide component around the mean shape."""
    precision = np.concatenate([[0.0], 1 / (family.variance * width**2)])
    away = np.concatenate([[0.0], state.coefficient])
    right = gradient - precision * away
    factor = np.linalg.cholesky(information + np.diag(precision))
    inverse = np.linalg.inv(factor)
    half = inverse @ right
    evidence = (
        0.5 * half @ half
        - 0.5 * away @ (precision * away)
        - np.log(np.diag(factor)).sum()
        + 0.5 * np.log(precision[1:]).sum()
    )
    return float(evidence), inverse.T @ half, inverse.T @ inverse


def _mixed(
    weight: FloatArray, mean: FloatArray, covariance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    weight = weight / weight.sum()
    centre = weight @ mean
    spread = mean - centre
    return centre, np.einsum("k,kij->ij", weight, covariance) + (
        spread * weight[:, None]
    ).T @ spread


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
    log_free = np.log([share for _, share in FREE])
    log_physical = np.log(1 - sum(share for _, share in FREE))
    evidences, means, covariances, back, base = [], [], [], [], []
    for gradient_std in GRADIENT_STD:
        precision = nuisance_precision(gradient_std)
        place = np.linalg.inv(system.normal[:n, :n] + np.diag(precision))
        cross = system.normal[:n, n:]
        pull = system.right[:n] - precision * away
        information = system.normal[n:, n:] - cross.T @ place @ cross
        gradient = system.right[n:] - cross.T @ place @ pull
        constant = (
            0.5 * pull @ place @ pull
            + 0.5 * np.linalg.slogdet(place)[1]
            - 0.5 * away @ (precision * away)
            + 0.5 * np.log(precision[2:4]).sum()
        )
        near = _nearest(information, gradient, state, family)
        evidence, mean, covariance = _physical(information, gradient, state, family, near)
        wide = [_free(information, gradient, state, family, width) for width, _ in FREE]
        evidences.append(
            np.concatenate([evidence + log_physical, np.array([e for e, _, _ in wide]) + log_free])
            + constant
        )
        means.append(np.concatenate([mean, np.array([m for _, m, _ in wide])]))
        covariances.append(np.concatenate([covariance, np.array([c for _, _, c in wide])]))
        back.append(-place @ cross)
        base.append((place @ pull, place))
    top = max(float(e.max()) for e in evidences)
    weights = [np.exp(e - top) for e in evidences]
    total = float(sum(w.sum() for w in weights))

    size = system.right.size
    all_means, all_covariances, all_weights = [], [], []
    for weight, mean, covariance, transfer, (offset, place) in zip(
        weights, means, covariances, back, base, strict=True
    ):
        if not weight.sum() > 0:
            continue  # so unlikely beside the other that its weight underflows
        centre, spread = _mixed(weight, mean, covariance)
        full = np.empty(size)
        full[n:] = centre
        full[:n] = offset + transfer @ centre
        block = np.empty((size, size))
        block[n:, n:] = spread
        block[:n, n:] = transfer @ spread
        block[n:, :n] = block[:n, n:].T
        block[:n, :n] = place + transfer @ spread @ transfer.T
        all_means.append(full)
        all_covariances.append(block)
        all_weights.append(float(weight.sum()))
    step, full_covariance = _mixed(
        np.array(all_weights), np.array(all_means), np.array(all_covariances)
    )
    n_free = len(FREE)
    best = int(np.argmax([weight.sum() for weight in weights]))
    physical_step, physical_covariance = _mixed(
        np.exp(evidences[best][:-n_free] - evidences[best][:-n_free].max()),
        means[best][:-n_free],
        covariances[best][:-n_free],
    )
    return ShapePosterior(
        step=step,
        covariance=_CALIBRATION**2 * full_covariance,
        physical_share=float(sum(w[:-n_free].sum() for w in weights)) / total,
        companion_step=means[best][-1],
        companion_covariance=_CALIBRATION**2 * covariances[best][-1],
        physical_step=physical_step,
        physical_covariance=_CALIBRATION**2 * physical_covariance,
    )
