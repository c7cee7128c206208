"""Which pixels of a region are looked at, and how few of them are enough?

A raw colour's sites form regular grids. Placing an edge needs some ten thousand sites
of the whole region; what measures it lies in a strip along it. Both are taken from the
grids by strides and boxes, so that no pixel is touched that is not used. Offsets are
from the centre of the region's window, in pixels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lab.edges.types import EdgeRegion, FloatArray, MaskArray
from lab.edges.window import region_box, region_mask
from lab.frames.frame import CHANNELS, Frame

__all__ = ["SitePlane", "SiteWindow", "Sites", "frame_sites", "window_sites"]

_ENOUGH = 24_000  # sites of a window that are all looked at when an edge is placed
_GOLDEN = (math.sqrt(5) - 1) / 2


@dataclass(frozen=True, kw_only=True, eq=False)
class Sites:
    """Pixels: values [DN] and offsets from the window's centre [px], each (n,) float64."""

    value: FloatArray
    row: FloatArray
    col: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class SitePlane:
    """A regular grid of one colour's sites.

    Attributes
    ----------
    value : ndarray, (n_row, n_col)
        Linear. [DN]
    use : ndarray of bool, (n_row, n_col)
    row, col : ndarray, (n_row,), (n_col,)
        Offsets from the window's centre, ascending. [px]
    """

    value: npt.NDArray[np.float32] | FloatArray
    use: MaskArray
    row: FloatArray
    col: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class SiteWindow:
    """A window of one raw colour: its grids, its size, and the rectangle that counts.

    Attributes
    ----------
    planes : tuple of SitePlane
    shape : (int, int)
        Rows and columns of the window, all colours counted. [px]
    rectangle : EdgeRegion or None
        Centre as offsets from the window's centre; None: the whole window.
    """

    planes: tuple[SitePlane, ...]
    shape: tuple[int, int]
    rectangle: EdgeRegion | None = None

    @property
    def share_left_out(self) -> float:
        """Share of the rectangle's sites that must not be used, 0 to 1."""
        if all(plane.use.all() for plane in self.planes):
            return 0.0
        inside = [self._inside(plane) for plane in self.planes]
        used = sum(
            int(np.count_nonzero(plane.use & one))
            for plane, one in zip(self.planes, inside, strict=True)
        )
        return 1.0 - used / max(sum(int(np.count_nonzero(one)) for one in inside), 1)

    @property
    def without_number(self) -> tuple[int, int]:
        """How many of the usable sites hold no number, and how many there are."""
        if all(np.isfinite(plane.value.sum()) for plane in self.planes):
            return 0, sum(int(np.count_nonzero(plane.use)) for plane in self.planes)
        used = [plane.value[plane.use & self._inside(plane)] for plane in self.planes]
        return (
            sum(int(np.count_nonzero(~np.isfinite(value))) for value in used),
            sum(value.size for value in used),
        )

    def thinned(self, *, largest_gap_px: float) -> Sites:
        """Sites of the whole window; of a large one only some rows.

        Rows at even distances could all meet a slanted edge at one phase of the grid.

        Parameters
        ----------
        largest_gap_px : float
            Between two rows that are used.
        """
        size = sum(plane.value.size for plane in self.planes)
        widest = max((_step(plane.row) for plane in self.planes), default=1.0)
        every = min(size // _ENOUGH + 1, int(largest_gap_px / (2 * widest)))
        if every < 2:
            return self._gathered(list(self.planes))
        return self._gathered(
            [_part(plane, _scattered(plane.row.size, every)) for plane in self.planes]
        )

    def strip(self, angle_rad: float, offset_px: float, half_width_px: float) -> Sites:
        """All sites at most so far from a line.

        Parameters
        ----------
        angle_rad, offset_px : float
            Direction of the line's normal, and its distance from the window's centre.
        half_width_px : float
        """
        sin, cos = math.sin(angle_rad), math.cos(angle_rad)
        cut = []
        for plane in self.planes:
            if not plane.value.size:
                continue
            rows = _reached(plane.row * sin, plane.col * cos, offset_px, half_width_px)
            cols = _reached(plane.col * cos, plane.row[rows] * sin, offset_px, half_width_px)
            part = _part(plane, rows, cols)
            distance = (part.row * sin - offset_px)[:, None] + part.col * cos
            near = np.abs(distance, out=distance) <= half_width_px
            cut.append(SitePlane(value=part.value, use=part.use & near, row=part.row, col=part.col))
        return self._gathered(cut)

    def _inside(self, plane: SitePlane) -> MaskArray:
        if self.rectangle is None:
            return np.broadcast_to(np.True_, plane.use.shape)
        return region_mask(self.rectangle, plane.row, plane.col)

    def _gathered(self, planes: list[SitePlane]) -> Sites:
        value, row, col = [], [], []
        for plane in planes:
            use = plane.use & self._inside(plane)
            at = np.flatnonzero(use)
            line = at // max(plane.col.size, 1)
            row.append(plane.row[line])
            col.append(plane.col[at - line * plane.col.size])
            value.append(plane.value[use])
        return Sites(
            value=np.concatenate(value, dtype=np.float64),
            row=np.concatenate(row),
            col=np.concatenate(col),
        )


def _scattered(n: int, every: int) -> npt.NDArray[np.intp]:
    """Every so many of n lines, one in each group, unevenly."""
    group = np.arange(n // every)
    return np.asarray((group + group * _GOLDEN % 1) * every, dtype=np.intp)


def _step(places: FloatArray) -> float:
    return float(places[1] - places[0]) if places.size > 1 else 1.0


def _part(
    plane: SitePlane, rows: slice | npt.NDArray[np.intp], cols: slice = slice(None)
) -> SitePlane:
    return SitePlane(
        value=plane.value[rows, cols],
        use=plane.use[rows, cols],
        row=plane.row[rows],
        col=plane.col[cols],
    )


def _reached(along: FloatArray, across: FloatArray, offset: float, half_width: float) -> slice:
    """Which lines of a grid a strip touches anywhere; ``along`` is monotonic."""
    if not across.size:
        return slice(0, 0)
    touched = np.flatnonzero(
        (along + across.max() >= offset - half_width)
        & (along + across.min() <= offset + half_width)
    )
    return slice(int(touched[0]), int(touched[-1]) + 1) if touched.size else slice(0, 0)


def window_sites(pixels: npt.NDArray[np.float64], use: MaskArray) -> SiteWindow:
    """A window given as an array and a mask of one shape (n_row, n_col)."""
    n_row, n_col = pixels.shape
    plane = SitePlane(
        value=pixels,
        use=use,
        row=np.arange(n_row) - (n_row - 1) / 2,
        col=np.arange(n_col) - (n_col - 1) / 2,
    )
    return SiteWindow(planes=(plane,), shape=(n_row, n_col))


def frame_sites(frame: Frame, channel: str, region: EdgeRegion) -> SiteWindow:
    """The unsaturated sites of one raw colour in a region of a frame.

    Parameters
    ----------
    frame : Frame
    channel : str
        One of ``lab.frames.CHANNELS``.
    region : EdgeRegion

    Raises
    ------
    ValueError
        If no pixel of the frame lies in the region's box.
    """
    rows, cols = region_box(region, frame.shape)
    index = CHANNELS.index(channel)
    phases = np.argwhere(frame.pattern == index).tolist() if frame.is_mosaic else [(0, 0)]
    p, q = frame.pattern.shape if frame.is_mosaic else (1, 1)
    middle_row, middle_col = (rows.start + rows.stop - 1) / 2, (cols.start + cols.stop - 1) / 2
    planes = []
    for row_phase, col_phase in phases:
        row = slice(rows.start + (row_phase - rows.start) % p, rows.stop, p)
        col = slice(cols.start + (col_phase - cols.start) % q, cols.stop, q)
        planes.append(
            SitePlane(
                value=frame.pixels[row, col] if frame.is_mosaic else frame.pixels[row, col, index],
                use=~frame.saturated[row, col],
                row=np.arange(row.start, row.stop, p) - middle_row,
                col=np.arange(col.start, col.stop, q) - middle_col,
            )
        )
    return SiteWindow(
        planes=tuple(planes),
        shape=(rows.stop - rows.start, cols.stop - cols.start),
        rectangle=EdgeRegion(
            name=region.name,
            centre_row=region.centre_row - middle_row,
            centre_col=region.centre_col - middle_col,
            angle_deg=region.angle_deg,
            length_px=region.length_px,
            half_width_px=region.half_width_px,
        ),
    )
