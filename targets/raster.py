"""A sheet as a 1-bit image at the dots of a printer or film plotter, and what is lost by it.

The image holds the sheet of the layout record, shapes only. Words stay with the PDF:
letters made of dots would depend on the font library's version, and a film wants none.

A dot is dark if its centre lies in a shape, which leaves slanted edges in place on
average. Codes and scale bars move to whole dots: all modules of a code get one size,
about the code's middle, and a bar keeps its length to half a dot. ``RasterReport`` says
how far. The first dot's corner is the sheet's upper left; the sheet grows to whole dots.

Rows are made and packed in bands, so that memory does not grow with the image. Left out:
printers with unequal dots a side, and what ink or light makes of a dot.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

import numpy as np
import numpy.typing as npt

from targets.errors import TargetError
from targets.files import save_bytes
from targets.layout import Field, Layout, Mark, Point, Square

__all__ = ["RasterReport", "write_png", "write_tiff"]

Outline = npt.NDArray[np.float64]  # (n, 2): x, y
Spans = npt.NDArray[np.int64]  # (n, 3): row, first dark dot, first dot beyond; rows ascending
Band = npt.NDArray[np.uint8]  # (n_row, ceil(n_col / 8)), 1 = dark, first dot in the high bit

MM_PER_INCH = 25.4

STEPS_MIN = 4  # our choice: below, an edge's angle is a matter of a dot
# Our choice: what is dark and what is clear beside it stay apart if dots spread by half.
BAR_DOTS_MIN = 2
MODULE_GROWTH_MAX = 1.02  # the clear zones next to a code leave no room for more
DOTS_MAX = 4_000_000_000  # 80 mm square at 20,000 dpi
ROUNDING_MM = 2e-6  # corners are rounded to 1 nm, so lengths may be too short by that much
BAND_DOTS = 2_000_000  # 250 kB packed

SHORT, LONG, RATIONAL = 3, 4, 5  # kinds of number in a TIFF
PNG_KIND = (1, 0, 0, 0, 0)  # bits a dot, grey, deflate, filters 0 to 4, not interlaced


@dataclass(frozen=True, kw_only=True)
class RasterReport:
    """What became of a sheet in whole dots.

    Attributes
    ----------
    dpi : int
        Dots per inch, both ways.
    pitch_um : float
        Distance of dots.
    width_dots, height_dots : int
    edge_displacement_max_um : float
        No point of a square's outline in dots lies farther from its edge's line. On
        average the outline lies on the line.
    staircase_std_um : float
        Standard deviation of that outline about the line: pitch / sqrt(12), as of a
        uniform distribution one pitch wide.
    mark_displacement_max_um : float
        Farthest that a corner of a code module or bar moved. 0 where there is none.
    steps_min : float
        Steps along the whole of a square's edge, where they are fewest; 0 without squares.
    module_dots : int
        Width of the smallest code module, 0 where there is no code.
    """

    dpi: int
    pitch_um: float
    width_dots: int
    height_dots: int
    edge_displacement_max_um: float
    staircase_std_um: float
    mark_displacement_max_um: float
    steps_min: float
    module_dots: int

    def sentences(self) -> tuple[str, ...]:
        """The same in words, for whoever prints the file."""
        steps = f", with {math.floor(self.steps_min)} steps or more" if self.steps_min else ""
        said = [
            f"{self.width_dots} x {self.height_dots} dots at {self.dpi} dpi, "
            f"{self.pitch_um:.4g} um a dot. Print dot for dot, never scaled.",
            f"Edges are stairs of {self.staircase_std_um:.2g} um standard deviation about their "
            f"lines ({self.edge_displacement_max_um:.2g} um at most){steps}.",
        ]
        if self.mark_displacement_max_um:
            code = f" A code module is {self.module_dots} dots wide." if self.module_dots else ""
            said.append(
                f"Codes and bars moved by up to {self.mark_displacement_max_um:.3g} um, to whole "
                f"dots.{code}"
            )
        return tuple(said)


def write_tiff(layout: Layout, path: Path, *, dpi: int) -> RasterReport:
    """Write the sheet as bilevel TIFF: PackBits, which every reader of baseline TIFF knows.

    Parameters
    ----------
    layout : Layout
    path : Path
        Replaced if it is there.
    dpi : int
        Dots per inch of the device, both ways; written to the file exactly. > 0

    Raises
    ------
    ValueError
        If ``dpi`` is no whole number above zero.
    TargetError
        If the dots are too coarse for the chart or too many, or the file cannot be saved.

    References
    ----------
    .. [1] TIFF 6.0 (1992), sections 2, 3 and 9, from memory.
    """
    report, spans = _prepared(layout, dpi)
    strips = [_packbits(band) for band in _bands(spans, report)]
    sizes = [len(strip) for strip in strips]
    # Little-endian: the header, the strips, what does not fit into the tags, the tags.
    offsets = (8 + np.cumsum([0, *sizes])).tolist()
    total = offsets.pop()
    end = total + total % 2  # all that tags point to begins at an even byte
    lists = struct.pack(f"<{2 * len(sizes)}I2I", *offsets, *sizes, dpi, 1)
    sizes_at = end + 4 * len(sizes)
    resolution_at = sizes_at + 4 * len(sizes)
    one = len(sizes) == 1  # a single number stands in the tag itself
    tags = (
        (256, LONG, 1, report.width_dots),
        (257, LONG, 1, report.height_dots),
        (258, SHORT, 1, 1),  # bits a dot
        (259, SHORT, 1, 32773),  # PackBits
        (262, SHORT, 1, 0),  # 0 is white
        (273, LONG, len(sizes), offsets[0] if one else end),
        (277, SHORT, 1, 1),  # samples a dot
        (278, LONG, 1, _band_rows(report)),
        (279, LONG, len(sizes), sizes[0] if one else sizes_at),
        (282, RATIONAL, 1, resolution_at),
        (283, RATIONAL, 1, resolution_at),
        (296, SHORT, 1, 2),  # per inch
    )
    directory = b"".join(struct.pack("<HHII", *tag) for tag in tags)
    parts = [
        struct.pack("<2sHI", b"II", 42, resolution_at + 8),
        *strips,
        bytes(end - total),
        lists,
        struct.pack("<H", len(tags)) + directory + bytes(4),
    ]
    save_bytes(b"".join(parts), path)
    return report


def write_png(layout: Layout, path: Path, *, dpi: int) -> RasterReport:
    """Write the sheet as PNG of one bit a dot.

    PNG counts whole dots per metre, so its scale is off by up to half of one: 11 parts
    in a million at 1200 dpi, 3 um on the length of A4.

    Parameters
    ----------
    layout : Layout
    path : Path
        Replaced if it is there.
    dpi : int
        Dots per inch of the device, both ways. > 0

    Raises
    ------
    ValueError
        If ``dpi`` is no whole number above zero.
    TargetError
        If the dots are too coarse for the chart or too many, or the file cannot be saved.

    References
    ----------
    .. [1] ISO/IEC 15948:2004, chunks IHDR, pHYs and IDAT, from memory.
    """
    report, spans = _prepared(layout, dpi)
    per_metre = round(1000 * dpi / MM_PER_INCH)
    packer = zlib.compressobj(9)
    parts = [
        b"\x89PNG\r\n\x1a\n",
        _chunk(b"IHDR", struct.pack(">IIBBBBB", report.width_dots, report.height_dots, *PNG_KIND)),
        _chunk(b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1)),  # 1: metre
    ]
    for band in _bands(spans, report):
        unfiltered = np.pad(~band, ((0, 0), (1, 0)))  # 0 before each row: no filter; 1 = white
        if packed := packer.compress(unfiltered.tobytes()):
            parts.append(_chunk(b"IDAT", packed))
    parts += [_chunk(b"IDAT", packer.flush()), _chunk(b"IEND", b"")]
    save_bytes(b"".join(parts), path)
    return report


def _chunk(kind: bytes, content: bytes) -> bytes:
    check = zlib.crc32(kind + content)
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", check)


def _prepared(layout: Layout, dpi: int) -> tuple[RasterReport, Spans]:
    """What the image will be like, and every run of dark dots.

    Raises
    ------
    ValueError
        If ``dpi`` is no whole number above zero.
    TargetError
        If there are too many dots, or they are too coarse.
    """
    if isinstance(dpi, bool) or not isinstance(dpi, int) or not dpi > 0:
        raise ValueError("dpi must be a whole number > 0")
    pitch_mm = MM_PER_INCH / dpi
    size_mm = layout.sheet_width_mm, layout.sheet_height_mm
    # A part in a million of a dot is rounding of our own, not a dot more.
    width, height = (math.ceil(length / pitch_mm - 1e-6) for length in size_mm)
    if width * height > DOTS_MAX:
        most = math.sqrt(DOTS_MAX / math.prod(size_mm)) * MM_PER_INCH
        raise TargetError(
            f"{layout.name}: {size_mm[0]:.4g} x {size_mm[1]:.4g} mm at {dpi} dpi are "
            f"{1e-9 * width * height:.2g} billion dots (limit {1e-9 * DOTS_MAX:g}). Take at most "
            f"{math.floor(0.999 * most)} dpi or a smaller sheet."
        )
    _check_fineness(layout.fields, pitch_mm)

    shapes: list[Outline] = []
    moves_dots, modules_dots = [0.0], []
    for field, origin_mm in zip(layout.fields, layout.sheet_origins_mm, strict=True):
        shapes += [_in_dots(square.corners_mm(), origin_mm, pitch_mm) for square in field.squares]
        for role, group in _groups(field):
            marks = [_in_dots(mark.polygon_mm, origin_mm, pitch_mm) for mark in group]
            on_dots = marks
            if role == "code" and (module_mm := _module_mm(group)):
                modules_dots.append(_module_dots(module_mm / pitch_mm))
                on_dots = _code_on_dots(marks, module_mm / pitch_mm)
            elif role == "scale":
                on_dots = [_bar_on_dots(mark, pitch_mm) for mark in marks]
            moves_dots += [
                float(np.hypot(*(new - old).T).max())
                for new, old in zip(on_dots, marks, strict=True)
            ]
            shapes += on_dots
    slants = [abs(math.sin(2 * math.radians(s.rotation_deg))) for _, s in _squares(layout.fields)]
    report = RasterReport(
        dpi=dpi,
        pitch_um=1000 * pitch_mm,
        width_dots=width,
        height_dots=height,
        # Half of a dot as wide as it is across the edge: (|cos| + |sin|) / 2.
        edge_displacement_max_um=500 * pitch_mm * math.sqrt(1 + max(slants, default=1.0)),
        staircase_std_um=1000 * pitch_mm / math.sqrt(12),
        mark_displacement_max_um=1000 * pitch_mm * max(moves_dots),
        steps_min=min((_rise_mm(s) / pitch_mm for _, s in _squares(layout.fields)), default=0.0),
        module_dots=min(modules_dots, default=0),
    )
    spans = np.concatenate([np.empty((0, 3), np.int64), *map(_spans, shapes)])
    spans[:, 1:] = np.clip(spans[:, 1:], 0, width)
    return report, spans[np.argsort(spans[:, 0], kind="stable")]


def _check_fineness(fields: Iterable[Field], pitch_mm: float) -> None:
    """Refuse dots that lose an edge's slant or a code's modules.

    Raises
    ------
    TargetError
        That names the worst place and the dots that serve all.
    """
    # Each: dots there are, dots needed, where, what they are.
    found = [
        (_rise_mm(square) / pitch_mm, STEPS_MIN, f"{field.name}, square {square.name}", "edge")
        for field, square in _squares(fields)
    ]
    for field in fields:
        for role, group in _groups(field):
            if role == "code" and (module_mm := _module_mm(group)):
                module = MODULE_GROWTH_MAX * module_mm / pitch_mm
                found.append((module, BAR_DOTS_MIN, f"{field.name}, code", "module"))
            elif role == "scale":
                narrowest = ROUNDING_MM + min(np.ptp(m.polygon_mm, axis=0).min() for m in group)
                found.append((narrowest / pitch_mm, BAR_DOTS_MIN, f"{field.name}, scale", "bar"))
    there, needed, where, kind = min(found, key=lambda one: one[0] / one[1], default=(1, 1, "", ""))
    if there >= needed:
        return
    dpi = MM_PER_INCH / pitch_mm
    if there < 1e-6:
        raise TargetError(
            f"{where}: is not turned against the dots, so its edges have no angle. "
            "Take a chart of slanted squares."
        )
    lost = (
        f"an edge makes {there:.2g} steps at {dpi:g} dpi (limit {needed}), too few for its angle"
        if kind == "edge"
        else f"a {kind} is {there:.2g} dots wide at {dpi:g} dpi (limit {needed})"
    )
    raise TargetError(
        f"{where}: {lost}. Take {math.ceil(dpi * needed / there)} dpi or more, or a chart for "
        "lower magnifications."
    )


def _squares(fields: Iterable[Field]) -> list[tuple[Field, Square]]:
    return [(field, square) for field in fields for square in field.squares]


def _rise_mm(square: Square) -> float:
    """How far an edge leaves the row or column of dots that it runs along."""
    angle = math.radians(square.rotation_deg)
    return square.side_mm * min(abs(math.sin(angle)), abs(math.cos(angle)))


def _groups(field: Field) -> list[tuple[str, list[Mark]]]:
    """Marks of one role in a row: the bars of one code come together."""
    grouped = groupby(field.marks, key=lambda mark: mark.role)
    return [(role, list(group)) for role, group in grouped]


def _in_dots(outline_mm: Iterable[Point], origin_mm: Point, pitch_mm: float) -> Outline:
    return (np.array(list(outline_mm)) + origin_mm) / pitch_mm


def _module_mm(bars: list[Mark]) -> float | None:
    """Width of a code's modules, or None if its bars do not lie on a grid of squares."""
    points = np.concatenate([bar.polygon_mm for bar in bars])
    size = np.ptp(points, axis=0)
    height = min(np.ptp(np.array(bar.polygon_mm)[:, 1]) for bar in bars)
    if not height > 0:
        return None
    module = float(size[1] / round(size[1] / height))
    place = (points - points.min(axis=0)) / module
    # 2 % of a module: coordinates are rounded to 1 nm, modules are 1 um or more.
    return module if np.abs(place - np.round(place)).max() < 0.02 else None


def _module_dots(module: float) -> int:
    return math.floor(MODULE_GROWTH_MAX * module)


def _code_on_dots(bars: list[Outline], module: float) -> list[Outline]:
    """The code with modules of whole dots, its middle within half a dot of where it was."""
    points = np.concatenate(bars)
    low, high = points.min(axis=0), points.max(axis=0)
    dots = _module_dots(module)
    corner = np.floor(0.5 * (low + high) - 0.5 * dots * np.round((high - low) / module) + 0.5)
    return [corner + dots * np.round((bar - low) / module) for bar in bars]


def _bar_on_dots(bar: Outline, pitch_mm: float) -> Outline:
    """A bar of the nearest whole length and width, one that is not upright as it is."""
    low, high = bar.min(axis=0), bar.max(axis=0)
    at_high = bar > 0.5 * (low + high)
    if not np.allclose(bar, np.where(at_high, high, low), atol=1e-4):
        return bar
    # The rounding added, bars of just half a dot more than whole ones stay alike.
    size = np.maximum(1, np.floor(high - low + ROUNDING_MM / pitch_mm + 0.5))
    corner = np.floor(0.5 * (low + high - size) + 0.5)
    snapped: Outline = np.where(at_high, corner + size, corner)
    return snapped


def _spans(outline: Outline) -> Spans:
    """Runs of dots in a polygon: those whose centre is inside, or on its left or upper side."""
    x0, y0 = outline.T - 0.5  # dot n has its centre at n
    x1, y1 = np.roll(outline, -1, axis=0).T - 0.5
    rows, crossings = [], []
    for ax, ay, bx, by in zip(x0, y0, x1, y1, strict=True):
        row = np.arange(math.ceil(min(ay, by)), math.ceil(max(ay, by)))
        rows.append(row)
        crossings.append(ax + (row - ay) * ((bx - ax) / (by - ay) if row.size else 0.0))
    row, crossing = np.concatenate(rows), np.concatenate(crossings)
    order = np.lexsort((crossing, row))
    start, stop = np.ceil(crossing[order]).astype(np.int64).reshape(-1, 2).T
    return np.column_stack([row[order][::2], start, stop])


def _band_rows(report: RasterReport) -> int:
    return max(1, BAND_DOTS // report.width_dots)


def _bands(spans: Spans, report: RasterReport) -> Iterator[Band]:
    """The image from above, ``_band_rows`` rows at a time."""
    rows = _band_rows(report)
    for top in range(0, report.height_dots, rows):
        count = min(rows, report.height_dots - top)
        first, last = np.searchsorted(spans[:, 0], (top, top + count))
        row, start, stop = spans[first:last].T
        # Where the number of shapes over a dot changes. One more column: runs to the right end.
        change = np.zeros((count, report.width_dots + 1), np.int8)
        np.add.at(change, (row - top, start), 1)
        np.subtract.at(change, (row - top, stop), 1)
        shapes = np.cumsum(change, axis=1, dtype=np.int8)
        yield np.packbits(shapes[:, :-1], axis=1)  # any number above 0 is a dark dot


def _packbits(band: Band) -> bytes:
    """PackBits of a band, each row for itself.

    Each packet is one byte that repeats 1 to 128 times; a header of 0, "one byte
    as it is", and the header of a repeat fit the same formula, 1 - n modulo 256.
    """
    row_bytes = band.shape[1]
    flat = band.ravel()
    begins = np.flatnonzero(flat[1:] != flat[:-1]) + 1
    begins = np.union1d(begins, np.arange(0, flat.size, row_bytes))
    counts = np.diff(begins, append=flat.size)
    packets = -(-counts // 128)  # of each run
    whole = np.full(packets.sum(), 128)
    whole[np.cumsum(packets) - 1] = counts - 128 * (packets - 1)
    return (
        np.column_stack([(1 - whole) % 256, np.repeat(flat[begins], packets)])
        .astype(np.uint8)
        .tobytes()
    )
