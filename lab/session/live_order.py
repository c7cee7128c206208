"""Which shot is each frame of a session that is still being shot, and which is next?

A frame's stop is what ``lab.session.assign`` says from frames.csv, slates and EXIF. Where
these are silent the order of capture counts, as it will for the finished session:
``frames_per_stop`` frames at each stop that is still missing, in the order of ``stops``.
A mark ends a bracket early. Frames beyond the list have no stop.

Left out: what is wrong with a session's count and settings, which ``stopwise measure``
says when all is there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lab.frames.frame import FrameMetadata
from lab.session.assign import assign
from lab.session.capture_order import capture_order
from lab.session.config import SessionConfig
from lab.session.draft import Draft, FrameAssignment
from lab.session.frame_table import FrameRow
from lab.session.quick_look import QuickLook

__all__ = ["LiveOrder", "Shot", "StopCount", "in_capture_order", "live_order", "loose_order"]


@dataclass(frozen=True, kw_only=True)
class Shot:
    """A place on the shot list: frame ``number`` of ``of``, from 1."""

    series: int
    magnification: float
    marked_stop: float | None
    number: int
    of: int


@dataclass(frozen=True, kw_only=True)
class StopCount:
    """How many frames of one stop are there, of how many wanted."""

    series: int
    magnification: float
    marked_stop: float
    have: int
    wanted: int


@dataclass(frozen=True, kw_only=True)
class LiveOrder:
    """Frames in the order of capture, slates and refused frames left out.

    Attributes
    ----------
    frames : tuple of str
    bracket : mapping
        File to the number of its bracket; equal numbers, one bracket.
    shots : mapping
        File to its place on the shot list; empty without a session.
    counts : tuple of StopCount
        The shot list; empty without a session.
    next_shot : Shot or None
        None: nothing is missing, or there is no list.
    slates : int
        Slates among the files.
    homeless : tuple of str
        Files that no series takes.
    """

    frames: tuple[str, ...]
    bracket: Mapping[str, int]
    shots: Mapping[str, Shot]
    counts: tuple[StopCount, ...] = ()
    next_shot: Shot | None = None
    slates: int = 0
    homeless: tuple[str, ...] = ()


def in_capture_order(looks: Mapping[str, QuickLook], mtime_ns: Mapping[str, int]) -> list[str]:
    """Files by the time in them, then name; by the file's own time where these contradict.

    Parameters
    ----------
    looks : mapping
        By file.
    mtime_ns : mapping
        Time of the last change, by file. [ns]
    """
    drafts = [Draft(f, FrameRow(file=f), look.metadata) for f, look in looks.items()]
    queue = capture_order(drafts)
    if queue is not None:
        return [draft.file for draft in queue]
    return sorted(looks, key=lambda f: (mtime_ns[f], f))


def loose_order(
    order: Sequence[str], looks: Mapping[str, QuickLook], marks: frozenset[str]
) -> LiveOrder:
    """Without a session: all frames between two marks, or slates, are one bracket.

    Parameters
    ----------
    order : sequence of str
        All files in the order of capture.
    looks : mapping
        By file.
    marks : frozenset of str
        Files after which a new bracket begins.
    """
    frames: list[str] = []
    bracket: dict[str, int] = {}
    number = slates = 0
    begins = False
    for file in order:
        if looks[file].status == "slate":
            slates += 1
            begins = True
        else:
            number += begins
            begins = False
            bracket[file] = number
            frames.append(file)
        begins = begins or file in marks
    return LiveOrder(frames=tuple(frames), bracket=bracket, shots={}, slates=slates)


def live_order(
    config: SessionConfig,
    order: Sequence[str],
    looks: Mapping[str, QuickLook],
    rows: Mapping[str, FrameRow],
    marks: frozenset[str],
) -> LiveOrder:
    """Give every frame so far its place on the shot list.

    Parameters
    ----------
    config : SessionConfig
    order : sequence of str
        All files in the order of capture.
    looks : mapping
        By file.
    rows : mapping
        Rows of frames.csv by file.
    marks : frozenset of str
        Files after which a new bracket begins.
    """
    slates = {f: look.slate for f, look in looks.items() if look.slate is not None}
    metadata: dict[str, FrameMetadata] = {f: look.metadata for f, look in looks.items()}
    assignment = assign(config, list(order), rows, metadata, {}, slates)
    places = {place.file: place for place in assignment.frames}
    frames = [f for f in order if places[f].use and places[f].series is not None]
    shots: dict[str, Shot] = {}
    bracket: dict[str, int] = {}
    for index in range(len(config.series)):
        members = [places[f] for f in frames if places[f].series == index]
        first = max(bracket.values(), default=-1) + 1
        _place_series(config, index, members, marks, first, shots, bracket)
    have = Counter((shot.series, shot.marked_stop) for shot in shots.values())
    counts = tuple(
        StopCount(
            series=index,
            magnification=series.magnification,
            marked_stop=stop,
            have=have[index, stop],
            wanted=series.frames_per_stop,
        )
        for index, series in enumerate(config.series)
        for stop in series.stops
    )
    return LiveOrder(
        frames=tuple(frames),
        bracket=bracket,
        shots=shots,
        counts=counts,
        next_shot=_next_shot(order, places, frames, shots, counts, marks),
        slates=len(slates),
        homeless=tuple(f for f in order if places[f].use and places[f].series is None),
    )


def _place_series(
    config: SessionConfig,
    index: int,
    members: Sequence[FrameAssignment],
    marks: frozenset[str],
    bracket_number: int,
    shots: dict[str, Shot],
    bracket: dict[str, int],
) -> None:
    """Walk one series in the order of capture; places go into ``shots`` and ``bracket``."""
    series = config.series[index]
    told = {p.marked_stop for p in members if p.source != "order"}
    taken: set[float | None] = set()
    stop, count, before = None, 0, ""
    for place in members:
        of_its_own = None if place.source == "order" else place.marked_stop
        begins = before == "" or before in marks
        if of_its_own is not None:
            begins = begins or of_its_own != stop
        else:
            begins = begins or count >= series.frames_per_stop
        if begins:
            left = [s for s in series.stops if s not in taken and s not in told]
            stop = of_its_own if of_its_own is not None else next(iter(left), None)
            bracket_number += before != ""
            taken.add(stop)
            count = 0
        count += 1
        before = place.file
        bracket[place.file] = bracket_number
        shots[place.file] = Shot(
            series=index,
            magnification=series.magnification,
            marked_stop=stop,
            number=count,
            of=series.frames_per_stop,
        )


def _next_shot(
    order: Sequence[str],
    places: Mapping[str, FrameAssignment],
    frames: Sequence[str],
    shots: Mapping[str, Shot],
    counts: Sequence[StopCount],
    marks: frozenset[str],
) -> Shot | None:
    """What a slate just announced, else the rest of this bracket, else the next stop."""
    last = frames[-1] if frames else None
    now = None if last is None else shots[last]
    if order and places[order[-1]].source == "slate" and order[-1] != last:
        slate = places[order[-1]]
        for count in counts:
            if (
                count.marked_stop == slate.marked_stop
                and slate.magnification in (None, count.magnification)
                and (slate.magnification is not None or now is None or now.series == count.series)
            ):
                return _following(count)
    if (
        now is not None
        and last not in marks
        and now.marked_stop is not None
        and now.number < now.of
    ):
        return Shot(
            series=now.series,
            magnification=now.magnification,
            marked_stop=now.marked_stop,
            number=now.number + 1,
            of=now.of,
        )
    # This series first, then the others in their order; short brackets last.
    here = 0 if now is None else now.series
    ranked = sorted(counts, key=lambda c: (c.series != here, c.series))
    for wanted in ([c for c in ranked if c.have == 0], [c for c in ranked if c.have < c.wanted]):
        if wanted:
            return _following(wanted[0])
    return None


def _following(count: StopCount) -> Shot:
    return Shot(
        series=count.series,
        magnification=count.magnification,
        marked_stop=count.marked_stop,
        number=count.have + 1,
        of=max(count.wanted, count.have + 1),
    )
