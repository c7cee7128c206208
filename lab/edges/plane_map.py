"""How does a plane of millimetres lie in the frame?

Least-squares affine and projective maps from points (x, y) [mm] to pixels
(col, row), both x right and y down. Leaves out lens distortion: the scatter of
the points about the map tells how much of it there is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray

__all__ = ["PlaneMap", "fit_plane_map"]


@dataclass(frozen=True, kw_only=True, eq=False)
class PlaneMap:
    """Field millimetres to frame pixels, as a 3 x 3 homography on (x, y, 1)."""

    matrix: FloatArray
    residual_std_px: float

    def __call__(self, at_mm: npt.ArrayLike) -> FloatArray:
        """(n, 2) points (x, y) [mm] to (n, 2) points (col, row) [px]."""
        x_y = np.atleast_2d(np.asarray(at_mm, np.float64))
        u = x_y @ self.matrix[:, :2].T + self.matrix[:, 2]
        return np.asarray(u[:, :2] / u[:, 2:])

    def inverse(self, at_px: FloatArray) -> FloatArray:
        """(n, 2) points (col, row) [px] to (n, 2) points (x, y) [mm]."""
        back = np.asarray(np.linalg.inv(self.matrix), np.float64)
        return PlaneMap(matrix=back, residual_std_px=0.0)(at_px)

    def jacobian(self, at_mm: npt.ArrayLike) -> FloatArray:
        """Local (2, 2) derivative [px per mm]."""
        (u, v, w) = self.matrix @ np.append(np.asarray(at_mm, np.float64), 1.0)
        outer = np.outer([u / w, v / w], self.matrix[2, :2])
        return np.asarray((self.matrix[:2, :2] - outer) / w)


def fit_plane_map(at_mm: npt.ArrayLike, at_px: FloatArray, *, projective: bool) -> PlaneMap:
    """Least-squares map; projective only where the squares call for it.

    The two extra terms must reduce the residual sum by more than chance would
    once in a hundred (F test).
    """
    x_y = np.asarray(at_mm, np.float64)
    affine = np.column_stack([x_y, np.ones(len(x_y))])
    solution = np.linalg.lstsq(affine, at_px, rcond=None)[0]
    matrix = np.vstack([solution.T, [0.0, 0.0, 1.0]])
    square_sum = float(np.sum((affine @ solution - at_px) ** 2))
    free = 2 * len(x_y) - 6
    if projective and len(x_y) >= 8:
        from scipy.special import fdtri

        bent = _gauss_newton(affine, at_px, matrix)
        better = float(np.sum((PlaneMap(matrix=bent, residual_std_px=0.0)(x_y) - at_px) ** 2))
        if (square_sum - better) / 2 > fdtri(2, free - 2, 0.99) * better / (free - 2):
            matrix, square_sum, free = bent, better, free - 2
    return PlaneMap(matrix=matrix, residual_std_px=math.sqrt(square_sum / free))


def _gauss_newton(affine: FloatArray, at_px: FloatArray, start: FloatArray) -> FloatArray:
    """Eight-parameter least squares by Gauss-Newton from the affine map."""
    matrix = start.copy()
    for _ in range(4):
        u = affine @ matrix.T
        place = u[:, :2] / u[:, 2:]
        scaled = affine / u[:, 2:]
        zero = np.zeros_like(scaled)
        d_col = np.column_stack([scaled, zero, -place[:, :1] * scaled[:, :2]])
        d_row = np.column_stack([zero, scaled, -place[:, 1:] * scaled[:, :2]])
        rest = (at_px - place).T.ravel()
        step = np.linalg.lstsq(np.vstack([d_col, d_row]), rest, rcond=None)[0]
        matrix = matrix + np.append(step, 0.0).reshape(3, 3)
    return matrix
