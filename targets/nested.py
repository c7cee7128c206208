"""Which shapes make one chart that serves every magnification of a range?

The frame of a magnification twice as high sees half as much of the chart. So the chart
is the same on every scale: from a square at the centre outwards, rings of squares grow
by an even factor, and whatever the magnification, the frame holds rings of all sizes
that suit it, out to its corners. The rings are packed like a honeycomb: each has 14
places, every second ring is turned by half a place, so that the places lie on 28 rays.

- Nearly all places hold squares. Those on the two rays either side of a quadrant's
  diagonal are turned with the ray: their edges run near the direction from the centre
  (radial) and across it (tangential). The edges of all others are near horizontal and
  vertical, among them those next to the diagonal pair, so that the corners of frames of
  3:2 and 4:3 hold both kinds.
- On every fourth ring, which is every second place of a ray, one place holds a mark: on
  the ray upwards a disc (which way is up), on the ray downwards a QR code (which chart),
  on the ray beside that a bar of known length (is the print true to size). Any frame of
  the range, lying or upright, holds one of each.

The squares' places look the same after growing by one or two rings and after many turns
and mirrorings; the marks do not. The bar, beside the axis and nearly blank ground, tells
most.

Frames may stand upright as well as lie on their side. Beside each edge the zone that is
as long as the edge and half a side wide stays clear of every other shape, by three tenths
of a side and more of other squares. Coordinates are rounded to one nanometre.
"""

from __future__ import annotations

import math

from targets.angles import DIAGONAL_DEG, ROTATIONS_DEG
from targets.errors import TargetError
from targets.layout import LAYOUT_VERSION, Field, Mark, Point, Square
from targets.marks import bar, code, disc, rounded

__all__ = ["nested_field"]

# Lengths are shares of the frame's long side at the highest magnification, r is a ring's
# radius. Our choice: squares as large as the clear zones allow.
CENTRE_SIDE = 0.095
FIRST_RADIUS = 0.16
GROWTH = math.sqrt(1.3)  # from ring to ring
RAYS = 28
SIDE = 0.11  # of r
RADIAL_RAYS = (3, 4)  # of the seven of a quadrant, from its border
DISC_RAY, CODE_RAY, BAR_RAY = 21, 7, 6  # upwards, downwards, beside that
MARK_RINGS = 4  # from mark to mark on a ray

# Sizes of the marks, in sides of the square that would stand there.
DISC_RADIUS = 0.35
CODE_WIDTH = 1.3
CODE_MODULES = 25  # across, of the largest code
BAR_LENGTH_LIMIT = 1.6

LOWEST, HIGHEST = 0.05, 20.0
# At the lowest magnification the centre square is then 1 % of the frame's length.
RATIO_LIMIT = 10.0
LARGEST_MM = 2000.0
# About the finest line of a usual photomask; common practice, no published source.
FINEST_MM = 0.001


def nested_field(
    *,
    magnification_low: float,
    magnification_high: float,
    sensor_width_mm: float,
    sensor_height_mm: float,
    name: str | None = None,
) -> Field:
    """Chart that fills the frame at every magnification of a range.

    Parameters
    ----------
    magnification_low, magnification_high : float
        Ends of the range, image size over object size; may be equal. [-], 0.05 to 20
    sensor_width_mm, sensor_height_mm : float
        Light-sensitive area. > 0
    name : str, optional
        Name of the chart, which enters its code: plain ASCII, about 9 characters. The
        field is then called "name 1-5x", without it "1-5x".

    Returns
    -------
    Field
        The square at the centre is named "0", the others "ring.ray", rings from 1
        outwards, rays from 0 (to the right) to 27, clockwise as seen.

    Raises
    ------
    ValueError
        If a number is not above zero.
    TargetError
        If no such chart can be made: range or size beyond the limits, or a name that
        does not go into the code.
    """
    low, high = magnification_low, magnification_high
    frame = (sensor_width_mm / low, sensor_height_mm / low) if low > 0 else (0.0, 0.0)
    for value in (low, high, sensor_width_mm, sensor_height_mm):
        if not 0 < value < math.inf:
            raise ValueError("magnifications and sensor size must be numbers > 0")
    _check_range(low, high)
    unit = max(frame) * low / high
    first_code = _first_code_ring(min(frame) / max(frame))
    _check_size(max(frame), CODE_WIDTH * SIDE * _radius(first_code, unit) / CODE_MODULES)

    range_name = f"{low:g}x" if low == high else f"{low:g}-{high:g}x"
    field_name = range_name if name is None else f"{name} {range_name}"
    code_text = f"stopwise {LAYOUT_VERSION} {field_name}"
    squares = [
        Square(
            name="0",
            centre_mm=(0.0, 0.0),
            side_mm=round(CENTRE_SIDE * unit, 6),
            rotation_deg=ROTATIONS_DEG[-2],
        )
    ]
    marks: list[Mark] = []
    ring, upright, radial = 0, 0, 0
    while _radius(ring, unit) < 0.5 * math.hypot(*frame):
        side = SIDE * _radius(ring, unit)
        for ray in range(ring % 2, RAYS, 2):
            at = _place(ring, ray, unit)
            if shapes := _marks(ring, ray, at, side, code_text if ring >= first_code else None):
                if all(_is_inside(mark.polygon_mm, frame) for mark in shapes):
                    marks += shapes
                continue
            if ray % 7 in RADIAL_RAYS:
                # From here a negative turn is one from the vertical: 90 degrees are the same.
                turn = DIAGONAL_DEG[radial % len(DIAGONAL_DEG)] * (1 if ray % 7 == 3 else -1)
                radial += 1
            else:
                turn = ROTATIONS_DEG[upright % len(ROTATIONS_DEG)]
                upright += 1
            square = Square(
                name=f"{ring + 1}.{ray}",
                centre_mm=rounded(at),
                side_mm=round(side, 6),
                rotation_deg=turn,
            )
            if _is_inside(square.corners_mm(), frame):
                squares.append(square)
        ring += 1
    return Field(
        name=field_name,
        magnification_low=low,
        magnification_high=high,
        width_mm=round(frame[0], 6),
        height_mm=round(frame[1], 6),
        squares=tuple(squares),
        marks=tuple(marks),
        code_text=code_text,
    )


def _radius(ring: int, unit: float) -> float:
    return FIRST_RADIUS * unit * GROWTH**ring


def _place(ring: int, ray: int, unit: float) -> Point:
    radius, angle = _radius(ring, unit), 2 * math.pi * ray / RAYS
    return radius * math.cos(angle), radius * math.sin(angle)


def _marks(ring: int, ray: int, at: Point, side: float, code_text: str | None) -> tuple[Mark, ...]:
    """The mark at a place, or nothing where a square stands."""
    which = ray, ring % MARK_RINGS
    if which == (DISC_RAY, 1):
        return (disc(at, DISC_RADIUS * side),)
    if which == (BAR_RAY, 2):
        return (bar(at, BAR_LENGTH_LIMIT * side),)
    if which == (CODE_RAY, 1) and code_text is not None:
        return code(code_text, at, CODE_WIDTH * side)
    return ()


def _is_inside(outline: tuple[Point, ...], frame: tuple[float, float]) -> bool:
    """Whether a shape lies within the frame, lying or upright."""
    x, y = max(abs(x) for x, _ in outline), max(abs(y) for _, y in outline)
    return any(2 * x <= width and 2 * y <= height for width, height in (frame, frame[::-1]))


def _first_code_ring(aspect: float) -> int:
    """The outermost ring with a code that the smallest frame, lying, still holds.

    Raises
    ------
    TargetError
        If the frame is so long that it holds none, or no bar.
    """
    reach = 1 + 0.5 * SIDE * CODE_WIDTH
    fitting = [r for r in range(1, 12, MARK_RINGS) if reach * _radius(r, 1.0) <= 0.5 * aspect]
    if not fitting or _radius(2, 1.0) > 0.5 * aspect:
        raise TargetError(
            f"the sensor is {1 / aspect:.2g} times as long as it is high, too long for this chart. "
            "Check its size, or use a chart for one magnification."
        )
    return fitting[-1]


def _check_range(low: float, high: float) -> None:
    """Refuse a range of magnifications that no chart serves.

    Raises
    ------
    TargetError
        If it runs downwards, is out of bounds or too wide.
    """
    asked = f"{low:g}x to {high:g}x"
    if low > high:
        raise TargetError(f"{asked}: runs downwards. Name the lower magnification first.")
    if not (low >= LOWEST and high <= HIGHEST):
        raise TargetError(
            f"{asked}: charts are made for {LOWEST:g}x to {HIGHEST:g}x. "
            "Choose magnifications in between."
        )
    if high > RATIO_LIMIT * low:
        raise TargetError(
            f"{asked}: one chart spans a factor of {RATIO_LIMIT:g} at most; beyond it the square "
            "at the centre gets too small in the frame. Make two charts."
        )


def _check_size(long_mm: float, module_mm: float) -> None:
    """Refuse a chart too large or too fine to make.

    Raises
    ------
    TargetError
        If its length or its finest part is beyond the limits.
    """
    if long_mm > LARGEST_MM:
        raise TargetError(
            f"the chart would be {long_mm:.3g} mm long (limit {LARGEST_MM:g}). Check the sensor "
            "size, in mm, or choose a higher lowest magnification."
        )
    if module_mm < FINEST_MM:
        raise TargetError(
            f"the smallest parts of the chart would be {1000 * module_mm:.2g} um wide, finer than "
            f"masks are made (limit {1000 * FINEST_MM:g} um). Check the sensor size, in mm, or "
            "choose a lower highest magnification."
        )
