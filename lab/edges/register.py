"""Where is the chart in this frame, how large, which way up, and where are its edges?

The dark squares are found as blobs against their local ground and matched to the
field's squares (``matching``, ``likeness``). Millimetres of the field (x right, y down) are then
mapped to frame pixels (col, row) by an affine or, where it fits clearly better, a
projective map through the centroids of the squares. Where squares differ in size,
those matched first lead to all others that are large and sharp enough.

Leaves out: the code (a frame's field is given), lens distortion beyond the
shift of each square, and whether an edge is any good.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lab.edges.likeness import right_way_up
from lab.edges.matching import FrameView, frame_view, matches, spans_plane
from lab.edges.plane_map import PlaneMap, fit_plane_map
from lab.edges.squares import centroid, square_blobs
from lab.edges.types import EdgeRegion, FloatArray, Rejection
from lab.edges.window import region_inside
from lab.frames.frame import Frame
from targets.layout import Field, Point, Square

__all__ = ["RegisteredEdge", "Registration", "register_field"]

_WINDOW_SIDES = 0.92  # radius of the centroid's window: all of a square, no mark
_SMALLEST_WINDOW_SIDES = 0.74  # near the frame's border: just the corners
_LENGTH_SIDES = 0.7
_HALF_WIDTH_SIDES = 0.45
_OUTLIER_PX = 2.0  # a centroid this near the map is never dropped
_LEAST_SIDE_BINS = 5.0  # of an anchor: fewer tell no square from a speck
_MOST_BLOBS = 40
_MOST_BLOBS_PER_ANCHOR = 8 / 3
_SMALLEST_BLOB = 0.7  # sides
_SMALLEST_ANCHOR_BLOB = 0.55  # anchors are smaller beside their blur, which shrinks them

# Where squares differ in size: the smallest whose edges are placed. Red and blue need 150
# of their pixels in a region; squares smaller than that share of the frame's diagonal
# stand so close that each tells the same as its neighbours.
_LEAST_SIDE_PX = 32.0
_LEAST_SIDE_OF_DIAGONAL = 0.0075
_OFF_PLACE_SIDES = 0.25  # from where the squares matched first say a square is
_SEEN_DARKNESS = 0.75  # at its middle, over that of the darkest: blurred away below
_AXIS_DEG = 22.5  # an edge this near an axis of the frame runs along it


@dataclass(frozen=True, kw_only=True)
class RegisteredEdge:
    """One side of one square, placed in the frame.

    Attributes
    ----------
    region : EdgeRegion
    square, edge : str
        Name of the square; "top", "right", "bottom" or "left" of it unturned.
    direction : str
        The way the edge line runs in the frame: "horizontal" or "vertical" within 22.5
        degrees of that; else "radial" or "tangential", whichever is nearer: along the
        direction from the frame's centre or across it.
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
        What is printed, as seen at that magnification (``Layout.field_for``).
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
    view = frame_view(frame, field, magnification * 1000 / pixel_pitch_um)
    anchors = view.anchors.size
    if not view.side > _LEAST_SIDE_BINS:
        return Rejection(
            reason=f"the frame has too few pixels ({frame.shape[1]} x {frame.shape[0]}) to find "
            "the chart's squares in it"
        )
    dark = float(np.percentile(view.ratio, 1))
    if not dark < 0.8:
        return Rejection(
            reason="no dark squares stand out from their ground. Check that the chart is in "
            "view, lit, and roughly in focus"
        )
    most = max(_MOST_BLOBS, int(_MOST_BLOBS_PER_ANCHOR * anchors))
    blobs = square_blobs(
        view.ratio,
        side=view.side,
        threshold=(1 + dark) / 2,
        most=most,
        smallest=_SMALLEST_BLOB if anchors == total else _SMALLEST_ANCHOR_BLOB,
    )
    needed = max(4, math.ceil(anchors / 3))
    if len(blobs) < needed:
        return Rejection(
            reason=f"only {len(blobs)} of {anchors} squares were found: check that the chart for "
            f"{magnification:g}x fills the frame, is evenly lit, and roughly in focus"
        )
    ways = matches(blobs, field, view)
    if not ways or len(ways[0]) < needed:
        return Rejection(
            reason=f"{len(blobs)} dark squares were found, but their places do not fit the chart "
            f"for {magnification:g}x: check the chart and the magnification (it may be off by "
            f"15 %), and turn the chart to within 10 degrees of upright or a quarter turn"
        )
    chosen = right_way_up(view, field, blobs, ways)
    if isinstance(chosen, Rejection):
        return chosen
    centres = np.array([field.squares[i].centre_mm for i in chosen])
    spread = blobs[list(chosen.values())].var(axis=0).sum()
    starts = {i: blobs[m] for i, m in chosen.items()}
    placed = _centroids(view, field, starts, math.sqrt(spread / centres.var(axis=0).sum()), 3)
    placed = _without_outliers(field, placed)
    if not spans_plane(np.array([complex(*field.squares[i].centre_mm) for i in placed])):
        return Rejection(
            reason=f"only {len(placed)} of {anchors} squares lie well inside the frame. "
            "Centre the chart"
        )
    to_px = fit_plane_map(*_points(field, placed), projective=True)
    seen = set(chosen)
    if anchors < total:
        found = _all_in_sight(frame, field, view, to_px, dark)
        if not found:
            return Rejection(
                reason="the chart was found, but none of its squares is large and sharp enough: "
                f"they need {_LEAST_SIDE_PX:g} px a side and a dark middle. Focus, or use a chart "
                "made for this sensor and magnification"
            )
        seen = set(found)
        found = _without_outliers(field, found)
        if len(found) >= len(placed):
            placed = found
            to_px = fit_plane_map(*_points(field, placed), projective=True)
    return _registration(frame, field, to_px, seen, placed, pixel_pitch_um)


def _centroids(
    view: FrameView,
    field: Field,
    starts: dict[int, FloatArray],
    bins_per_mm: float,
    rounds: int,
) -> dict[int, FloatArray]:
    """Centroid (col, row) [px] of the darkness of each square with room around it.

    ``starts`` holds where each is sought first. [bins]
    """
    image = view.reduced.image
    last = np.array(image.shape[::-1]) - 1.0
    centroids: dict[int, FloatArray] = {}
    for i, at in starts.items():
        side = bins_per_mm * field.squares[i].side_mm
        for _ in range(rounds):
            radius = min(_WINDOW_SIDES * side, *(at - 1), *(last - 1 - at))
            if not radius > _SMALLEST_WINDOW_SIDES * side:
                break
            at = centroid(image, at, radius)
        else:
            centroids[i] = view.reduced.to_frame(at)
    return centroids


def _all_in_sight(
    frame: Frame, field: Field, view: FrameView, to_px: PlaneMap, dark: float
) -> dict[int, FloatArray]:
    """Centroids (col, row) [px] of all squares that are large and sharp enough to use."""
    places = to_px([s.centre_mm for s in field.squares])
    inside = np.all((places > 0) & (places < np.array(frame.shape[::-1]) - 1), axis=1)
    px_per_mm = _px_per_mm(_local(frame, to_px))
    least_mm = _least_side_mm(frame, field, px_per_mm)
    starts = {
        i: view.reduced.from_frame(places[i])
        for i, square in enumerate(field.squares)
        if inside[i] and square.side_mm >= least_mm
    }
    found = {}
    bins_per_mm = px_per_mm / view.reduced.bin_px
    for i, at in _centroids(view, field, starts, bins_per_mm, 1).items():
        col, row = np.rint(view.reduced.from_frame(at)).astype(int)
        is_dark = 1 - view.ratio[row, col] > _SEEN_DARKNESS * (1 - dark)
        off_mm = float(np.hypot(*(at - places[i]))) / px_per_mm
        if is_dark and off_mm < _OFF_PLACE_SIDES * field.squares[i].side_mm:
            found[i] = at
    return found


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
    local = _local(frame, to_px)
    rotation = math.degrees(math.atan2(local[1, 0] - local[0, 1], local[0, 0] + local[1, 1]))
    px_per_mm = _px_per_mm(local)
    least_mm = _least_side_mm(frame, field, px_per_mm)
    spread = np.array([field.squares[i].centre_mm for i in placed]).var(axis=0) * len(placed)
    # Mean of the scales along x and y, each known to residual / sqrt(sum of squares).
    px_per_mm_std = to_px.residual_std_px / 2 * math.sqrt(float(np.sum(1 / spread)))
    outlines = _Outlines.of(field)
    edges = [
        edge
        for i, square in enumerate(field.squares)
        if square.side_mm >= least_mm
        and (i in matched or _is_cut(frame, to_px(square.corners_mm())))
        for edge in _edges_of(frame, square, to_px, placed.get(i), outlines.beside(i, square))
    ]
    return Registration(
        measured_magnification=px_per_mm * pixel_pitch_um / 1000,
        measured_magnification_std=px_per_mm_std * pixel_pitch_um / 1000,
        rotation_deg=rotation,
        orientation=round(rotation / 90) % 4 * 90,
        squares_matched=len(matched),
        edges=tuple(edges),
    )


def _local(frame: Frame, to_px: PlaneMap) -> FloatArray:
    """Derivative of the map at the frame's centre, (2, 2) [px per mm]."""
    middle_px = (np.array(frame.shape[::-1]) - 1) / 2
    return to_px.jacobian(to_px.inverse(middle_px[np.newaxis])[0])


def _px_per_mm(local: FloatArray) -> float:
    return math.sqrt(abs(np.linalg.det(local)))


def _least_side_mm(frame: Frame, field: Field, px_per_mm: float) -> float:
    """Smallest side worth an edge; that of the squares themselves where they are alike."""
    least_px = max(_LEAST_SIDE_PX, _LEAST_SIDE_OF_DIAGONAL * math.hypot(*frame.shape))
    return min(least_px / px_per_mm, max(square.side_mm for square in field.squares))


def _is_cut(frame: Frame, corners: FloatArray) -> bool:
    """Does the frame's border cut this square? One that is whole but not found is covered."""
    last = np.array(frame.shape[::-1]) - 1
    within = bool(((corners >= 0) & (corners <= last)).all())
    beyond = bool(((corners < 0).all(axis=0) | (corners > last).all(axis=0)).any())
    return not within and not beyond


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
    corners = to_px(square.corners_mm()) + shift
    for edge, start, end in zip(square.edges(), corners, np.roll(corners, -1, axis=0), strict=True):
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
                direction=_direction(along, centre - middle_px),
                field_x=float(x),
                field_y=float(y),
            )
        )
    return edges


def _direction(along: FloatArray, outwards: FloatArray) -> str:
    """The word for an edge line, from its place (x, y) as seen from the frame's centre."""
    level = math.degrees(math.atan2(abs(along[1]), abs(along[0])))
    if level <= _AXIS_DEG:
        return "horizontal"
    if level >= 90 - _AXIS_DEG:
        return "vertical"
    across = abs(along[0] * outwards[1] - along[1] * outwards[0])
    return "radial" if abs(float(along @ outwards)) >= across else "tangential"


@dataclass(frozen=True, kw_only=True, eq=False)
class _Outlines:
    """Dark outlines of a field: first those of the squares, then those of the marks."""

    shapes: tuple[FloatArray, ...]
    middle_mm: FloatArray
    radius_mm: FloatArray

    @staticmethod
    def of(field: Field) -> _Outlines:
        shapes = tuple(np.array(polygon) for polygon in field.polygons_mm())
        middle = np.array([shape.mean(axis=0) for shape in shapes])
        radius = [np.hypot(*(shape - m).T).max() for shape, m in zip(shapes, middle, strict=True)]
        return _Outlines(shapes=shapes, middle_mm=middle, radius_mm=np.array(radius))

    def beside(self, i: int, square: Square) -> FloatArray:
        """Points, (n, 2) [mm], along all outlines that may reach into square i's regions."""
        reach = square.side_mm * math.hypot(0.5 + 2 * _HALF_WIDTH_SIDES, _LENGTH_SIDES / 2)
        away = np.hypot(*(self.middle_mm - square.centre_mm).T) - self.radius_mm
        share = np.linspace(0, 1, 17)[:, np.newaxis, np.newaxis]
        points = [np.zeros((0, 2))]
        for k in np.flatnonzero(away < reach):
            if k != i:
                corner = self.shapes[k]
                following = np.concatenate([corner[1:], corner[:1]])
                points.append((corner + share * (following - corner)).reshape(-1, 2))
        return np.concatenate(points)


def _clear_ground(square: Square, normal: Point, others_mm: FloatArray) -> float:
    """Ground [sides] from an edge outwards to the next dark outline in its band."""
    away = (others_mm - square.centre_mm) / square.side_mm
    in_band = np.abs(away @ (-normal[1], normal[0])) <= _LENGTH_SIDES / 2
    ahead = (away @ normal)[in_band] - 0.5
    return float(np.min(ahead[ahead > 0], initial=math.inf))
