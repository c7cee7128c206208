"""Readers with every fault that a campaign must find: does the judge see it?"""

from __future__ import annotations

import logging
import os
import signal
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np

from lab.errors import FrameError

__all__ = ["READERS"]


def _sound(path: Path) -> None:
    if path.read_bytes()[:1] != b"S":
        raise FrameError(f"{path.name}: is no file of ours. Take another.")


def _wrong_error(path: Path) -> None:
    {}[path.name]


def _crash(path: Path) -> None:
    os.kill(os.getpid(), signal.SIGSEGV)


def _endless(path: Path) -> None:
    while True:
        pass


def _waits(path: Path) -> None:
    time.sleep(3600)


def _greedy(path: Path) -> None:
    try:
        np.zeros(10**11)
    except MemoryError:  # hidden, as a broad ``except`` would
        raise FrameError(f"{path.name}: is broken. Copy it again.") from None


def _warns(path: Path) -> None:
    warnings.warn("something is odd", stacklevel=1)


def _logs(path: Path) -> None:
    logging.getLogger("nobody").warning("something is odd")


def _escapes(path: Path) -> None:
    raise FrameError(f"{path.name}: holds \x1b[2J. Take another.")


READERS: dict[str, Callable[[Path], None]] = {
    "sound": _sound,
    "KeyError": _wrong_error,
    "signal 11": _crash,
    "time": _endless,
    "stuck": _waits,
    "memory": _greedy,
    "warning": _warns,
    "print": _logs,
    "message": _escapes,
}
