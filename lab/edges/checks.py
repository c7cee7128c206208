"""May a fitted edge be believed? Reasons to reject it, and flags to doubt it by."""

from __future__ import annotations

import numpy as np

from lab.edges.curves import node_curves
from lab.edges.fit import EdgeFit
from lab.edges.shapes import NODES_PER_UNIT, shape_family
from lab.edges.types import FloatArray

__all__ = ["clipped_side", "edge_flags", "overshoot", "why_unfit"]

_MIN_STEP = 6.0  # in noise standard deviations
_BELIEVED = 0.02  # posterior share of the physical shapes below which they are given up
_SEEN_PHYSICAL, _SEEN_FREE = 0.5, 1.8  # least half width, in 1 / MTF50 of the lens
# Least overshoot that is flagged: share of the step, and standard deviations. The share
# is a few times what a free shape makes of an honest edge (tests/bench/coherence_study).
_OVERSHOOT, _OVERSHOOT_STDS = 0.01, 4.0
_OVERSHOOT_REACH = 3.0  # how far from the edge it is looked for, in 1 / MTF50 of the lens


def clipped_side(values: FloatArray) -> str | None:
    """Which end of the scale holds a pile of equal values that the other end lacks.

    A quiet plateau of whole numbers piles up too, but over several levels: the last one
    must hold far more pixels than the next.

    Parameters
    ----------
    values : ndarray, (n,)
        Not all equal.

    Returns
    -------
    str or None
        "bright" or "dark".
    """
    highest, lowest = values.max(), values.min()
    top, bottom = np.mean(values == highest), np.mean(values == lowest)
    if top > 0.05 and top > 5 * bottom:
        following = values[values < highest].max()
        return "bright" if top > 3 * np.mean(values == following) else None
    if bottom > 0.05 and bottom > 5 * top:
        following = values[values > lowest].min()
        return "dark" if bottom > 3 * np.mean(values == following) else None
    return None


def why_unfit(fit: EdgeFit) -> str | None:
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
    count = fit.pixels.count
    share = count[fit.distance_px > 0].sum() / count.sum()
    if not 0.08 < share < 0.92:
        return "the edge lies at the border of the region: one of its sides is missing"
    largest, spread = _structure(fit)
    if largest > 0.06 and largest > 8 * spread:
        return (
            "something besides one straight edge is in the region "
            f"({100 * largest:.0f} % of the step left over): a second edge, a corner or dirt"
        )
    seen = min(fit.distance_px.max(), -fit.distance_px.min()) * state.lens_f50
    # A physical shape tells its outer parts from its inner ones; a free one must be seen.
    if seen < (_SEEN_PHYSICAL if fit.physical_share > _BELIEVED else _SEEN_FREE):
        return "the blur is too wide for the region: both sides of the edge must be in it"
    return _too_few_phases(fit)


def _too_few_phases(fit: EdgeFit) -> str | None:
    """Pixels sample the profile at their distances; a gap may be wider than the blur bridges.

    That happens along the pixel grid, at 45 degrees and the like.
    """
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


def _structure(fit: EdgeFit) -> tuple[float, float]:
    """Largest mean residual over cells of an eighth of the strip's box, and its noise.

    Both over the step. A small region has fewer cells, of some 25 pixels each.
    """
    row, col, weight = fit.pixels.row, fit.pixels.col, fit.pixels.count
    size = float(weight.sum())
    n = int(np.clip(np.sqrt(size / 25), 2, 8))
    cell_row = np.floor((row - row.min()) / (np.ptp(row) + 1) * n).astype(np.intp)
    cell_col = np.floor((col - col.min()) / (np.ptp(col) + 1) * n).astype(np.intp)
    cell = cell_row * n + cell_col
    step = fit.state.high - fit.state.low
    deviation = np.sqrt(fit.noise.variance(fit.signal)) / step
    count = np.bincount(cell, weight, n * n)
    # By the pigeonhole one cell holds the average at least.
    full = count > min(8, size / (n * n) / 2)
    mean = np.bincount(cell, weight * fit.residual * deviation, n * n)[full] / count[full]
    noise = np.sqrt(np.bincount(cell, weight * deviation**2, n * n)[full]) / count[full]
    worst = int(np.argmax(np.abs(mean)))
    return float(abs(mean[worst])), float(noise[worst])


def overshoot(fit: EdgeFit) -> tuple[float, float]:
    """By how much the edge falls back on its way from dark to bright, and its noise.

    Incoherent light makes no line spread that is negative, whatever the aberration: the
    edge rises all the way. Sharpening or too directed light lets it overshoot, before the
    bright plateau, the dark one or both. Taken from the shape free of optics, since the
    others know no overshoot; from one place to another, so that the plateaus, which the
    tails of diffraction reach only far out, need not be known.

    Parameters
    ----------
    fit : EdgeFit

    Returns
    -------
    overshoot, overshoot_std : float
        Largest fall, share of the step; 0 where there is none. Its standard uncertainty
        is the pixel noise's, at the two places that were found. [-]
    """
    f50, coefficient = float(fit.companion[0]), fit.companion[1:]
    if not f50 > 0:  # pixels that say next to nothing can push the free shape that far
        return 0.0, float("inf")
    per_px = f50 * NODES_PER_UNIT
    reach = _OVERSHOOT_REACH * NODES_PER_UNIT
    esf, _, by_f50 = node_curves(
        shape_family(),
        int(np.ceil(max(fit.distance_px.min() * per_px, -reach))),
        int(np.floor(min(fit.distance_px.max() * per_px, reach))),
        f50,
        coefficient,
        fit.state.angle_rad,
        np.inf,
    )
    profile = esf[:, 0] + esf[:, 1:] @ coefficient
    fall = np.maximum.accumulate(profile) - profile
    foot = int(np.argmax(fall))
    top = int(np.argmax(profile[: foot + 1]))
    gradient = np.concatenate([[by_f50[top] - by_f50[foot]], esf[top, 1:] - esf[foot, 1:]])
    variance = fit.widening * float(gradient @ fit.companion_covariance @ gradient)
    return float(fall[foot]), float(np.sqrt(max(variance, 0.0)))


def edge_flags(
    fit: EdgeFit,
    mtf50: tuple[float, float],
    companion: tuple[float, float],
    physical: tuple[float, float],
    ragged: float,
    ragged_std: float,
) -> tuple[str, ...]:
    """Reasons to doubt a measured edge.

    Parameters
    ----------
    fit : EdgeFit
    mtf50, companion, physical : (float, float)
        System MTF50 of the posterior, of the shape free of optics and of the physical
        one, each with its standard uncertainty. [cycles per pixel]
    ragged, ragged_std : float
        Raggedness of the locus. [px]
    """
    state = fit.state
    flags = []
    apart = abs(companion[0] - physical[0])
    outside = fit.physical_share < _BELIEVED
    if outside:
        flags.append("shape-outside-model")
    if apart > 3 * companion[1] and apart > 0.01 * mtf50[0]:
        flags.append("shape-disagrees")
    if mtf50[1] > 0.05 * mtf50[0]:
        flags.append("noisy")
    if min(fit.distance_px.max(), -fit.distance_px.min()) * state.lens_f50 < 0.9:
        flags.append("wide-blur")
    if fit.chi_square > 1.5:
        flags.append("noise-above-model")
    if fit.pixels_left_out:
        flags.append("specks-left-out")
    is_ragged = ragged > 3 * ragged_std and 2 * (np.pi * ragged * mtf50[0]) ** 2 > 0.02
    if is_ragged:
        flags.append("ragged-edge")
    # Where a physical shape explains the pixels there is no overshoot; where the edge is
    # ragged, neighbouring pixels err together and the overshoot's noise is not known.
    if outside and not is_ragged:
        over, over_std = overshoot(fit)
        if over > max(_OVERSHOOT, _OVERSHOOT_STDS * over_std):
            flags.append("overshoot")
    return tuple(flags)
