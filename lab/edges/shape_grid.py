"""Which blur shapes do we expect? Physical transfer functions on weighted grids.

Blocks of shapes: (spherical aberration, defocus, Gaussian residual); the same in
focus and out of it with linear motion; coma along the edge's normal and across it,
with defocus and Gauss. Lengths are in units of wavelength N_eff, aberrations in
waves at the pupil's rim. The weights are a judgement, not a measurement: most
frames near focus, most lenses mildly aberrated, residual blur mostly under the
Airy disc, motion and coma in a few frames of a hundred.

Every transfer function is scaled so that its modulus is one half at t = 1, and
shifted so that the edge it makes passes one half at the edge.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.optics.off_axis import off_axis_otf
from lab.optics.pupil import aberrated_otf

__all__ = ["ShapeGrid", "directions", "shape_grid", "with_simpler"]

ComplexArray = npt.NDArray[np.complex128]

_SPHERICAL = np.concatenate([np.arange(0, 1, 0.125), [1.0, 1.25, 1.5, 1.8, 2.1]])
_SPHERICAL_WEIGHT = np.interp(_SPHERICAL, [0, 0.25, 1.0, 2.1], [0.2, 0.1, 0.06, 0.02])
# Defocus from w20 = -w040, both signs; the profile changes fastest along it.
_DEFOCUS = np.concatenate([np.arange(0, 0.6, 0.05), np.arange(0.6, 1.15, 0.075)])
_DEFOCUS_WEIGHT = np.linspace(0.16, 0.03, _DEFOCUS.size)
_GAUSS = (0.0, 0.2, 0.35, 0.5, 0.7, 1.0, 1.6)
_GAUSS_WEIGHT = (0.34, 0.22, 0.16, 0.12, 0.08, 0.05, 0.03)
_MOTION = (0.6, 1.1, 1.7, 2.4)
_MOTION_SHARE = 0.05
_COMA = np.concatenate([np.arange(0, 0.6, 0.1), [0.65, 0.8, 1.0]])
_COMA_DEFOCUS = (0.0, 0.2, 0.4)
_COMA_GAUSS = (0.0, 0.4)
_COMA_SHARE = 0.05
_SPREAD = 0.7  # of the way to the neighbours: one standard deviation of each point

# Transfer functions are computed on a coarse grid and refined by a cubic spline, so that
# later linear interpolation is exact to 1e-6.
_COARSE_S = np.linspace(0, 1, 151)
_N_S = 601


@dataclass(frozen=True, kw_only=True, eq=False)
class ShapeGrid:
    """Transfer functions of all blocks, one after the other.

    Attributes
    ----------
    blocks : tuple of tuple of int
        Shape of each block; up to three axes.
    weight : ndarray, (n_shape,)
        Prior weights, sum 1.
    at : callable
        Normalised complex transfers h(t), (n_shape, n_t), at any t (n_t,).
    """

    blocks: tuple[tuple[int, ...], ...]
    weight: FloatArray
    at: Callable[[FloatArray], ComplexArray]


def _both_signs(values: FloatArray) -> FloatArray:
    return np.concatenate([-values[:0:-1], values])


def _refining(s: FloatArray) -> FloatArray:
    """Matrix that takes values on the coarse grid to s, by a cubic spline."""
    from scipy.interpolate import CubicSpline

    return np.asarray(CubicSpline(_COARSE_S, np.eye(_COARSE_S.size))(s)).T


def _round_pupil(s: FloatArray) -> ComplexArray:
    """Block (spherical, defocus, Gauss)."""
    defocus = _both_signs(_DEFOCUS)
    # The transfer function is smooth in defocus: a Chebyshev series of 18 terms gives
    # every value to 1e-6. One call a row, whose order follows its largest aberration.
    top = defocus[-1]
    node = np.cos(np.pi * (np.arange(18) + 0.5) / 18)
    vander = np.polynomial.chebyshev.chebvander
    series = vander(defocus / top, 17) @ np.linalg.inv(vander(node, 17))
    coarse = np.stack(
        [series @ aberrated_otf(_COARSE_S, top * node[:, None] - w, w) for w in _SPHERICAL]
    )
    otf = coarse @ _refining(s)
    return (otf[:, :, None, :] * _gauss(s, _GAUSS)).astype(np.complex128)


def _gauss(s: FloatArray, stds: tuple[float, ...]) -> FloatArray:
    return np.exp(-2 * (np.pi * np.array(stds)[:, None] * s) ** 2)


def _coma(s: FloatArray, amounts: FloatArray, *, along: bool) -> ComplexArray:
    """Block (coma, defocus, Gauss)."""
    coma = amounts[:, None, None]
    coma_along, coma_across = (coma, 0.0) if along else (0.0, coma)
    coarse = off_axis_otf(
        _COARSE_S,
        np.array(_COMA_DEFOCUS)[:, None],
        coma_along=coma_along,
        coma_across=coma_across,
    )
    otf = coarse @ _refining(s)
    return np.asarray(otf[:, :, None, :] * _gauss(s, _COMA_GAUSS))


def _centred(s: FloatArray, transfer: ComplexArray) -> ComplexArray:
    """Shift each shape so that its edge passes 1/2 at 0: no net odd part there."""
    over = 1 / np.maximum(s, s[1] / 2)

    def level(shift: FloatArray) -> FloatArray:
        turned = transfer * np.exp(2j * np.pi * s * shift[:, None])
        return np.asarray((turned.imag * over).sum(axis=1))

    low, high = np.full(transfer.shape[0], -3.0), np.full(transfer.shape[0], 3.0)
    for _ in range(45):  # the sum rises with the shift
        middle = (low + high) / 2
        above = level(middle) > 0
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return np.asarray(transfer * np.exp(2j * np.pi * s * ((low + high) / 2)[:, None]))


def shape_grid() -> ShapeGrid:
    """Compute all blocks (about half a second)."""
    s = np.linspace(0, 1, _N_S)
    still = _round_pupil(s)
    middle = _DEFOCUS.size - 1
    moving = still[0, [middle, middle + 6], 0, None, :] * np.sinc(np.array(_MOTION)[:, None] * s)
    along = _coma(s, _both_signs(_COMA), along=True)
    along = _centred(s, along.reshape(-1, _N_S)).reshape(along.shape)
    across = _coma(s, _COMA, along=False)
    parts = (still, moving, along, across)
    transfer = np.concatenate([part.reshape(-1, _N_S) for part in parts])
    modulus = np.abs(transfer)
    k = np.argmax(modulus < 0.5, axis=1)
    row = np.arange(k.size)
    before, after = modulus[row, k - 1], modulus[row, k]
    half = s[k - 1] + (before - 0.5) / (before - after) * (s[1] - s[0])

    defocus = _both_signs(_DEFOCUS_WEIGHT) * np.sign(_both_signs(_DEFOCUS) + 1e-9)
    defocus = np.abs(defocus) * np.where(_both_signs(_DEFOCUS) == 0, 2, 1)
    round_weight = np.einsum("i,j,k->ijk", _SPHERICAL_WEIGHT, defocus, _GAUSS_WEIGHT).ravel()
    shares = (1 - _MOTION_SHARE - 2 * _COMA_SHARE, _MOTION_SHARE, _COMA_SHARE, _COMA_SHARE)
    weights = [round_weight / round_weight.sum()] + [
        np.full(part[..., 0].size, 1 / part[..., 0].size) for part in parts[1:]
    ]

    def at(t: FloatArray) -> ComplexArray:
        return np.array(
            [
                np.interp(t * f, s, h.real, right=0.0) + 1j * np.interp(t * f, s, h.imag, right=0.0)
                for h, f in zip(transfer, half, strict=True)
            ]
        )

    return ShapeGrid(
        blocks=tuple(part.shape[:-1] for part in parts),
        weight=np.concatenate([w * share for w, share in zip(weights, shares, strict=True)]),
        at=at,
    )


def directions(blocks: tuple[tuple[int, ...], ...], point: FloatArray) -> FloatArray:
    """Tangent and curvature steps of every point along its block's axes.

    Beyond the first point of an axis lies its mirror image where the axis starts at 0
    (blur depends on the square of the Gaussian; (w20, w040) looks like (-w20, -w040)),
    beyond any other end the straight continuation.

    Parameters
    ----------
    blocks : tuple of tuple of int
    point : ndarray, (n_shape, n_coordinate)

    Returns
    -------
    ndarray, (n_shape, n_coordinate, 6)
    """
    out = []
    start = 0
    for number, block in enumerate(blocks):
        grid = point[start : start + int(np.prod(block))].reshape(*block, -1)
        start += int(np.prod(block))
        steps = []
        for axis in range(3):
            if axis >= len(block):
                steps += [np.zeros_like(grid)] * 2
                continue
            c = np.moveaxis(grid, axis, 0)
            upper = np.concatenate([c[1:], 2 * c[-1:] - c[-2:-1]])
            if number == 0 and axis == 0:
                first = c[1:2, ::-1]
            elif (number == 0 and axis == 1) or number == 1 or (number == 2 and axis == 0):
                first = 2 * c[:1] - c[1:2]
            else:
                first = c[1:2]
            lower = np.concatenate([first, c[:-1]])
            for step in ((upper - lower) / 2, (upper + lower) / 2 - c):
                steps.append(np.moveaxis(step, 0, axis))
        out.append(np.stack([step.reshape(-1, point.shape[1]) for step in steps], axis=2))
    return _SPREAD * np.concatenate(out)


def with_simpler(
    blocks: tuple[tuple[int, ...], ...],
    point: FloatArray,
    direction: FloatArray,
    weight: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Share a point's weight with copies that hold some of its zero aberrations at 0.

    A lens in focus, one without spherical aberration, one without residual blur: where
    the pixels do not ask for more, fewer free directions give the smaller uncertainty.
    """
    n = int(np.prod(blocks[0]))
    index = np.stack(np.unravel_index(np.arange(n), blocks[0]), axis=1)
    zero = index == np.array([0, _DEFOCUS.size - 1, 0])
    points, moves, weights = [point[n:]], [direction[n:]], [weight[n:]]
    for held in product((False, True), repeat=3):
        rows = np.flatnonzero(np.all(zero | ~np.array(held), axis=1))
        points.append(point[rows])
        moves.append(direction[rows] * np.repeat(~np.array(held), 2))
        weights.append(weight[rows] / 2.0 ** zero[rows].sum(axis=1))
    return np.concatenate(points), np.concatenate(moves), np.concatenate(weights)
