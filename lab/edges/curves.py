"""The family's edge profiles on the nodes of a fit, pixel and far side included.

Node ``k`` lies at ``u = k / NODES_PER_UNIT``, u being distance times the lens's
MTF50. The pixel's aperture in the edge's direction is a weighted sum of shifted
table rows. An edge that is one side of a dark bar or square sees the bar's far
side too, as a slow rise of the dark side: its distance is known from the target,
so its profile, the same shape mirrored, is taken off.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from lab.edges.shapes import FINE_PER_NODE, NODES_PER_UNIT, ShapeFamily
from lab.edges.types import FloatArray

__all__ = ["node_curves"]

_PIXEL_ZONE = 4.0  # beyond |u| = 4 the profile is too smooth for the pixel to matter

# Gauss-Legendre rules for the pixel's projected sides: more points the longer the side
# is against the blur (side x MTF50); the error of the transfer stays below 1e-4.
_RULES = [np.polynomial.legendre.leggauss(n) for n in (2, 3, 4)]
_RULE_LIMITS = (0.05, 0.2)


def _side_rule(side_px: float, lens_f50: float) -> tuple[FloatArray, FloatArray]:
    node, weight = _RULES[int(np.searchsorted(_RULE_LIMITS, side_px * lens_f50))]
    return node * (side_px / 2), weight / 2


def _pixel_taps(angle_rad: float, lens_f50: float) -> list[tuple[int, float, float]]:
    """The pixel's projected aperture as (row shift, weight, weight x offset in px)."""
    offsets, weights = zip(
        _side_rule(abs(np.cos(angle_rad)), lens_f50),
        _side_rule(abs(np.sin(angle_rad)), lens_f50),
        strict=True,
    )
    offset = np.add.outer(*offsets).ravel()
    weight = np.multiply.outer(*weights).ravel()
    shift = offset * (lens_f50 * NODES_PER_UNIT * FINE_PER_NODE)
    whole = np.floor(shift).astype(int)
    part = shift - whole
    tap = np.concatenate([weight * (1 - part), weight * part])
    at, where = np.unique(np.concatenate([whole, whole + 1]), return_inverse=True)
    moments = np.bincount(where, tap * np.concatenate([offset, offset]))
    return list(zip(at.tolist(), np.bincount(where, tap).tolist(), moments.tolist(), strict=True))


def _lens_curves(
    family: ShapeFamily, index: npt.NDArray[np.intp], lsf: FloatArray, n_col: int
) -> tuple[FloatArray, FloatArray]:
    """Profiles without the pixel at any nodes, and the slope of the combined shape."""
    reach = family.centre // FINE_PER_NODE - 1
    row = family.centre + np.clip(index, -reach, reach) * FINE_PER_NODE
    esf = family.esf[row, :n_col]
    slope = lsf[row]
    far = np.abs(index) > reach
    if np.any(far):  # towards the plateau as 1 / u; odd functions die out faster
        ratio = reach / np.abs(index[far])
        plateau = np.zeros((ratio.size, n_col))
        plateau[:, 0] = 0.5 * np.sign(index[far])
        even = np.arange(n_col) <= family.n_even
        esf[far] = plateau + (esf[far] - plateau) * np.where(
            even, ratio[:, None], ratio[:, None] ** 3
        )
        slope[far] *= ratio**2
    return esf, slope


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
    index = np.arange(first, last + 1)
    lsf = family.lsf[:, :n_col] @ np.concatenate([[1.0], coefficient])
    esf, slope = _lens_curves(family, index, lsf, n_col)
    u = index / NODES_PER_UNIT
    by_f50 = slope * u / lens_f50

    zone = int(_PIXEL_ZONE * NODES_PER_UNIT)
    low, high = max(first, -zone), min(last, zone)
    if high >= low:
        n = high - low + 1
        base = family.centre + low * FINE_PER_NODE
        with_pixel = np.zeros((n, n_col))
        slope_zone, moment = np.zeros(n), np.zeros(n)
        for at, weight, weight_px in _pixel_taps(angle_rad, lens_f50):
            rows = slice(base + at, base + at + (n - 1) * FINE_PER_NODE + 1, FINE_PER_NODE)
            with_pixel += weight * family.esf[rows, :n_col]
            slope_zone += weight * lsf[rows]
            moment += weight_px * lsf[rows]
        part = slice(low - first, high - first + 1)
        esf[part] = with_pixel
        slope[part] = slope_zone
        by_f50[part] = slope_zone * u[part] / lens_f50 + moment

    if np.isfinite(far_side_px):
        shift = round(far_side_px * lens_f50 * NODES_PER_UNIT)
        mirrored, mirrored_slope = _lens_curves(family, index + shift, lsf, n_col)
        mirrored[:, 0] -= 0.5
        esf -= mirrored
        slope -= mirrored_slope
        by_f50 -= mirrored_slope * (u + shift / NODES_PER_UNIT) / lens_f50
    return esf, slope, by_f50
