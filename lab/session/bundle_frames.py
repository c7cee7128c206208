"""How are a bundle's frames kept: figures as JSON, curves as packed numbers?

``frames.json`` holds ``curves``, the length of each; ``exposures``; and ``frames``, the
records of ``lab.session.records`` with an edge's curves as places in the list of curves.
``curves.f64`` holds the curves one after another as little-endian 64-bit floats in eight
planes: the lowest byte of each, then the next, which packs closer. Every digit comes back.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from lab.inference.result_json import (
    SCHEMA,
    as_plain,
    checked_schema,
    from_plain,
    read_json,
    write_json,
)
from lab.session.bundle_archive import CURVES_NAME, refuse
from lab.session.records import CURVES, PROFILE, EdgeRecord, FrameRecord

__all__ = ["Exposure", "packed_frames", "read_frames"]

_MOST_FIGURES = 50_000_000  # of all curves together, each as often as it is referred to
_NO_PROFILE: dict[str, Any] = dict.fromkeys(PROFILE, ())


@dataclass(frozen=True, kw_only=True)
class Exposure:
    """Shutter time that the camera wrote of one frame of a trial. [s]."""

    trial: str
    condition: str
    exposure_s: float


def packed_frames(
    frames: Sequence[FrameRecord], exposures: Sequence[Exposure], *, with_profiles: bool
) -> tuple[str, bytes]:
    """``frames.json`` and ``curves.f64``.

    Parameters
    ----------
    frames : sequence of FrameRecord
    exposures : sequence of Exposure
    with_profiles : bool
        Keep the edges' profiles, which are most of what trials' frames hold.
    """
    places: dict[bytes, int] = {}  # by content: all edges share a few grids of frequencies
    plain = []
    for frame in frames:
        record = as_plain(FrameRecord, replace(frame, edges=()), frame.file)
        for edge in frame.edges:
            kept = edge if with_profiles else replace(edge, **_NO_PROFILE)
            bare = replace(kept, **dict.fromkeys(CURVES, ()))  # type: ignore[arg-type]
            figures = as_plain(EdgeRecord, bare, frame.file)
            for name in CURVES:
                curve = np.asarray(getattr(kept, name), dtype="<f8").tobytes()
                figures[name] = places.setdefault(curve, len(places))
            record["edges"].append(figures)
        plain.append(record)
    lengths = [len(curve) // 8 for curve in places]
    document = {
        "schema": SCHEMA,
        "curves": lengths,
        "exposures": [as_plain(Exposure, one, "exposures") for one in exposures],
        "frames": plain,
    }
    figures_as_bytes = np.frombuffer(b"".join(places), np.uint8).reshape(-1, 8)
    return write_json(document), figures_as_bytes.T.tobytes()


def read_frames(
    text: str, content: bytes | None, path: Path
) -> tuple[tuple[FrameRecord, ...], tuple[Exposure, ...]]:
    """Frames and exposures of ``frames.json`` and ``curves.f64``.

    Parameters
    ----------
    text : str
        Of ``frames.json``.
    content : bytes or None
        Of ``curves.f64``. None: the bundle is of an earlier schema, with ``curves`` as a list
        of texts, each base64 of 64-bit floats, and neither exposures nor profiles.
    path : Path
        Of the archive, for the message.

    Raises
    ------
    LabError
        If they are none of ours.
    """
    where = f"{path}, frames.json"
    keys = ("curves", "frames") if content is None else ("curves", "exposures", "frames")
    document = checked_schema(read_json(text, where), keys, where)
    plain = document.get("exposures", [])
    exposures = from_plain(tuple[Exposure, ...], plain, f"{where}: exposures")
    if not all(one.exposure_s > 0 for one in exposures):
        refuse(where, "exposures must be above 0 s")
    kept = CURVES if content is not None else tuple(n for n in CURVES if n not in PROFILE)
    at = f"{where}: curves"
    if content is None:
        coded = from_plain(tuple[str, ...], document["curves"], at)
        curves = [_decoded(code, f"{at}[{i}]") for i, code in enumerate(coded)]
    else:
        curves = _curves(from_plain(tuple[int, ...], document["curves"], at), content, where)
    frames = _records(document["frames"], curves, kept, where)
    if len({frame.file for frame in frames}) != len(frames):
        refuse(where, "two frames have one name")
    return frames, exposures


def _records(
    plain_frames: Any, curves: Sequence[tuple[float, ...]], kept: Sequence[str], where: str
) -> tuple[FrameRecord, ...]:
    if not isinstance(plain_frames, list):
        refuse(where, "frames must be a list")
    frames = []
    left = _MOST_FIGURES
    for i, plain in enumerate(plain_frames):
        at = f"{where}: frames[{i}]"
        edges = plain.get("edges") if isinstance(plain, dict) else None
        if not isinstance(edges, list):
            refuse(at, "must be an object with a list of edges")
        frame: FrameRecord = from_plain(FrameRecord, {**plain, "edges": []}, at)
        records = []
        for j, figures in enumerate(edges):
            record, count = _edge(figures, curves, kept, f"{at}.edges[{j}]")
            left -= count
            if left < 0:
                refuse(where, "curves are referred to more often than in any of ours")
            records.append(record)
        frames.append(replace(frame, edges=tuple(records)))
    return tuple(frames)


def _decoded(code: str, at: str) -> tuple[float, ...]:
    try:
        content = base64.b64decode(code, validate=True)
    except (binascii.Error, ValueError):
        refuse(at, "is no base64")
    if len(content) % 8:
        refuse(at, "is no list of 64-bit floats")
    return tuple(np.frombuffer(content, dtype="<f8").tolist())


def _curves(lengths: Sequence[int], content: bytes, where: str) -> list[tuple[float, ...]]:
    """The curves out of their bytes; a length never reaches beyond them."""
    if len(content) % 8 or min(lengths, default=0) < 0 or 8 * sum(lengths) != len(content):
        refuse(where, f"the curves' lengths are not those of {CURVES_NAME}")
    bytes_of_each = np.frombuffer(content, np.uint8).reshape(8, -1).T
    figures = np.frombuffer(bytes_of_each.tobytes(), dtype="<f8").tolist()
    ends = np.cumsum((0, *lengths)).tolist()
    return [tuple(figures[a:b]) for a, b in pairwise(ends)]


def _edge(
    figures: Any, curves: Sequence[tuple[float, ...]], kept: Sequence[str], at: str
) -> tuple[EdgeRecord, int]:
    """An edge's record, and how many figures its curves hold."""
    if not isinstance(figures, dict):
        refuse(at, "must be an object")
    bare = from_plain(EdgeRecord, {**figures, **{name: [] for name in CURVES}}, at)
    found: dict[str, Any] = {}
    for name in kept:
        place = from_plain(int, figures.get(name), f"{at}.{name}")
        if not 0 <= place < len(curves):
            refuse(f"{at}.{name}", "is no place in the list of curves")
        found[name] = curves[place]
    count = sum(map(len, found.values()))
    try:
        return replace(bare, **found), count
    except ValueError as error:
        refuse(at, str(error))
