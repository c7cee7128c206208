"""Decoders that fail, in every process that finds this folder on PYTHONPATH.

A file's name says what its decoder does to the process: "tags" or "raw", then "crash", "hang"
(in C, with Python's lock held) or "bomb" (memory), as in ``IMG_0002-tags-crash.dng``.
"""

import ctypes
import os
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import exifread
import numpy as np
import rawpy


def _fail(name: str, what: str) -> None:
    if f"{what}-crash" in name:
        os.kill(os.getpid(), signal.SIGSEGV)
    if f"{what}-hang" in name:
        ctypes.PyDLL(None).sleep(600)
    hoard = []
    while f"{what}-bomb" in name:
        hoard.append(np.ones(10_000_000))


def _faulty(decoder: Callable[..., Any], what: str) -> Callable[..., Any]:
    def decode(file: Any, *args: Any, **options: Any) -> Any:
        _fail(Path(getattr(file, "name", file)).name, what)
        return decoder(file, *args, **options)

    return decode


exifread.process_file = _faulty(exifread.process_file, "tags")
rawpy.imread = _faulty(rawpy.imread, "raw")
