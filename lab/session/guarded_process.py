"""What keeps a decoder that crashes, hangs or eats all memory from ending the session?

Frames are decoded by libraries in C, and a file may be damaged in any way. So each is read
and measured in a process of its own kind, with one item in it at a time: whatever becomes of
that process, it is known which item it was, and a fresh process takes the next one.

Limits on one item: time by the clock, kept by the parent, and, should the parent be gone, by
a timer inside the process that needs no help of Python's; memory (Linux: private writable
memory beyond what the process has at its start, ``RLIMIT_DATA`` [1]_). Other systems do not
enforce such a limit: there a process that eats memory ends by the clock or by the system.

The processes ignore Ctrl-C, which is the parent's to act upon, and end with the parent. They
have one linear-algebra thread. On Linux they are forked from a server that has loaded the
libraries once (a fresh one takes milliseconds); elsewhere they start from nothing.

Left out: sharing work (``lab.session.workers``); protection from files made to attack.

.. [1] Linux manual, getrlimit(2): RLIMIT_DATA counts private writable mappings since
   Linux 4.7 (from memory).
"""

from __future__ import annotations

import ctypes
import faulthandler
import multiprocessing
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from importlib import import_module
from multiprocessing.connection import Connection
from typing import Any

from lab.errors import LabError
from lab.threads import one_thread

__all__ = ["GuardedProcess", "Limits", "Outcome"]

# What a frame's measurement loads, and the library modules that it imports late.
_PRELOAD = [
    *("lab.session.measuring", "lab.session.slate_looks"),
    *("rawpy", "zxingcpp", "skimage.measure", "skimage.draw", "scipy.interpolate"),
    "lab.session.preload",
]
_START_S = 120.0  # for a process to be there: a cold disk, a slow virus scanner
_PR_SET_PDEATHSIG = 1  # of Linux's sys/prctl.h, from memory
_LATER = 1.25  # the process's own timer, in terms of the parent's


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What one frame may take: time by the clock [s] and memory [bytes], both > 0."""

    time_s: float = 120.0
    memory_bytes: int = 4 * 10**9

    def __post_init__(self) -> None:
        if not (self.time_s > 0 and self.memory_bytes > 0):
            raise ValueError("time_s and memory_bytes must be > 0")


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What came of one item: a result, or why there is none.

    ``died``: the process was gone all at once, which another process may have caused.
    """

    result: Any = None
    loss: str = ""
    died: bool = False


class GuardedProcess:
    """A process that does one thing at a time within limits; started when work arrives.

    Attributes
    ----------
    limits : Limits
    """

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self._process: Any = None
        self._pipe: Connection | None = None
        self._is_up = False
        self._until = 0.0

    @property
    def pipe(self) -> Connection:
        """To wait for: readable when ``outcome`` has something to say.

        Raises
        ------
        ValueError
            If no process was started, or it has ended.
        """
        if self._pipe is None:
            raise ValueError("give it an item first")
        return self._pipe

    @property
    def is_up(self) -> bool:
        """Whether a process is there that has done something or is at it."""
        return self._is_up and self._process.is_alive()

    @property
    def left_s(self) -> float:
        """Seconds left for what it does, >= 0."""
        return max(self._until - time.monotonic(), 0.0)

    def give(self, do: Callable[[Any], Any], item: Any) -> None:
        """Begin ``do(item)``.

        Parameters
        ----------
        do : callable
            Of a module, not a local one: it is sent by its name.
        item : any
            Is sent to the process.
        """
        if self._process is not None and not self._process.is_alive():
            self.end()  # between two items: nothing is lost with it
        if self._process is None:
            self._start()
        self._until = time.monotonic() + (self.limits.time_s if self._is_up else _START_S)
        with suppress(OSError):  # it is gone, as its pipe will say
            self.pipe.send((do, item))

    def outcome(self) -> Outcome | None:
        """What came of the item; None as long as it has time left.

        Raises
        ------
        LabError
            If no process can be started here.
        """
        try:
            while self.pipe.poll():
                kind, value = self.pipe.recv()
                if kind != "up":
                    return self._answer(kind, value)
                self._is_up = True
                self._until = time.monotonic() + self.limits.time_s
        except Exception:  # the end of the pipe, or what a scribbled memory sent
            return self._death()
        if self.left_s > 0:
            return None
        if not self._is_up:
            self._death()
        self.end()
        taken = f"took longer than {self.limits.time_s:.3g} s, the limit for one frame"
        return Outcome(loss=f"{taken}, and was stopped")

    def ask(self, do: Callable[[Any], Any], item: Any) -> Outcome:
        """As ``give``, and wait for what comes of it.

        Raises
        ------
        LabError
            If no process can be started here.
        """
        self.give(do, item)
        while True:
            self.pipe.poll(self.left_s)
            found = self.outcome()
            if found is not None:
                return found

    def insist(self, do: Callable[[Any], Any], item: Any) -> Outcome:
        """As ``ask``; once more where the process died, as another one may have caused it.

        Raises
        ------
        LabError
            If no process can be started here.
        """
        outcome = self.ask(do, item)
        return self.ask(do, item) if outcome.died else outcome

    def end(self) -> None:
        """End the process at once, whatever it does."""
        if self._process is not None:
            self._process.kill()
            self._process.join()
            self._process.close()
            self.pipe.close()
        self._process = self._pipe = None
        self._is_up = False

    def _start(self) -> None:
        context = _context()
        pipe, far_end = context.Pipe()
        process = context.Process(
            target=_serve, args=(far_end, self.limits), daemon=True, name="frame"
        )
        try:
            with one_thread(), _ctrl_c_waits():
                process.start()
                self._process, self._pipe = process, pipe
        finally:
            far_end.close()

    def _answer(self, kind: str, value: Any) -> Outcome:
        if kind == "done":
            return Outcome(result=value)
        if kind == "memory":
            self.end()  # its memory is in pieces
            gigabytes = self.limits.memory_bytes / 1e9
            return Outcome(
                loss=f"needed more than {gigabytes:.2g} GB of memory, the limit for one frame"
            )
        return Outcome(loss=f"could not be measured ({value})")

    def _death(self) -> Outcome:
        """How the process ended.

        Raises
        ------
        LabError
            If it never was ready for work: then no item is to blame.
        """
        was_up = self._is_up
        self._process.join(1.0)  # its exit code follows the end of its pipe
        code = self._process.exitcode
        self.end()
        if not was_up:
            raise LabError(
                f"a worker process could not be started (exit code {code}). If a script of yours "
                'measures, put the call below: if __name__ == "__main__":'
            )
        if code is None:
            return Outcome(loss="garbled the process that read it", died=True)
        if code >= 0:
            return Outcome(loss=f"ended the process that read it (exit code {code})", died=True)
        name = signal.Signals(-code).name
        if name == "SIGKILL":
            name += ", as when memory runs out"
        return Outcome(loss=f"crashed the process that read it ({name})", died=True)


def _context() -> Any:
    # Not forked on macOS: its own libraries do not survive it.
    if sys.platform != "linux":
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(_PRELOAD)
    # Within a daemon, such as a cluster's worker, a process may have no children; ours end
    # with it all the same.
    if multiprocessing.current_process().daemon:
        multiprocessing.current_process().daemon = False
    return context


@contextmanager
def _ctrl_c_waits() -> Iterator[None]:
    """Ctrl-C acts after this: half started processes would end with a traceback of their own.

    The server that is started within stays deaf to it while it loads the libraries, some
    seconds at the most.
    """
    if sys.platform != "linux":
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # starting it lets Ctrl-C through again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _serve(pipe: Connection, limits: Limits) -> None:
    """What the process does: one item after the other, until the parent is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _end_with_server()
    for module in _PRELOAD:  # where no server has done so
        import_module(module)
    _limit_memory(limits.memory_bytes)
    # A pipe that is closed: the parent has gone.
    with open(os.devnull, "w") as nowhere, suppress(EOFError, ConnectionError):
        for stream in (1, 2):  # decoders write of damage to it, past Python
            os.dup2(nowhere.fileno(), stream)
        pipe.send(("up", None))
        while True:
            do, item = pipe.recv()
            faulthandler.dump_traceback_later(limits.time_s * _LATER + 5, exit=True, file=nowhere)
            answer = _done(do, item)
            faulthandler.cancel_dump_traceback_later()
            pipe.send(answer)
            del item, answer  # the memory of one frame at a time


def _done(do: Callable[[Any], Any], item: Any) -> tuple[str, Any]:
    """What came of an item, and what kind of thing that is."""
    try:
        return "done", do(item)
    except MemoryError:
        return "memory", None
    except Exception as error:  # whatever it is, it costs one frame
        return "failed", f"{type(error).__name__}: {error}"


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _end_with_server() -> None:
    """On Linux, also while a decoder holds Python's lock: the server ends with the parent."""
    if sys.platform == "linux":
        with suppress(AttributeError, OSError):  # another C library
            ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, int(signal.SIGKILL))


def _limit_memory(more_bytes: int) -> None:
    """Limit private memory to what there is and so much more; leave no core files."""
    if sys.platform != "linux":
        return
    import resource

    with open("/proc/self/statm", encoding="ascii") as file:
        now = int(file.read().split()[5]) * resource.getpagesize()
    hard = resource.getrlimit(resource.RLIMIT_DATA)[1]
    limit = now + more_bytes
    if hard != resource.RLIM_INFINITY:
        limit = min(limit, hard)
    resource.setrlimit(resource.RLIMIT_DATA, (limit, hard))
    resource.setrlimit(resource.RLIMIT_CORE, (0, resource.getrlimit(resource.RLIMIT_CORE)[1]))
