"""What does one new frame show at a glance: sharp where, well exposed, a slate?

A look is made to be had within a second of the shutter: two green edges nearest the
frame's centre, one of each direction, and one in each corner, all of one direction and
each over a part of its length, where ``lab.session.measuring`` measures every key edge
in every colour. Figures are in cycles per pixel, of lens and pixel together, the
target's stated blur divided out.

Where the two directions at the centre differ, two edges more are measured there and
``lab.edges.loss`` is asked what took the sharpness. Where the chart is not found at a
magnification of the session, it is sought at others.

Left out: red and blue but for their clipping, and what the figures mean for the bracket,
which ``lab.session.standing`` says.
"""

from __future__ import annotations

import math
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from lab.edges.find import find_edges
from lab.edges.register import RegisteredEdge, register_field
from lab.edges.types import NoiseModel, Rejection
from lab.errors import FrameError
from lab.frames import Frame, FrameMetadata, estimate_noise, read_frame
from lab.frames.codes import read_slate
from lab.frames.exposure import Exposure, check_exposure
from lab.session.edge_losses import directions_differ, movement_losses, next_to
from lab.session.measuring import (
    CENTRE_RADIUS,
    TargetEdge,
    measure_channel_edge,
    placed_edges,
)
from lab.session.records import EdgeRecord
from lab.session.slate_looks import SlateLook
from targets.layout import Field

if TYPE_CHECKING:
    from lab.edges.loss import Cause

__all__ = [
    "ChartGuess",
    "CornerFigure",
    "LookTask",
    "Looker",
    "QuickLook",
    "look_at",
    "quick_look",
]

_CHANNEL = "green"
_MOST_EDGES = 32  # to find where there is no chart
# The part of an edge that is measured. On the simulated rig 128 x 192 px give MTF50 to 0.2 %
# (standard uncertainty, MTF50 0.16 cycles per pixel) in half the time of a whole edge of
# 400 x 500 px.
_LENGTH_PX, _HALF_WIDTH_PX = 128.0, 96.0
# Below this MTF50 times half width the edge's tails leave the part: then the whole width.
_LEAST_TURNS = 2.5
# Nearer to its place in the frame before, an edge is taken for the same one.
_STILL_PX, _STILL_DEG = 12.0, 0.5


@dataclass(frozen=True, kw_only=True)
class ChartGuess:
    """A chart that the frame may show: its field, and the magnification [-] to try it at."""

    magnification: float
    field: Field


@dataclass(frozen=True, kw_only=True)
class LookTask:
    """All that a worker needs for one look.

    ``charts`` are tried in turn; without any, straight edges are looked for. ``others``
    are the chart at magnifications that it should not have: where one of them fits, the
    frame is lost, with what was found and ``told_by`` (who says otherwise) as the reason.
    ``edge_blur_um`` is the target's own, on the object side; it and charts need
    ``pixel_pitch_um``, and it needs ``magnification`` where there is no chart.
    """

    path: Path
    file: str
    charts: tuple[ChartGuess, ...] = ()
    others: tuple[ChartGuess, ...] = ()
    told_by: str = ""
    pixel_pitch_um: float | None = None
    magnification: float | None = None
    edge_blur_um: float = 0.0
    edge_blur_std_um: float = 0.0


@dataclass(frozen=True, kw_only=True)
class CornerFigure:
    """One corner: which, "top left" for example, and its MTF50. [cycles per pixel]."""

    corner: str
    mtf50_cyc_per_px: float
    mtf50_std: float


@dataclass(frozen=True, kw_only=True)
class QuickLook:
    """What a look gave.

    Attributes
    ----------
    file, status : str
        "measured", "slate", "lost" (no figure) or "unreadable"; "waiting" before the look.
    reason : str
        Why it is not measured, or why a slate cannot be read.
    mtf50_cyc_per_px, mtf50_std : float or None
        Mean of both directions nearest the frame's centre. [cycles per pixel]
    by_direction : mapping
        The same by the way the edge runs.
    losses : tuple of Cause
        What may have taken sharpness at the centre, the largest first; looked into only
        where the directions differ.
    corners : tuple of CornerFigure
        All from edges of one direction; those that could be measured.
    magnification, rotation_deg : float or None
        From the chart's places when it was last searched for, the turn from the nearest
        quarter turn. [-], [deg]
    exposure : Exposure or None
    slate : SlateLook or None
        None if it shows none.
    metadata : FrameMetadata
    took_s : float
        Reading and looking. [s]
    """

    file: str
    status: str
    reason: str = ""
    mtf50_cyc_per_px: float | None = None
    mtf50_std: float | None = None
    by_direction: Mapping[str, float] = field(default_factory=dict)
    losses: tuple[Cause, ...] = ()
    corners: tuple[CornerFigure, ...] = ()
    magnification: float | None = None
    rotation_deg: float | None = None
    exposure: Exposure | None = None
    slate: SlateLook | None = None
    metadata: FrameMetadata = field(default_factory=FrameMetadata)
    took_s: float = 0.0


@dataclass(frozen=True, kw_only=True)
class _Found:
    """Edges as they lie in the frame, and what is known of the scale."""

    edges: tuple[RegisteredEdge, ...]
    side_px: Mapping[str, float]  # of each square
    magnification: float | None
    rotation_deg: float | None


class Looker:
    """Looks at one frame after another, and expects the chart where it was.

    On a stand the chart lies where it lay in the frame before, so its edges are measured
    there first. Where they are not, the whole frame is searched as for the first.
    """

    def __init__(self) -> None:
        self._before: tuple[LookTask, tuple[int, int], _Found] | None = None

    def look_at(self, task: LookTask) -> QuickLook:
        """Read a file and look at it; an unreadable one gives a look that says so.

        Parameters
        ----------
        task : LookTask
        """
        start = time.perf_counter()
        try:
            frame = read_frame(task.path)
        except FrameError as error:
            reason = str(error).removeprefix(f"{task.path.name}: ")
            look = QuickLook(file=task.file, status="unreadable", reason=reason)
        else:
            look = self._looked(frame, task)
        return replace(look, took_s=time.perf_counter() - start)

    def _looked(self, frame: Frame, task: LookTask) -> QuickLook:
        before = None
        if self._before is not None:
            same, shape, found = self._before
            like = replace(task, path=same.path, file=same.file) == same
            before = found if like and shape == frame.shape else None
        look, found_now = _look(frame, task, before)
        if found_now is not None and found_now.magnification is not None:
            self._before = (task, frame.shape, found_now)
        return look


def look_at(task: LookTask) -> QuickLook:
    """One look, with nothing known from a frame before; as ``Looker.look_at``.

    Parameters
    ----------
    task : LookTask
    """
    return Looker().look_at(task)


def quick_look(frame: Frame, task: LookTask) -> QuickLook:
    """Look at a decoded frame.

    Parameters
    ----------
    frame : Frame
    task : LookTask
        Its path is not opened.

    Raises
    ------
    ValueError
        If there are charts and no pixel pitch.
    """
    return _look(frame, task, None)[0]


def _look(frame: Frame, task: LookTask, before: _Found | None) -> tuple[QuickLook, _Found | None]:
    """A look, and the edges it was had at; ``before`` is where they are sought first.

    Raises
    ------
    ValueError
        As ``quick_look``.
    """
    if task.charts and task.pixel_pitch_um is None:
        raise ValueError("a chart needs pixel_pitch_um")
    # The array library lets go of the interpreter, so that a second core can help.
    with ThreadPoolExecutor(2) as beside:
        noise = estimate_noise(frame, _CHANNEL)
        light = beside.submit(check_exposure, frame, {_CHANNEL: noise})

        def seen(found: _Found | Rejection | None) -> QuickLook:
            reason = found.reason if isinstance(found, Rejection) else ""
            return QuickLook(
                file=task.file,
                status="lost",
                reason=reason,
                exposure=light.result(),
                metadata=frame.metadata,
            )

        if before is not None:
            records = _measured(frame, before, noise, task, beside)
            if _is_there(records[0]):
                return _figures(seen(before), before, *records), before
        if task.charts:
            found = _chart(frame, task, task.charts)
            # A slate hides the chart and is sought where there is none.
            slate = _slate(frame) if isinstance(found, Rejection) else None
        else:
            sought = beside.submit(_slate, frame)  # loose edges may be its own
            found = _loose(frame, task)
            slate = sought.result()
        if slate is not None:
            return replace(seen(None), status="slate", slate=slate, reason=slate.damage), None
        if isinstance(found, Rejection):
            return _elsewhere(frame, task, seen(found)), None
        return _figures(seen(found), found, *_measured(frame, found, noise, task, beside)), found


def _elsewhere(frame: Frame, task: LookTask, lost: QuickLook) -> QuickLook:
    """A lost look, by its own reason or because the chart is there at another scale."""
    found = _chart(frame, task, task.others)
    if isinstance(found, Rejection) or found.magnification is None:
        return lost
    said = " or ".join(dict.fromkeys(f"{guess.magnification:g}x" for guess in task.charts))
    return replace(
        lost,
        magnification=found.magnification,
        rotation_deg=found.rotation_deg,
        reason=f"the chart measures {found.magnification:.3g}x in this frame, but {task.told_by} "
        f"says {said}. Set the magnification again, or correct {task.told_by}.",
    )


@dataclass(frozen=True, kw_only=True)
class _Centre:
    """Edges nearest the centre beside their records, and what took their sharpness."""

    edges: tuple[tuple[RegisteredEdge, EdgeRecord], ...]
    losses: tuple[Cause, ...]


def _measured(
    frame: Frame,
    found: _Found,
    noise: NoiseModel | None,
    task: LookTask,
    beside: ThreadPoolExecutor,
) -> tuple[_Centre, Mapping[str, EdgeRecord]]:
    """The centre, and the corners by name."""
    centre, corners = _chosen(found.edges)
    outer = {
        name: beside.submit(_record, frame, edge, noise, found, task)
        for name, edge in corners.items()
    }
    middle = [_record(frame, edge, noise, found, task) for edge in centre]
    losses: tuple[Cause, ...] = ()
    if directions_differ(middle):
        more = next_to(centre, found.edges)
        ask = [beside.submit(_record, frame, edge, noise, found, task) for edge in more]
        losses = movement_losses([*middle, *(one.result() for one in ask)], frame.shape)
    return (
        _Centre(edges=tuple(zip(centre, middle, strict=True)), losses=losses),
        {name: one.result() for name, one in outer.items()},
    )


def _is_there(centre: _Centre) -> bool:
    """Whether edges of both directions lie where they were expected."""
    return len(centre.edges) == 2 and all(
        record.position_px is not None
        and abs(record.position_px) < _STILL_PX
        and abs(math.remainder(record.angle_deg - edge.region.angle_deg, 360)) < _STILL_DEG
        for edge, record in centre.edges
    )


def _slate(frame: Frame) -> SlateLook | None:
    try:
        slate = read_slate(frame)
    except FrameError as error:
        return SlateLook(damage=str(error).removeprefix(f"{frame.path.name}: "))
    return None if slate is None else SlateLook(slate=slate)


def _chart(frame: Frame, task: LookTask, guesses: Sequence[ChartGuess]) -> _Found | Rejection:
    """The first chart that the frame shows, or why the likeliest is not found."""
    first = Rejection(reason="there is no chart to look for")
    for guess in guesses:
        assert task.pixel_pitch_um is not None
        got = register_field(
            frame,
            guess.field,
            magnification=guess.magnification,
            pixel_pitch_um=task.pixel_pitch_um,
        )
        if isinstance(got, Rejection):
            first = got if guess is guesses[0] else first
            continue
        if not got.edges:
            return Rejection(reason="no edge of the target lies inside the frame")
        px_per_mm = 1e3 * got.measured_magnification / task.pixel_pitch_um
        return _Found(
            edges=got.edges,
            side_px={square.name: square.side_mm * px_per_mm for square in guess.field.squares},
            magnification=got.measured_magnification,
            rotation_deg=math.remainder(got.rotation_deg, 90),
        )
    return first


def _loose(frame: Frame, task: LookTask) -> _Found | Rejection:
    found = find_edges(frame, most=_MOST_EDGES)
    if isinstance(found, Rejection):
        return found
    return _Found(
        edges=placed_edges(found, frame),
        side_px={},
        magnification=None,
        rotation_deg=None,
    )


def _chosen(
    edges: Sequence[RegisteredEdge],
) -> tuple[list[RegisteredEdge], dict[str, RegisteredEdge]]:
    """The edge nearest the centre in each direction, and one in each corner by its name.

    The corners' edges run one way, so that astigmatism and movement make no difference
    between them: the way that most corners have.
    """
    near: dict[str, RegisteredEdge] = {}
    for edge in sorted(edges, key=lambda e: math.hypot(e.field_x, e.field_y)):
        near.setdefault(edge.direction, edge)
    ways = [near[way] for way in ("horizontal", "vertical") if way in near]
    ways = ways or [next(iter(near.values()))]
    inside = [e for e in ways if math.hypot(e.field_x, e.field_y) <= CENTRE_RADIUS]
    corners: dict[str, dict[str, RegisteredEdge]] = {}
    for edge in sorted(edges, key=lambda e: abs(e.field_x * e.field_y)):
        if min(abs(edge.field_x), abs(edge.field_y)) > CENTRE_RADIUS:
            name = f"{'top' if edge.field_y < 0 else 'bottom'} "
            name += "left" if edge.field_x < 0 else "right"
            corners.setdefault(edge.direction, {})[name] = edge  # the outermost stays
    most = max(corners.values(), key=len, default={})
    # A single long edge may lie anywhere: the nearest is then the frame's figure.
    return inside or ways[:1], most


def _record(
    frame: Frame,
    edge: RegisteredEdge,
    noise: NoiseModel | None,
    found: _Found,
    task: LookTask,
) -> EdgeRecord:
    """Measure a part of an edge, or its whole width where it is blurred too far for that."""
    target = None
    magnification = found.magnification or task.magnification
    if task.pixel_pitch_um is not None and magnification is not None:
        target = TargetEdge(
            object_um_per_px=task.pixel_pitch_um / magnification,
            blur_um=task.edge_blur_um,
            blur_std_um=task.edge_blur_std_um,
        )
    whole = edge.region
    narrow = min(whole.half_width_px, _HALF_WIDTH_PX)
    record = None
    for half_width in dict.fromkeys((narrow, whole.half_width_px)):
        part = replace(whole, length_px=min(whole.length_px, _LENGTH_PX), half_width_px=half_width)
        record = measure_channel_edge(
            frame,
            replace(edge, region=part),
            _CHANNEL,
            noise,
            square_side_px=found.side_px.get(edge.square, math.inf),
            target=target,
        )
        mtf50 = record.mtf50_cyc_per_px
        if mtf50 is not None and mtf50 * half_width >= _LEAST_TURNS:
            break
    assert record is not None
    return record


def _figures(
    seen: QuickLook, found: _Found, centre: _Centre, outer: Mapping[str, EdgeRecord]
) -> QuickLook:
    """The look with its figures, or with the reason why there is none at the centre."""
    seen = replace(seen, magnification=found.magnification, rotation_deg=found.rotation_deg)
    middle = [record for _, record in centre.edges]
    by_direction, variance = {}, 0.0
    for record in middle:
        if record.mtf50_cyc_per_px is not None and record.mtf50_std is not None:
            by_direction[record.direction] = record.mtf50_cyc_per_px
            variance += record.mtf50_std**2
    if not by_direction:
        return replace(seen, reason=middle[0].reason)
    n = len(by_direction)
    return replace(
        seen,
        status="measured",
        mtf50_cyc_per_px=sum(by_direction.values()) / n,
        mtf50_std=math.sqrt(variance) / n,
        by_direction=by_direction,
        losses=centre.losses,
        corners=tuple(
            CornerFigure(
                corner=corner,
                mtf50_cyc_per_px=record.mtf50_cyc_per_px,
                mtf50_std=record.mtf50_std,
            )
            for corner, record in outer.items()
            if record.mtf50_cyc_per_px is not None and record.mtf50_std is not None
        ),
    )
