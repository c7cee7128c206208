"""One linear-algebra thread a process.

The fit's matrices are small: more threads only fight the other processes for the
cores, and they change the last digits. The names must be in the environment before
numpy is loaded.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["one_thread", "set_one_thread"]

_NAMES = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


def set_one_thread() -> None:
    """Set it for this process and its children, unless the user set it."""
    for name in _NAMES:
        os.environ.setdefault(name, "1")


@contextmanager
def one_thread() -> Iterator[None]:
    """Set it for processes started within, and put the environment back."""
    before = {name: os.environ.get(name) for name in _NAMES}
    os.environ.update(dict.fromkeys(_NAMES, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
