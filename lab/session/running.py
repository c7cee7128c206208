"""Measure a whole session: what is left to do, over how many processes, into the store.

Every finished frame is in the store before the next is waited for, so an
interrupted run resumes where it stopped. A frame counts as finished when its
name, its contents and the settings agree; a changed place on the ring or rail
is rewritten without measuring again. Every frame is looked at once for a slate (see
``one_decoding``), and what the assignment of frames has to say is told first.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import asdict, dataclass, replace
from functools import cache
from importlib.metadata import version
from pathlib import Path

from lab.errors import SessionError
from lab.session.config import SessionConfig, read_session
from lab.session.draft import Assignment, FrameAssignment, Problem
from lab.session.guarded_process import Limits
from lab.session.inventory import (
    STORE_NAME,
    keep_looks,
    kept_looks,
    looked_over,
    read_inventory,
    session_files,
)
from lab.session.measuring import FrameTask, TargetEdge
from lab.session.one_decoding import Seen, beginnings, lost_sight, see_task
from lab.session.records import FrameRecord
from lab.session.session_lock import session_lock
from lab.session.slate_looks import SlateLook
from lab.session.store import ResultsStore
from lab.session.workers import Progress, Run, Work, default_workers, limits_for, worker_pool
from targets.layout import Field, Layout, read_layout

__all__ = [
    "MeasuredSession",
    "measure_session",
    "stored_session",
]

_METHOD = 4  # raised when a change of the measurement moves numbers
_MEASURING = Work(do=see_task, lost=lost_sight, path=lambda task: task.path)


@dataclass(frozen=True)
class MeasuredSession:
    """What a run leaves behind: the configuration, the assignment, all frame records."""

    config: SessionConfig
    assignment: Assignment
    frames: tuple[FrameRecord, ...]


def _layout(config: SessionConfig, folder: Path) -> Layout | None:
    if config.target.layout is None:
        return None
    return read_layout(folder / config.target.layout)


def _settings_key(settings: dict[str, object]) -> str:
    """A short name for everything but the file itself that decides a frame's record."""
    whole = {"method": _METHOD, "version": version("stopwise"), **settings}
    return hashlib.sha256(json.dumps(whole, sort_keys=True).encode()).hexdigest()[:16]


def _tasks(
    config: SessionConfig,
    assignment: Assignment,
    hashes: Mapping[str, str],
    folder: Path,
    every_edge: bool,
) -> Iterator[FrameTask]:
    layout = _layout(config, folder)
    sensor_width_mm = max(config.body.sensor_mm)

    @cache
    def shared(magnification: float) -> tuple[Field | None, TargetEdge, str]:
        """What all frames of one magnification have in common."""
        field = None if layout is None else layout.field_for(magnification)
        target = TargetEdge(
            object_um_per_px=config.body.pixel_pitch_um / magnification,
            blur_um=config.target.edge_blur_um,
            blur_std_um=config.target.edge_blur_std_um,
        )
        key = _settings_key(
            {
                "field": None if field is None else asdict(field),
                "pixel_pitch_um": config.body.pixel_pitch_um,
                "sensor_width_mm": sensor_width_mm,
                "target": asdict(target),
                "every_edge": every_edge,
            }
        )
        return field, target, key

    for place in assignment.frames:
        if not place.use or place.magnification is None:
            continue
        field, target, key = shared(place.magnification)
        yield FrameTask(
            path=folder / "frames" / place.file,
            file=place.file,
            sha256=hashes[place.file],
            settings_key=f"{key}-trial" if place.trial else key,
            field=field,
            magnification=place.magnification,
            marked_stop=place.marked_stop,
            focus_position_um=place.focus_position_um,
            pixel_pitch_um=config.body.pixel_pitch_um,
            target=target,
            sensor_width_mm=sensor_width_mm,
            every_edge=every_edge,
            trial=place.trial,
            condition=place.condition,
        )


def measure_session(
    folder: str | Path,
    *,
    workers: int | None = 1,
    again: bool = False,
    every_edge: bool = False,
    with_edges: bool = True,
    cluster: str = "",
    limits: Limits | None = None,
    progress: Progress | None = None,
    slate_progress: Progress | None = None,
    tell: Callable[[tuple[Problem, ...]], None] | None = None,
) -> MeasuredSession:
    """Measure every frame of a session that is not measured yet.

    Frames are read and measured in processes of their own; one that crashes its process or
    exceeds the limits becomes an unreadable record that says so.

    Parameters
    ----------
    folder : str or Path
        The session.
    workers : int or None
        Processes, >= 1. None: as many as cores and memory allow.
    again : bool
        Measure finished frames too.
    every_edge : bool
        All edges in all colours instead of the key places.
    with_edges : bool
        Give the records of all frames with their edges, as analysing needs them. False: without,
        so that memory does not grow by all that was measured; the store has them.
    cluster : str
        Address of a cluster's scheduler that does the work in place of this machine's
        processes, as for ``lab.session.cluster.cluster_pool``; "" for none.
    limits : Limits, optional
        On one frame; by default those that go with the sensor's pixels.
    progress : callable, optional
        Called with (frames done, frames in all).
    slate_progress : callable, optional
        As for ``look_over_session``, where frames are looked at before any is measured: in a
        session whose folders begin with slates.
    tell : callable, optional
        Called with the problems of the assignment, and with the files that are known not to
        be readable, before anything is measured; once more if a slate found later tells of
        others.

    Raises
    ------
    SessionError, TargetError
        If the session, its store or its layout record is wrong, another process measures it,
        or the cluster fails.
    LabError
        If no process can be started.
    ValueError
        If workers is not >= 1.
    """
    if workers is not None and not workers >= 1:
        raise ValueError("workers must be >= 1")
    folder = Path(folder).resolve() if cluster else Path(folder)  # the same on every machine
    config, _ = session_files(folder)  # what is wrong with it is told before a store is made
    _layout(config, folder)
    with ExitStack() as stack:
        store = stack.enter_context(ResultsStore(folder / STORE_NAME))
        stack.enter_context(session_lock(folder, store))
        inventory = read_inventory(folder, store)
        hashes = inventory.hashes
        inventory.assigned({})  # a wrong frames.csv is told before any frame is decoded
        limits = limits or limits_for(inventory.pixels)
        if cluster:
            from lab.session.cluster import cluster_pool

            pool = cluster_pool(cluster, limits, folder)
        else:
            pool = worker_pool(workers or default_workers(inventory.pixels), limits)
        run = stack.enter_context(pool)
        fresh: set[str] = set()

        def measure(assignment: Assignment, unseen: Collection[str]) -> None:
            """Measure what is not yet, looking for slates in frames with the hashes given."""
            tasks = list(_tasks(config, assignment, hashes, folder, every_edge))
            kept = {record.file: record for record in store.heads()}
            open_tasks = []
            for task in tasks:
                record = kept.get(task.file)
                if record is None or not _same(record, task) or (again and task.file not in fresh):
                    open_tasks.append(replace(task, look=task.sha256 in unseen))
                elif _moved(record, task) != record:
                    whole = store.get(task.file)
                    if whole is not None:
                        store.put(_moved(whole, task))
            done = len(tasks) - len(open_tasks)
            if progress is not None:
                progress(done, len(tasks))
            for seen in _seen(run, open_tasks, looks):
                if seen.look is not None:
                    looks[seen.sha256] = seen.look
                if seen.record is not None:
                    store.put(seen.record)
                    fresh.add(seen.record.file)
                done += 1
                if progress is not None:
                    progress(done, len(tasks))

        # Where slates would stand; without any, frames are looked at and measured at once.
        first = beginnings(hashes)
        looks = looked_over(inventory, store, run, None, only=first)
        at_once = not any(looks[h].slate or looks[h].damage for h in first if h in looks)
        told: tuple[Problem, ...] = ()
        placed: Assignment | None = None
        if at_once:
            placed = inventory.assigned(looks)
            told = (*placed.problems, *inventory.unreadable(looks))
            if tell is not None:
                tell(told)
            unseen = {sha256 for sha256, _ in inventory.unseen(looks)}
            try:
                measure(placed, unseen)
            finally:  # an interrupt keeps what was seen so far
                keep_looks(inventory, store, looks)
        looks = looked_over(inventory, store, run, None if at_once else slate_progress, looks)
        assignment = inventory.assigned(looks)
        problems = assignment.problems
        if not at_once:
            problems = (*problems, *inventory.unreadable(looks))
        late = tuple(problem for problem in problems if problem not in told)
        if tell is not None and (late or not at_once):
            tell(late)
        if placed is None or placed.frames != assignment.frames:
            measure(assignment, ())
        kept_frames = store.all_frames() if with_edges else store.heads()
        return _gathered(config, assignment, hashes, kept_frames)


def _seen(run: Run, tasks: list[FrameTask], looks: Mapping[str, SlateLook]) -> Iterator[Seen]:
    """What becomes of tasks, as it is ready; a file that could not be read is not tried again."""
    readable = []
    for task in tasks:
        look = looks.get(task.sha256)
        if look is not None and look.unreadable:
            yield lost_sight(task, look.unreadable)
        else:
            readable.append(task)
    yield from run(_MEASURING, readable)


def stored_session(folder: str | Path) -> MeasuredSession:
    """A session as far as it is measured, from its store; measures nothing.

    Parameters
    ----------
    folder : str or Path
        The session.

    Raises
    ------
    SessionError
        If the session or its store is wrong, or nothing is measured yet.
    """
    folder = Path(folder)
    nothing = f"{folder}: nothing is measured yet. Run: stopwise measure {folder}"
    if not (folder / STORE_NAME).exists():
        # The configuration first: a folder that is no session should be told so.
        read_session(folder)
        raise SessionError(nothing)
    config, _ = session_files(folder)
    with ResultsStore(folder / STORE_NAME) as store:
        inventory = read_inventory(folder, store)
        hashes = inventory.hashes
        assignment = inventory.assigned(kept_looks(store))
        session = _gathered(config, assignment, hashes, store.all_frames())
    if not session.frames:  # only looked at so far
        raise SessionError(nothing)
    valid = {
        (task.file, task.sha256, task.settings_key)
        for every_edge in (False, True)
        for task in _tasks(config, assignment, hashes, folder, every_edge)
    }
    stale = [
        record.file
        for record in session.frames
        if record.settings_key
        and record.status != "missing"
        and (record.file, record.sha256, record.settings_key) not in valid
    ]
    if not stale:
        return session
    problem = Problem(
        severity="warning",
        text=f"{len(stale)} frames changed, or session.toml, the target or stopwise did, since "
        f"they were measured. Run: stopwise measure {folder}",
        files=tuple(stale),
    )
    return replace(
        session, assignment=replace(assignment, problems=(*assignment.problems, problem))
    )


def _gathered(
    config: SessionConfig,
    assignment: Assignment,
    hashes: Mapping[str, str],
    kept: Iterable[FrameRecord],
) -> MeasuredSession:
    """Records of the frames in use, those without a place, and those whose file is gone."""
    by_file = {record.file: record for record in kept}
    frames = []
    for place in assignment.frames:
        if not place.use:
            continue
        if place.magnification is None:
            frames.append(_unplaced(place, hashes))
        elif place.file in by_file:
            moved = _moved(by_file[place.file], place)
            # The store holds the doubts that the file itself raises; those of its place change.
            flags = tuple(dict.fromkeys((*place.flags, *moved.flags)))
            frames.append(replace(moved, flags=flags))
    frames += [
        replace(record, status="missing", reason="the file is gone from the session", edges=())
        for file, record in by_file.items()
        if file not in hashes and record.sha256 not in hashes.values()  # not just renamed
    ]
    return MeasuredSession(config, assignment, tuple(frames))


def _same(record: FrameRecord, task: FrameTask) -> bool:
    return (record.sha256, record.settings_key) == (task.sha256, task.settings_key) and (
        record.status != "unreadable"
    )


def _moved(record: FrameRecord, place: FrameTask | FrameAssignment) -> FrameRecord:
    """A record where the session puts it by now."""
    return replace(
        record,
        magnification=place.magnification,
        marked_stop=place.marked_stop,
        focus_position_um=place.focus_position_um,
        trial=place.trial,
        condition=place.condition,
    )


def _unplaced(place: FrameAssignment, hashes: Mapping[str, str]) -> FrameRecord:
    return FrameRecord(
        file=place.file,
        sha256=hashes[place.file],
        settings_key="",
        magnification=None,
        marked_stop=place.marked_stop,
        focus_position_um=None,
        status="rejected",
        reason="the frame belongs to no series: give its magnification and stop in frames.csv",
        flags=place.flags,
    )
