"""What do raw pixels of a known target look like through a known rig?

``mean_frame`` images a field of slanted squares without noise, ``render_frame`` adds
what a sensor adds, ``render_edge`` draws one long edge for studies of the edge
measurement. Edges come from exact edge profiles (diffraction tails, pixel, band of
the colour, local focus), sampled at pixel centres; nothing is a blurred bitmap.

Conventions. The image is drawn upright, as if the camera had turned it: target x to
the right along the columns, y down along the rows, rotated clockwise by the rig.

Left out: a square is the product of two strips, as if blur were separable. A real
corner is rounder within a few blur widths of its tip, and the faint light of the
tails really spreads as a ring, not as a cross. Along the middle half of a side the
difference from the true image of a square is at most 0.35 % of the step where
wavelength x N_eff is 1/57 of the side and 0.95 % where it is 1/20 (computed by a
two-dimensional transform, clear pupil in focus). Focus is that of each edge's
centre, so tilt does not vary along an edge. A movement blurs each side by its part
across that side; at a corner it really runs aslant. The other marks (disc, code, scale),
which nobody measures, are bitmaps blurred by a Gaussian that has the green MTF50 at
the field's centre.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray, NoiseModel
from lab.frames.frame import CHANNELS
from lab.optics.edge_profile import EdgeProfile
from lab.simulate.marks import mark_darkness
from lab.simulate.rig import SimulatedRig
from lab.simulate.strips import EdgeBank, EdgeTable, Strip
from lab.simulate.through_focus import ThroughFocus
from targets.layout import Field, Square

__all__ = ["mean_frame", "render_edge", "render_frame"]

Image = npt.NDArray[np.float32]

# RGGB: row and column phase of each site, by channel.
_SITES = {"red": ((0, 0),), "green": ((0, 1), (1, 0)), "blue": ((1, 1),)}

# Far from a square its tails are summed on a coarse grid and interpolated. "Far" is
# where a strip's darkness is below this share of the step, three grid cells at least.
# Beside the square's corners the far part is as steep as an edge: there, interpolation
# errs by up to half the share.
_COARSE_PX = 16
_FAR_SHARE = 3e-4

_GAUSSIAN_FROM_ELECTRONS = 30  # below, shot noise is drawn from the Poisson distribution
_BLOCK_ROWS = 128


def render_frame(
    rig: SimulatedRig,
    field: Field,
    *,
    magnification: float,
    stop: float,
    focus_offset_object_um: float,
    rng: np.random.Generator,
) -> npt.NDArray[np.uint16]:
    """Raw mosaic of a field with shot noise, read noise and rounding.

    Parameters
    ----------
    rig : SimulatedRig
    field : Field
        What stands before the lens.
    magnification : float
        True magnification, whatever the field was made for. [-], > 0
    stop : float
        F-number at infinity, the physical one and not the ring's rounding. [-]
    focus_offset_object_um : float
        Target beyond the plane that paraxial green rays focus. [um]
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, (n_rows, n_cols) uint16
        RGGB, black level included. [DN], 0 to white_dn

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    mean = mean_frame(
        rig,
        field,
        magnification=magnification,
        stop=stop,
        focus_offset_object_um=focus_offset_object_um,
    )
    mosaic = np.empty(mean.shape, dtype=np.uint16)
    read = np.float32(rig.read_noise_electrons)
    for start in range(0, rig.n_rows, _BLOCK_ROWS):
        rows = slice(start, start + _BLOCK_ROWS)
        electrons = mean[rows] * np.float32(rig.electrons_per_dn)
        normal = rng.standard_normal(electrons.shape, dtype=np.float32)
        noisy = electrons + np.sqrt(electrons + read * read) * normal
        few = electrons < _GAUSSIAN_FROM_ELECTRONS
        if few.any():
            noisy[few] = rng.poisson(electrons[few]) + read * normal[few]
        noisy /= np.float32(rig.electrons_per_dn)
        noisy += rig.black_dn
        mosaic[rows] = np.clip(np.rint(noisy, out=noisy), 0, rig.white_dn)
    return mosaic


def mean_frame(
    rig: SimulatedRig,
    field: Field,
    *,
    magnification: float,
    stop: float,
    focus_offset_object_um: float,
) -> Image:
    """The mosaic that many frames of ``render_frame`` average to, short of clipping.

    Parameters as for ``render_frame``.

    Returns
    -------
    ndarray, (n_rows, n_cols) float32
        Black-subtracted, not rounded, not clipped. [DN], >= 0

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    if not np.isfinite(focus_offset_object_um):
        raise ValueError("focus_offset_object_um must be a finite number")
    rig.effective_f_number(magnification, stop)  # checks both before anything slow
    dark: Image = np.zeros((rig.n_rows, rig.n_cols), dtype=np.float32)
    view = _View(rig=rig, magnification=magnification)
    if field.squares:
        for channel, sites in _SITES.items():
            edges = _Edges.of(field.squares, view, channel, stop, focus_offset_object_um)
            _add_squares(dark, edges, view, channel, sites)
    if field.marks:
        shift_um = rig.shift_from_object_um(magnification, focus_offset_object_um, 0.0, 0.0)
        for corner, patch in mark_darkness(
            rig, field.marks, magnification=magnification, stop=stop, focus_shift_um=shift_um
        ):
            _add_patch(dark, corner, patch)
    return _to_dn(dark, rig)


@dataclass(frozen=True, kw_only=True)
class _View:
    """Where points of the target fall on the mosaic."""

    rig: SimulatedRig
    magnification: float

    def px_per_mm(self, channel: str) -> float:
        excess = self.rig.lateral_colour[CHANNELS.index(channel)]
        return self.magnification * 1000 / self.rig.pixel_pitch_um * (1 + excess)

    def row_col(self, channel: str, x_mm: FloatArray, y_mm: FloatArray) -> tuple[FloatArray, ...]:
        turn = np.deg2rad(self.rig.rotation_deg)
        scale = self.px_per_mm(channel)
        shift_x, shift_y = self.rig.centre_shift_px
        col = scale * (x_mm * np.cos(turn) - y_mm * np.sin(turn)) + shift_x
        row = scale * (x_mm * np.sin(turn) + y_mm * np.cos(turn)) + shift_y
        return row + (self.rig.n_rows - 1) / 2, col + (self.rig.n_cols - 1) / 2


@dataclass(frozen=True, kw_only=True, eq=False)
class _Edges:
    """All squares of a field as one channel sees them.

    ``weights`` (n_square, 4, n_profile) for the sides towards +x, -x, +y, -y.
    """

    squares: tuple[Square, ...]
    bank: EdgeBank
    weights: FloatArray
    row: FloatArray
    col: FloatArray
    angle_deg: FloatArray

    @staticmethod
    def of(
        squares: tuple[Square, ...], view: _View, channel: str, stop: float, offset_um: float
    ) -> _Edges:
        rig = view.rig
        x, y = np.array([square.centre_mm for square in squares], dtype=np.float64).T
        half_mm = np.array([square.side_mm for square in squares]) / 2
        turn_deg = np.array([square.rotation_deg for square in squares], dtype=np.float64)
        side_deg = turn_deg[:, None] + np.array([0.0, 180.0, 90.0, 270.0])
        edge_x = x[:, None] + half_mm[:, None] * np.cos(np.deg2rad(side_deg))
        edge_y = y[:, None] + half_mm[:, None] * np.sin(np.deg2rad(side_deg))
        shift_um = np.array(
            [
                rig.shift_from_object_um(view.magnification, offset_um, *point)
                for point in zip(edge_x.ravel(), edge_y.ravel(), strict=True)
            ]
        )
        focus = ThroughFocus(
            rig,
            magnification=view.magnification,
            stop=stop,
            channel=channel,
            low_um=float(shift_um.min()),
            high_um=float(shift_um.max()),
        )
        angle_deg = side_deg + rig.rotation_deg
        bank = EdgeBank(focus, shift_um, angle_deg.ravel())
        row, col = view.row_col(channel, x, y)
        return _Edges(
            squares=squares,
            bank=bank,
            weights=bank.weights.reshape(len(squares), 4, -1),
            row=row,
            col=col,
            angle_deg=turn_deg + rig.rotation_deg,
        )


def _add_squares(
    dark: Image, edges: _Edges, view: _View, channel: str, sites: tuple[tuple[int, int], ...]
) -> None:
    """Add the darkness of all squares to one channel's sites, in place."""
    n_rows, n_cols = dark.shape
    # One row and column of nodes beyond the frame, to interpolate between.
    node_row = np.arange(0, n_rows + _COARSE_PX, _COARSE_PX)
    node_col = np.arange(0, n_cols + _COARSE_PX, _COARSE_PX)
    coarse: Image = np.zeros((node_row.size, node_col.size), dtype=np.float32)
    frame_px = float(np.hypot(node_row[-1], node_col[-1]))
    far_px = frame_px + float(np.hypot(edges.row, edges.col).max())
    half_px = np.array([square.side_mm for square in edges.squares]) * view.px_per_mm(channel) / 2
    wide_table = EdgeTable(edges.bank, reach_px=far_px + 2 * half_px.max(), step_px=1.0)
    margin_px = {
        half: max(3.0 * _COARSE_PX, wide_table.tail_reach_px(2 * half, _FAR_SHARE, frame_px))
        for half in np.unique(half_px)
    }
    # A window's corners are farthest from the strips' middles at a turn of 45 degrees.
    corner_px = {half: 2**0.5 * (2**0.5 * half + margin) for half, margin in margin_px.items()}
    fine_table = EdgeTable(
        edges.bank,
        reach_px=max(half + corner for half, corner in corner_px.items()),
        step_px=edges.bank.step_px,
    )
    for i, half in enumerate(half_px):
        fine = _Product.of(fine_table, edges, i, half, corner_px[half])
        wide = _Product.of(wide_table, edges, i, half, far_px)
        angle = np.deg2rad(edges.angle_deg[i])
        box_px = half * float(abs(np.cos(angle)) + abs(np.sin(angle))) + margin_px[half]
        own = wide.at(node_row, node_col)
        coarse += own
        first_row, first_col = edges.row[i] - box_px, edges.col[i] - box_px
        for row_phase, col_phase in sites:
            rows = _window(first_row, first_row + 2 * box_px, row_phase, n_rows)
            cols = _window(first_col, first_col + 2 * box_px, col_phase, n_cols)
            if rows.size and cols.size:
                near = fine.at(rows, cols) - _interpolate(own, rows, cols)
                dark[rows[0] : rows[-1] + 1 : 2, cols[0] : cols[-1] + 1 : 2] += near
    for row_phase, col_phase in sites:
        dark[row_phase::2, col_phase::2] += _interpolate(
            coarse, np.arange(row_phase, n_rows, 2), np.arange(col_phase, n_cols, 2)
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Product:
    """A square as the product of its two strips, read from tables."""

    strips: tuple[Strip, Strip]
    row: float
    col: float
    angle: float

    @staticmethod
    def of(table: EdgeTable, edges: _Edges, i: int, half_px: float, reach_px: float) -> _Product:
        right, left, lower, upper = edges.weights[i]
        return _Product(
            strips=(
                table.strip(half_px, right, left, reach_px=reach_px),
                table.strip(half_px, lower, upper, reach_px=reach_px),
            ),
            row=float(edges.row[i]),
            col=float(edges.col[i]),
            angle=float(np.deg2rad(edges.angle_deg[i])),
        )

    def at(self, rows: npt.NDArray[np.intp], cols: npt.NDArray[np.intp]) -> Image:
        """Darkness at the crossings of rows and columns."""
        step_px, origin = self.strips[0].step_px, self.strips[0].origin
        down = (rows[:, None] - self.row) / step_px
        across = (cols[None, :] - self.col) / step_px
        cos, sin = np.cos(self.angle), np.sin(self.angle)
        u = (down * sin + origin).astype(np.float32) + (across * cos).astype(np.float32)
        v = (down * cos + origin).astype(np.float32) - (across * sin).astype(np.float32)
        return _look_up(self.strips[0].darkness, u) * _look_up(self.strips[1].darkness, v)


def _look_up(table: Image, position: Image) -> Image:
    i = position.astype(np.int32)
    position -= i
    rise = np.diff(table, append=table[-1])
    return np.asarray(rise.take(i) * position + table.take(i))


def _window(low: float, high: float, phase: int, size: int) -> npt.NDArray[np.intp]:
    """Indices phase, phase + 2, ... from low to high inside 0 to size - 1."""
    first = max(int(np.ceil(low)), 0)
    first += (phase - first) % 2
    return np.arange(first, min(int(high) + 1, size), 2)


def _interpolate(nodes: Image, rows: npt.NDArray[np.intp], cols: npt.NDArray[np.intp]) -> Image:
    """Bilinear interpolation of a coarse grid at the crossings of rows and columns."""
    i, down = np.divmod(rows, _COARSE_PX)
    down = (down / _COARSE_PX).astype(np.float32)[:, None]
    lines = nodes[i] * (1 - down) + nodes[i + 1] * down
    j, across = np.divmod(cols, _COARSE_PX)
    across = (across / _COARSE_PX).astype(np.float32)
    rise = lines[:, 1:] - lines[:, :-1]
    return np.asarray(lines.take(j, axis=1) + rise.take(j, axis=1) * across)


def _add_patch(dark: Image, corner: tuple[int, int], patch: Image) -> None:
    """Add a patch whose upper left pixel may lie outside the frame."""
    row, col = corner
    top, left = max(row, 0), max(col, 0)
    inside = patch[top - row : dark.shape[0] - row, left - col : dark.shape[1] - col]
    if row + patch.shape[0] > 0 and col + patch.shape[1] > 0:
        dark[top : top + inside.shape[0], left : left + inside.shape[1]] += inside


def _to_dn(dark: Image, rig: SimulatedRig) -> Image:
    """Darkness to mean DN: contrast, shading, sensitivity. Works in place."""
    full_dn = rig.exposure * (rig.white_dn - rig.black_dn)
    middle_row, middle_col = (rig.n_rows - 1) / 2, (rig.n_cols - 1) / 2
    corner2 = middle_row**2 + middle_col**2
    down = rig.corner_shading * (np.arange(rig.n_rows) - middle_row) ** 2 / corner2
    across = rig.corner_shading * (np.arange(rig.n_cols) - middle_col) ** 2 / corner2
    dark *= np.float32(rig.dark_share - 1)
    dark += 1
    np.maximum(dark, 0, out=dark)
    dark *= (1 - down).astype(np.float32)[:, None] - across.astype(np.float32)
    for channel, sites in _SITES.items():
        level = np.float32(full_dn * rig.sensitivity[CHANNELS.index(channel)])
        for row_phase, col_phase in sites:
            dark[row_phase::2, col_phase::2] *= level
    return dark


def render_edge(
    shape: tuple[int, int],
    *,
    angle_deg: float,
    profile: EdgeProfile,
    low: float,
    high: float,
    position_px: float = 0.0,
    sagitta_px: float = 0.0,
    noise: NoiseModel | None = None,
    rng: np.random.Generator | None = None,
) -> FloatArray:
    """One edge right across a region, sampled at pixel centres.

    Parameters
    ----------
    shape : tuple of int
        (n_row, n_col), both > 0.
    angle_deg : float
        Direction of the normal from dark to bright: 0 = towards higher columns,
        90 = towards higher rows. [deg]
    profile : EdgeProfile
    low, high : float
        Levels of the dark and bright plateau.
    position_px : float
        Of the edge from the region's centre, along the normal. [px]
    sagitta_px : float
        How far the edge has bent towards the bright side where it leaves the region,
        as a parabola. Distances are still taken along the normal at the middle. [px]
    noise : NoiseModel, optional
        None draws the edge free of noise. Not rounded, not clipped.
    rng : numpy.random.Generator, optional
        Needed with ``noise``.

    Returns
    -------
    ndarray, (n_row, n_col) float64
        In the unit of low and high.

    Raises
    ------
    ValueError
        If an argument is outside its range, or noise comes without rng.
    """
    n_row, n_col = shape
    if not (n_row > 0 and n_col > 0):
        raise ValueError("shape must be two numbers > 0")
    if not np.all(np.isfinite([angle_deg, position_px, sagitta_px, low, high])):
        raise ValueError("angle, position, sagitta and levels must be finite numbers")
    cos, sin = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    down = np.arange(n_row)[:, None] - (n_row - 1) / 2
    across = np.arange(n_col)[None, :] - (n_col - 1) / 2
    distance = across * cos + down * sin - position_px
    if sagitta_px != 0:
        # Half the edge's length inside the region: it leaves by the nearer pair of sides.
        half_length = min(n_row / 2 / max(abs(cos), 1e-12), n_col / 2 / max(abs(sin), 1e-12))
        distance = distance - sagitta_px * ((down * cos - across * sin) / half_length) ** 2
    mean = low + (high - low) * profile(distance)
    if noise is None:
        return np.asarray(mean)
    if rng is None:
        raise ValueError("noise needs rng")
    return np.asarray(mean + np.sqrt(noise.variance(mean)) * rng.standard_normal(shape))
