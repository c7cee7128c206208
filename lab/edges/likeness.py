"""Which way does the chart lie: under which pairing does it look most like the frame?

Several turns, shifts and scales may pair all squares with blobs. The right one is told
by comparing the whole frame with the whole field, marks included, both blurred on a
coarse grid. Where the squares are alike, the orientation mark decides. In a nested field
a turn by one ray and a growth by one ring map all squares' places onto one another, and
so does mirroring: there each mark and the square at the centre have a say, and the
frame must speak clearly for one pairing against each other.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy import ndimage

from lab.edges.matching import FrameView
from lab.edges.plane_map import PlaneMap, fit_plane_map
from lab.edges.types import FloatArray, Rejection
from targets.layout import Field, Point

__all__ = ["right_way_up"]

# Cells per side of the grid on which frame and field are compared. In a nested field the
# anchors are small in the frame, so that a finer grid would only cost time.
_GRID_ALIKE, _GRID_NESTED = 8, 6
_BLUR_SIDES = 0.2
_MOST_WAYS = 60
_LIGHT_BLUR_SIDES = 0.1  # of a template that is yet to be blurred like the frame
_FEWEST_OF_BEST = 0.6  # pairs of a pairing, over those of the one with most
# By how much the best pairing must be more like the frame than any other: 1 is the
# difference without blur and noise, 0 a draw.
_CLEAR_LEAD = 0.25


def right_way_up(
    view: FrameView, field: Field, blobs: FloatArray, ways: list[dict[int, int]]
) -> dict[int, int] | Rejection:
    """The pairing under which the field, marks and all, looks most like the frame.

    Parameters
    ----------
    view : FrameView
    field : Field
    blobs : ndarray, (n, 2)
        Centroids (col, row). [bins]
    ways : list of {square: blob}
        As ``matches`` gives them, at least one.
    """
    if view.anchors.size < len(field.squares):
        return _by_all_marks(view, field, blobs, ways)
    return _by_orientation_mark(view, field, blobs, ways)


def _by_all_marks(
    view: FrameView, field: Field, blobs: FloatArray, ways: list[dict[int, int]]
) -> dict[int, int] | Rejection:
    darkness, at_px = _darkness(view, blobs, _GRID_NESTED)
    template = _whole_template(field, view.side_mm / _GRID_NESTED)
    ways = _distinct([way for way in ways if len(way) >= _FEWEST_OF_BEST * len(ways[0])])
    expected = []
    for way in ways:
        to_px = _plane_map(view, field, blobs, way, projective=True)
        px_per_mm = math.sqrt(abs(np.linalg.det(to_px.jacobian((0.0, 0.0)))))
        step_mm = _grid_step(view, _GRID_NESTED) * view.reduced.bin_px / px_per_mm
        known = _LIGHT_BLUR_SIDES * view.side_mm / step_mm
        missing = math.sqrt(max((_BLUR_SIDES * _GRID_NESTED) ** 2 - known**2, 0.0))
        at_mm = to_px.inverse(at_px)
        for from_front in ((1.0, 1.0), (-1.0, 1.0)):
            seen = template.at(at_mm * from_front).reshape(darkness.shape)
            expected.append(ndimage.gaussian_filter(seen, missing))
    error = np.array([np.sum((e - darkness) ** 2) for e in expected])
    best = int(error.argmin())
    apart = np.array([np.sum((e - expected[best]) ** 2) for e in expected])
    others = np.arange(error.size) != best
    lead = float(np.min((error - error[best])[others] / apart[others]))
    if best % 2 or not lead > _CLEAR_LEAD:
        return Rejection(
            reason="the marks among the squares do not show which way the chart lies. Bring disc, "
            "code and bar into the frame, and check that the chart is not seen from behind"
        )
    return ways[best // 2]


def _by_orientation_mark(
    view: FrameView, field: Field, blobs: FloatArray, ways: list[dict[int, int]]
) -> dict[int, int] | Rejection:
    darkness, at_px = _darkness(view, blobs, _GRID_ALIKE)
    mark, rest = _templates(field, view.side_mm / _GRID_ALIKE)
    whole_field = replace(rest, cells=rest.cells + mark.cells)
    tried: list[tuple[float, int, FloatArray]] = []
    ways = [way for way in ways if len(way) >= max(4, len(ways[0]) - 3)]
    for i, way in enumerate(ways[:_MOST_WAYS]):
        to_px = _plane_map(view, field, blobs, way, projective=False)
        at_mm = to_px.inverse(at_px)
        error = float(np.sum((whole_field.at(at_mm) - darkness.ravel()) ** 2))
        tried.append((error, i, at_mm))
    tried.sort(key=lambda t: t[0])
    error, best, at_mm = tried[0]
    expected = mark.at(at_mm)
    energy = float(np.sum(expected**2))
    # All of the mark's energy, in cells of the frame's grid.
    centres = np.array([field.squares[j].centre_mm for j in ways[best]])
    spread_px = view.reduced.to_frame(blobs[list(ways[best].values())]).var(axis=0).sum()
    px_per_cell = math.sqrt(spread_px / centres.var(axis=0).sum()) * mark.cell_mm
    steps_per_cell = px_per_cell / (_grid_step(view, _GRID_ALIKE) * view.reduced.bin_px)
    whole = float(np.sum(mark.cells**2)) * steps_per_cell**2
    if energy > 0.3 * whole:
        # Share of the mark that is seen: 1 if it is there, less when blurred, 0 on clear ground.
        found = darkness.ravel() - rest.at(at_mm)
        sure = float(np.sum(expected * found)) > 0.4 * energy
    else:
        # The mark is outside the frame: the other marks must tell the turns apart as well.
        others = [e for e, i, _ in tried[1:] if _contradict(ways[i], ways[best])]
        sure = min(others, default=math.inf) - error > 0.5 * whole
    if not sure:
        return Rejection(
            reason="the orientation mark is not where any of the four turns would put it. "
            "Bring it into the frame, and check that the chart is not seen from behind"
        )
    return ways[best]


def _plane_map(
    view: FrameView, field: Field, blobs: FloatArray, way: dict[int, int], *, projective: bool
) -> PlaneMap:
    return fit_plane_map(
        [field.squares[i].centre_mm for i in way],
        view.reduced.to_frame(blobs[list(way.values())]),
        projective=projective,
    )


def _distinct(ways: list[dict[int, int]]) -> list[dict[int, int]]:
    """The ways that give squares other places than all ways before them do."""
    anchors = sorted(set().union(*ways))
    table = np.array([[way.get(i, -1) for i in anchors] for way in ways])
    kept: list[int] = []
    for k, line in enumerate(table):
        both = (table[kept] >= 0) & (line >= 0)
        if not np.any(both.any(axis=1) & ~(both & (table[kept] != line)).any(axis=1)):
            kept.append(k)
            if len(kept) == _MOST_WAYS:
                break
    return [ways[k] for k in kept]


def _contradict(one: dict[int, int], other: dict[int, int]) -> bool:
    """Do two pairings give a square two places?"""
    common = one.keys() & other.keys()
    return not common or any(one[i] != other[i] for i in common)


def _grid_step(view: FrameView, per_side: int) -> int:
    return max(1, round(view.side / per_side))


def _darkness(view: FrameView, blobs: FloatArray, per_side: int) -> tuple[FloatArray, FloatArray]:
    """Darkness (0 ground, 1 square) on a coarse grid, blurred; grid points (col, row) [px]."""
    step = _grid_step(view, per_side)
    n_row, n_col = (n // step for n in view.ratio.shape)
    cut = view.ratio[: n_row * step, : n_col * step]
    coarse = cut.reshape(n_row, step, n_col, step).mean(axis=(1, 3), dtype=np.float64)
    col, row = np.rint(blobs).astype(int).T
    dark = float(np.median(view.ratio[row, col]))
    blurred = ndimage.gaussian_filter((1 - coarse) / (1 - dark), _BLUR_SIDES * per_side)
    rows, cols = np.indices(blurred.shape).reshape(2, -1) * step + (step - 1) / 2
    return blurred, view.reduced.to_frame(np.stack([cols, rows], axis=1))


@lru_cache(maxsize=4)  # frame after frame shows the same field
def _templates(field: Field, cell_mm: float) -> tuple[_Template, _Template]:
    """The orientation marks, and all other shapes."""
    marks = [mark for mark in field.marks if mark.role == "orientation"]
    rest: list[tuple[Point, ...]] = [square.corners_mm() for square in field.squares]
    rest += [mark.polygon_mm for mark in field.marks if mark.role != "orientation"]
    grid = field.extent_mm(), cell_mm, _BLUR_SIDES * _GRID_ALIKE
    return _Template.of([mark.polygon_mm for mark in marks], *grid), _Template.of(rest, *grid)


@lru_cache(maxsize=4)
def _whole_template(field: Field, cell_mm: float) -> _Template:
    """All shapes, lightly blurred."""
    return _Template.of(
        field.polygons_mm(), field.extent_mm(), cell_mm, _LIGHT_BLUR_SIDES * _GRID_NESTED
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Template:
    """Dark share of each cell of a grid over the field, blurred."""

    cells: FloatArray
    origin_mm: FloatArray
    cell_mm: float

    @staticmethod
    def of(
        polygons: Iterable[Sequence[Point]],
        extent_mm: tuple[float, float],
        cell_mm: float,
        blur_cells: float,
    ) -> _Template:
        from skimage.draw import polygon

        fine = 4
        shape = math.ceil(extent_mm[1] / cell_mm), math.ceil(extent_mm[0] / cell_mm)
        dark = np.zeros((shape[0] * fine, shape[1] * fine))
        origin_mm = np.array(extent_mm) / 2
        for corners in polygons:
            col, row = ((np.array(corners) + origin_mm) / cell_mm * fine - 0.5).T
            dark[polygon(row, col, dark.shape)] = 1
        cells = dark.reshape(shape[0], fine, shape[1], fine).mean(axis=(1, 3))
        return _Template(
            cells=ndimage.gaussian_filter(cells, blur_cells), origin_mm=origin_mm, cell_mm=cell_mm
        )

    def at(self, at_mm: FloatArray) -> FloatArray:
        """Values at points (x, y) [mm]; clear ground outside the field."""
        col, row = ((at_mm + self.origin_mm) / self.cell_mm - 0.5).T
        values: FloatArray = ndimage.map_coordinates(self.cells, [row, col], order=1, cval=0.0)
        return values
