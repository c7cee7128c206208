"""Does the target stand square, is the field flat, does the lens look centred?

Focus offsets of the places of one magnification are laid through a plane (the target's
tilt against the plane in focus) and a bowl about the frame's centre (the field's
curvature), both zero at the centre. Generalised least squares, since what is open about
the lens on axis moves all offsets at once. Object side.

A lens symmetric about its axis shows coma and astigmatism alike all round the field:
what grows from one side to the other, beyond chance, hints at a decentred or tilted
element. It also arises where the chart's centre lies off the axis, and coma that is the
same everywhere escapes it.

Signs follow those of the offsets, see ``field_fit``. Leaves out: bending of the target,
curvature of higher order, and which part of the rig is out of square.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.special import gammaincc

from lab.edges.types import FloatArray
from lab.inference.results import FieldPoint, FieldShape

__all__ = ["field_shape"]

_LEAST_POINTS = 4  # one more than there are unknowns
_DISTINCT = 1e-3  # of singular values: below, places lie in a line through the centre
_UNLIKELY = 1e-3  # chance of a shape that fits as badly
_NO_COMA = {"model-does-not-fit", "coma-not-measured"}
_NO_ASTIGMATISM = {
    *("model-does-not-fit", "one-direction"),
    *("astigmatism-not-measured", "astigmatism-sign-open"),
}


def field_shape(points: Sequence[FieldPoint]) -> FieldShape:
    """Plane, bowl and asymmetry through the field points of one magnification.

    Parameters
    ----------
    points : sequence of FieldPoint
        All of one magnification, at least one. Those whose frames have no known
        positions are passed over: nothing tells on which side of focus they lie.

    Raises
    ------
    ValueError
        If there is no point, or points of several magnifications.
    """
    if len({point.magnification for point in points}) != 1:
        raise ValueError("field_shape takes the points of one magnification, at least one")
    magnification = points[0].magnification
    used = [point for point in points if "positions-unknown" not in point.flags]
    flags = ("positions-unknown",) if len(used) < len(points) else ()
    if any("model-does-not-fit" in point.flags for point in used):
        flags = (*flags, "model-does-not-fit")
    if len(used) < _LEAST_POINTS:
        return FieldShape(
            magnification=magnification,
            points_used=len(used),
            flags=(*flags, "too-few-points"),
        )
    place_um = 1e3 * np.array([(point.x_object_mm, point.y_object_mm) for point in used])
    radius2 = np.array([point.field_x**2 + point.field_y**2 for point in used])
    design = np.column_stack([place_um, radius2])
    if not _apart(design):
        return FieldShape(
            magnification=magnification,
            points_used=len(used),
            flags=(*flags, "points-in-a-line"),
        )
    offset = np.array([point.focus_offset_object_um for point in used])
    moved = np.array([point.focus_shared_object_um for point in used])
    own = np.array([point.focus_offset_object_std_um**2 for point in used])
    own = np.maximum(own - np.sum(moved**2, axis=1), 1e-3 * own)
    shape, covariance, misfit = _least_squares(design, offset, np.diag(own) + moved @ moved.T)
    freedom = len(used) - design.shape[1]
    if _chance(misfit, freedom) < _UNLIKELY:
        flags = (*flags, "shape-does-not-fit")
    std = np.sqrt(np.diag(covariance) * max(1.0, misfit / freedom))
    slope, corner_um = shape[:2], float(shape[2])
    tilt_deg = np.rad2deg(np.arctan(slope))
    tilt_std_deg = np.rad2deg(std[:2] / (1 + slope**2))
    chance, azimuth_deg = _asymmetry(used)
    return FieldShape(
        magnification=magnification,
        points_used=len(used),
        tilt_x_deg=float(tilt_deg[0]),
        tilt_x_std_deg=float(tilt_std_deg[0]),
        tilt_y_deg=float(tilt_deg[1]),
        tilt_y_std_deg=float(tilt_std_deg[1]),
        curvature_corner_um=corner_um,
        curvature_corner_std_um=float(std[2]),
        chi_square=misfit / freedom,
        asymmetry_chance=chance,
        asymmetry_azimuth_deg=azimuth_deg,
        flags=flags,
    )


def _apart(design: FloatArray) -> bool:
    """Whether the columns can be told apart."""
    length = np.linalg.norm(design, axis=0)
    if not np.all(length > 0):
        return False
    singular = np.linalg.svd(design / length, compute_uv=False)
    return bool(singular[-1] > _DISTINCT * singular[0])


def _chance(chi_square: float, freedom: int) -> float:
    """Of a chi-square at least as large."""
    return float(gammaincc(freedom / 2, chi_square / 2))


def _least_squares(
    design: FloatArray, value: FloatArray, covariance: FloatArray
) -> tuple[FloatArray, FloatArray, float]:
    """Generalised: solution, its covariance, and the chi-square left."""
    weighted = np.linalg.solve(covariance, design)
    spread = np.linalg.inv(design.T @ weighted)
    solution = spread @ (weighted.T @ value)
    left = value - design @ solution
    return solution, spread, float(left @ np.linalg.solve(covariance, left))


def _asymmetry(points: Sequence[FieldPoint]) -> tuple[float | None, float | None]:
    """Chance of as much asymmetry in a centred lens, and the side where it is worse [deg].

    About the axis, coma squared and astigmatism grow with the square of the radius;
    decentring adds, in first order, what is linear in x and y. Errors that all places
    share count as their own here, so that the chance is stated too high rather than low.
    """
    figures = [
        [(p, p.coma2_um2, p.coma2_std_um2) for p in points if not _NO_COMA & set(p.flags)],
        [
            (p, p.astigmatism_um, p.astigmatism_std_um)
            for p in points
            if not _NO_ASTIGMATISM & set(p.flags)
        ],
    ]
    total, freedom, strongest, azimuth_deg = 0.0, 0, 0.0, None
    for rows in figures:
        if len(rows) < _LEAST_POINTS:
            continue
        x, y = (np.array([getattr(p, name) for p, _, _ in rows]) for name in ("field_x", "field_y"))
        value, std = (np.array([row[k] for row in rows]) for k in (1, 2))
        design = np.column_stack([x, y, x * x + y * y])
        if not _apart(design):
            continue
        solution, spread, misfit = _least_squares(design, value, np.diag(std**2))
        spread = spread * max(1.0, misfit / (len(rows) - 3))
        side = solution[:2] * (1 if solution[2] >= 0 else -1)
        square = float(side @ np.linalg.solve(spread[:2, :2], side))
        total, freedom = total + square, freedom + 2
        if square > strongest:
            strongest, azimuth_deg = square, math.degrees(math.atan2(side[1], side[0]))
    return (_chance(total, freedom), azimuth_deg) if freedom else (None, None)
