"""The blur shapes as one linear family, scaled by one frequency.

A lens transfer function is written ``h(t)`` with ``t = f / f50``, f50 being the
lens's own MTF50, so that the blur's size is one number. The mean of the expected
shapes (``shape_grid``) and the principal components of their edge profiles, taken
in the metric in which white pixel noise sees an edge, span a linear space: even
components (real part) and odd ones (phase, an asymmetric line spread). Each grid
shape is a point in it, with directions towards its neighbours. Together the points
and directions are the prior: a mixture of low-dimensional Gaussians along the
manifold of physical shapes. A fit in the linear space, weighed by this mixture, is
a fit of the physical model without its singular points (at best focus the profile
does not depend on defocus to first order).

Tables are edge spread functions minus 1/2 over ``u = x f50``, tails included:
beyond the table each follows its own 1/u asymptote. The pixel is not in here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt

from lab.edges.shape_grid import directions, shape_grid, with_simpler
from lab.edges.types import FloatArray

__all__ = ["COARSE", "FINE_PER_NODE", "NODES_PER_UNIT", "ShapeFamily", "shape_family"]

NODES_PER_UNIT = 48  # fit nodes per unit of u
FINE_PER_NODE = 5  # table rows per fit node, so that the pixel is a sum of row slices

COARSE = 2  # every second row of the transfer table is enough to find a level by

_N_EVEN, _N_ODD = 19, 5
_FINE = NODES_PER_UNIT * FINE_PER_NODE
_REACH_U = 16.0
_REACH_T = 10.0
_QUADRATURE = 640


@dataclass(frozen=True, kw_only=True, eq=False)
class ShapeFamily:
    """Tables of the family; column 0 is the mean shape, then components, even before odd.

    Attributes
    ----------
    esf, lsf : ndarray, (n_u, 1 + n)
        ESF - 1/2 on u = -reach .. reach and its derivative with respect to u.
        The odd components' ESF columns are even in u.
    t : ndarray, (n_t,)
        Uniform grid of normalised frequency from 0.
    transfer : ndarray, (n_t, 1 + n)
        The functions themselves; for odd columns the imaginary part.
    n_even : int
        Number of even components; ``n`` counts all.
    variance : ndarray, (n,)
        Of each component's coefficient over the grid.
    point : ndarray, (n_point, n)
        The grid shapes' coefficients; ``rank_point`` in single precision.
    direction : ndarray, (n_point, n, n_direction)
        Steps of one standard deviation towards each point's neighbours.
    log_weight : ndarray, (n_point,)
    typical_variance : ndarray, (n,)
        Mean square of the directions: how far a shape lies from its grid point.
    centre : int
        Row of u = 0.
    """

    esf: FloatArray
    lsf: FloatArray
    t: FloatArray
    transfer: FloatArray
    n_even: int
    variance: FloatArray
    point: FloatArray
    rank_point: npt.NDArray[np.float32]
    direction: FloatArray
    log_weight: FloatArray
    typical_variance: FloatArray
    centre: int

    @cached_property
    def esf_by_phase(self) -> tuple[FloatArray, ...]:
        """``esf`` by row number modulo FINE_PER_NODE: rows one node apart lie side by side."""
        return tuple(
            np.ascontiguousarray(self.esf[phase::FINE_PER_NODE]) for phase in range(FINE_PER_NODE)
        )

    @cached_property
    def coarse_transfer(self) -> tuple[FloatArray, FloatArray]:
        """Even columns, then odd ones, of every ``COARSE``-th row of ``transfer``."""
        rows = self.transfer[::COARSE]
        split = 1 + self.n_even
        return np.ascontiguousarray(rows[:, :split]), np.ascontiguousarray(rows[:, split:])

    @property
    def n(self) -> int:
        """Number of components."""
        return self.variance.size


def _components(
    profile: FloatArray, weight: FloatArray, n: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Coordinates, variances, and the map from shapes to component functions."""
    variance, basis = np.linalg.eigh((profile * weight[:, None]).T @ profile)
    variance, basis = variance[: -n - 1 : -1], basis[:, : -n - 1 : -1]
    point = profile @ basis
    return point, variance, (point * weight[:, None]).T / variance[:, None]


@lru_cache(maxsize=1)
def shape_family() -> ShapeFamily:
    """Build the family, once per process (about a second)."""
    node, weight = np.polynomial.legendre.leggauss(_QUADRATURE)
    v = (node + 1) / 2
    t_node = _REACH_T * v**2  # dense near 0, where tails are decided
    w_node = weight * v * _REACH_T
    u = np.arange(0, round(_REACH_U * _FINE) + 1) / _FINE
    sine = np.sin((2 * np.pi) * np.outer(u, t_node))
    cosine = np.cos((2 * np.pi) * np.outer(u, t_node))
    to_esf = w_node / (np.pi * t_node)

    grid = shape_grid()
    shapes = grid.at(t_node)
    mean = grid.weight @ shapes.real
    # Principal components of the edge profiles: white noise weighs all u alike.
    step = 2 * FINE_PER_NODE
    scale = np.sqrt(step / _FINE)
    even_profile = ((shapes.real - mean) * to_esf) @ sine[::step].T * scale
    odd_profile = (shapes.imag * to_esf) @ cosine[::step].T * scale
    even, even_variance, to_even = _components(even_profile, grid.weight, _N_EVEN)
    odd, odd_variance, to_odd = _components(odd_profile, grid.weight, _N_ODD)
    real = np.concatenate([mean[None], to_even @ (shapes.real - mean)]).T
    imaginary = (to_odd @ shapes.imag).T

    def both_sides(part: FloatArray, sign: int) -> FloatArray:
        return np.concatenate([sign * part[:0:-1], part])

    esf = [
        both_sides(sine @ (real * to_esf[:, None]), -1),
        both_sides(cosine @ (imaginary * to_esf[:, None]), 1),
    ]
    lsf = [
        both_sides(cosine @ (real * (2 * w_node)[:, None]), 1),
        both_sides(-(sine @ (imaginary * (2 * w_node)[:, None])), -1),
    ]
    t = np.linspace(0, _REACH_T, 2001)
    fine = grid.at(t)
    fine_mean = grid.weight @ fine.real
    transfer = np.concatenate(
        [fine_mean[None], to_even @ (fine.real - fine_mean), to_odd @ fine.imag]
    )
    coordinates = np.concatenate([even, odd], axis=1)
    point, direction, weights = with_simpler(
        grid.blocks, coordinates, directions(grid.blocks, coordinates), grid.weight
    )
    return ShapeFamily(
        esf=np.ascontiguousarray(np.concatenate(esf, axis=1)),
        lsf=np.ascontiguousarray(np.concatenate(lsf, axis=1)),
        t=t,
        transfer=np.ascontiguousarray(transfer.T),
        n_even=_N_EVEN,
        variance=np.concatenate([even_variance, odd_variance]),
        point=point,
        rank_point=point.astype(np.float32),
        direction=direction,
        log_weight=np.log(weights),
        typical_variance=3 * np.mean(direction**2, axis=(0, 2)) + 1e-14,
        centre=u.size - 1,
    )
