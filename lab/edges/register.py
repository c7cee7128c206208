"""Where is the chart in this frame, how large, which way up, and where are its edges?

The dark squares are found as blobs against their local ground, matched to the
field's squares by trying similarities through neighbouring pairs, and told from
the other turns and shifts by comparing the whole frame with the whole field,
marks included. Millimetres of the field (x right, y down) are then mapped to
frame pixels (col, row) by an affine or, where it fits clearly better, a
projective map through the centroids of the squares.

Leaves out: the code (a frame's field is given), lens distortion beyond the
shift of each square, and whether an edge is any good.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from lab.edges.plane_map import PlaneMap, fit_plane_map
from lab.edges.squares import Float32Array, centroid, over_ground, square_blobs
from lab.edges.types import EdgeRegion, FloatArray, Rejection
from lab.edges.window import Reduced, reduce_frame, region_inside
from lab.frames.frame import Frame
from targets.layout import Field, Point, Square

__all__ = ["RegisteredEdge", "Registration", "register_field"]

# A square's centroid on bins of 1/100 of the frame has an error far below one
# pixel: what a bin rounds off at one side it adds at the other, and slanted
# sides average the rest. Full resolution would only cost time.
_LONGEST_BINS = 1100
_SCALE_RANGE = (0.8, 1.25)  # of the nominal magnification; 15 % and a margin
_TURN_RANGE_DEG = 15.0  # about each quarter turn
_MATCH_SIDES = 0.4  # distance of a blob from its square's place [sides]
_WINDOW_SIDES = 0.92  # radius of the centroid's window: all of a square, no mark
_SMALLEST_WINDOW_SIDES = 0.74  # near the frame's border: just the corners
_LENGTH_SIDES = 0.7
_HALF_WIDTH_SIDES = 0.45
_GRID_PER_SIDE = 8  # grid of the comparison of frame and field
_GRID_BLUR = 0.2 * _GRID_PER_SIDE
_OUTLIER_PX = 2.0  # a centroid this near the map is never dropped
_MOST_BLOBS = 40
_MOST_WAYS = 60


@dataclass(frozen=True, kw_only=True)
class RegisteredEdge:
    """One side of one square, placed in the frame.

    Attributes
    ----------
    region : EdgeRegion
    square, edge : str
        Name of the square; "top", "right", "bottom" or "left" of it unturned.
    direction : str
        The way the edge line runs in the frame: "horizontal" or "vertical".
    field_x, field_y : float
        Centre of the edge from the frame's centre, x right, y down, in halves
        of the frame's diagonal. [-], -1 to 1
    """

    region: EdgeRegion
    square: str
    edge: str
    direction: str
    field_x: float
    field_y: float


@dataclass(frozen=True, kw_only=True)
class Registration:
    """The chart as it lies in a frame.

    Attributes
    ----------
    measured_magnification, measured_magnification_std : float
        Image over object size at the frame's centre, geometric mean of both
        directions. The std comes from the scatter of the squares about the map
        and takes pixel pitch and chart as exact. [-]
    rotation_deg : float
        Turn of the field's x axis, clockwise as seen. (-180, 180]
    orientation : int
        The nearest quarter turn, 0, 90, 180 or 270. [degree]
    squares_matched : int
    edges : tuple of RegisteredEdge
        Those whose region lies fully inside the frame.
    """

    measured_magnification: float
    measured_magnification_std: float
    rotation_deg: float
    orientation: int
    squares_matched: int
    edges: tuple[RegisteredEdge, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class _View:
    """The frame as the registration sees it."""

    reduced: Reduced
    ratio: Float32Array  # brightness over its local ground
    side: float  # nominal side of a square [bins]
    px_per_mm: float  # nominal


def register_field(
    frame: Frame, field: Field, *, magnification: float, pixel_pitch_um: float
) -> Registration | Rejection:
    """Find a field's squares in a frame and place their edges.

    Parameters
    ----------
    frame : Frame
        Mosaic or three planes; any quarter turn, some degrees of rotation, tilt
        and shift, blur up to about half the gap between squares.
    field : Field
        What is printed; its squares are all of about one size.
    magnification : float
        Nominal; the measured one may differ by 15 %. [-], > 0
    pixel_pitch_um : float
        [um], > 0

    Returns
    -------
    Registration or Rejection

    Raises
    ------
    ValueError
        If a number is not > 0 or the field has fewer than four squares or no
        orientation mark.
    """
    if not magnification > 0 or not pixel_pitch_um > 0:
        raise ValueError("magnification and pixel_pitch_um must be > 0")
    total = len(field.squares)
    if total < 4:
        raise ValueError("a field needs at least four squares to be registered")
    if not any(mark.role == "orientation" for mark in field.marks):
        raise ValueError("a field needs an orientation mark to be registered")
    view = _view(frame, field, magnification * 1000 / pixel_pitch_um)
    dark = float(np.percentile(view.ratio, 1))
    if not dark < 0.8:
        return Rejection(
            reason="no dark squares stand out from their ground. Check that the chart is in "
            "view, lit, and roughly in focus"
        )
    blobs = square_blobs(view.ratio, side=view.side, threshold=(1 + dark) / 2, most=_MOST_BLOBS)
    needed = max(4, math.ceil(total / 3))
    if len(blobs) < needed:
        return Rejection(
            reason=f"only {len(blobs)} of {total} squares were found: check that the chart for "
            f"{magnification:g}x fills the frame, is evenly lit, and roughly in focus"
        )
    matches = _matches(blobs, field, view)
    if not matches or len(matches[0]) < needed:
        return Rejection(
            reason=f"{len(blobs)} dark squares were found, but their places do not fit the chart "
            f"for {magnification:g}x: check the chart and the magnification (it may be off by "
            f"15 %), and turn the chart to within 10 degrees of upright or a quarter turn"
        )
    chosen = _right_way_up(view, field, blobs, matches)
    if isinstance(chosen, Rejection):
        return chosen
    placed = _without_outliers(field, _centroids(view, field, blobs, chosen))
    if not _spans_plane(np.array([complex(*field.squares[i].centre_mm) for i in placed])):
        return Rejection(
            reason=f"only {len(placed)} of {total} squares lie well inside the frame. "
            "Centre the chart"
        )
    to_px = fit_plane_map(*_points(field, placed), projective=True)
    return _registration(frame, field, to_px, set(chosen), placed, pixel_pitch_um)


def _view(frame: Frame, field: Field, px_per_mm: float) -> _View:
    reduced = reduce_frame(frame, longest=_LONGEST_BINS)
    side = float(np.median([s.side_mm for s in field.squares])) * px_per_mm / reduced.bin_px
    return _View(
        reduced=reduced,
        ratio=over_ground(reduced.image, side),
        side=side,
        px_per_mm=px_per_mm,
    )


def _matches(blobs: FloatArray, field: Field, view: _View) -> list[dict[int, int]]:
    """Ways to pair squares with blobs {square: blob}, most pairs first, each way once.

    A similarity through two blobs and two neighbouring squares is one guess;
    complex numbers make it z -> turn * z + shift.
    """
    square = np.array([complex(*s.centre_mm) for s in field.squares])
    blob = blobs[:, 0] + 1j * blobs[:, 1]
    distance = np.abs(square[:, np.newaxis] - square)
    near = np.argsort(distance, axis=1)[:, 1:4]
    j = np.repeat(np.arange(square.size), near.shape[1])
    k = near.ravel()
    a, b = np.nonzero(~np.eye(blob.size, dtype=np.bool_))
    turn = (blob[b] - blob[a])[:, np.newaxis] / (square[k] - square[j])
    scale = np.abs(turn) / (view.px_per_mm / view.reduced.bin_px)
    angle = np.degrees(np.angle(turn))
    off = np.abs(angle - 90 * np.round(angle / 90))
    low, high = _SCALE_RANGE
    guess, pair = np.nonzero((scale > low) & (scale < high) & (off < _TURN_RANGE_DEG))
    ways: dict[tuple[tuple[int, int], ...], dict[int, int]] = {}
    for part in np.array_split(np.arange(guess.size), max(1, guess.size // 2000)):
        t = turn[guess[part], pair[part]][:, np.newaxis]
        place = t * square + (blob[a[guess[part]]][:, np.newaxis] - t * square[j[pair[part]], None])
        gap = np.abs(place[:, :, np.newaxis] - blob)
        nearest = gap.argmin(axis=2)
        hit = np.take_along_axis(gap, nearest[:, :, np.newaxis], axis=2)[:, :, 0]
        hit = np.where(hit < _MATCH_SIDES * view.side, nearest, -1)
        for line in np.unique(hit, axis=0):
            way = {i: int(m) for i, m in enumerate(line) if m >= 0}
            if _spans_plane(square[list(way)]):
                ways[tuple(way.items())] = way
    return sorted(ways.values(), key=len, reverse=True)


def _spans_plane(points: npt.NDArray[np.complex128]) -> bool:
    """Four points or more that do not lie in one row?"""
    if points.size < 4:
        return False
    off = points - points.mean()
    extent = np.linalg.svd(np.stack([off.real, off.imag]), compute_uv=False)
    return bool(extent[1] > 0.1 * extent[0])


def _right_way_up(
    view: _View, field: Field, blobs: FloatArray, ways: list[dict[int, int]]
) -> dict[int, int] | Rejection:
    """The pairing under which the field, marks and all, looks most like the frame."""
    darkness, at_px = _darkness(view, blobs)
    mark = _template(field, [m.polygon_mm for m in field.marks if m.role == "orientation"])
    rest = _template(field, [s.corners_mm() for s in field.squares])
    rest += _template(field, [m.polygon_mm for m in field.marks if m.role != "orientation"])
    tried: list[tuple[float, int, FloatArray]] = []
    for i, way in enumerate(ways[:_MOST_WAYS]):
        if len(way) < max(4, len(ways[0]) - 3):
            break
        to_px = fit_plane_map(
            [field.squares[j].centre_mm for j in way],
            view.reduced.to_frame(blobs[list(way.values())]),
            projective=False,
        )
        at_mm = to_px.inverse(at_px)
        error = float(np.sum((_sample(rest + mark, field, at_mm) - darkness) ** 2))
        tried.append((error, i, at_mm))
    tried.sort(key=lambda t: t[0])
    error, best, at_mm = tried[0]
    expected = _sample(mark, field, at_mm)
    energy = float(np.sum(expected**2))
    # All of the mark's energy, in cells of the frame's grid.
    centres = np.array([field.squares[j].centre_mm for j in ways[best]])
    spread_px = view.reduced.to_frame(blobs[list(ways[best].values())]).var(axis=0).sum()
    px_per_cell = math.sqrt(spread_px / centres.var(axis=0).sum()) * _cell_mm(field)
    whole = float(np.sum(mark**2)) * (px_per_cell / _grid_step(view) / view.reduced.bin_px) ** 2
    if energy > 0.3 * whole:
        # Share of the mark that is seen: 1 if it is there, less when blurred, 0 on clear ground.
        found = darkness - _sample(rest, field, at_mm)
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


def _contradict(one: dict[int, int], other: dict[int, int]) -> bool:
    """Do two pairings give a square two places?"""
    common = one.keys() & other.keys()
    return not common or any(one[i] != other[i] for i in common)


def _grid_step(view: _View) -> int:
    return max(1, round(view.side / _GRID_PER_SIDE))


def _darkness(view: _View, blobs: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Darkness (0 ground, 1 square) on a coarse grid, blurred; grid points (col, row) [px]."""
    step = _grid_step(view)
    n_row, n_col = (n // step for n in view.ratio.shape)
    cut = view.ratio[: n_row * step, : n_col * step]
    coarse = cut.reshape(n_row, step, n_col, step).mean(axis=(1, 3), dtype=np.float64)
    col, row = np.rint(blobs).astype(int).T
    dark = float(np.median(view.ratio[row, col]))
    blurred = ndimage.gaussian_filter((1 - coarse) / (1 - dark), _GRID_BLUR)
    rows, cols = np.indices(blurred.shape).reshape(2, -1) * step + (step - 1) / 2
    return blurred.ravel(), view.reduced.to_frame(np.stack([cols, rows], axis=1))


def _template(field: Field, polygons: Iterable[Sequence[Point]]) -> FloatArray:
    """Dark share of each cell of a grid over the field, blurred like ``_darkness``."""
    from skimage.draw import polygon

    fine = 4
    cell = _cell_mm(field)
    shape = math.ceil(field.height_mm / cell), math.ceil(field.width_mm / cell)
    dark = np.zeros((shape[0] * fine, shape[1] * fine))
    origin = np.array([field.width_mm, field.height_mm]) / 2
    for corners in polygons:
        col, row = ((np.array(corners) + origin) / cell * fine - 0.5).T
        dark[polygon(row, col, dark.shape)] = 1
    cells = dark.reshape(shape[0], fine, shape[1], fine).mean(axis=(1, 3))
    blurred: FloatArray = ndimage.gaussian_filter(cells, _GRID_BLUR)
    return blurred


def _cell_mm(field: Field) -> float:
    return float(np.median([s.side_mm for s in field.squares])) / _GRID_PER_SIDE


def _sample(template: FloatArray, field: Field, at_mm: FloatArray) -> FloatArray:
    """A template at points (x, y) [mm]; clear ground outside the field."""
    origin = np.array([field.width_mm, field.height_mm]) / 2
    col, row = ((at_mm + origin) / _cell_mm(field) - 0.5).T
    values: FloatArray = ndimage.map_coordinates(template, [row, col], order=1, cval=0.0)
    return values


def _centroids(
    view: _View, field: Field, blobs: FloatArray, way: dict[int, int]
) -> dict[int, FloatArray]:
    """Centroid (col, row) [px] of the darkness of each matched square with room around it."""
    image = view.reduced.image
    centres = np.array([field.squares[i].centre_mm for i in way])
    bins_per_mm = math.sqrt(blobs[list(way.values())].var(axis=0).sum() / centres.var(axis=0).sum())
    last = np.array(image.shape[::-1]) - 1.0
    centroids: dict[int, FloatArray] = {}
    for i, m in way.items():
        side = bins_per_mm * field.squares[i].side_mm
        at = blobs[m]
        for _ in range(3):
            radius = min(_WINDOW_SIDES * side, *(at - 1), *(last - 1 - at))
            if not radius > _SMALLEST_WINDOW_SIDES * side:
                break
            at = centroid(image, at, radius)
        else:
            centroids[i] = view.reduced.to_frame(at)
    return centroids


def _points(field: Field, placed: dict[int, FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Squares' centres, (n, 2) [mm], and where they were seen, (n, 2) [px]."""
    at_mm = np.array([field.squares[i].centre_mm for i in placed])
    return at_mm, np.array(list(placed.values()))


def _without_outliers(field: Field, placed: dict[int, FloatArray]) -> dict[int, FloatArray]:
    """Drop squares far off the map of all (dirt on one shifts its centroid), at most a third."""
    for _ in range(len(placed) // 3):
        if len(placed) < 6:
            break
        at_mm, at_px = _points(field, placed)
        rest = np.hypot(*(fit_plane_map(at_mm, at_px, projective=True)(at_mm) - at_px).T)
        if not rest.max() > max(4 * float(np.median(rest)), _OUTLIER_PX):
            break
        placed = {i: at for k, (i, at) in enumerate(placed.items()) if k != rest.argmax()}
    return placed


def _registration(
    frame: Frame,
    field: Field,
    to_px: PlaneMap,
    matched: set[int],
    placed: dict[int, FloatArray],
    pixel_pitch_um: float,
) -> Registration:
    middle_px = (np.array(frame.shape[::-1]) - 1) / 2
    local = to_px.jacobian(to_px.inverse(middle_px[np.newaxis])[0])
    rotation = math.degrees(math.atan2(local[1, 0] - local[0, 1], local[0, 0] + local[1, 1]))
    px_per_mm = math.sqrt(abs(np.linalg.det(local)))
    spread = np.array([field.squares[i].centre_mm for i in placed]).var(axis=0) * len(placed)
    # Mean of the scales along x and y, each known to residual / sqrt(sum of squares).
    px_per_mm_std = to_px.residual_std_px / 2 * math.sqrt(float(np.sum(1 / spread)))
    outlines, owner = _outlines(field)
    edges = [
        edge
        for i, square in enumerate(field.squares)
        if i in matched or _is_cut(frame, to_px(square.corners_mm()))
        for edge in _edges_of(frame, square, to_px, placed.get(i), outlines[owner != i])
    ]
    return Registration(
        measured_magnification=px_per_mm * pixel_pitch_um / 1000,
        measured_magnification_std=px_per_mm_std * pixel_pitch_um / 1000,
        rotation_deg=rotation,
        orientation=round(rotation / 90) % 4 * 90,
        squares_matched=len(matched),
        edges=tuple(edges),
    )


def _is_cut(frame: Frame, corners: FloatArray) -> bool:
    """Does the frame's border cut this square? One that is whole but not found is covered."""
    return bool(((corners < 0) | (corners > np.array(frame.shape[::-1]) - 1)).any())


def _edges_of(
    frame: Frame,
    square: Square,
    to_px: PlaneMap,
    seen: FloatArray | None,
    others_mm: FloatArray,
) -> list[RegisteredEdge]:
    # What the map does not know (distortion) moves all four edges of a square alike.
    shift = np.zeros(2) if seen is None else seen - to_px(square.centre_mm)[0]
    middle_px = (np.array(frame.shape[::-1]) - 1) / 2
    edges = []
    for edge in square.edges():
        (start, end) = to_px([edge.start_mm, edge.end_mm]) + shift
        centre, along = (start + end) / 2, end - start
        side_px = float(np.hypot(*along))
        # Corners run clockwise as seen, so the outside is to the left of the way along.
        angle = math.degrees(math.atan2(-along[0], along[1]))
        half_width = min(_HALF_WIDTH_SIDES, _clear_ground(square, edge.normal, others_mm) / 2)
        widths = (half_width * side_px * share for share in (1.0, 0.8, 0.6))
        regions = (
            EdgeRegion(
                name=f"square {square.name} {edge.name}",
                centre_row=float(centre[1]),
                centre_col=float(centre[0]),
                angle_deg=angle if angle > -180 else angle + 360,
                length_px=_LENGTH_SIDES * side_px,
                half_width_px=width,
            )
            for width in widths
        )
        # Near the frame's border a narrower region is better than none.
        region = next((r for r in regions if region_inside(r, frame.shape)), None)
        if region is None:
            continue
        x, y = (centre - middle_px) / (math.hypot(*frame.shape) / 2)
        edges.append(
            RegisteredEdge(
                region=region,
                square=square.name,
                edge=edge.name,
                direction="horizontal" if abs(along[0]) >= abs(along[1]) else "vertical",
                field_x=float(x),
                field_y=float(y),
            )
        )
    return edges


def _outlines(field: Field) -> tuple[FloatArray, npt.NDArray[np.intp]]:
    """Points along every dark outline, (n, 2) [mm], and the square each belongs to (-1: a mark)."""
    share = np.linspace(0, 1, 17)[:, np.newaxis, np.newaxis]
    points, owner = [], []
    shapes = [s.corners_mm() for s in field.squares] + [m.polygon_mm for m in field.marks]
    for i, shape in enumerate(shapes):
        corner = np.array(shape)
        following = np.concatenate([corner[1:], corner[:1]])
        points.append((corner + share * (following - corner)).reshape(-1, 2))
        owner.append(np.full(len(points[-1]), i if i < len(field.squares) else -1))
    return np.concatenate(points), np.concatenate(owner)


def _clear_ground(square: Square, normal: Point, others_mm: FloatArray) -> float:
    """Ground [sides] from an edge outwards to the next dark outline in its band."""
    away = (others_mm - square.centre_mm) / square.side_mm
    in_band = np.abs(away @ (-normal[1], normal[0])) <= _LENGTH_SIDES / 2
    ahead = (away @ normal)[in_band] - 0.5
    return float(np.min(ahead[ahead > 0], initial=math.inf))
