"""Which files of a folder are written to their end, and which is to be looked at next?

The state is a record of what was seen; events make a new one of it, and ``scan`` alone
touches the disk. A file is looked at as soon as two scans found it alike, and the look
counts if the file is still the same after it: so a file that is still being written is
never answered for, and a finished one hardly waits. A file that cannot be read is tried
again whenever it grows, and reported once it has rested for ``REST_S``.

The newest file goes first, so that what was just shot is answered while older ones wait.
Times are seconds of any one clock that only goes forward.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from lab.session.frame_files import is_raw, natural_key
from lab.session.quick_look import QuickLook

__all__ = [
    "REST_S",
    "SETTLED_S",
    "STEADY_S",
    "Arrival",
    "Arrivals",
    "Stamp",
    "forgotten",
    "is_unsettled",
    "looked",
    "next_file",
    "scan",
    "scanned",
    "stamp_of",
    "started",
    "waiting",
]

STEADY_S = 0.04  # unchanged for so long: worth a look
SETTLED_S = 0.2  # unchanged for so long after the look as well: the look counts
REST_S = 3.0  # unreadable and unchanged for so long: no longer being written


@dataclass(frozen=True, order=True)
class Stamp:
    """What tells that a file has changed: time of the last change [ns] and size [bytes]."""

    mtime_ns: int
    size: int


@dataclass(frozen=True, kw_only=True)
class Arrival:
    """One file.

    ``since_s`` is when the stamp was first seen so. ``look`` is of this very stamp; one of
    an earlier stamp is dropped. ``tentative``: the file may still be being written.
    """

    file: str
    stamp: Stamp
    since_s: float
    look: QuickLook | None = None
    tentative: bool = False

    @property
    def is_done(self) -> bool:
        """It has a look that counts."""
        return self.look is not None and not self.tentative


@dataclass(frozen=True)
class Arrivals:
    """All files by name, and the one that is being looked at."""

    files: Mapping[str, Arrival] = field(default_factory=dict)
    current: tuple[str, Stamp] | None = None


def scan(root: Path) -> dict[str, Stamp]:
    """Stamps of the raw files in a folder and below, by name relative to it.

    Hidden files and folders are left out; what vanishes during the scan is not there.

    Parameters
    ----------
    root : Path
    """
    stamps: dict[str, Stamp] = {}
    todo = [(str(root), "")]
    while todo:
        folder, prefix = todo.pop()
        try:
            with os.scandir(folder) as entries:
                for entry in entries:
                    if entry.name.startswith("."):
                        continue
                    if entry.is_dir(follow_symlinks=False):
                        todo.append((entry.path, f"{prefix}{entry.name}/"))
                    elif is_raw(entry.name) and entry.is_file():
                        stamp = stamp_of(Path(entry.path))
                        if stamp is not None:
                            stamps[prefix + entry.name] = stamp
        except OSError:  # gone, or not ours to read: nothing of it can be looked at
            continue
    return stamps


def stamp_of(path: Path) -> Stamp | None:
    """A file's stamp; None if it is gone."""
    try:
        status = path.stat()
    except OSError:
        return None
    return Stamp(status.st_mtime_ns, status.st_size)


def scanned(state: Arrivals, at_s: float, stamps: Mapping[str, Stamp]) -> Arrivals:
    """What a scan changes: new files, changed ones lose their look, missing ones are dropped.

    Parameters
    ----------
    state : Arrivals
    at_s : float
        Time of the scan.
    stamps : mapping
        By file; all that are there.
    """
    files = {}
    for file, stamp in stamps.items():
        before = state.files.get(file)
        if before is None or before.stamp != stamp:
            files[file] = Arrival(file=file, stamp=stamp, since_s=at_s)
        else:
            files[file] = _settled(before, at_s)
    if files == state.files:
        return state
    return replace(state, files=files)


def _settled(arrival: Arrival, at_s: float) -> Arrival:
    """An arrival whose look counts by now, if it has rested for long enough."""
    if not arrival.tentative or arrival.look is None:
        return arrival
    needed = REST_S if arrival.look.status == "unreadable" else SETTLED_S
    return replace(arrival, tentative=at_s - arrival.since_s < needed)


def next_file(state: Arrivals, at_s: float) -> str | None:
    """The file to look at now: the newest steady one; None while a look is going on.

    Parameters
    ----------
    state : Arrivals
    at_s : float
        Now.
    """
    if state.current is not None:
        return None
    steady = [a for a in state.files.values() if a.look is None and at_s - a.since_s >= STEADY_S]
    return max(steady, key=lambda a: (a.stamp, natural_key(a.file))).file if steady else None


def started(state: Arrivals, file: str) -> Arrivals:
    """A look at this file has begun."""
    return replace(state, current=(file, state.files[file].stamp))


def looked(state: Arrivals, at_s: float, look: QuickLook, stamp: Stamp | None) -> Arrivals:
    """A look is there.

    Parameters
    ----------
    state : Arrivals
    at_s : float
        Now.
    look : QuickLook
        Of the file that was last started.
    stamp : Stamp or None
        The file's stamp after the look; None if it is gone.

    Raises
    ------
    ValueError
        If no look at this file was going on.
    """
    if state.current is None or state.current[0] != look.file:
        raise ValueError("a look must be of the file that was started")
    file, before = state.current
    free = replace(state, current=None)
    arrival = state.files.get(file)
    if arrival is None or stamp is None or not stamp == before == arrival.stamp:
        return free  # it grew meanwhile, or went: the next scan says
    seen = _settled(replace(arrival, look=look, tentative=True), at_s)
    return replace(free, files={**state.files, file: seen})


def forgotten(state: Arrivals, files: Collection[str]) -> Arrivals:
    """Looks at these files count no more: what to look for in them has changed."""
    again = {
        f: replace(a, look=None, tentative=False) for f, a in state.files.items() if f in files
    }
    return replace(state, files={**state.files, **again})


def is_unsettled(state: Arrivals) -> bool:
    """Whether a file waits to be steady and nothing else is going on: scan soon."""
    return state.current is None and any(a.look is None for a in state.files.values())


def waiting(state: Arrivals) -> tuple[str, ...]:
    """Files without a look that counts, in natural order of their names."""
    return tuple(sorted((f for f, a in state.files.items() if not a.is_done), key=natural_key))
