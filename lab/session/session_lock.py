"""How do two runs on one session keep out of each other's way?

The first holds a lock that the operating system takes back when the process ends, however it
ends, so no stale lock is ever left to be removed by hand. SQLite's own file lock is used, on
an empty file beside the results store: it works alike on every system, and on network drives
as far as their file locks do [1]_. The file goes with the lock; one that a killed run left
behind says nothing. Who holds it stands in the results store.

Left out: reading, which needs no lock.

.. [1] SQLite documentation, "File Locking And Concurrency In SQLite Version 3" (from memory).
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path

from lab.errors import SessionError
from lab.session.store import ResultsStore

__all__ = ["LOCK_NAME", "session_lock"]

LOCK_NAME = "measuring.lock"
_HOLDER = "measuring"  # among the store's summaries


@contextmanager
def session_lock(folder: Path, store: ResultsStore) -> Iterator[None]:
    """Be the only process that measures a session.

    Parameters
    ----------
    folder : Path
        The session.
    store : ResultsStore
        Its store, where the holder is named.

    Raises
    ------
    SessionError
        If another process holds the lock, or the folder cannot be written to.
    """
    path = folder / LOCK_NAME
    while True:
        lock = _locked(path)
        if lock is None:
            raise SessionError(
                f"{folder}: {_who(store)} is measuring this session. Let it finish or stop it, "
                "then try again; what it has finished can be read meanwhile."
            )
        # The file may have been removed by its last holder after we opened it: then the one
        # that is there by now is free.
        other = _locked(path)
        if other is None:
            break
        other.close()
        lock.close()
    try:
        since = datetime.now().strftime("%Y-%m-%d %H:%M")
        store.put_summary(_HOLDER, json.dumps({"process": os.getpid(), "since": since}))
        yield
    finally:
        with suppress(OSError):  # Windows removes no open file
            path.unlink()
        lock.close()
        with suppress(OSError):
            if os.name == "nt":
                path.unlink(missing_ok=True)


def _locked(path: Path) -> sqlite3.Connection | None:
    """A connection that holds the lock on a file; None if another one does.

    Raises
    ------
    SessionError
        If the file cannot be made or opened.
    """
    connection = None
    try:
        connection = sqlite3.connect(path, timeout=0, isolation_level=None)
        connection.execute("PRAGMA journal_mode = MEMORY")  # no second file
        connection.execute("BEGIN IMMEDIATE")
    except sqlite3.Error as error:
        if connection is not None:
            connection.close()
        # Extended codes keep the primary one in the lowest byte.
        if getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_BUSY:
            return None
        raise SessionError(
            f"{path}: cannot be locked ({error}). Check that the session's folder may be written "
            "to and has free space, and that this name is a file."
        ) from error
    return connection


def _who(store: ResultsStore) -> str:
    try:
        holder = json.loads(store.get_summary(_HOLDER) or "{}")
        return f"stopwise process {holder['process']}, started {holder['since']},"
    except (SessionError, ValueError, KeyError, TypeError):
        return "another stopwise process"  # it is only about to say which
