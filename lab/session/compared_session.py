"""What does a comparison read of a session folder or of a bundle, so that many are read soon?

Of a session whose result is kept, and in which nothing has changed since a comparison last
looked, neither frames nor their records are read: files are known by size and time of their
last change, tables by their content, measured frames by what the store says of each. Whatever
differs, the session is read whole and its frames are hashed, as for a report. Of a bundle the
result and the configuration are read; where anything about it is unusual, all of it.

A result that an older stopwise made lacks the tables that comparisons use. A session is then
analysed again and the result kept; a bundle is analysed again every time, which takes as long
as the fit, and is said.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path

from lab.errors import LabError, SessionError
from lab.inference.compare_input import (
    KeptSession,
    compared_result,
    kept_session,
    lacks_tables,
)
from lab.inference.result_json import (
    brought_up,
    checked_schema,
    from_plain,
    read_json,
    write_json,
)
from lab.session.bundle import Bundle, marked, read_bundle, recomputed, renamed, session_bundle
from lab.session.bundle_archive import MANIFEST_NAME, archived_members, member_text
from lab.session.config import parse_session, read_session
from lab.session.frame_files import list_frames
from lab.session.frame_table import TABLE_NAME
from lab.session.inventory import SLATES_KEY, STORE_NAME
from lab.session.kept_metadata import METADATA_KEY
from lab.session.kept_result import analysed_session, kept_document
from lab.session.running import stored_session
from lab.session.store import ResultsStore

__all__ = ["compared_session"]

_SLOT = "compared"  # among the store's summaries
_FRAMES = "frames SHA-256"  # in a result's provenance
_SUMMARIES = (METADATA_KEY, SLATES_KEY)  # what the store knows of the files
_READ = ("session.toml", "result.json")  # of a bundle
_FRAMES_NAME = "frames.json"  # likewise, of which the hashes alone
# Keys of ours: in a text quotation marks have a backslash before them.
_HASH = re.compile(rb'"sha256":"([0-9a-f]{64})"[^{}]{0,500}?"status":"(?!missing")')


def compared_session(path: Path, tell: Callable[[str], None]) -> KeptSession:
    """What a comparison needs of a session folder or a bundle, without names of files.

    Parameters
    ----------
    path : Path
    tell : callable
        Called with a sentence where this will take long.

    Raises
    ------
    LabError
        If it is neither, or not sound, or nothing is measured yet.
    """
    if not path.exists():
        raise LabError(f"{path}: there is no such folder or file. Give a session or a bundle.")
    if path.is_file():
        return _of_bundle(path, tell)
    return _unchanged(path) or _of_folder(path)


def _of_folder(folder: Path) -> KeptSession:
    """As a report reads it; what it rests on is noted for the next time."""
    measured = stored_session(folder)
    analysed = analysed_session(folder, measured, whatever=True)
    bundle = session_bundle(folder, measured, analysed)
    kept = kept_session(
        bundle.result, bundle.config, hashes=_hashes(bundle), source=_own_name(folder)
    )
    # A session on a read-only disk, or in use elsewhere, can still be compared.
    with suppress(SessionError), ResultsStore(folder / STORE_NAME) as store:
        document = kept_document(store)
        if document is not None:
            seen = {
                "stamp": _stamp(folder, store),
                "key": document["key"],
                "frames": kept.provenance[_FRAMES],
            }
            store.put_summary(_SLOT, write_json(seen))
    return kept


def _unchanged(folder: Path) -> KeptSession | None:
    """From the kept result; None where it is not known to be that of this folder."""
    path = folder / STORE_NAME
    if not path.exists():
        return None
    with ResultsStore(path) as store:
        text = store.get_summary(_SLOT)
        document = None if text is None else kept_document(store)
        if text is None or document is None:
            return None
        try:
            seen = from_plain(dict[str, str], read_json(text, _SLOT), _SLOT)
            if seen["stamp"] != _stamp(folder, store) or seen["key"] != document["key"]:
                return None
            result = compared_result(document.get("result"), "result")
            frames = seen["frames"]
            there = set(list_frames(folder))
            hashes = [frame.sha256 for frame in store.heads() if frame.file in there]
        except (LabError, KeyError):
            return None
    kept = kept_session(
        marked(result, folder), read_session(folder), hashes=hashes, source=_own_name(folder)
    )
    kept.provenance[_FRAMES] = frames  # under the names that are shared
    return kept


def _stamp(folder: Path, store: ResultsStore) -> str:
    """A short name for all that a kept result rests on, without opening a frame.

    Raises
    ------
    LabError
        If session.toml or the store is wrong.
    """
    layout = read_session(folder).target.layout
    tables = {}
    for name in ("session.toml", TABLE_NAME, layout):
        path = None if name is None else folder / name
        if path is not None and path.exists():
            tables[name] = sha256(path.read_bytes()).hexdigest()
    frames = folder / "frames"
    files = [
        (file, known.st_size, known.st_mtime_ns)
        for file in list_frames(folder)
        for known in [(frames / file).stat()]
    ]
    summaries = [store.get_summary(name) for name in _SUMMARIES]
    whole = (version("stopwise"), tables, files, summaries, store.heads())
    return sha256(repr(whole).encode()).hexdigest()


def _of_bundle(path: Path, tell: Callable[[str], None]) -> KeptSession:
    kept = _plain_bundle(path)
    if kept is not None:
        return kept
    bundle = renamed(read_bundle(path))
    if lacks_tables(bundle.result):
        tell(
            f"{path}: made by an older stopwise, without what comparisons use. Its lens is fitted "
            "again, which takes up to a minute. To spare that, ask for a new bundle, or make it "
            "with: stopwise report SESSION --bundle FILE.zip"
        )
        # Without its trials, which nothing here needs: their profiles may not be there.
        brackets = replace(bundle.config, series=bundle.config.brackets)
        bundle = recomputed(replace(bundle, config=brackets, trials=()))
    return kept_session(bundle.result, bundle.config, hashes=_hashes(bundle), source=path.name)


def _plain_bundle(path: Path) -> KeptSession | None:
    """Of a bundle in which all is usual; None where its reader has to look."""
    members = archived_members(path, (MANIFEST_NAME, _FRAMES_NAME, *_READ))
    try:
        manifest = read_json(member_text(members[MANIFEST_NAME], MANIFEST_NAME), MANIFEST_NAME)
        if manifest["with_names"] is not False:
            return None  # the digest of its frames is another
        texts = {}
        for name in (*_READ, _FRAMES_NAME):
            if sha256(members[name]).hexdigest() != manifest["sha256"][name]:
                return None
        for name in _READ:
            texts[name] = member_text(members[name], name)
    except (LabError, KeyError, TypeError):
        return None
    where = f"{path}, result.json"
    document = checked_schema(read_json(texts["result.json"], where), ("result",), where)
    result = compared_result(brought_up(document), f"{where}: result")
    if lacks_tables(result):
        return None
    hashes = (found[1].decode() for found in _HASH.finditer(members[_FRAMES_NAME]))
    config = parse_session(texts["session.toml"], f"{path}, session.toml")
    return kept_session(result, config, hashes=hashes, source=path.name)


def _hashes(bundle: Bundle) -> list[str]:
    return [frame.sha256 for frame in bundle.frames if frame.status != "missing"]


def _own_name(folder: Path) -> str:
    """The last part of a folder's name, of "." too."""
    return folder.resolve().name
