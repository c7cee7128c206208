"""Change what stands inside a bundle or a results store, so that its checksums still hold.

A random byte in either is nearly always met by a checksum or SQLite's own check; what a
person or a program could write on purpose is not.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import tempfile
import zipfile
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from random import Random

__all__ = ["mutated_bundle", "mutated_store"]

_MANIFEST = "manifest.json"


def mutated_bundle(content: bytes, rng: Random, change: Callable[[bytes], bytes]) -> bytes:
    """A bundle one of whose members ``change`` was given, with the hashes that belong to it."""
    try:
        with zipfile.ZipFile(BytesIO(content)) as archive:
            members = {name: archive.read(name) for name in archive.namelist()}
    except Exception:  # mutated already
        return content
    if not members:
        return content
    name = rng.choice(list(members))
    what = rng.randrange(12)
    if what == 0:
        members[rng.choice((f"{name}x", "../a", "/a", "a\\b", "A/"))] = members.pop(name)
    elif what == 1:
        del members[name]
    elif what == 2:
        members[name] = members[rng.choice(list(members))]
    else:
        members[name] = change(members[name])
    if name != _MANIFEST and rng.random() < 0.95:
        _rehash(members)
    archive_bytes = BytesIO()
    with zipfile.ZipFile(archive_bytes, "w", zipfile.ZIP_DEFLATED) as archive:
        for member, text in members.items():
            archive.writestr(member, text)
    return archive_bytes.getvalue()


def _rehash(members: dict[str, bytes]) -> None:
    try:
        manifest = json.loads(members[_MANIFEST])
        manifest["sha256"] = {
            name: hashlib.sha256(text).hexdigest()
            for name, text in members.items()
            if name != _MANIFEST
        }
        members[_MANIFEST] = json.dumps(manifest).encode()
    except (KeyError, TypeError, ValueError, RecursionError):
        pass


_VALUES = ("NULL", "0", "-1", "9e999", "-9e999", "'x'", "''", "x''", "x'00'", "zeroblob(8)")
_VALUES += ("zeroblob(24)", "x'000000000000f87f'", "9223372036854775807", "'[]'", "'[1]'")
_VALUES += ("'{}'", "'null'", '\'["a","a"]\'', "'[[[['", "char(0)", "char(27)", "'1.5'", "x'ff'")
_VALUES += ("CAST(x'ff' AS TEXT)", "replace(hex(zeroblob(4000)), '0', '[')", "randomblob(64)")
_PLAIN = (
    "PRAGMA user_version = {number}",
    "PRAGMA application_id = {number}",
    "DROP TABLE {table}",
    "DELETE FROM {table}",
    "ALTER TABLE {table} ADD COLUMN more TEXT",
    "ALTER TABLE {table} RENAME TO other",
    "ALTER TABLE {table} RENAME COLUMN {column} TO other",
    "ALTER TABLE {table} DROP COLUMN {column}",
    "CREATE TRIGGER t AFTER DELETE ON frame BEGIN DELETE FROM edge; SELECT RAISE(FAIL, 'no'); END",
    "CREATE VIEW v AS SELECT * FROM frame",
    "UPDATE edge SET frame_id = frame_id + 1",
    "UPDATE edge SET ordinal = -ordinal",
    "PRAGMA journal_mode = WAL",
    "PRAGMA encoding = 'UTF-16'",
)


def mutated_store(content: bytes, rng: Random) -> bytes:
    """A results store in which one statement was run: mostly a cell holds what it should not."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.sqlite"
        path.write_bytes(content)
        connection = sqlite3.connect(path, isolation_level=None)
        # What is mutated may have been before: its names can be any bytes.
        connection.text_factory = lambda text: text.decode("utf-8", "replace")
        try:
            connection.execute("PRAGMA ignore_check_constraints = ON")
            tables = [row[0] for row in connection.execute("SELECT name FROM sqlite_master")]
            table = rng.choice([name for name in tables if "auto" not in name])
            columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            column = rng.choice(columns)
            if rng.random() < 0.75:
                loose = rng.random() < 0.5  # where a column takes no NULL: in a table without rules
                if loose:
                    connection.execute(f"CREATE TABLE loose AS SELECT * FROM {table}")
                    connection.execute(f"DROP TABLE {table}")
                    connection.execute(f"ALTER TABLE loose RENAME TO {table}")
                connection.execute(f"UPDATE {table} SET {column} = {rng.choice(_VALUES)}")
            else:
                statement = rng.choice(_PLAIN)
                number = rng.choice((0, 1, 1, 3, -1, 2**31 - 1, 0x73747077))
                connection.execute(statement.format(table=table, column=column, number=number))
        except (sqlite3.Error, IndexError, UnicodeDecodeError):
            pass
        finally:
            connection.close()
        return path.read_bytes()
