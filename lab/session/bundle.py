"""A measured session as one file to hand on: everything but the raw frames.

A bundle is a zip archive of these members, all UTF-8:

``manifest.json``  ``schema``, ``stopwise_version``, ``loss_percent``, ``rules``,
                   ``with_names``, and ``sha256``: the hash of each other member
``session.toml``   the configuration, without remarks, paths or patterns of its owner's
``target.json``    the target's layout record, where the session has one
``frames.json``    ``curves``, each as base64 of little-endian 64-bit floats, and ``frames``:
                   the records of ``lab.session.records`` without profiles, an edge's curves
                   as places in the list of curves
``result.json``    as ``lab.inference.result_json`` writes it
``trials.json``    likewise

Names are neutral (``lab.session.neutral``). The same session gives the same bytes.
``recomputed`` works the result out again from the frames in it, to the same digits where
version and machine are the same; trials cannot be, since they need the profiles.

A bundle may come from anywhere: nothing is ever unpacked to disk, every size is counted
while it is read and not believed, and what is not as above is a ``LabError``.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import os
import stat
import zipfile
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from io import BytesIO
from pathlib import Path
from typing import Any, NoReturn

import numpy as np

from lab.errors import LabError
from lab.inference.result_json import (
    SCHEMA,
    as_plain,
    checked_schema,
    from_plain,
    read_json,
    result_from_json,
    result_to_json,
    trials_from_json,
    trials_to_json,
    write_json,
)
from lab.inference.results import SessionResult
from lab.inference.rules import DEFAULT_RULES
from lab.inference.trial_records import TrialResult
from lab.session.config import SessionConfig, parse_session
from lab.session.kept_result import Analysed
from lab.session.neutral import Renaming, neutral_config
from lab.session.records import CURVES, PROFILE, EdgeRecord, FrameRecord
from lab.session.running import MeasuredSession
from lab.session.session_text import config_text
from lab.session.text_file import shown
from targets.layout import Layout, read_layout

__all__ = ["Bundle", "read_bundle", "recomputed", "renamed", "session_bundle", "write_bundle"]

_MANIFEST = "manifest.json"
# Largest uncompressed size of each member: 1000 frames of 36 edges need 80 MB of frames.
# Together below 200 MB.
_LIMITS = {
    _MANIFEST: 100_000,
    "session.toml": 200_000,
    "target.json": 16_000_000,
    "frames.json": 120_000_000,
    "result.json": 30_000_000,
    "trials.json": 30_000_000,
}
_MOST_BYTES = 150_000_000  # of the file
_CHUNK = 1 << 16
_MOST_DIRECTORY = 4096  # bytes: six entries of ours take 400
_END, _END_64, _END_SIZE = b"PK\x05\x06", b"PK\x06\x07", 22
_ZIP_DATE = (1980, 1, 1, 0, 0, 0)  # the earliest that the format knows
_MOST_FIGURES = 50_000_000  # of all curves together, each as often as it is referred to
_KEPT_CURVES = tuple(name for name in CURVES if name not in PROFILE)
_MEND = "Ask for the file again, or make it with: stopwise report SESSION --bundle FILE.zip"


@dataclass(frozen=True, kw_only=True)
class Bundle:
    """A session as it is shared; ``with_names``: frames have the last part of their names."""

    config: SessionConfig
    layout: Layout | None
    frames: tuple[FrameRecord, ...]
    result: SessionResult
    trials: tuple[TrialResult, ...]
    loss_percent: float
    rules: tuple[str, ...]
    with_names: bool
    stopwise_version: str


def session_bundle(
    folder: Path,
    measured: MeasuredSession,
    analysed: Analysed,
    *,
    loss_percent: float = 10.0,
    rules: Sequence[str] = DEFAULT_RULES,
    with_names: bool = False,
) -> Bundle:
    """A measured session and its result under the names that may be shared.

    Parameters
    ----------
    folder : Path
        The session.
    measured : MeasuredSession
    analysed : tuple
        Of ``lab.session.kept_result.analysed_session`` with the same options.
    loss_percent : float
        [%], 0 < loss < 100
    rules : sequence of str
    with_names : bool
        Keep the last part of the frames' names.

    Raises
    ------
    TargetError
        If the target's layout record cannot be read.
    """
    config = measured.config
    placed = [frame.file for frame in measured.assignment.frames]
    files = list(dict.fromkeys((*placed, *(frame.file for frame in measured.frames))))
    renaming = Renaming(config, files, folder=folder, with_names=with_names)
    layout = None if config.target.layout is None else read_layout(folder / config.target.layout)
    whole = Bundle(
        config=neutral_config(config),
        layout=layout,
        frames=measured.frames,
        result=analysed[0],
        trials=analysed[1],
        loss_percent=float(loss_percent),
        rules=tuple(rules),
        with_names=with_names,
        stopwise_version=version("stopwise"),
    )
    return _under(renaming, whole)


def renamed(bundle: Bundle) -> Bundle:
    """A bundle without the frames' own names."""
    if not bundle.with_names:
        return bundle
    renaming = Renaming(bundle.config, [frame.file for frame in bundle.frames])
    return _under(renaming, replace(bundle, with_names=False))


def _under(renaming: Renaming, bundle: Bundle) -> Bundle:
    from lab.inference.session_analysis import analyse_session

    frames = tuple(map(renaming.frame, bundle.frames))
    # The digest of the frames holds their names: it is that of the new ones.
    bare = replace(bundle.config, series=())
    digest = analyse_session(bare, frames, loss_percent=bundle.loss_percent).provenance
    result = renaming.record(bundle.result)
    return replace(
        bundle,
        frames=frames,
        result=replace(result, provenance={**result.provenance, **digest}),
        trials=renaming.record(bundle.trials),
    )


def recomputed(bundle: Bundle) -> SessionResult:
    """The session's result, worked out again from the frames in the bundle.

    Sentences on the assignment of frames, which lead the cautions, are taken as they are.

    Parameters
    ----------
    bundle : Bundle
    """
    from lab.inference.lens_result import lens_result, with_lens
    from lab.inference.session_analysis import analyse_session

    config, frames, loss = bundle.config, bundle.frames, bundle.loss_percent
    lens = lens_result(config, frames, loss_percent=loss, rules=bundle.rules)
    result = with_lens(analyse_session(config, frames, loss_percent=loss), lens)
    told = bundle.result.cautions
    said = told[: max(0, len(told) - len(result.cautions))]
    return replace(result, cautions=(*said, *result.cautions))


def write_bundle(bundle: Bundle, path: Path) -> None:
    """Write a bundle; what stood there before is replaced once all is written.

    Parameters
    ----------
    bundle : Bundle
    path : Path

    Raises
    ------
    LabError
        If it cannot be written, or is larger than ``read_bundle`` takes.
    """
    texts = {
        "session.toml": config_text(bundle.config),
        "frames.json": _frames_to_json(bundle.frames),
        "result.json": result_to_json(bundle.result),
        "trials.json": trials_to_json(bundle.trials),
    }
    if bundle.layout is not None:
        plain = as_plain(Layout, bundle.layout, "target")
        texts["target.json"] = write_json({"schema": SCHEMA, "layout": plain})
    manifest = {
        "schema": SCHEMA,
        "stopwise_version": bundle.stopwise_version,
        "loss_percent": bundle.loss_percent,
        "rules": list(bundle.rules),
        "with_names": bundle.with_names,
        "sha256": {name: _sha256(text.encode()) for name, text in sorted(texts.items())},
    }
    texts[_MANIFEST] = write_json(manifest)
    archive = BytesIO()
    with zipfile.ZipFile(archive, "w") as whole:
        for name, text in sorted(texts.items()):
            if len(text.encode()) > _LIMITS[name]:
                _fail(path, f"{name} would be larger than {_LIMITS[name]} bytes")
            info = zipfile.ZipInfo(name, date_time=_ZIP_DATE)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.create_system, info.external_attr = 3, (stat.S_IFREG | 0o644) << 16
            whole.writestr(info, text.encode())
    part = path.with_name(f"{path.name}.part")
    try:
        part.write_bytes(archive.getvalue())
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise LabError(
            f"{path}: cannot be written ({error.strerror}). Name a file in a folder that exists, "
            "that you may write to, and that has free space."
        ) from error


def read_bundle(path: Path) -> Bundle:
    """Read a bundle, whoever made it.

    Parameters
    ----------
    path : Path

    Raises
    ------
    LabError
        If it is no sound bundle of a version that is known.
    """
    members = _members(path)

    def where(name: str) -> str:
        return f"{path}, {name}"

    if _MANIFEST not in members:
        _fail(path, f"{_MANIFEST} is not in it")
    keys = ("stopwise_version", "loss_percent", "rules", "with_names", "sha256")
    named = where(_MANIFEST)
    manifest = checked_schema(read_json(_text(members.pop(_MANIFEST), named), named), keys, named)
    hashes = from_plain(dict[str, str], manifest["sha256"], f"{named}: sha256")
    if set(hashes) != set(members):
        _fail(path, f"{_MANIFEST} lists other members than it holds")
    for name, content in members.items():
        if _sha256(content) != hashes[name]:
            _fail(path, f"{name} is not as it was written: its SHA-256 differs")
    texts = {name: _text(content, where(name)) for name, content in members.items()}
    for name in ("session.toml", "frames.json", "result.json", "trials.json"):
        if name not in texts:
            _fail(path, f"{name} is not in it")
    config = parse_session(texts["session.toml"], where("session.toml"))
    if (config.target.layout is not None) != ("target.json" in texts):
        _fail(path, "session.toml and target.json do not fit")
    loss = from_plain(float, manifest["loss_percent"], f"{named}: loss_percent")
    if not 0 < loss < 100:
        _fail(path, f"{_MANIFEST}, loss_percent must lie between 0 and 100")
    return Bundle(
        config=config,
        layout=_layout(texts["target.json"], where("target.json"))
        if "target.json" in texts
        else None,
        frames=_frames_from_json(texts["frames.json"], where("frames.json")),
        result=result_from_json(texts["result.json"], where("result.json")),
        trials=trials_from_json(texts["trials.json"], where("trials.json")),
        loss_percent=loss,
        rules=from_plain(tuple[str, ...], manifest["rules"], f"{named}: rules"),
        with_names=from_plain(bool, manifest["with_names"], f"{named}: with_names"),
        stopwise_version=from_plain(str, manifest["stopwise_version"], f"{named}: version"),
    )


def _layout(text: str, where: str) -> Layout:
    document = checked_schema(read_json(text, where), ("layout",), where)
    layout: Layout = from_plain(Layout, document["layout"], f"{where}: layout")
    return layout


def _frames_to_json(frames: Sequence[FrameRecord]) -> str:
    places: dict[bytes, int] = {}  # by content: all edges share a few grids of frequencies
    plain = []
    for frame in frames:
        record = as_plain(FrameRecord, replace(frame, edges=()), frame.file)
        for edge in frame.edges:
            bare = replace(edge, **{name: () for name in CURVES})  # type: ignore[arg-type]
            figures = as_plain(EdgeRecord, bare, frame.file)
            for name in PROFILE:
                del figures[name]
            for name in _KEPT_CURVES:
                curve = np.asarray(getattr(edge, name), dtype="<f8").tobytes()
                figures[name] = places.setdefault(curve, len(places))
            record["edges"].append(figures)
        plain.append(record)
    curves = [base64.b64encode(curve).decode() for curve in places]
    return write_json({"schema": SCHEMA, "curves": curves, "frames": plain})


def _frames_from_json(text: str, where: str) -> tuple[FrameRecord, ...]:
    document = checked_schema(read_json(text, where), ("curves", "frames"), where)
    coded = from_plain(tuple[str, ...], document["curves"], f"{where}: curves")
    curves = [_curve(code, f"{where}: curves[{i}]") for i, code in enumerate(coded)]
    if not isinstance(document["frames"], list):
        _fail(where, "frames must be a list")
    frames = []
    left = _MOST_FIGURES
    for i, plain in enumerate(document["frames"]):
        at = f"{where}: frames[{i}]"
        edges = plain.get("edges") if isinstance(plain, dict) else None
        if not isinstance(edges, list):
            _fail(at, "must be an object with a list of edges")
        frame: FrameRecord = from_plain(FrameRecord, {**plain, "edges": []}, at)
        records = []
        for j, figures in enumerate(edges):
            record, count = _edge(figures, curves, f"{at}.edges[{j}]")
            left -= count
            if left < 0:
                _fail(where, "curves are referred to more often than in any of ours")
            records.append(record)
        frames.append(replace(frame, edges=tuple(records)))
    if len({frame.file for frame in frames}) != len(frames):
        _fail(where, "two frames have one name")
    return tuple(frames)


def _edge(figures: Any, curves: Sequence[tuple[float, ...]], at: str) -> tuple[EdgeRecord, int]:
    """An edge's record, and how many figures its curves hold."""
    if not isinstance(figures, dict) or any(name in figures for name in PROFILE):
        _fail(at, "must be an object without profiles")
    bare = from_plain(EdgeRecord, {**figures, **{name: [] for name in CURVES}}, at)
    found: dict[str, Any] = {}
    for name in _KEPT_CURVES:
        place = from_plain(int, figures.get(name), f"{at}.{name}")
        if not 0 <= place < len(curves):
            _fail(f"{at}.{name}", "is no place in the list of curves")
        found[name] = curves[place]
    count = sum(map(len, found.values()))
    try:
        return replace(bare, **found), count
    except ValueError as error:
        _fail(at, str(error))


def _curve(code: str, at: str) -> tuple[float, ...]:
    try:
        content = base64.b64decode(code, validate=True)
    except (binascii.Error, ValueError):
        _fail(at, "is no base64")
    if len(content) % 8:
        _fail(at, "is no list of 64-bit floats")
    return tuple(np.frombuffer(content, dtype="<f8").tolist())


def _members(path: Path) -> dict[str, bytes]:
    """The archive's members by name, all in memory, none larger than allowed."""
    try:
        if not path.is_file():
            _fail(path, "there is no such file")
        with path.open("rb") as file:
            content = file.read(_MOST_BYTES + 1)
    except OSError as error:
        _fail(path, f"cannot be read ({error.strerror})")
    if len(content) > _MOST_BYTES:
        _fail(path, f"is larger than {_MOST_BYTES // 1_000_000} MB")
    _check_end(path, content)
    try:
        with zipfile.ZipFile(BytesIO(content)) as archive:
            return {i.filename: _member(path, archive, i) for i in _listed(path, archive)}
    except (
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        NotImplementedError,
        OSError,
        RuntimeError,
        ValueError,
    ) as error:
        _fail(path, f"is damaged ({shown(str(error))})")


def _check_end(path: Path, content: bytes) -> None:
    """Look at the archive's list before anything reads it: ours is short and comes last.

    What stands before or after, a remark, or the larger form of the list is none of ours.
    """
    end = content[-_END_SIZE:]
    if len(end) < _END_SIZE or not end.startswith(_END):
        _fail(path, "is no bundle, or is cut short")
    count = int.from_bytes(end[10:12], "little")
    size = int.from_bytes(end[12:16], "little")
    start = int.from_bytes(end[16:20], "little")
    if count > len(_LIMITS) or size > _MOST_DIRECTORY:
        _fail(path, "holds more members than a bundle has")
    if (
        start + size + _END_SIZE != len(content)
        or content[-_END_SIZE - 20 :].startswith(_END_64)
        or end[20:22] != b"\0\0"
    ):
        _fail(path, "is no bundle: its list of members is not where it belongs")


def _listed(path: Path, archive: zipfile.ZipFile) -> list[zipfile.ZipInfo]:
    """The list of members, each checked by what it says of itself."""
    members = archive.infolist()
    for info in members:
        name = ascii(info.orig_filename)[:60]
        if info.orig_filename not in _LIMITS:
            _fail(path, f"holds {name}, which belongs in no bundle")
        if [one.filename for one in members].count(info.filename) > 1:
            _fail(path, f"holds {name} twice")
        if info.flag_bits & 0x41:  # bit 0: encrypted, bit 6: strongly so
            _fail(path, f"{name} is encrypted")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            _fail(path, f"{name} is compressed in a way that no bundle is")
        if stat.S_IFMT(info.external_attr >> 16) not in (0, stat.S_IFREG):
            _fail(path, f"{name} is a link or no file")
    return members


def _member(path: Path, archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> bytes:
    """Content of a member; its size is counted, whatever its header says."""
    limit = _LIMITS[info.filename]
    content = bytearray()
    with archive.open(info) as stream:
        while chunk := stream.read(_CHUNK):
            content += chunk
            if len(content) > limit:
                _fail(path, f"{info.filename} is larger than {limit} bytes")
    if len(content) != info.file_size:
        _fail(path, f"{info.filename} is cut short")
    return bytes(content)


def _text(content: bytes, where: str) -> str:
    """A member's text, without control characters, which could play tricks on a terminal."""
    try:
        text = content.decode()
    except UnicodeDecodeError:
        _fail(where, "is not UTF-8")
    escapes = text.replace("\\\\", "").replace('\\"', "")
    if "\\" in escapes or not text.replace("\n", "").isprintable():
        _fail(where, "holds control characters")
    return text


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _fail(where: str | Path, wrong: str) -> NoReturn:
    raise LabError(f"{where}: {wrong}. {_MEND}")
