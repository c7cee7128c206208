"""How is work on many frames shared among the machines of a cluster?

With Dask's ``distributed`` (the extra ``cluster``): its scheduler hands frames to its workers,
wherever they run, and gives those of a worker that died to another. Each worker reads and
measures in guarded processes of its own, as a single machine does, so the figures are the
same to the digit; this process alone writes the results store. No more frames are under way
than the workers can have in hand and a few more, so memory does not depend on their number.

Workers need the same stopwise, Python and numpy, and the session's folder at the same path,
such as on a shared drive: that is looked at first. Whoever can reach a scheduler can run
programs as its user: keep it on a network that is yours alone, or let it use TLS, which is
distributed's own configuration.

Left out: starting and ending schedulers and workers.
"""

from __future__ import annotations

import logging
import platform
import threading
import time
from asyncio import CancelledError
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from importlib import import_module
from importlib.metadata import version
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar

from lab.errors import LabError, SessionError
from lab.session.guarded_process import GuardedProcess, Limits, Outcome
from lab.session.workers import Run, Work, result_of

__all__ = ["cluster_pool"]

_Item = TypeVar("_Item")
_Done = TypeVar("_Done")

_CONNECT_S = 10.0
_LOOK_S = 5.0  # between two looks at whether any worker is left
_NO_WORKER_S = 60.0  # how long one may be awaited: a machine that starts again
_AHEAD = 2  # frames a thread of a worker has in hand or waiting

_local = threading.local()  # one guarded process for each of a worker's threads


@contextmanager
def cluster_pool(address: str, limits: Limits, folder: Path) -> Iterator[Run]:
    """A way to share work over a cluster's workers.

    Parameters
    ----------
    address : str
        Of the scheduler, such as "tcp://192.0.2.7:8786".
    limits : Limits
        On one frame.
    folder : Path
        The session, as a whole path; every worker must see it there.

    Raises
    ------
    SessionError
        If distributed is not installed, no scheduler answers, it has no workers, or a worker
        differs from this machine in versions or does not see the session; within the
        context: if the cluster is lost.
    """
    try:
        distributed: Any = import_module("distributed")  # Any: it has no types
    except ImportError:
        raise SessionError(
            "--cluster: needs the package distributed. Install it here and on every worker: "
            "pip install 'stopwise[cluster]'"
        ) from None
    try:
        client = distributed.Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise SessionError(
            f"--cluster {address}: no scheduler answers there ({error}). Start one with: dask "
            "scheduler, and give the address that it prints."
        ) from None
    with _quiet():
        try:
            _check_workers(client, address, folder)
            yield lambda work, items: _shared(client, address, limits, work, items)
        finally:
            client.close(timeout=_CONNECT_S)


@contextmanager
def _quiet() -> Iterator[None]:
    """Without the library's own words on a lost connection: ours say what to do."""
    loggers = [logging.getLogger(name) for name in ("distributed", "distributed.client")]
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)


def _check_workers(client: Any, address: str, folder: Path) -> None:
    """See that workers are there, alike, and see the session.

    Raises
    ------
    SessionError
        If not.
    """
    if not _n_threads(client, address):
        raise SessionError(
            f"--cluster {address}: the scheduler has no workers. Start some with: dask worker "
            f"{address}"
        )
    try:
        seen = client.run(_worker_sees, str(folder))
    except Exception as error:  # above all that a worker lacks stopwise
        raise SessionError(
            f"--cluster {address}: the workers cannot run stopwise ({error}). Install the same "
            "version in each worker's environment."
        ) from None
    here = _versions()
    for worker, (versions, is_there) in seen.items():
        if versions != here:
            raise SessionError(
                f"--cluster {address}: worker {worker} has {versions}, this machine {here}. "
                "Install the same versions, so that the figures are the same."
            )
        if not is_there:
            raise SessionError(
                f"--cluster {address}: worker {worker} does not see {folder}. Put the session on "
                "a drive that every worker has at this very path."
            )


def _versions() -> str:
    stopwise, numpy = version("stopwise"), version("numpy")
    return f"stopwise {stopwise}, Python {platform.python_version()}, numpy {numpy}"


def _worker_sees(folder: str) -> tuple[str, bool]:
    return _versions(), (Path(folder) / "session.toml").is_file()


def _n_threads(client: Any, address: str) -> int:
    """Frames that the workers can have in hand at once.

    Raises
    ------
    SessionError
        If the scheduler has gone.
    """
    try:
        workers = client.scheduler_info(n_workers=-1)["workers"]
    except Exception as error:  # whatever the lost connection raises
        raise SessionError(_lost(address, f"{type(error).__name__}: {error}")) from None
    return sum(worker["nthreads"] for worker in workers.values())


def _shared(
    client: Any, address: str, limits: Limits, work: Work[_Item, _Done], items: list[_Item]
) -> Iterator[_Done]:
    """Results as they are ready.

    Raises
    ------
    SessionError
        If the cluster is lost, or a worker does not see a frame that is there.
    """
    waiting = iter(items)
    under_way: dict[Any, _Item] = {}
    until = time.monotonic() + _NO_WORKER_S
    try:
        while True:
            n_threads = _n_threads(client, address)
            if n_threads:
                until = time.monotonic() + _NO_WORKER_S
            room = max(_AHEAD * n_threads - len(under_way), 0)
            for item in islice(waiting, room):
                job = client.submit(
                    _on_worker, work.do, item, str(work.path(item)), limits, pure=False
                )
                under_way[job] = item
            if not under_way and n_threads:
                return
            done = _some_done(client, address, list(under_way))
            if not done and time.monotonic() > until:
                raise SessionError(_lost(address, "no worker is left"))
            for job in done:
                item = under_way.pop(job)
                yield result_of(work, item, _outcome(job, address))
    finally:
        with suppress(Exception):  # a lost cluster has dropped them
            client.cancel(list(under_way), force=True)


def _some_done(client: Any, address: str, jobs: list[Any]) -> list[Any]:
    """Jobs that are done, waited for a while; none where none is.

    Raises
    ------
    SessionError
        If the cluster is lost.
    """
    distributed: Any = import_module("distributed")
    if not jobs:
        time.sleep(_LOOK_S)
        return []
    try:
        with client.as_current():
            return list(distributed.wait(jobs, timeout=_LOOK_S, return_when="FIRST_COMPLETED").done)
    except TimeoutError:
        return []
    except (Exception, CancelledError) as error:  # whatever the lost connection raises
        raise SessionError(_lost(address, type(error).__name__)) from None


def _outcome(job: Any, address: str) -> Outcome:
    """What a worker sent back.

    Raises
    ------
    SessionError
        If the cluster is lost, or a worker does not see the frame.
    """
    distributed: Any = import_module("distributed")
    if job.status in ("cancelled", "lost"):
        raise SessionError(_lost(address, "the scheduler has gone"))
    try:
        outcome: Outcome = job.result(timeout=_CONNECT_S)
    except LabError as error:
        raise SessionError(f"--cluster {address}: {error}") from None
    except distributed.KilledWorker as error:
        return Outcome(loss=f"was in hand of several workers when they ended ({error})")
    except Exception as error:
        raise SessionError(_lost(address, f"{type(error).__name__}: {error}")) from None
    return outcome


def _lost(address: str, why: str) -> str:
    return (
        f"--cluster {address}: the cluster was lost ({why}). Finished frames are kept: see to it "
        "and run the same command again, or without --cluster."
    )


def _on_worker(do: Callable[[Any], Any], item: Any, path: str, limits: Limits) -> Outcome:
    """What a worker does with an item: once more where its process died.

    Raises
    ------
    SessionError
        If the worker does not see the file.
    """
    if not Path(path).is_file():
        raise SessionError(
            f"worker machine {platform.node()} does not see {path}. Put the session on a drive "
            "that every worker has at this very path."
        )
    guard: GuardedProcess | None = getattr(_local, "guard", None)
    if guard is None or guard.limits != limits:
        if guard is not None:
            guard.end()
        guard = _local.guard = GuardedProcess(limits)
    return guard.insist(do, item)
