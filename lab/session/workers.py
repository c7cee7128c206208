"""How is work on many frames shared among processes?

Each process has one frame in hand and takes the next when that one is done, so memory
depends on the number of processes, not of frames; results come as they are ready, in any
order. A frame that crashes its process is tried once more at the end, alone: another one may
have taken the memory. One that crashes it again, exceeds its limits or raises gives a result
that says so (``lab.session.guarded_process``); the others go on.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import wait
from pathlib import Path
from typing import Generic, Protocol, TypeVar

from lab.session.guarded_process import GuardedProcess, Limits, Outcome

__all__ = [
    "Progress",
    "Run",
    "Work",
    "default_workers",
    "limits_for",
    "result_of",
    "with_mend",
    "worker_pool",
]

Progress = Callable[[int, int], None]  # called with (done, in all)
_Item = TypeVar("_Item")
_Done = TypeVar("_Done")

# Beyond the 0.07 GB of the process a raw file takes 5 bytes a pixel, a finished picture 22; a
# raw file of 24 megapixels takes 13 s (all edges: 26 s) on a busy core: our own measurement.
# Limits are several times that, as formats and machines differ; they are there to stop what
# never ends.
_PEAK_BYTES_PER_PIXEL = 30.0
_PEAK_BYTES = 0.15e9  # of the process itself
_LIMIT_BYTES_PER_PIXEL = 160.0
_LIMIT_S, _LIMIT_S_PER_PIXEL = 60.0, 5e-6
_LEAST_PIXELS = 24e6  # a sensor's crop is no reason for less
_SHARE = 0.75  # of the memory that is free; the rest is for whatever else goes on
_MEND = "Copy it from the card again; if that is no help, leave it out: use = no in frames.csv."


@dataclass(frozen=True, kw_only=True)
class Work(Generic[_Item, _Done]):
    """Something to do with frames.

    ``do`` is a module's function, sent to processes by its name. ``lost`` gives the result
    for an item that cost its process, and why, with the mend; ``path`` an item's file.
    """

    do: Callable[[_Item], _Done]
    lost: Callable[[_Item, str], _Done]
    path: Callable[[_Item], Path]


class Run(Protocol):
    """A way to do something with many items; results come as they are ready."""

    def __call__(self, work: Work[_Item, _Done], items: list[_Item]) -> Iterator[_Done]:
        """Results of ``work`` for all items."""


def limits_for(pixels: float) -> Limits:
    """Limits for frames of so many pixels.

    Parameters
    ----------
    pixels : float
        Of the sensor, > 0.
    """
    pixels = max(pixels, _LEAST_PIXELS)
    return Limits(
        time_s=_LIMIT_S + _LIMIT_S_PER_PIXEL * pixels,
        memory_bytes=round(_LIMIT_BYTES_PER_PIXEL * pixels),
    )


def default_workers(pixels: float) -> int:
    """As many processes as there are cores, or fewer if memory is short.

    Parameters
    ----------
    pixels : float
        Of the sensor, > 0.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    free = _free_bytes()
    if free is None:
        return cores or 1
    each = _PEAK_BYTES + _PEAK_BYTES_PER_PIXEL * pixels
    return max(1, min(cores or 1, int(_SHARE * free / each)))


def _free_bytes() -> float | None:
    """Memory that is free to use, of the machine or of the container; None: unknown."""
    found = []
    try:
        for line in Path("/proc/meminfo").read_text("ascii").splitlines():
            if line.startswith("MemAvailable:"):
                found.append(1024.0 * int(line.split()[1]))
        group = Path("/sys/fs/cgroup")
        found.append(
            float((group / "memory.max").read_text("ascii"))
            - float((group / "memory.current").read_text("ascii"))
        )
    except (OSError, ValueError):  # no such file, or "max"
        pass
    if not found and hasattr(os, "sysconf") and "SC_PHYS_PAGES" in os.sysconf_names:
        found.append(0.5 * os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    return min(found, default=None)


def result_of(work: Work[_Item, _Done], item: _Item, outcome: Outcome) -> _Done:
    """The result of an item, be it one that says why there is none.

    Parameters
    ----------
    work : Work
    item : any
    outcome : Outcome
    """
    if not outcome.loss:
        done: _Done = outcome.result
        return done
    return work.lost(item, with_mend(outcome.loss))


def with_mend(loss: str) -> str:
    """Why a frame of a session was lost, and what to do about it."""
    return f"{loss}. {_MEND}"


@contextmanager
def worker_pool(workers: int, limits: Limits | None = None) -> Iterator[Run]:
    """A way to share work over processes, which end with the context.

    Parameters
    ----------
    workers : int
        Processes, >= 1; no more than there are items are started.
    limits : Limits, optional
        On one item.

    Raises
    ------
    ValueError
        If workers is not >= 1.
    """
    if not workers >= 1:
        raise ValueError("workers must be >= 1")
    limit = Limits() if limits is None else limits
    pool = [GuardedProcess(limit) for _ in range(workers)]
    try:
        yield lambda work, items: _shared(pool, work, items)
    finally:
        for process in pool:
            process.end()


def _shared(
    pool: list[GuardedProcess], work: Work[_Item, _Done], items: list[_Item]
) -> Iterator[_Done]:
    waiting, again = deque(items), deque[_Item]()
    idle, busy = list(reversed(pool)), dict[GuardedProcess, tuple[_Item, bool]]()
    try:
        while waiting or again or busy:
            while waiting and idle:
                _give(busy, idle.pop(), work, waiting.popleft(), last=False)
            if again and not waiting and not busy:
                _give(busy, idle.pop(), work, again.popleft(), last=True)
            wait([process.pipe for process in busy], min(process.left_s for process in busy))
            for process, (item, last) in list(busy.items()):
                outcome = process.outcome()
                if outcome is None:
                    continue
                del busy[process]
                idle.append(process)
                if outcome.died and not last:
                    again.append(item)
                    continue
                yield result_of(work, item, outcome)
    finally:  # whoever stops listening stops the work
        for process in busy:
            process.end()


def _give(
    busy: dict[GuardedProcess, tuple[_Item, bool]],
    process: GuardedProcess,
    work: Work[_Item, _Done],
    item: _Item,
    *,
    last: bool,
) -> None:
    process.give(work.do, item)
    busy[process] = (item, last)
