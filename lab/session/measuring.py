"""Measure one frame: register the target in it, measure its edges, make its record.

All edges of the square at the field's centre are measured, and two in each corner,
one in each direction; ``every_edge`` measures them all. A frame without a usable
edge is a rejected record with its reason, never an error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from lab.edges.find import find_edges
from lab.edges.measure import EdgeMeasurement, measure_window
from lab.edges.profiles import binned_profile
from lab.edges.register import RegisteredEdge, register_field
from lab.edges.sites import frame_sites
from lab.edges.target_blur import WithoutTarget, without_target_blur
from lab.edges.target_quality import least_raggedness
from lab.edges.types import EdgeRegion, NoiseModel, Rejection
from lab.edges.window import region_window
from lab.errors import FrameError
from lab.frames import CHANNELS, Frame, estimate_noise, frame_hash
from lab.frames.exposure import check_exposure
from lab.session.records import EdgeRecord, FrameRecord
from targets.fidelity import DEFAULT_LOSS, edge_mtf_loss
from targets.layout import Field

__all__ = [
    "CENTRE_RADIUS",
    "FrameTask",
    "TargetEdge",
    "centre_edges",
    "hash_of",
    "lost_task",
    "measure_channel_edge",
    "measure_frame",
    "placed_edges",
]

CENTRE_RADIUS = 0.15  # of half the diagonal: what counts as the field's centre
_BLADE_EDGES = 6
_MIDDLE, _NEAR, _LEAST_WIDTH_PX = 0.85, 0.45, 20.0
_SIZE_OFF = 0.15  # a crop mode or the borders of the raw file explain less
# "target-limited": the target's stated blur and its raggedness together take more than the
# share of the MTF, at the measured MTF50 on the object side, that a target may take of a
# rig's best figure (`targets.fidelity`). Raggedness counts where it shows beyond noise.
_TARGET_LOSS = DEFAULT_LOSS


@dataclass(frozen=True, kw_only=True)
class TargetEdge:
    """Scale of the object side, and the spread of the target's own edge (Gaussian)."""

    object_um_per_px: float
    blur_um: float = 0.0
    blur_std_um: float = 0.0


@dataclass(frozen=True, kw_only=True)
class FrameTask:
    """All that a worker needs for one frame. ``field`` None: any straight edges (a blade).

    Of a ``trial``'s frame all green edges are measured and their profiles kept. ``look``
    asks for a look for a slate too (``lab.session.one_decoding``).
    """

    path: Path
    file: str
    sha256: str
    settings_key: str
    field: Field | None
    magnification: float
    marked_stop: float | None
    focus_position_um: float | None
    pixel_pitch_um: float
    target: TargetEdge
    sensor_width_mm: float
    every_edge: bool
    trial: str = ""
    condition: str = ""
    look: bool = False


def measure_channel_edge(
    frame: Frame,
    edge: RegisteredEdge,
    channel: str,
    noise: NoiseModel | None,
    *,
    square_side_px: float = math.inf,
    target: TargetEdge | None = None,
    with_profile: bool = False,
) -> EdgeRecord:
    """Measure one placed edge in one raw colour.

    Parameters
    ----------
    frame : Frame
    edge : RegisteredEdge
    channel : str
        One of ``lab.frames.CHANNELS``.
    noise : NoiseModel or None
        None: estimated from the edge's own two sides.
    square_side_px : float
        As for ``measure_edge``.
    target : TargetEdge, optional
        Scale of the object side and the target's own blur; None: unknown.
    with_profile : bool
        Keep the edge's binned profile too, where the noise is known.
    """
    region = edge.region
    window = frame_sites(frame, channel, region)
    clipped = window.share_left_out
    if clipped >= 0.1:
        reason = f"{100 * clipped:.0f} % of the edge's pixels are clipped (limit 10 %): "
        return _edge_record(
            edge, channel, region.angle_deg, "rejected", reason + "halve the exposure"
        )
    measured = measure_window(window, noise, square_side_px=square_side_px)
    if isinstance(measured, Rejection):
        return _edge_record(edge, channel, region.angle_deg, "rejected", measured.reason)
    figures: EdgeMeasurement | WithoutTarget = measured
    if target is not None and target.blur_um > 0:
        px_per_um = 1 / target.object_um_per_px
        without = without_target_blur(
            measured, target.blur_um * px_per_um, target.blur_std_um * px_per_um
        )
        if isinstance(without, Rejection):
            return _edge_record(edge, channel, region.angle_deg, "rejected", without.reason)
        figures = without
    angle = math.radians(measured.angle_deg)
    centre = window.rectangle or region
    expected = centre.centre_col * math.cos(angle) + centre.centre_row * math.sin(angle)
    ragged_um: tuple[float | None, float | None] = (None, None)
    flags = measured.flags
    if target is not None:
        if math.isfinite(measured.raggedness_std):
            scale = target.object_um_per_px
            ragged_um = (measured.raggedness_px * scale, measured.raggedness_std * scale)
        if _is_target_limited(measured, figures.mtf50_cyc_per_px, target):
            flags = (*flags, "target-limited")
    profile: tuple[tuple[float, ...], ...] = ((), (), ())
    if with_profile and noise is not None:
        rows, cols, inside = region_window(region, frame.shape)
        pixels, mask = frame.region(channel, rows, cols)
        binned = binned_profile(
            pixels,
            mask & inside,
            noise,
            angle_deg=measured.angle_deg,
            offset_px=measured.offset_px,
            reach_px=region.half_width_px,
        )
        if not isinstance(binned, Rejection):
            columns = binned.x_px, binned.level_dn, binned.std_dn
            profile = tuple(tuple(column.tolist()) for column in columns)
    return _edge_record(
        edge,
        channel,
        measured.angle_deg,
        "measured",
        mtf50_cyc_per_px=figures.mtf50_cyc_per_px,
        mtf50_std=figures.mtf50_std,
        mtf20_cyc_per_px=figures.mtf20_cyc_per_px,
        mtf10_cyc_per_px=figures.mtf10_cyc_per_px,
        position_px=measured.offset_px - expected,
        raggedness_object_um=ragged_um[0],
        raggedness_std_um=ragged_um[1],
        frequency_cyc_per_px=tuple(figures.frequency_cyc_per_px.tolist()),
        mtf=tuple(figures.mtf.tolist()),
        mtf_std=tuple(figures.mtf_std.tolist()),
        profile_px=profile[0],
        profile_dn=profile[1],
        profile_std_dn=profile[2],
        flags=flags,
    )


def _is_target_limited(
    measured: EdgeMeasurement, mtf50_cyc_per_px: float, target: TargetEdge
) -> bool:
    ragged_px = measured.raggedness_px
    if not ragged_px > least_raggedness(ragged_px, measured.raggedness_std):
        ragged_px = 0.0
    loss = edge_mtf_loss(
        mtf50_cyc_per_px * 1e3 / target.object_um_per_px,
        target.blur_um,
        ragged_px * target.object_um_per_px,
    )
    return bool(loss > _TARGET_LOSS)


def _edge_record(
    edge: RegisteredEdge,
    channel: str,
    angle_deg: float,
    status: str,
    reason: str = "",
    **figures: Any,
) -> EdgeRecord:
    return EdgeRecord(
        name=edge.edge,
        square=edge.square,
        channel=channel,
        direction=edge.direction,
        field_x=edge.field_x,
        field_y=edge.field_y,
        centre_row=edge.region.centre_row,
        centre_col=edge.region.centre_col,
        angle_deg=angle_deg,
        status=status,
        reason=reason,
        **figures,
    )


def _key_squares(edges: Sequence[RegisteredEdge]) -> tuple[set[str], set[str]]:
    """Names of the square nearest the centre, and of it and those nearest the corners.

    In each quarter of the frame the upright square that goes with the corner and, where
    the chart has such, the one that is turned to face the centre. The corner is where
    neither axis is near: the product of both distances tells, not that from the centre.
    """
    places: dict[str, tuple[float, float]] = {}
    oblique: set[str] = set()
    for edge in edges:
        x, y = places.get(edge.square, (0.0, 0.0))
        places[edge.square] = (x + edge.field_x / 4, y + edge.field_y / 4)
        if edge.direction in ("radial", "tangential"):
            oblique.add(edge.square)
    centre = min(places, key=lambda name: math.hypot(*places[name]))
    chosen = {centre}
    for sign_x in (-1, 1):
        for sign_y in (-1, 1):
            quarter = {
                name for name, (x, y) in places.items() if x * sign_x > 0.02 and y * sign_y > 0.02
            }
            for kind in (quarter - oblique, quarter & oblique):
                if kind:
                    chosen.add(max(sorted(kind), key=lambda name: abs(math.prod(places[name]))))
    return {centre}, chosen


def _key_edges(
    edges: Sequence[RegisteredEdge], centre: set[str], everywhere: set[str]
) -> tuple[RegisteredEdge, ...]:
    """All edges of the centre square, one in each direction of the outer ones."""
    first: dict[tuple[str, str], RegisteredEdge] = {}
    for edge in edges:
        first.setdefault((edge.square, edge.direction), edge)
    return tuple(
        edge
        for edge in edges
        if edge.square in centre or (edge.square in everywhere and edge in first.values())
    )


def centre_edges(edges: Sequence[EdgeRecord], channel: str) -> list[EdgeRecord]:
    """The measured edges of one colour that make a frame's figure: those near the centre.

    A single long edge may sit anywhere: where no edge is of a chart and none is near, the
    one nearest the centre is taken.

    Parameters
    ----------
    edges : sequence of EdgeRecord
    channel : str
        One of ``lab.frames.CHANNELS``.
    """

    def distance(edge: EdgeRecord) -> float:
        return math.hypot(edge.field_x, edge.field_y)

    measured = [e for e in edges if e.status == "measured" and e.channel == channel]
    near = [e for e in measured if distance(e) <= CENTRE_RADIUS]
    if near or any(e.square for e in measured):
        return near
    return sorted(measured, key=distance)[:1]


def placed_edges(regions: Sequence[EdgeRegion], frame: Frame) -> tuple[RegisteredEdge, ...]:
    """Found edges as placed edges: no square, field position from the frame."""
    n_row, n_col = frame.shape
    half = math.hypot(n_row, n_col) / 2
    placed = []
    for found in regions:
        # A found edge ends where another begins: its ends are left out, and of a bar or
        # square as wide as the edge is long only the near half is taken.
        region = replace(
            found,
            length_px=_MIDDLE * found.length_px,
            half_width_px=min(found.half_width_px, max(_NEAR * found.length_px, _LEAST_WIDTH_PX)),
        )
        upright = abs(math.cos(math.radians(region.angle_deg))) > math.sqrt(0.5)
        placed.append(
            RegisteredEdge(
                region=region,
                square="",
                edge=region.name,
                direction="vertical" if upright else "horizontal",
                field_x=(region.centre_col - (n_col - 1) / 2) / half,
                field_y=(region.centre_row - (n_row - 1) / 2) / half,
            )
        )
    return tuple(placed)


def measure_frame(frame: Frame, task: FrameTask) -> FrameRecord:
    """Register and measure a decoded frame.

    Parameters
    ----------
    frame : Frame
    task : FrameTask
        Its path is not opened.
    """
    flags = frame.flags
    width_mm = max(frame.shape) * task.pixel_pitch_um * 1e-3
    if abs(width_mm / task.sensor_width_mm - 1) > _SIZE_OFF:
        flags = (*flags, "frame-size-off")
    magnification: float | None = None
    magnification_std: float | None = None
    if task.field is None:
        found = find_edges(frame, most=_BLADE_EDGES)
        if isinstance(found, Rejection):
            return _record(task, "rejected", found.reason, flags)
        edges = placed_edges(found, frame)
        everywhere = centre = {""}
        side = {"": math.inf}
    else:
        registration = register_field(
            frame, task.field, magnification=task.magnification, pixel_pitch_um=task.pixel_pitch_um
        )
        if isinstance(registration, Rejection):
            return _record(task, "rejected", registration.reason, flags)
        edges = registration.edges
        magnification = registration.measured_magnification
        magnification_std = registration.measured_magnification_std
        if not edges:
            return _record(task, "rejected", "no edge of the target lies inside the frame", flags)
        centre, everywhere = _key_squares(edges)
        px_per_mm = 1e3 * magnification / task.pixel_pitch_um
        side = {square.name: square.side_mm * px_per_mm for square in task.field.squares}
    channels = ("green",) if "grey" in frame.flags or task.trial else CHANNELS
    if not (task.every_edge or task.trial):
        edges = _key_edges(edges, centre, everywhere)
    noise = {channel: estimate_noise(frame, channel) for channel in channels}
    flags = (*flags, *check_exposure(frame, noise).flags)
    records = []
    for channel in channels:
        records += [
            measure_channel_edge(
                frame,
                edge,
                channel,
                noise[channel],
                square_side_px=side[edge.square],
                target=task.target,
                with_profile=bool(task.trial),
            )
            for edge in edges
        ]
    status, reason = "measured", ""
    if not any(record.status == "measured" for record in records):
        status, reason = "rejected", records[0].reason
    if any("target-limited" in edge.flags for edge in centre_edges(records, "green")):
        flags = (*flags, "target-limited")  # the frame's figure is made of these
    return _record(task, status, reason, flags, tuple(records), (magnification, magnification_std))


def _record(
    task: FrameTask,
    status: str,
    reason: str,
    flags: tuple[str, ...],
    edges: tuple[EdgeRecord, ...] = (),
    measured_magnification: tuple[float | None, float | None] = (None, None),
) -> FrameRecord:
    return FrameRecord(
        file=task.file,
        sha256=task.sha256,
        settings_key=task.settings_key,
        magnification=task.magnification,
        marked_stop=task.marked_stop,
        focus_position_um=task.focus_position_um,
        status=status,
        reason=reason,
        flags=tuple(dict.fromkeys(flags)),
        measured_magnification=measured_magnification[0],
        measured_magnification_std=measured_magnification[1],
        trial=task.trial,
        condition=task.condition,
        edges=edges,
    )


def lost_task(task: FrameTask, loss: str) -> FrameRecord:
    """Record of a frame that cannot be read, or that cost the process that read it.

    Parameters
    ----------
    task : FrameTask
    loss : str
        Why, with the mend.
    """
    return _record(task, "unreadable", f"{task.path.name}: {loss}", ())


def hash_of(path: Path) -> str:
    """Hash of a frame file, or an empty text where it cannot be read."""
    try:
        return frame_hash(path)
    except (FrameError, OSError):
        return ""
