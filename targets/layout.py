"""What is printed where, in millimetres: the one record every room reads.

A sheet holds one or more fields. A field serves one magnification, or a range of
them where its squares grow with the distance from its centre: what a frame sees of
it at one magnification is a view. A field has its own origin at its centre: x to the
right, y down, seen from the side that faces the lens, upright when the orientation
marks are in the upper half. Sheet coordinates start at the sheet's upper left corner.
All is bilevel: dark polygons on a clear ground.

The record on disk is one JSON object in UTF-8 whose keys are the attributes of
``Layout``; nested objects have the attributes of ``Field``, ``Square`` and
``Mark``. Every key is required, an unknown key is ignored, a point is
``[x, y]``, and numbers are written in full, so that reading gives back the
same geometry::

    {"name": "club", "version": 2, "sheet_width_mm": 20.0, "sheet_height_mm": 14.0,
     "fields": [{"name": "club 2x", "magnification_low": 2.0, "magnification_high": 2.0,
                 "width_mm": 12.0, "height_mm": 8.0,
                 "squares": [{"name": "1", "centre_mm": [0.0, 0.0], "side_mm": 1.1,
                              "rotation_deg": 5.4}],
                 "marks": [{"role": "scale", "polygon_mm": [[-1, 3], [1, 3], [1, 3.1]]}],
                 "code_text": "stopwise 2 club 2x"}],
     "sheet_origins_mm": [[10.0, 7.0]]}

``version`` is that of this format. In version 1, which is still read, a field had
one ``magnification``. What a printer makes of the record (edge
sharpness, true size) is not in it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from targets.errors import TargetError
from targets.files import save_bytes

__all__ = [
    "LAYOUT_VERSION",
    "Edge",
    "Field",
    "Layout",
    "Mark",
    "Point",
    "Square",
    "read_layout",
    "write_layout",
]

Point = tuple[float, float]
T = TypeVar("T")

LAYOUT_VERSION = 2
ROLES = ("orientation", "code", "scale", "text")

# A field serves magnifications up to this factor beyond its own: from there on
# the outer squares leave the frame or fill too little of it. Our choice.
FIELD_RATIO_LIMIT = 1.25
# Of half a view's diagonal: what a sensor half as large again sees, or one that stands off.
VIEW_REACH = 1.6

# Limits for a record from elsewhere. A sheet of ten fields for one magnification
# each has about 150 squares and 2000 marks and takes 300 kB.
MAX_FILE_BYTES = 16_000_000
MAX_ITEMS = 100_000
MAX_NUMBER = 10_000.0
MAX_TEXT = 200


@dataclass(frozen=True, kw_only=True)
class Edge:
    """One side of a square.

    ``name`` is "top", "right", "bottom" or "left" of the unturned square. The
    ends follow the square's outline clockwise as seen. ``normal`` is the unit
    vector (x, y) that points outward, from dark to bright.
    """

    name: str
    start_mm: Point
    end_mm: Point
    normal: Point


@dataclass(frozen=True, kw_only=True)
class Square:
    """A dark square whose four sides are the edges to measure.

    ``rotation_deg`` turns it clockwise as seen (x right, y down) from sides
    parallel to the axes.
    """

    name: str
    centre_mm: Point
    side_mm: float
    rotation_deg: float

    def corners_mm(self) -> tuple[Point, Point, Point, Point]:
        """Corners, clockwise as seen, first the upper left one of the unturned square."""
        x, y = self.centre_mm
        cos, sin = self._direction()
        # Half sides along the turned x and y axes; both appear with either sign.
        u = 0.5 * self.side_mm * cos
        v = 0.5 * self.side_mm * sin
        return (
            (x - u + v, y - v - u),
            (x + u + v, y + v - u),
            (x + u - v, y + v + u),
            (x - u - v, y - v + u),
        )

    def edges(self) -> tuple[Edge, Edge, Edge, Edge]:
        """The four sides: top, right, bottom and left of the unturned square."""
        a, b, c, d = self.corners_mm()
        cos, sin = self._direction()
        return (
            Edge(name="top", start_mm=a, end_mm=b, normal=(sin, -cos)),
            Edge(name="right", start_mm=b, end_mm=c, normal=(cos, sin)),
            Edge(name="bottom", start_mm=c, end_mm=d, normal=(-sin, cos)),
            Edge(name="left", start_mm=d, end_mm=a, normal=(-cos, -sin)),
        )

    def _direction(self) -> Point:
        angle = math.radians(self.rotation_deg)
        return math.cos(angle), math.sin(angle)


@dataclass(frozen=True, kw_only=True)
class Mark:
    """Any other dark shape (orientation mark, code module run, scale, letters). Not measured."""

    role: str  # "orientation", "code", "scale", "text"
    polygon_mm: tuple[Point, ...]


@dataclass(frozen=True, kw_only=True)
class Field:
    """The part of a sheet that fills the frame from one magnification to another.

    ``width_mm`` and ``height_mm`` are the frame's size on it at the lower
    magnification. Shapes may lie beyond them where the field serves frames on
    their side as well.
    """

    name: str
    magnification_low: float
    magnification_high: float
    width_mm: float
    height_mm: float
    squares: tuple[Square, ...]
    marks: tuple[Mark, ...]
    code_text: str

    def extent_mm(self) -> tuple[float, float]:
        """Width and height, about the centre, of frame and shapes together."""
        points = [point for polygon in self.polygons_mm() for point in polygon]
        return (
            max([self.width_mm, *(2 * abs(x) for x, _ in points)]),
            max([self.height_mm, *(2 * abs(y) for _, y in points)]),
        )

    def view(self, magnification: float) -> Field:
        """What a frame sees of this field, as a field for that magnification alone.

        Parameters
        ----------
        magnification : float
            [-], > 0

        Returns
        -------
        Field
            The frame's size there, and the squares and marks that reach into a circle
            1.6 times as wide as its diagonal, however small.

        Raises
        ------
        ValueError
            If the magnification is not a number above zero.
        """
        _check_magnification(magnification)
        share = self.magnification_low / magnification
        reach = VIEW_REACH * 0.5 * share * math.hypot(self.width_mm, self.height_mm)

        def is_near(polygon: tuple[Point, ...]) -> bool:
            return min(math.hypot(x, y) for x, y in polygon) < reach

        return replace(
            self,
            magnification_low=magnification,
            magnification_high=magnification,
            width_mm=round(self.width_mm * share, 6),
            height_mm=round(self.height_mm * share, 6),
            squares=tuple(s for s in self.squares if is_near(s.corners_mm())),
            marks=tuple(mark for mark in self.marks if is_near(mark.polygon_mm)),
        )

    def polygons_mm(self) -> tuple[tuple[Point, ...], ...]:
        """Outline of every dark shape: the squares, then the marks, in their order."""
        squares: tuple[tuple[Point, ...], ...] = tuple(s.corners_mm() for s in self.squares)
        return squares + tuple(mark.polygon_mm for mark in self.marks)


@dataclass(frozen=True, kw_only=True)
class Layout:
    """A sheet of fields; ``sheet_origins_mm`` says where each field's centre sits on it."""

    name: str
    version: int
    sheet_width_mm: float
    sheet_height_mm: float
    fields: tuple[Field, ...]
    sheet_origins_mm: tuple[Point, ...]

    def field_for(self, magnification: float) -> Field:
        """The field made for the magnification nearest in ratio.

        Parameters
        ----------
        magnification : float
            Image size over object size. [-], > 0

        Returns
        -------
        Field
            Of a field for a range of magnifications its view at this one.

        Raises
        ------
        ValueError
            If the magnification is not a number above zero.
        TargetError
            If no field is within 25 %.
        """
        _check_magnification(magnification)
        distance, nearest = min(
            ((_ratio_beyond(f, magnification), f) for f in self.fields),
            key=lambda pair: pair[0],
            default=(math.inf, None),
        )
        # One part in 10^9 keeps a ratio of exactly 1.25 inside, whichever way it rounds.
        if nearest is None or distance > math.log(FIELD_RATIO_LIMIT) + 1e-9:
            there = ", ".join(map(_range_words, self.fields)) or "none"
            raise TargetError(
                f"{self.name}: no field within 25 % of {magnification:g}x (fields: {there}). "
                f"Make a sheet with a field for {magnification:g}x."
            )
        is_one = nearest.magnification_low == nearest.magnification_high
        return nearest if is_one else nearest.view(magnification)


def _check_magnification(magnification: float) -> None:
    if not 0 < magnification < math.inf:
        raise ValueError("magnification must be a number > 0")


def _ratio_beyond(field: Field, magnification: float) -> float:
    """Logarithm of how far a magnification lies outside a field's range, 0 inside."""
    below = math.log(field.magnification_low / magnification)
    above = math.log(magnification / field.magnification_high)
    return max(below, above, 0.0)


def _range_words(field: Field) -> str:
    low, high = field.magnification_low, field.magnification_high
    return f"{low:g}x" if low == high else f"{low:g}x to {high:g}x"


def write_layout(layout: Layout, path: Path) -> None:
    """Write the record described at the top of this module.

    Raises
    ------
    TargetError
        If ``read_layout`` would refuse the record, or it cannot be saved.
    """
    record = asdict(layout)
    _layout(record)
    text = json.dumps(record, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    save_bytes(text.encode() + b"\n", path)


def read_layout(path: Path) -> Layout:
    """Read a record that ``write_layout`` wrote.

    Raises
    ------
    TargetError
        If the file cannot be read, is too large, is no JSON, has another
        version, or holds anything that makes no target. The text names the
        place in the record.
    """
    mend = "Name a layout that 'stopwise target' wrote, or write it again."
    try:
        if not path.is_file():
            raise TargetError("no such file.")
        with path.open("rb") as file:
            content = file.read(MAX_FILE_BYTES + 1)
        if len(content) > MAX_FILE_BYTES:
            raise TargetError(f"larger than {MAX_FILE_BYTES / 1e6:g} MB: no layout.")
        return _layout(json.loads(content))
    except TargetError as error:
        raise TargetError(f"{path}: {error} {mend}") from None
    except OSError as error:
        raise TargetError(f"{path}: cannot be read ({error.strerror}). {mend}") from error
    except (ValueError, RecursionError) as error:  # no UTF-8, no JSON, or nested without end
        raise TargetError(f"{path}: not readable as JSON ({error}). {mend}") from error


def _layout(record: Any) -> Layout:
    version = _get(record, "version", "record")
    known = isinstance(version, int) and not isinstance(version, bool)
    if not known or not 1 <= version <= LAYOUT_VERSION:
        raise TargetError(
            f"version: is {_shown(version)}, this program reads versions 1 to {LAYOUT_VERSION}."
        )
    read_field = _field_of_version_1 if version == 1 else _field
    layout = Layout(
        name=_text(_get(record, "name", "record"), "name"),
        version=LAYOUT_VERSION,
        sheet_width_mm=_positive(_get(record, "sheet_width_mm", "record"), "sheet_width_mm"),
        sheet_height_mm=_positive(_get(record, "sheet_height_mm", "record"), "sheet_height_mm"),
        fields=_items(_get(record, "fields", "record"), "fields", read_field),
        sheet_origins_mm=_items(
            _get(record, "sheet_origins_mm", "record"), "sheet_origins_mm", _point
        ),
    )
    if not layout.fields:
        raise TargetError("fields: is empty, a sheet needs at least one field.")
    if len(layout.sheet_origins_mm) != len(layout.fields):
        raise TargetError(
            f"sheet_origins_mm: {len(layout.sheet_origins_mm)} points "
            f"for {len(layout.fields)} fields."
        )
    _check_unique([f.name for f in layout.fields], "fields")
    for i, (f, (x, y)) in enumerate(zip(layout.fields, layout.sheet_origins_mm, strict=True)):
        width_mm, height_mm = f.extent_mm()
        over_x = 0.5 * width_mm - min(x, layout.sheet_width_mm - x)
        over_y = 0.5 * height_mm - min(y, layout.sheet_height_mm - y)
        if max(over_x, over_y) > 1e-6:
            raise TargetError(f"fields[{i}]: reaches beyond the sheet.")
    return layout


def _field_of_version_1(record: Any, where: str) -> Field:
    one = _get(record, "magnification", where)
    _positive(one, f"{where}.magnification")
    return _field({**record, "magnification_low": one, "magnification_high": one}, where)


def _field(record: Any, where: str) -> Field:
    low, high = (
        _positive(_get(record, key, where), f"{where}.{key}")
        for key in ("magnification_low", "magnification_high")
    )
    if not low <= high:
        raise TargetError(f"{where}.magnification_low: is {low:g}, above the high one, {high:g}.")
    field = Field(
        name=_text(_get(record, "name", where), f"{where}.name"),
        magnification_low=low,
        magnification_high=high,
        width_mm=_positive(_get(record, "width_mm", where), f"{where}.width_mm"),
        height_mm=_positive(_get(record, "height_mm", where), f"{where}.height_mm"),
        squares=_items(_get(record, "squares", where), f"{where}.squares", _square),
        marks=_items(_get(record, "marks", where), f"{where}.marks", _mark),
        code_text=_text(_get(record, "code_text", where), f"{where}.code_text"),
    )
    _check_unique([s.name for s in field.squares], f"{where}.squares")
    return field


def _square(record: Any, where: str) -> Square:
    return Square(
        name=_text(_get(record, "name", where), f"{where}.name"),
        centre_mm=_point(_get(record, "centre_mm", where), f"{where}.centre_mm"),
        side_mm=_positive(_get(record, "side_mm", where), f"{where}.side_mm"),
        rotation_deg=_number(_get(record, "rotation_deg", where), f"{where}.rotation_deg"),
    )


def _mark(record: Any, where: str) -> Mark:
    role = _text(_get(record, "role", where), f"{where}.role")
    if role not in ROLES:
        raise TargetError(f"{where}.role: is {_shown(role)}, not one of {', '.join(ROLES)}.")
    polygon = _items(_get(record, "polygon_mm", where), f"{where}.polygon_mm", _point)
    if len(polygon) < 3:
        raise TargetError(f"{where}.polygon_mm: {len(polygon)} points, a polygon needs 3.")
    return Mark(role=role, polygon_mm=polygon)


def _get(record: Any, key: str, where: str) -> Any:
    if not isinstance(record, dict):
        raise TargetError(f"{where}: is {_shown(record)}, not an object with keys.")
    if key not in record:
        raise TargetError(f"{where}: key '{key}' is missing.")
    return record[key]


def _items(value: Any, where: str, read: Callable[[Any, str], T]) -> tuple[T, ...]:
    if not isinstance(value, (list, tuple)):
        raise TargetError(f"{where}: is {_shown(value)}, not a list.")
    if len(value) > MAX_ITEMS:
        raise TargetError(f"{where}: {len(value)} items, the limit is {MAX_ITEMS}.")
    return tuple(read(item, f"{where}[{i}]") for i, item in enumerate(value))


def _point(value: Any, where: str) -> Point:
    if not isinstance(value, (list, tuple)) or len(value) != 2:
        raise TargetError(f"{where}: is {_shown(value)}, not a point [x, y].")
    return _number(value[0], f"{where}[0]"), _number(value[1], f"{where}[1]")


def _number(value: Any, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise TargetError(f"{where}: is {_shown(value)}, not a number.")
    if not -MAX_NUMBER <= value <= MAX_NUMBER:
        raise TargetError(
            f"{where}: is {_shown(value)}, not a number between {-MAX_NUMBER:g} and {MAX_NUMBER:g}."
        )
    return float(value)


def _positive(value: Any, where: str) -> float:
    number = _number(value, where)
    if not number > 0:
        raise TargetError(f"{where}: is {number:g}, not a number above zero.")
    return number


def _text(value: Any, where: str) -> str:
    if not isinstance(value, str) or not 0 < len(value) <= MAX_TEXT or not value.isprintable():
        raise TargetError(
            f"{where}: is {_shown(value)}, not a text of 1 to {MAX_TEXT} printable characters."
        )
    return value


def _check_unique(names: list[str], where: str) -> None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise TargetError(f"{where}: the name {_shown(name)} occurs twice.")
        seen.add(name)


def _shown(value: Any) -> str:
    """A value from the record, short enough for a message."""
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, (list, tuple)):
        return f"a list of {len(value)}"
    # repr refuses whole numbers of thousands of digits
    text = "a huge number" if isinstance(value, int) and abs(value) > 1e12 else repr(value)
    return text if len(text) <= 40 else text[:37] + "..."
