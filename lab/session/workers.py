"""How is work on many frames shared among processes?

Each process is a fresh one with one linear-algebra thread; results come as they are
ready, in any order.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from multiprocessing import get_context
from typing import Protocol, TypeVar

from lab.threads import one_thread

__all__ = ["Progress", "Run", "worker_pool"]

Progress = Callable[[int, int], None]  # called with (done, in all)
_Item = TypeVar("_Item")
_Done = TypeVar("_Done")


class Run(Protocol):
    """A way to do something with many items; results come as they are ready."""

    def __call__(self, do: Callable[[_Item], _Done], items: list[_Item]) -> Iterable[_Done]:
        """Results of ``do`` for all items."""


@contextmanager
def worker_pool(workers: int) -> Iterator[Run]:
    """A way to share work: in this process for one worker or one item, else over processes.

    Parameters
    ----------
    workers : int
        Processes, >= 1.

    Raises
    ------
    ValueError
        If workers is not >= 1.
    """
    if not workers >= 1:
        raise ValueError("workers must be >= 1")
    with one_thread():
        # Processes start when work arrives, and no more than there are items.
        pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"))

        def run(do: Callable[[_Item], _Done], items: list[_Item]) -> Iterable[_Done]:
            if workers == 1 or len(items) < 2:
                return map(do, items)
            jobs = [pool.submit(do, item) for item in items]
            return (job.result() for job in as_completed(jobs))

        try:
            yield run
        finally:
            pool.shutdown(wait=True, cancel_futures=True)
