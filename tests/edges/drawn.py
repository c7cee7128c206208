"""Frames drawn from a chart's polygons: nothing of the registration or the simulator."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from lab.edges.register import Registration
from lab.edges.types import FloatArray
from lab.frames.frame import Frame
from targets.layout import Field

RGGB = np.array([[0, 1], [1, 2]], np.int8)
SENSITIVITY = np.array([0.5, 1.0, 0.7])  # invented


@dataclass(frozen=True, kw_only=True)
class Pose:
    """How the chart lies in the frame; the truth of every test."""

    magnification: float = 2.0
    turn_deg: float = 3.0
    shift_px: tuple[float, float] = (4.2, -3.7)
    tilt: tuple[float, float] = (0.0, 0.0)  # relative change of scale per px
    mirrored: bool = False
    shape: tuple[int, int] = (640, 960)
    pitch_um: float = 4.35

    @property
    def centre_px(self) -> FloatArray:
        """Of the frame, (col, row)."""
        return np.array([self.shape[1] - 1, self.shape[0] - 1]) / 2

    def __call__(self, at_mm: npt.ArrayLike) -> FloatArray:
        angle = np.radians(self.turn_deg)
        cos, sin = np.cos(angle), np.sin(angle)
        points = np.asarray(at_mm) * ((-1, 1) if self.mirrored else (1, 1))
        px_per_mm = self.magnification * 1000 / self.pitch_um
        flat = points @ np.array([[cos, sin], [-sin, cos]]) * px_per_mm
        depth = 1 + flat @ self.tilt
        return np.asarray(flat / depth[:, np.newaxis] + self.centre_px + self.shift_px)


def coverage(pose: Pose, field: Field) -> FloatArray:
    """Dark share of each pixel; all shapes are convex."""
    dark = np.zeros(pose.shape)
    for polygon in field.polygons_mm():
        corners = pose(polygon)
        low = np.maximum(np.floor(corners.min(axis=0)) - 1, 0).astype(int)
        high = np.minimum(np.ceil(corners.max(axis=0)) + 2, pose.shape[::-1]).astype(int)
        if (low >= high).any():
            continue
        x = np.arange(low[0], high[0])
        y = np.arange(low[1], high[1])[:, np.newaxis]
        share = np.ones((high[1] - low[1], high[0] - low[0]))
        for corner, along in zip(corners, np.roll(corners, -1, axis=0) - corners, strict=True):
            cross = along[0] * (y - corner[1]) - along[1] * (x - corner[0])
            inwards = -cross if pose.mirrored else cross
            share *= np.clip(inwards / np.hypot(*along) + 0.5, 0, 1)
        patch = dark[low[1] : high[1], low[0] : high[0]]
        np.maximum(patch, share, out=patch)
    return dark


def drawn_frame(
    pose: Pose,
    field: Field,
    *,
    blur_px: float = 1.5,
    shading: float = 0.3,
    seed: int = 0,
    stain: npt.NDArray[np.float64] | float = 0.0,
) -> Frame:
    """A noisy mosaic of the chart, light falling off towards the corners."""
    dark = gaussian_filter(np.maximum(coverage(pose, field), stain), blur_px)
    row = np.arange(pose.shape[0])[:, np.newaxis] - pose.centre_px[1]
    col = np.arange(pose.shape[1]) - pose.centre_px[0]
    light = 2000 * (1 - shading * (row**2 + col**2) / (pose.centre_px @ pose.centre_px))
    scene = light * (1 - 0.94 * dark)
    pixels = scene * np.tile(SENSITIVITY[RGGB], (pose.shape[0] // 2, pose.shape[1] // 2))
    pixels = pixels + np.random.default_rng(seed).normal(size=pose.shape) * np.sqrt(9 + pixels)
    return Frame(
        path=Path("invented.dng"),
        pixels=pixels.astype(np.float32),
        pattern=RGGB,
        saturated=np.zeros(pose.shape, np.bool_),
        white_dn=4000.0,
    )


def worst_edge_px(result: Registration, pose: Pose, field: Field) -> float:
    """Largest distance of an edge region's centre from the true edge line."""
    worst = 0.0
    squares = {square.name: square for square in field.squares}
    for edge in result.edges:
        truth = next(e for e in squares[edge.square].edges() if e.name == edge.edge)
        start, end = pose([truth.start_mm, truth.end_mm])
        along = (end - start) / np.hypot(*(end - start))
        outward = np.array([along[1], -along[0]])
        angle = np.radians(edge.region.angle_deg)
        assert outward @ (np.cos(angle), np.sin(angle)) > np.cos(np.radians(0.3))
        at = np.array([edge.region.centre_col, edge.region.centre_row])
        worst = max(worst, abs(float((at - start) @ outward)))
    return worst
