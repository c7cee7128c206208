"""What a decoder may do to the process it runs in. Items are (what, file, marker file)."""

from __future__ import annotations

import ctypes
import os
import signal
import time
from pathlib import Path
from typing import Any

import numpy as np

from lab.session.workers import Work

Item = tuple[str, Path]


def misbehave(item: Item) -> Any:
    """Do what the item's first word says; the second is a file of its own, for its memory.

    Raises
    ------
    TypeError
        If that is what it should do.
    """
    what, file = item
    seen = file.read_text().count("x") if file.exists() else 0
    file.write_text("x" * (seen + 1))  # how often it was tried
    if what == "crash" or (what == "crash once" and seen == 0):
        os.kill(os.getpid(), signal.SIGKILL if "once" in what else signal.SIGSEGV)
    if what == "bad pointer":
        ctypes.string_at(8)
    if what == "exit":
        os._exit(3)
    if what == "hang":
        time.sleep(600)
    if what == "hang in C":
        ctypes.PyDLL(None).sleep(600)  # with Python's lock held
    if what == "eat memory":
        hoard = []
        while True:
            hoard.append(np.ones(10_000_000))
    if what == "raise":
        raise TypeError("a tag of the wrong kind")
    if what == "threads":
        return os.environ.get("OPENBLAS_NUM_THREADS")
    if what == "process":
        return os.getpid()
    return f"{what} done"


def lost(item: Item, loss: str) -> str:
    return f"{item[0]} lost: {loss}"


MISBEHAVING = Work(do=misbehave, lost=lost, path=lambda item: item[1])
