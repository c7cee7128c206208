"""Where are measured frames kept? ``results.sqlite``: one file, written frame by frame.

Schema, version 2 (``PRAGMA user_version``; ``PRAGMA application_id`` is 0x73747077, "stpw"):

``frame``    one row a frame: ``id``, ``file`` (unique, relative to ``frames/``), ``sha256``,
             ``settings_key``, ``magnification``, ``marked_stop``, ``focus_position_um``,
             ``status``, ``reason``, ``flags``, ``measured_magnification``,
             ``measured_magnification_std``, ``trial``, ``condition``, ``checksum``
``edge``     one row an edge: ``frame_id``, ``ordinal`` (its place in the frame's list), then
             the fields of ``EdgeRecord`` under their own names
``summary``  ``key``, ``json``, ``checksum``: anything computed from the frames

Units are those of the record fields. NULL = not known. ``flags`` is a JSON list of texts.
The curves ``frequency_cyc_per_px``, ``mtf``, ``mtf_std`` and the profile ``profile_px``,
``profile_dn``, ``profile_std_dn`` are blobs of little-endian 64-bit floats, so they come
back to the same digits; so do the single figures, but for the sign of a zero, which SQLite
drops. A store of version 1 lacks trial, condition, profile and checksums and is given them.
``checksum`` is the SHA-256 of a frame's row and its edges, or of a summary's key and text. It
is compared whenever they are read, so a flipped byte that SQLite's own check of the file does
not see (it knows pages and indexes, not values) is an error too, never a figure.

A frame and its edges are written in one transaction: whatever interrupts it, the store
holds all of a frame or nothing. The journal is a rollback journal, not a write-ahead log:
between transactions the session is then a single file that can be copied or sent, and it
works on network drives, where a write-ahead log does not [1]_. Readers wait while a frame
is written, which takes milliseconds; that is the price.

Left out: measuring, and deciding what is stale beyond ``finished``.

.. [1] SQLite documentation, "Write-Ahead Logging", section 1 (from memory).
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Generator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np

from lab.errors import SessionError
from lab.session.records import (
    CURVES,
    EDGE_COLUMNS,
    FRAME_COLUMNS,
    PROFILE,
    EdgeRecord,
    FrameRecord,
    plain,
)
from lab.session.text_file import shown

__all__ = ["SCHEMA_VERSION", "ResultsStore"]

SCHEMA_VERSION = 2
_APPLICATION_ID = 0x73747077
_BUSY_TIMEOUT_S = 10.0

_SCHEMA = (
    """
    CREATE TABLE frame (
        id INTEGER PRIMARY KEY,
        file TEXT NOT NULL UNIQUE,
        sha256 TEXT NOT NULL,
        settings_key TEXT NOT NULL,
        magnification REAL,
        marked_stop REAL,
        focus_position_um REAL,
        status TEXT NOT NULL,
        reason TEXT NOT NULL,
        flags TEXT NOT NULL,
        measured_magnification REAL,
        measured_magnification_std REAL,
        trial TEXT NOT NULL DEFAULT '',
        condition TEXT NOT NULL DEFAULT '',
        checksum TEXT NOT NULL DEFAULT ''
    )""",
    """
    CREATE TABLE edge (
        frame_id INTEGER NOT NULL REFERENCES frame (id) ON DELETE CASCADE,
        ordinal INTEGER NOT NULL,
        name TEXT NOT NULL,
        square TEXT NOT NULL,
        channel TEXT NOT NULL,
        direction TEXT NOT NULL,
        field_x REAL NOT NULL,
        field_y REAL NOT NULL,
        centre_row REAL NOT NULL,
        centre_col REAL NOT NULL,
        angle_deg REAL NOT NULL,
        status TEXT NOT NULL,
        reason TEXT NOT NULL,
        mtf50_cyc_per_px REAL,
        mtf50_std REAL,
        mtf20_cyc_per_px REAL,
        mtf10_cyc_per_px REAL,
        position_px REAL,
        raggedness_object_um REAL,
        raggedness_std_um REAL,
        frequency_cyc_per_px BLOB NOT NULL,
        mtf BLOB NOT NULL,
        mtf_std BLOB NOT NULL,
        profile_px BLOB NOT NULL DEFAULT x'',
        profile_dn BLOB NOT NULL DEFAULT x'',
        profile_std_dn BLOB NOT NULL DEFAULT x'',
        flags TEXT NOT NULL,
        PRIMARY KEY (frame_id, ordinal)
    )""",
    """
    CREATE TABLE summary (
        key TEXT PRIMARY KEY,
        json TEXT NOT NULL,
        checksum TEXT NOT NULL DEFAULT ''
    )""",
    f"PRAGMA application_id = {_APPLICATION_ID}",
    f"PRAGMA user_version = {SCHEMA_VERSION}",
)
_FROM_VERSION_1 = (
    *(
        f"ALTER TABLE frame ADD COLUMN {name} TEXT NOT NULL DEFAULT ''"
        for name in ("trial", "condition", "checksum")
    ),
    *(f"ALTER TABLE edge ADD COLUMN {name} BLOB NOT NULL DEFAULT x''" for name in PROFILE),
    "ALTER TABLE summary ADD COLUMN checksum TEXT NOT NULL DEFAULT ''",
    f"PRAGMA user_version = {SCHEMA_VERSION}",
)


class ResultsStore:
    """The results of a session on disk; use it in a ``with`` statement.

    Parameters
    ----------
    path : Path
        ``results.sqlite`` of a session; made if it is not there.

    Raises
    ------
    SessionError
        On entering: the file is no store of this version, is damaged, or cannot be opened.
        In any method: another process holds the store for more than 10 s, or the disk fails.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._connection: sqlite3.Connection | None = None

    def __enter__(self) -> Self:
        with self._explained():
            # isolation_level None: transactions begin and end where this module says so.
            connection = sqlite3.connect(self._path, timeout=_BUSY_TIMEOUT_S, isolation_level=None)
            try:
                self._prepare(connection)
            except BaseException:
                connection.close()
                raise
            self._connection = connection
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def put(self, record: FrameRecord) -> None:
        """Keep a frame and its edges, in place of what was kept for this file before."""
        row = [_stored(name, getattr(record, name)) for name in FRAME_COLUMNS]
        with self._transaction() as connection:
            connection.execute("DELETE FROM frame WHERE file = ?", (record.file,))
            frame_id = connection.execute(_insert("frame", FRAME_COLUMNS), row).lastrowid
            insert = _insert("edge", ("frame_id", "ordinal", *EDGE_COLUMNS))
            rows = [row]
            for i, edge in enumerate(record.edges):
                rows.append([_stored(name, getattr(edge, name)) for name in EDGE_COLUMNS])
                connection.execute(insert, (frame_id, i, *rows[-1]))
            connection.execute(
                "UPDATE frame SET checksum = ? WHERE id = ?", (_checksum(rows), frame_id)
            )

    def get(self, file: str) -> FrameRecord | None:
        """The frame kept for a file, or None."""
        return next(iter(self._frames("WHERE frame.file = ?", (file,))), None)

    def all_frames(self) -> tuple[FrameRecord, ...]:
        """Every frame, by file name."""
        return self._frames("", ())

    def heads(self) -> tuple[FrameRecord, ...]:
        """Every frame without its edges, by file name; unchecked, for what takes little memory."""
        names = ", ".join(FRAME_COLUMNS)
        with self._explained():
            rows = self._open().execute(f"SELECT {names} FROM frame ORDER BY file").fetchall()
        try:
            return tuple(FrameRecord(**_loaded(FRAME_COLUMNS, cells)) for cells in rows)
        except (ValueError, TypeError, RecursionError) as error:
            raise self._damaged(str(error)) from error

    def finished(self, settings_key: str) -> set[tuple[str, str]]:
        """(file, sha256) of the frames that need no measuring with these settings.

        A frame that was missing has nothing to show and is never finished.
        """
        query = "SELECT file, sha256 FROM frame WHERE settings_key = ? AND status != 'missing'"
        with self._explained():
            return set(self._open().execute(query, (settings_key,)))

    def put_summary(self, key: str, json_text: str) -> None:
        """Keep a JSON text under a key, in place of the one before.

        Raises
        ------
        ValueError
            If the text is not JSON.
        """
        json.loads(json_text)
        with self._transaction() as connection:
            connection.execute(
                "INSERT OR REPLACE INTO summary VALUES (?, ?, ?)",
                (key, json_text, _checksum([[key, json_text]])),
            )

    def get_summary(self, key: str) -> str | None:
        """The JSON text kept under a key, or None."""
        with self._explained():
            row = (
                self._open()
                .execute("SELECT json, checksum FROM summary WHERE key = ?", (key,))
                .fetchone()
            )
        if row is None:
            return None
        if row[1] != _checksum([[key, row[0]]]):
            raise self._damaged(f"what it says of {key} has changed since it was written")
        return str(row[0])

    def _frames(self, where: str, values: tuple[str, ...]) -> tuple[FrameRecord, ...]:
        frame_names = ", ".join(f"frame.{name}" for name in FRAME_COLUMNS)
        edge_names = ", ".join(f"edge.{name}" for name in EDGE_COLUMNS)
        with self._explained():
            connection = self._open()
            connection.execute("BEGIN")  # both queries see one state of the store
            try:
                frames = connection.execute(
                    f"SELECT frame.id, checksum, {frame_names} FROM frame {where} "
                    "ORDER BY frame.file",
                    values,
                ).fetchall()
                edges = connection.execute(
                    f"SELECT frame_id, {edge_names} FROM edge JOIN frame ON frame.id = frame_id "
                    f"{where} ORDER BY frame_id, ordinal",
                    values,
                ).fetchall()
            finally:
                connection.execute("ROLLBACK")
        cells_of: dict[int, list[Sequence[Any]]] = {}
        for frame_id, *cells in edges:
            cells_of.setdefault(frame_id, []).append(cells)
        records = []
        for frame_id, checksum, *row in frames:
            own = cells_of.pop(frame_id, [])
            if checksum != _checksum([row, *own]):
                raise self._damaged(f"{row[0]} has changed since it was written")
            try:
                whole = tuple(EdgeRecord(**_loaded(EDGE_COLUMNS, cells)) for cells in own)
                records.append(FrameRecord(**_loaded(FRAME_COLUMNS, row), edges=whole))
            except (ValueError, TypeError, RecursionError) as error:
                raise self._damaged(str(error)) from error
        return tuple(records)

    def _open(self) -> sqlite3.Connection:
        if self._connection is None:
            raise ValueError("use ResultsStore in a with statement")
        return self._connection

    @contextmanager
    def _transaction(self) -> Generator[sqlite3.Connection, None, None]:
        connection = self._open()
        with self._explained(), _alone(connection):
            yield connection

    def _prepare(self, connection: sqlite3.Connection) -> None:
        """Make the schema in a new file; refuse any file that is not a sound store of ours.

        Raises
        ------
        SessionError
            If the file is damaged, another program's, or of another version.
        """
        connection.execute("PRAGMA foreign_keys = ON")
        found = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
        if found != "ok":
            raise self._damaged(found)
        if _is_empty(connection):
            with _alone(connection):  # somebody else may have made it meanwhile
                for statement in _SCHEMA if _is_empty(connection) else ():
                    connection.execute(statement)
        if connection.execute("PRAGMA application_id").fetchone()[0] != _APPLICATION_ID:
            raise SessionError(
                f"{self._path}: this database was not made by stopwise. It was left untouched; "
                "move it away and measure again."
            )
        version = _version(connection)
        if version == 1:
            version = _brought_up(connection)
        if version != SCHEMA_VERSION:
            age = "a newer" if version > SCHEMA_VERSION else "an older"
            mend = "Update stopwise, or move" if version > SCHEMA_VERSION else "Move"
            raise SessionError(
                f"{self._path}: made by {age} stopwise (schema {version}, this one reads "
                f"{SCHEMA_VERSION}). {mend} the file away and measure again."
            )

    def _damaged(self, found: str) -> SessionError:
        return SessionError(
            f"{self._path}: the results store is damaged or is no results store "
            f"({shown(found)}). Move it away and measure again; the frames are untouched."
        )

    @contextmanager
    def _explained(self) -> Generator[None, None, None]:
        """Turn SQLite's failures into words with a mend.

        Raises
        ------
        SessionError
            In place of any ``sqlite3.Error``.
        """
        try:
            yield
        except UnicodeDecodeError as error:  # of a text in it
            raise self._damaged(str(error)) from error
        except sqlite3.Error as error:
            # Extended codes keep the primary one in the lowest byte.
            code = getattr(error, "sqlite_errorcode", 0) & 0xFF
            if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                raise SessionError(
                    f"{self._path}: another process has kept the results store busy for "
                    f"{_BUSY_TIMEOUT_S:g} s. Let it finish or stop it, then try again."
                ) from error
            if code in (
                sqlite3.SQLITE_CANTOPEN,
                sqlite3.SQLITE_READONLY,
                sqlite3.SQLITE_PERM,
                sqlite3.SQLITE_FULL,
                sqlite3.SQLITE_IOERR,
            ):
                raise SessionError(
                    f"{self._path}: the results store cannot be opened or written ({error}). "
                    "Check that the folder is there, may be written to, and has free space."
                ) from error
            raise self._damaged(str(error)) from error


@contextmanager
def _alone(connection: sqlite3.Connection) -> Generator[None, None, None]:
    """One transaction in which nobody else can write; what fails leaves nothing behind."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # a full disk may have rolled back already
            connection.execute("ROLLBACK")
        raise


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _brought_up(connection: sqlite3.Connection) -> int:
    """Give a store of version 1 what it lacks; its new version."""
    with _alone(connection):  # somebody else may have done so meanwhile
        if _version(connection) == 1:
            for statement in _FROM_VERSION_1:
                connection.execute(statement)
            _add_checksums(connection)
    return _version(connection)


def _add_checksums(connection: sqlite3.Connection) -> None:
    """Give rows of version 1 their checksums."""
    frame_names, edge_names = ", ".join(FRAME_COLUMNS), ", ".join(EDGE_COLUMNS)
    for frame_id, *row in connection.execute(f"SELECT id, {frame_names} FROM frame").fetchall():
        edges = connection.execute(
            f"SELECT {edge_names} FROM edge WHERE frame_id = ? ORDER BY ordinal", (frame_id,)
        ).fetchall()
        connection.execute(
            "UPDATE frame SET checksum = ? WHERE id = ?", (_checksum([row, *edges]), frame_id)
        )
    for key, text in connection.execute("SELECT key, json FROM summary").fetchall():
        connection.execute(
            "UPDATE summary SET checksum = ? WHERE key = ?", (_checksum([[key, text]]), key)
        )


def _checksum(rows: Sequence[Sequence[Any]]) -> str:
    """SHA-256 of rows as SQLite gives them back: a zero has no sign."""
    whole = hashlib.sha256()
    for row in rows:
        for value in row:
            if isinstance(value, bytes):
                whole.update(f"{len(value)}:".encode() + value)
            else:
                figure = value + 0.0 if isinstance(value, float) else value
                whole.update(f"{figure!r};".encode("utf-8", "surrogatepass"))
    return whole.hexdigest()


def _is_empty(connection: sqlite3.Connection) -> bool:
    """Whether nobody, we included, has put anything in the file yet."""
    counts = (
        connection.execute(query).fetchone()[0]
        for query in (
            "SELECT count(*) FROM sqlite_master",
            "PRAGMA application_id",
            "PRAGMA user_version",
        )
    )
    return not any(counts)


def _insert(table: str, columns: Sequence[str]) -> str:
    marks = ", ".join("?" for _ in columns)
    return f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({marks})"


def _stored(name: str, value: Any) -> Any:
    """A field of a record as SQLite keeps it."""
    if name in CURVES:
        return np.asarray(value, dtype="<f8").tobytes()
    if name == "flags":
        return json.dumps(list(value))
    return plain(value)


def _loaded(names: Sequence[str], cells: Sequence[Any]) -> dict[str, Any]:
    """Fields of a record from what SQLite kept."""
    record = dict(zip(names, cells, strict=True))
    for name in CURVES:
        if name in record:
            record[name] = tuple(np.frombuffer(record[name], dtype="<f8").tolist())
    record["flags"] = tuple(json.loads(record["flags"]))
    return record
