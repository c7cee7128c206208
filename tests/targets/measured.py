"""How far do a page's shapes lie from where they belong, once a file of it is drawn?

Every straight side that is long enough and has its own clear ground is measured in the
picture: how far it lies off its line (outwards positive), how much it is turned, and how
long it is between the measured lines of its neighbours. Positions are mm on the page.

``by_poppler`` draws a PDF, ``by_chromium`` an SVG, ``by_dots`` takes a 1-bit image.
"""

from __future__ import annotations

import math
import re
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from targets import Page
from tests.browser import run_chromium
from tests.targets.sheet_checks import overlap

Points = npt.NDArray[np.float64]  # (n, 2): x, y
Image = npt.NDArray[np.uint8]  # darkness, 0 to 255
T = TypeVar("T")
MM_PER_INCH = 25.4
CSS_PX_MM = MM_PER_INCH / 96
BROWSER_HEIGHT_PX = 200  # more than a headless window hides under its own bars
CORNERS_MAX = 12  # discs and other curves are not made of straight sides
REACH_PX = 4  # a drawing program spreads an edge over one or two pixels
TILE_PX = 3000


@dataclass(frozen=True, kw_only=True)
class Window:
    """Part of a page, drawn with pixels of a given size; all in mm."""

    left: float
    top: float
    width: float
    height: float
    pixel: float

    @property
    def shape(self) -> tuple[int, int]:
        return round(self.height / self.pixel), round(self.width / self.pixel)


Render = Callable[[Sequence[Window]], list[Image]]


@dataclass(frozen=True, kw_only=True)
class Side:
    """What was found of one side of a polygon. ``turn_deg`` is None where it is short."""

    group: int
    is_upright: bool
    length_mm: float
    pixel_um: float
    mean_offset_um: float
    worst_offset_um: float
    offset_std_um: float
    turn_deg: float | None
    length_error_um: float


def by_poppler(pdf: Path) -> Render:
    def render(windows: Sequence[Window]) -> list[Image]:
        return [_rendered_pdf(pdf, window) for window in windows]

    return render


def _rendered_pdf(pdf: Path, window: Window) -> Image:
    cut = [round(v / window.pixel) for v in (window.left, window.top)] + [*window.shape[::-1]]
    x, y, width, height = map(str, cut)
    dpi = f"{MM_PER_INCH / window.pixel:.9g}"
    place = ["-x", x, "-y", y, "-W", width, "-H", height]
    command = ["pdftoppm", "-gray", "-r", dpi, *place, str(pdf)]
    pgm = subprocess.run(command, check=True, capture_output=True, timeout=60).stdout
    header = re.match(rb"P5\n(\d+) (\d+)\n255\n", pgm)
    assert header is not None
    pixels = np.frombuffer(pgm[header.end() :], np.uint8)
    return 255 - pixels.reshape(int(header[2]), int(header[1]))


def by_chromium(svg: Path, folder: Path) -> Render:
    """All windows beside each other in one screenshot; outside the page is darkness 128.

    An element of class object is drawn as its own document, and the style zoom, other
    than a transform, lays it out anew: to the pixels of the picture, not scaled ones.
    """

    def render(windows: Sequence[Window]) -> list[Image]:
        from PIL import Image as PillowImage

        places, (height, width) = _packed([window.shape for window in windows])
        parts = [
            f"<div style='left:{x}px;top:{y}px;width:{window.shape[1]}px;"
            f"height:{window.shape[0]}px'><object data='{svg.as_uri()}' style='"
            f"zoom:{CSS_PX_MM / window.pixel:.12g};"
            f"left:{-window.left:.9f}mm;top:{-window.top:.9f}mm'></object></div>"
            for window, (y, x) in zip(windows, places, strict=True)
        ]
        style = (
            "body{margin:0;background:#7f7f7f}div{position:absolute;overflow:hidden}"
            "object{position:absolute}"
        )
        html = folder / "windows.html"
        html.write_text(f"<!doctype html><style>{style}</style>{''.join(parts)}", "utf-8")
        picture = folder / "windows.png"
        run_chromium(
            folder,
            "--allow-file-access-from-files",
            f"--window-size={max(width, 500)},{height + BROWSER_HEIGHT_PX}",
            f"--screenshot={picture}",
            html.as_uri(),
        )
        drawn = 255 - np.asarray(PillowImage.open(picture).convert("L"))
        return [
            drawn[y : y + window.shape[0], x : x + window.shape[1]]
            for window, (y, x) in zip(windows, places, strict=True)
        ]

    return render


def by_dots(tiff: Path, dpi: int) -> Render:
    """A 1-bit image as it is, each dot repeated where pixels are smaller."""
    import tifffile

    dark = tifffile.imread(tiff)  # bool: 1 is black

    def render(windows: Sequence[Window]) -> list[Image]:
        images = []
        for window in windows:
            height, width = window.shape
            dots = window.pixel * dpi / MM_PER_INCH
            rows = np.round(window.top / window.pixel) + np.arange(height) + 0.5
            columns = np.round(window.left / window.pixel) + np.arange(width) + 0.5
            there = np.ix_(*((v * dots).astype(int) for v in (rows, columns)))
            images.append(np.where(dark[there], np.uint8(255), np.uint8(0)))
        return images

    return render


def _packed(shapes: Sequence[tuple[int, int]]) -> tuple[list[tuple[int, int]], tuple[int, int]]:
    """Places in rows of about the same height, and the size of all; in pixels (row, col)."""
    limit = max(4000, *(width for _, width in shapes))
    places: dict[int, tuple[int, int]] = {}
    top, left, row_height, widest = 0, 0, 0, 0
    for i in sorted(range(len(shapes)), key=lambda i: shapes[i]):
        height, width = shapes[i]
        if left and left + width > limit:
            top, left, row_height = top + row_height, 0, 0
        places[i] = (top, left)
        left, row_height = left + width, max(row_height, height)
        widest = max(widest, left)
    return [places[i] for i in range(len(shapes))], (top + row_height, widest)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Job:
    group: int
    outline: Points  # clockwise as seen
    reach: float  # how far from its sides the picture is looked at [mm]
    pixel: float


def measured(
    page: Page,
    render: Render,
    *,
    pixel_mm: float,
    pixels_per_side: float = 150,
    least_mm: float = 0.0,
    most: int | None = None,
    tile_px: float = TILE_PX,
) -> list[Side]:
    """Every straight side that stands free.

    Parameters
    ----------
    page : Page
    render : function
        Draws windows of the page.
    pixel_mm : float
        Largest pixel. Small polygons are drawn with smaller ones, by powers of two.
    pixels_per_side : float
        Least pixels along a polygon's longest side, for its angle.
    least_mm : float
        Polygons whose longest side is shorter are left out.
    most : int, optional
        Measure no more polygons than this, evenly picked from the first to the last, which
        on a page with a legend is its scale line.
    tile_px : float
        Polygons of one pixel size with their middles in one tile share a window.
    """
    polygons = sum(len(group) for group in page.shapes_mm)
    # Of many polygons, not all need to be looked at to find a few that stand free.
    tried = _spread(range(polygons), polygons if most is None else 10 * most)
    jobs = _jobs(page, tried, pixel_mm, pixels_per_side, least_mm)
    jobs = _spread(jobs, len(jobs) if most is None else most)
    tiles: dict[tuple[float, ...], list[_Job]] = {}
    for job in jobs:
        tile = np.floor(job.outline.mean(axis=0) / (tile_px * job.pixel))
        tiles.setdefault((job.pixel, *tile), []).append(job)
    parts = list(tiles.values())
    windows = [_window(part) for part in parts]
    sides: list[Side] = []
    for window, image, part in zip(windows, render(windows), parts, strict=True):
        assert image.shape == window.shape
        for job in part:
            sides += _sides(image, window, job)
    return sides


def _spread(items: Sequence[T], most: int) -> list[T]:
    """No more items than ``most``, evenly from the first to the last."""
    if len(items) <= most:
        return list(items)
    return [items[i] for i in np.linspace(0, len(items) - 1, most).round().astype(int)]


def _jobs(
    page: Page, tried: Sequence[int], pixel_mm: float, pixels_per_side: float, least_mm: float
) -> list[_Job]:
    outlines = [np.array(polygon) for group in page.shapes_mm for polygon in group]
    group_of = [g for g, group in enumerate(page.shapes_mm) for _ in group]
    lows = np.array([outline.min(axis=0) for outline in outlines])
    highs = np.array([outline.max(axis=0) for outline in outlines])
    jobs = []
    for own in tried:
        drawn = outlines[own]
        outline = drawn if _area(drawn) > 0 else drawn[::-1]
        longest = _lengths(outline).max()
        if len(outline) > CORNERS_MAX or longest < least_mm:
            continue
        most = 0.05 * longest
        near = ((lows < highs[own] + most) & (highs > lows[own] - most)).all(axis=1)
        near[own] = False
        others = [outlines[i] for i in np.flatnonzero(near)]
        for reach in most / 2.0 ** np.arange(6):
            if _stands_free(outline, others, reach):
                finest = min(longest / pixels_per_side, reach / REACH_PX)
                halvings = max(0, math.ceil(math.log2(pixel_mm / finest) - 1e-9))
                jobs.append(
                    _Job(
                        group=group_of[own],
                        outline=outline,
                        reach=reach,
                        pixel=pixel_mm / 2**halvings,
                    )
                )
                break
    return jobs


def _area(outline: Points) -> float:
    """Positive if clockwise as seen, with y down."""
    x, y = outline.T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def _lengths(outline: Points) -> npt.NDArray[np.float64]:
    return np.hypot(*(np.roll(outline, -1, axis=0) - outline).T)


def _inside(points: Points, outline: Points) -> npt.NDArray[np.bool_]:
    """Even-odd: how many sides lie to the left of each point."""
    (x, y), a, b = points.T[..., None], outline, np.roll(outline, -1, axis=0)
    level = (a[:, 1] <= y) != (b[:, 1] <= y)
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = a[:, 0] + (y - a[:, 1]) * (b[:, 0] - a[:, 0]) / (b[:, 1] - a[:, 1])
    return (level & (crossing < x)).sum(axis=1) % 2 == 1


def _stands_free(outline: Points, others: list[Points], reach: float) -> bool:
    """Whether each side has dark on its inner side and clear ground outside, to the reach."""
    for start, end in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        along = (end - start) / np.hypot(*(end - start))
        out = np.array([along[1], -along[0]])
        a, b = start + 0.05 * (end - start), end - 0.05 * (end - start)
        places = a + np.linspace(0, 1, 37)[:, None] * (b - a)
        for part in (0.1, 0.5, 1.0):
            if not _inside(places - part * reach * out, outline).all():
                return False
            if _inside(places + part * reach * out, outline).any():
                return False
        outer = np.array([a, b, b + reach * out, a + reach * out])
        if any(overlap(outer, other) for other in others):
            return False
    return True


def _window(jobs: Sequence[_Job]) -> Window:
    """A window on the pixel grid around polygons of one pixel size, with a margin."""
    pixel = jobs[0].pixel
    margin = max(job.reach for job in jobs) + 3 * pixel
    low = np.min([job.outline.min(axis=0) for job in jobs], axis=0) - margin
    high = np.max([job.outline.max(axis=0) for job in jobs], axis=0) + margin
    left, top = np.floor(np.maximum(low, 0) / pixel) * pixel
    right, bottom = np.ceil(high / pixel) * pixel
    return Window(left=left, top=top, width=right - left, height=bottom - top, pixel=pixel)


def _sides(image: Image, window: Window, job: _Job) -> list[Side]:
    outline, pixel_um = job.outline, 1000 * window.pixel
    corners = (outline - (window.left, window.top)) / window.pixel
    ends = np.roll(corners, -1, axis=0)
    lengths = _lengths(corners)
    found = []  # each: offsets, and the measured line as a point and a direction
    for start, end, length in zip(corners, ends, lengths, strict=True):
        place, offset = _offsets_px(image, start, end, job.reach / window.pixel)
        long = length >= 0.5 * lengths.max()
        # Offset at the side's middle, and its change along the side.
        turn, shift = np.polyfit(place, offset, 1) if long else (0.0, offset.mean())
        along = (end - start) / length
        out = np.array([along[1], -along[0]])
        found.append(
            (offset, turn if long else None, 0.5 * (start + end) + shift * out, along + turn * out)
        )
    sides = []
    for i, length in enumerate(lengths):
        offset, turn, *line = found[i]
        a, b = _crossing(found[i - 1][2:], line), _crossing(line, found[(i + 1) % len(found)][2:])
        sides.append(
            Side(
                group=job.group,
                is_upright=bool(np.abs(ends[i] - corners[i]).min() < 1e-6 * length),
                length_mm=length * window.pixel,
                pixel_um=pixel_um,
                mean_offset_um=offset.mean() * pixel_um,
                worst_offset_um=np.abs(offset).max() * pixel_um,
                offset_std_um=offset.std() * pixel_um,
                turn_deg=None if turn is None else math.degrees(math.atan(turn)),
                length_error_um=(np.hypot(*(b - a)) - length) * pixel_um,
            )
        )
    return sides


def _crossing(one: Sequence[Points], other: Sequence[Points]) -> Points:
    """Where two lines, each a point and a direction, meet."""
    (p, u), (q, v) = one, other
    t = np.linalg.solve(np.column_stack([u, -v]), q - p)[0]
    return p + t * u


def _offsets_px(
    image: Image, start: Points, end: Points, reach: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Where the side lies outside the line from start to end, and places along it.

    Scans run along whole rows or columns across the side, as far as the reach; the
    darkness summed along a scan is the length of its dark part. Points are (x, y) in
    pixels, with pixel 0 covering 0 to 1; places count from the side's middle.
    """
    along = (end - start) / np.hypot(*(end - start))
    out = np.array([along[1], -along[0]])
    if abs(along[0]) < abs(along[1]):  # steep: swap axes, so that scans run down columns
        image, start, end, along, out = image.T, start[::-1], end[::-1], along[::-1], out[::-1]
    slope = along[1] / along[0]
    half = max(2, math.floor(reach * abs(along[0])))  # of a scan, so that it ends within reach
    x0, x1 = sorted((start[0], end[0]))
    # Towards the corners a scan would meet the next side.
    trim = 0.05 * (x1 - x0) + half * abs(slope) + 1
    columns = np.arange(math.ceil(x0 + trim), math.floor(x1 - trim))
    wanted = start[1] + slope * (columns + 0.5 - start[0])
    first = np.floor(wanted).astype(int) - half
    rows = first[:, None] + np.arange(2 * half + 1)
    dark = image[rows, columns[:, None]].sum(axis=1, dtype=float) / 255
    edge = first + dark if out[1] > 0 else first + 2 * half + 1 - dark
    offset = (edge - wanted) * out[1]
    place = (columns + 0.5 - 0.5 * (start[0] + end[0])) / along[0]
    return place, offset
