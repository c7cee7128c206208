"""Which blur shapes can an edge have? Physics as a cloud of local linear families.

A lens transfer function is written ``h(t)`` with ``t = f / f50``, f50 being the
lens's own MTF50, so that every shape passes through h(1) = 1/2 and the blur's
size is one number. The physical shapes (clear round pupil, N_eff free, with
defocus, primary spherical aberration and a Gaussian residual; some with linear
motion) lie on a grid. Their mean and principal components, taken in the metric
in which white pixel noise sees an edge, span a linear space; each grid shape is
a point in it, with directions towards its neighbours. Together the points and
directions are the prior: a mixture of low-dimensional Gaussians along the
manifold of physical shapes. A fit in the linear space, weighed by this mixture,
is a fit of the physical model without its singular points (at best focus the
profile does not depend on defocus to first order).

Beside it stand the components with wide variances and a few odd functions
(phase: an asymmetric line spread): the companion that is free of optics.

Tables are edge spread functions minus 1/2 over ``u = x f50``, tails included:
beyond the table each follows its own 1/u asymptote. The pixel is not in here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np

from lab.edges.types import FloatArray
from lab.optics.pupil import aberrated_otf

__all__ = ["FINE_PER_NODE", "NODES_PER_UNIT", "ShapeFamily", "shape_family"]

NODES_PER_UNIT = 48  # fit nodes per unit of u
FINE_PER_NODE = 5  # table rows per fit node, so that the pixel is a sum of row slices
N_MODES = 16

_FINE = NODES_PER_UNIT * FINE_PER_NODE
_REACH_U = 16.0
_REACH_T = 10.0
_QUADRATURE = 640
_ODD_KNOTS = (0.0, 0.5, 1.0, 1.6, 2.4, 3.6)

# The grid of shapes: waves at the rim, and lengths over wavelength N_eff. The weights
# are a judgement, not a measurement: most frames near focus, most lenses mildly
# aberrated, residual blur mostly under the Airy disc.
_SPHERICAL = (0.0, 0.25, 0.5, 0.75, 1.0, 1.3, 1.7, 2.1)
_SPHERICAL_WEIGHT = (0.32, 0.16, 0.14, 0.12, 0.1, 0.08, 0.05, 0.03)
# Defocus from w20 = -w040, both signs; the profile changes fastest along it.
_DEFOCUS = tuple(np.concatenate([np.arange(0, 0.6, 0.05), np.arange(0.6, 1.15, 0.075)]).tolist())
_DEFOCUS_WEIGHT = tuple(np.linspace(0.16, 0.03, len(_DEFOCUS)).tolist())
_GAUSS = (0.0, 0.2, 0.35, 0.5, 0.7, 1.0, 1.6)
_GAUSS_WEIGHT = (0.34, 0.22, 0.16, 0.12, 0.08, 0.05, 0.03)
_MOTION = (0.6, 1.1, 1.7, 2.4)
_MOTION_SHARE = 0.06
_SPREAD = 0.7  # of the way to the neighbours: one standard deviation of each point


@dataclass(frozen=True, kw_only=True, eq=False)
class ShapeFamily:
    """Tables of the family; column 0 is the mean shape, then components, then odd.

    Attributes
    ----------
    esf, lsf : ndarray, (n_u, n_col)
        ESF - 1/2 on u = -reach .. reach and its derivative with respect to u.
        The odd functions' ESF columns are even in u.
    t : ndarray, (n_t,)
        Uniform grid of normalised frequency from 0.
    transfer : ndarray, (n_t, n_col)
        The functions themselves; for odd columns the imaginary part.
    n_modes, n_odd : int
    mode_variance : ndarray, (n_modes,)
        Variance of each component over the grid.
    point : ndarray, (n_point, n_modes)
        The grid shapes' coordinates.
    direction : ndarray, (n_point, n_modes, n_direction)
        Steps of one standard deviation towards each point's neighbours.
    log_weight : ndarray, (n_point,)
    typical_variance : ndarray, (n_modes,)
        Mean square of the directions: how far a shape lies from its grid point.
    centre : int
        Row of u = 0.
    """

    esf: FloatArray
    lsf: FloatArray
    t: FloatArray
    transfer: FloatArray
    n_modes: int
    n_odd: int
    mode_variance: FloatArray
    point: FloatArray
    direction: FloatArray
    log_weight: FloatArray
    typical_variance: FloatArray
    centre: int


def _physical_transfers() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Transfers on s, the grid (spherical, defocus, Gauss) flattened, then the moving ones.

    Returns
    -------
    s : ndarray, (n_s,)
        Fraction of the cut-off.
    transfer : ndarray, (n_shape, n_s)
    s50 : ndarray, (n_shape,)
        Where each falls to one half.
    """
    s = np.linspace(0, 1, 201)
    defocus = np.array([-d for d in _DEFOCUS[:0:-1]] + list(_DEFOCUS))
    # The transfer function is smooth in defocus: a Chebyshev series of 18 terms gives
    # every value to 1e-6. One call a row, whose order follows its largest aberration.
    top = _DEFOCUS[-1]
    node = np.cos(np.pi * (np.arange(18) + 0.5) / 18)
    series = np.polynomial.chebyshev.chebvander(defocus / top, 17) @ np.linalg.inv(
        np.polynomial.chebyshev.chebvander(node, 17)
    )
    otf = np.stack([series @ aberrated_otf(s, top * node[:, None] - w, w) for w in _SPHERICAL])
    blur = np.exp(-2 * (np.pi * np.array(_GAUSS)[:, None] * s) ** 2)
    grid = (otf[:, :, None, :] * blur).reshape(-1, s.size)
    middle = len(_DEFOCUS) - 1
    still = otf[0, [middle, middle + 6]]  # in focus, and at 0.3 waves
    moving = (still[:, None, :] * np.sinc(np.array(_MOTION)[:, None] * s)).reshape(-1, s.size)
    transfer = np.concatenate([grid, moving])
    k = np.argmax(transfer < 0.5, axis=1)
    row = np.arange(k.size)
    before, after = transfer[row, k - 1], transfer[row, k]
    return s, transfer, s[k - 1] + (before - 0.5) / (before - after) * (s[1] - s[0])


def _normalised(transfers: tuple[FloatArray, FloatArray, FloatArray], t: FloatArray) -> FloatArray:
    """Shapes h(t), each with h(1) = 1/2."""
    s, transfer, s50 = transfers
    return np.array(
        [np.interp(t * half, s, h, right=0.0) for h, half in zip(transfer, s50, strict=True)]
    )


def _grid_weights() -> FloatArray:
    defocus = np.array(list(_DEFOCUS_WEIGHT[:0:-1]) + list(_DEFOCUS_WEIGHT)) / 2
    defocus[len(_DEFOCUS) - 1] *= 2
    grid = np.einsum("i,j,k->ijk", _SPHERICAL_WEIGHT, defocus, _GAUSS_WEIGHT).ravel()
    n_moving = 2 * len(_MOTION)
    return np.concatenate(
        [grid / grid.sum() * (1 - _MOTION_SHARE), np.full(n_moving, _MOTION_SHARE / n_moving)]
    )


def _directions(point: FloatArray) -> FloatArray:
    """Tangent and curvature steps of every point along each grid axis.

    The lower neighbour of the first point of an axis is its mirror image: blur
    depends on the square of the Gaussian, and (w20, w040) looks like (-w20, -w040).
    """
    n_w, n_d, n_g = len(_SPHERICAL), 2 * len(_DEFOCUS) - 1, len(_GAUSS)
    n_grid = n_w * n_d * n_g
    grid = point[:n_grid].reshape(n_w, n_d, n_g, -1)
    steps = []
    for axis in range(3):
        c = np.moveaxis(grid, axis, 0)
        upper = np.concatenate([c[1:], 2 * c[-1:] - c[-2:-1]])
        if axis == 0:
            first = np.moveaxis(grid[1:2, ::-1], 0, 0)
        elif axis == 1:
            first = 2 * c[:1] - c[1:2]
        else:
            first = c[1:2]
        lower = np.concatenate([first, c[:-1]])
        for step in ((upper - lower) / 2, (upper + lower) / 2 - c):
            steps.append(np.moveaxis(step, 0, axis).reshape(n_grid, -1))
    moving = point[n_grid:].reshape(2, len(_MOTION), -1)
    along = np.asarray(np.gradient(moving, axis=1)).reshape(-1, point.shape[1])
    across = np.tile((moving[1] - moving[0]) / 2, (2, 1))
    rest = np.zeros_like(along)
    moving_steps = [along, across, rest, rest, rest, rest]
    return _SPREAD * np.stack(
        [np.concatenate([a, b]) for a, b in zip(steps, moving_steps, strict=True)], axis=2
    )


def _odd_functions(t: FloatArray) -> FloatArray:
    """Smooth bumps between every second knot, rising from 0 as t**3."""
    columns = []
    for left, middle, right in zip(_ODD_KNOTS[:-2], _ODD_KNOTS[1:-1], _ODD_KNOTS[2:], strict=True):
        inside = np.minimum(
            np.clip((t - left) / (middle - left), 0, 1),
            np.clip((right - t) / (right - middle), 0, 1),
        )
        columns.append(np.sin(np.pi / 2 * inside) ** 2 * np.minimum(t, 1.0))
    return np.stack(columns, axis=1)


def _with_simpler(
    point: FloatArray, direction: FloatArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Share each point's weight with copies that hold some of its zero aberrations at 0.

    A lens in focus, one without spherical aberration, one without residual blur: where
    the pixels do not ask for more, fewer free directions give the smaller uncertainty.
    """
    n_w, n_d, n_g = len(_SPHERICAL), 2 * len(_DEFOCUS) - 1, len(_GAUSS)
    n_grid = n_w * n_d * n_g
    index = np.stack(np.unravel_index(np.arange(n_grid), (n_w, n_d, n_g)), axis=1)
    zero = index == np.array([0, len(_DEFOCUS) - 1, 0])
    points, directions, weights = [point[n_grid:]], [direction[n_grid:]], [weight[n_grid:]]
    for held in product((False, True), repeat=3):
        rows = np.flatnonzero(np.all(zero | ~np.array(held), axis=1))
        free = np.repeat(~np.array(held), 2)
        points.append(point[rows])
        directions.append(direction[rows] * free)
        weights.append(weight[rows] / 2.0 ** zero[rows].sum(axis=1))
    return np.concatenate(points), np.concatenate(directions), np.concatenate(weights)


@lru_cache(maxsize=1)
def shape_family() -> ShapeFamily:
    """Build the family, once per process."""
    node, weight = np.polynomial.legendre.leggauss(_QUADRATURE)
    v = (node + 1) / 2
    t_node = _REACH_T * v**2  # dense near 0, where tails are decided
    w_node = weight * v * _REACH_T
    u = np.arange(0, round(_REACH_U * _FINE) + 1) / _FINE
    sine = np.sin((2 * np.pi) * np.outer(u, t_node))
    cosine = np.cos((2 * np.pi) * np.outer(u, t_node))
    to_esf = w_node / (np.pi * t_node)

    transfers = _physical_transfers()
    shapes = _normalised(transfers, t_node)
    prior = _grid_weights()
    mean = prior @ shapes
    deviation = shapes - mean
    # Principal components of the edge profiles: white noise weighs all u alike.
    step = 2 * FINE_PER_NODE
    profile = (deviation * to_esf) @ sine[::step].T * np.sqrt(step / _FINE)
    variance, basis = np.linalg.eigh((profile * prior[:, None]).T @ profile)
    variance, basis = variance[: -N_MODES - 1 : -1], basis[:, : -N_MODES - 1 : -1]
    point = profile @ basis
    to_mode = (point * prior[:, None]).T / variance[:, None]
    symmetric = np.concatenate([mean[:, None], (to_mode @ deviation).T], axis=1)
    odd = _odd_functions(t_node)
    half = (
        (sine @ (symmetric * to_esf[:, None]), -1),
        (cosine @ (odd * to_esf[:, None]), 1),
    )
    half_slope = (
        (cosine @ (symmetric * (2 * w_node)[:, None]), 1),
        (-(sine @ (odd * (2 * w_node)[:, None])), -1),
    )

    def both_sides(parts: tuple[tuple[FloatArray, int], ...]) -> FloatArray:
        whole = [np.concatenate([sign * part[:0:-1], part]) for part, sign in parts]
        return np.ascontiguousarray(np.concatenate(whole, axis=1))

    points, directions, weights = _with_simpler(point, _directions(point), prior)
    t = np.linspace(0, _REACH_T, 2001)
    fine = _normalised(transfers, t)
    transfer = [(prior @ fine)[:, None], (to_mode @ (fine - prior @ fine)).T, _odd_functions(t)]
    return ShapeFamily(
        esf=both_sides(half),
        lsf=both_sides(half_slope),
        t=t,
        transfer=np.concatenate(transfer, axis=1),
        n_modes=N_MODES,
        n_odd=odd.shape[1],
        mode_variance=variance,
        point=points,
        direction=directions,
        log_weight=np.log(weights),
        typical_variance=3 * np.mean(directions**2, axis=(0, 2)),
        centre=u.size - 1,
    )
