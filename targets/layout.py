"""What is printed where, in millimetres: the one record every room reads.

A sheet holds one or more fields, one for each magnification it serves. A field
has its own origin at its centre: x to the right, y down, seen from the side
that faces the lens, upright when the orientation mark is at the upper left. All is bilevel: dark polygons on a clear ground.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

__all__ = ["Field", "Layout", "Mark", "Square", "read_layout", "write_layout"]

Point = tuple[float, float]


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
        ...


@dataclass(frozen=True, kw_only=True)
class Mark:
    """Any other dark shape (orientation mark, code module run, scale, letters). Not measured."""

    role: str  # "orientation", "code", "scale", "text"
    polygon_mm: tuple[Point, ...]


@dataclass(frozen=True, kw_only=True)
class Field:
    """The part of a sheet that fills the frame at one magnification."""

    name: str
    magnification: float
    width_mm: float
    height_mm: float
    squares: tuple[Square, ...]
    marks: tuple[Mark, ...]
    code_text: str


@dataclass(frozen=True, kw_only=True)
class Layout:
    """A sheet of fields; ``sheet_origins_mm`` says where each field's centre sits on it."""

    name: str
    version: int
    sheet_width_mm: float
    sheet_height_mm: float
    fields: tuple[Field, ...]
    sheet_origins_mm: tuple[Point, ...]
