"""How are files read one after another in the background, and one that kills its reader told?

A thread hands them to a guarded process (``lab.session.guarded_process``) and puts what comes
of each into the queue of whoever waits for it, so that a loop of events is never held up.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from queue import SimpleQueue
from typing import Any

from lab.errors import LabError
from lab.session.guarded_process import GuardedProcess, Limits, Outcome

__all__ = ["GuardedReader"]

_PATIENCE_S = 2.0  # for a reader that is told to end
_GLANCE_S = 0.1  # between glances whether it is


class GuardedReader:
    """Files read one at a time in a guarded process, which is kept warm and replaced if it dies.

    What comes of them arrives in the queue. A context manager that ends the process, whatever
    it does.

    Parameters
    ----------
    inbox : SimpleQueue
    limits : Limits
        On one file.
    first : callable, optional
        What to do, with no item, in each new process before there is work.
    """

    def __init__(
        self,
        inbox: SimpleQueue[tuple[str, Any]],
        limits: Limits,
        first: Callable[[Any], Any] | None = None,
    ) -> None:
        self._inbox, self._first = inbox, first
        self._process = GuardedProcess(limits)
        self._work: SimpleQueue[tuple[str, Callable[[Any], Any], Any] | None] = SimpleQueue()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> GuardedReader:
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._ending.set()
        self._work.put(None)
        self._thread.join(_PATIENCE_S)

    def give(self, kind: str, do: Callable[[Any], Any], item: Any) -> None:
        """Have ``do(item)`` done; a message (kind, (item, outcome)) arrives in the queue."""
        self._work.put((kind, do, item))

    def _serve(self) -> None:
        try:
            self._warm()
            while (work := self._work.get()) is not None:
                kind, do, item = work
                outcome = self._asked(do, item)
                if outcome is not None:
                    self._inbox.put((kind, (item, outcome)))
                self._warm()
        except LabError as error:  # no process can be started here
            self._inbox.put(("fail", error))
        finally:
            self._process.end()

    def _warm(self) -> None:
        if self._first is not None and not self._process.is_up:
            self._asked(self._first, None)

    def _asked(self, do: Callable[[Any], Any], item: Any) -> Outcome | None:
        """What came of it; None if nobody waits for it any more."""
        self._process.give(do, item)
        while not self._ending.is_set():
            self._process.pipe.poll(min(self._process.left_s, _GLANCE_S))
            outcome = self._process.outcome()
            if outcome is not None:
                return outcome
        return None
