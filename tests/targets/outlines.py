"""Outlines of a chart's shapes: gaps between them, ground that must stay clear."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from targets import Field, Mark

Polygon = npt.NDArray[np.float64]


def gap_mm(a: Polygon, b: Polygon) -> float:
    """Widest gap along any side's normal of two convex outlines; negative if they overlap.

    Separating axis theorem: two convex polygons are apart just if a line along
    one of their sides parts them.
    """
    best = -math.inf
    for outline in (a, b):
        along = np.roll(outline, -1, axis=0) - outline
        normals = np.column_stack([along[:, 1], -along[:, 0]])
        normals /= np.linalg.norm(normals, axis=1, keepdims=True)
        on_a, on_b = a @ normals.T, b @ normals.T
        apart = np.maximum(on_b.min(0) - on_a.max(0), on_a.min(0) - on_b.max(0))
        best = max(best, float(apart.max()))
    return best


def zones(field: Field) -> list[tuple[str, Polygon]]:
    """Ground that must stay clear: outside each edge, half a side wide."""
    found = []
    for square in field.squares:
        for edge in square.edges():
            ends = np.array([edge.start_mm, edge.end_mm])
            out = 0.5 * square.side_mm * np.array(edge.normal)
            found.append((square.name, np.vstack([ends, ends[::-1] + out])))
    return found


def clear_of_zones(field: Field) -> tuple[float, float]:
    """Narrowest gap [sides] between a zone and any other square, and any mark."""
    shapes = [np.array(s.corners_mm()) for s in field.squares]
    shapes += [np.array(mark.polygon_mm) for mark in field.marks]
    middle = np.array([outline.mean(0) for outline in shapes])
    radius = np.array([np.hypot(*(o - m).T).max() for o, m in zip(shapes, middle, strict=True)])
    narrowest = [math.inf, math.inf]
    for i, (square, four) in enumerate(zip(field.squares, _by_square(field), strict=True)):
        # Farther off, no shape is within a side of a zone.
        near = np.hypot(*(middle - square.centre_mm).T) - radius < 2.1 * square.side_mm
        for k in np.flatnonzero(near):
            if k != i:
                gap = min(gap_mm(zone, shapes[k]) for zone in four) / square.side_mm
                is_mark = int(k >= len(field.squares))
                narrowest[is_mark] = min(narrowest[is_mark], gap)
    return narrowest[0], narrowest[1]


def _by_square(field: Field) -> list[list[Polygon]]:
    every = [zone for _, zone in zones(field)]
    return [every[i : i + 4] for i in range(0, len(every), 4)]


def marks(field: Field, role: str) -> list[Mark]:
    return [mark for mark in field.marks if mark.role == role]


def bounds(shapes: list[Mark]) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    points = np.vstack([np.array(mark.polygon_mm) for mark in shapes])
    return points.min(0), points.max(0)
