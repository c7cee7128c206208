"""The family's edge profiles on the nodes of a fit, pixel and far side included.

Node ``k`` lies at ``u = k / NODES_PER_UNIT``, u being distance times the lens's
MTF50, up to ``u = 4``; from there nodes are even in 1/u, as the profile nearly is, so
that as many again reach any distance. The pixel's aperture in the edge's direction is
a weighted sum of shifted table rows. An edge that is one side of a dark bar or square
sees the bar's far side too, as a slow rise of the dark side: its distance is known from
the target, so its profile, the same shape mirrored, is taken off.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from lab.edges.shapes import FINE_PER_NODE, NODES_PER_UNIT, ShapeFamily
from lab.edges.types import FloatArray

__all__ = ["aperture_rule", "node_at", "node_curves", "node_places", "node_slopes"]

# Beyond |u| = 4 the profile is too smooth for the pixel to matter, and nodes lie sparser.
_EVEN_NODES = 4 * NODES_PER_UNIT

# A Gauss rule for the pixel's projected aperture: one point more for each limit that the
# pixel's longer side x MTF50 passes; the error of the transfer stays below 2e-5 up to 1.3
# and 1e-3 up to 2.5 times the lens's MTF50, where it is all but gone.
_RULE_LIMITS = (0.05, 0.15, 0.3)


_ANGLES_PER_RADIAN = 8192  # finer than any aperture tells


@lru_cache(maxsize=4096)
def aperture_rule(angle_steps: int, n: int) -> tuple[FloatArray, FloatArray]:
    """Offsets [px] and weights of n points that have the pixel's low moments.

    The aperture is the convolution of two boxes, the pixel's projected sides; its Gauss
    rule comes from the moments as Golub and Welsch have it (Math. Comp. 23, 1969).
    """
    angle_rad = angle_steps / _ANGLES_PER_RADIAN
    sides = abs(math.cos(angle_rad)), abs(math.sin(angle_rad))
    a, b = ([(s / 2) ** k / (k + 1) if k % 2 == 0 else 0.0 for k in range(2 * n)] for s in sides)
    moment = [sum(math.comb(k, j) * a[j] * b[k - j] for j in range(k + 1)) for k in range(2 * n)]
    hankel = np.array([[moment[i + j] for j in range(n)] for i in range(n)])
    diagonal = np.diag(np.linalg.cholesky(hankel))
    jacobi = np.diag(diagonal[1:] / diagonal[:-1], 1)
    offset, vector = np.linalg.eigh(jacobi + jacobi.T)
    return offset, vector[0] ** 2


Taps = list[tuple[int, float, float]]


def _pixel_taps(angle_rad: float, lens_f50: float) -> Taps:
    """The pixel's projected aperture as (row shift, weight, weight x offset in px)."""
    side = max(abs(math.cos(angle_rad)), abs(math.sin(angle_rad)))
    n = 2 + sum(side * lens_f50 > limit for limit in _RULE_LIMITS)
    offset, weight = aperture_rule(round(angle_rad * _ANGLES_PER_RADIAN), n)
    shift = offset * (lens_f50 * NODES_PER_UNIT * FINE_PER_NODE)
    taps: dict[int, tuple[float, float]] = {}
    for x, w, place in zip(offset.tolist(), weight.tolist(), shift.tolist(), strict=True):
        whole = math.floor(place)
        for at, part in ((whole, 1 - (place - whole)), (whole + 1, place - whole)):
            before = taps.get(at, (0.0, 0.0))
            taps[at] = (before[0] + w * part, before[1] + w * part * x)
    return [(at, w, moment) for at, (w, moment) in taps.items()]


def node_at(u: FloatArray) -> FloatArray:
    """Node numbers, with fractions, of distances in units of 1 / MTF50 of the lens."""
    even = u * NODES_PER_UNIT
    far = np.abs(even)
    sparse = np.copysign(2 * _EVEN_NODES - _EVEN_NODES**2 / np.maximum(far, 1.0), even)
    return np.where(far > _EVEN_NODES, sparse, even)


def node_places(first: int, last: int) -> tuple[FloatArray, FloatArray]:
    """Places u of nodes first..last, (n_node,), and how much u grows per node there."""
    index = np.arange(first, last + 1)
    distance = np.abs(index)
    # The last node would lie at infinity.
    left = np.maximum(2 * _EVEN_NODES - distance, 0.5)
    far = distance > _EVEN_NODES
    even = np.where(far, np.copysign(_EVEN_NODES**2 / left, index), index)
    growth = np.where(far, (_EVEN_NODES / left) ** 2, 1.0)
    return even / NODES_PER_UNIT, growth / NODES_PER_UNIT


def _lens_columns(family: ShapeFamily, u: FloatArray, n_col: int) -> tuple[FloatArray, FloatArray]:
    """Edge spread minus 1/2 and line spread without the pixel at any places u."""
    place = np.abs(u) * (NODES_PER_UNIT * FINE_PER_NODE)
    reach = family.centre - 1
    if np.all(place > reach):  # one row tells them all
        below, part = np.full(1, reach - 1), np.ones(1)
    else:
        below = np.minimum(place, reach - 1).astype(np.intp)
        part = np.minimum(place - below, 1.0)
    below = below + family.centre
    esf = family.esf[below, :n_col]
    esf = esf + part[:, None] * (family.esf[below + 1, :n_col] - esf)
    lsf = family.lsf[below, :n_col]
    lsf = lsf + part[:, None] * (family.lsf[below + 1, :n_col] - lsf)
    # Beyond the table towards the plateau as 1 / u; odd functions die out faster.
    even = np.arange(n_col) <= family.n_even
    ratio = (reach / np.maximum(place, reach))[:, None]
    plateau = np.zeros(n_col)
    plateau[0] = 0.5
    esf = plateau + (esf - plateau) * np.where(even, ratio, ratio**3)
    # Even functions' edge spread is odd in u, their line spread even; odd ones' the reverse.
    sign = np.sign(u)[:, None]
    return esf * np.where(even, sign, 1.0), lsf * ratio**2 * np.where(even, 1.0, sign)


@lru_cache(maxsize=1)
def _all_nodes(family: ShapeFamily) -> tuple[FloatArray, FloatArray]:
    """``_lens_columns`` at every node: they lie at the same u whatever the blur."""
    u, _ = node_places(-2 * _EVEN_NODES, 2 * _EVEN_NODES)
    return _lens_columns(family, u, 1 + family.n)


def _zone_lsf(
    family: ShapeFamily, low: int, high: int, coefficient: FloatArray, taps: Taps
) -> tuple[FloatArray, int]:
    """Line spread of the combined shape on the table rows that taps reach from some nodes.

    Beside it how far its first row lies below the table's centre row.
    """
    first = low * FINE_PER_NODE + min(at for at, _, _ in taps)
    last = high * FINE_PER_NODE + max(at for at, _, _ in taps)
    rows = family.lsf[family.centre + first : family.centre + last + 1, : coefficient.size + 1]
    return rows[:, 0] + rows[:, 1:] @ coefficient, -first


def node_slopes(
    family: ShapeFamily,
    first: int,
    last: int,
    lens_f50: float,
    coefficient: FloatArray,
    angle_rad: float,
) -> FloatArray:
    """``slope`` of ``node_curves`` alone, near the edge: nodes up to 4 / f50 from it."""
    taps = _pixel_taps(angle_rad, lens_f50)
    lsf, centre = _zone_lsf(family, first, last, coefficient, taps)
    slope = np.zeros(last - first + 1)
    for at, weight, _ in taps:
        start = centre + at + first * FINE_PER_NODE
        slope += weight * lsf[start::FINE_PER_NODE][: slope.size]
    return slope


def node_curves(
    family: ShapeFamily,
    first: int,
    last: int,
    lens_f50: float,
    coefficient: FloatArray,
    angle_rad: float,
    far_side_px: float,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Profiles at nodes first..last, for the mean shape and the given coefficients.

    Parameters
    ----------
    family : ShapeFamily
    first, last : int
    lens_f50 : float
        MTF50 of the lens alone. [cycles per pixel]
    coefficient : ndarray, (n,)
        Of the first n columns after the mean.
    angle_rad : float
        Of the normal, for the pixel's aperture.
    far_side_px : float
        Distance of the dark side's parallel far edge; infinite for none.

    Returns
    -------
    esf : ndarray, (n_node, 1 + n)
        ESF - 1/2 of every column.
    slope : ndarray, (n_node,)
        d E / d u of the combined shape.
    by_f50 : ndarray, (n_node,)
        d E / d f50 at fixed distance of the combined shape.
    """
    n_col = coefficient.size + 1
    mix = np.concatenate([[1.0], coefficient])
    u, _ = node_places(first, last)
    nodes = slice(first + 2 * _EVEN_NODES, last + 2 * _EVEN_NODES + 1)
    columns, line_columns = _all_nodes(family)
    esf = columns[nodes, :n_col].copy()
    slope = line_columns[nodes, :n_col] @ mix
    by_f50 = slope * u / lens_f50

    low, high = max(first, -_EVEN_NODES), min(last, _EVEN_NODES)
    n = max(high - low + 1, 0)
    if n:
        taps = _pixel_taps(angle_rad, lens_f50)
        lsf, centre = _zone_lsf(family, low, high, coefficient, taps)
        with_pixel, tap = np.zeros((n, n_col)), np.empty((n, n_col))
        slope_zone, moment = np.zeros(n), np.zeros(n)
        for at, weight, weight_px in taps:
            block, phase = divmod(family.centre + at, FINE_PER_NODE)
            rows = slice(block + low, block + low + n)
            with_pixel += np.multiply(family.esf_by_phase[phase][rows, :n_col], weight, out=tap)
            line = lsf[centre + at + low * FINE_PER_NODE :: FINE_PER_NODE][:n]
            slope_zone += weight * line
            moment += weight_px * line
        inner = slice(low - first, low - first + n)
        esf[inner] = with_pixel
        slope[inner] = slope_zone
        by_f50[inner] = slope_zone * u[inner] / lens_f50 + moment

    if np.isfinite(far_side_px):
        shift = far_side_px * lens_f50
        mirrored, mirrored_lsf = _lens_columns(family, u + shift, n_col)
        mirrored_slope = mirrored_lsf @ mix
        mirrored[:, 0] -= 0.5
        esf -= mirrored
        slope -= mirrored_slope
        by_f50 -= mirrored_slope * (u + shift) / lens_f50
    return esf, slope, by_f50
