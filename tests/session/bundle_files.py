"""Bundles as another program, a forger or an earlier stopwise would write them."""

from __future__ import annotations

import base64
import hashlib
import io
import itertools
import json
import zipfile
from collections.abc import Callable

import numpy as np

from lab.session.records import PROFILE

__all__ = ["Members", "as_schema_1", "signed", "zipped"]

Members = dict[str, bytes]


def signed(members: Members) -> Members:
    """With a manifest that fits the other members, as a forger would make it."""
    others = {name: content for name, content in members.items() if name != "manifest.json"}
    manifest = json.loads(members["manifest.json"])
    manifest["sha256"] = {n: hashlib.sha256(c).hexdigest() for n, c in others.items()}
    return {**others, "manifest.json": json.dumps(manifest).encode()}


def zipped(
    members: Members,
    change: Callable[[zipfile.ZipInfo], None] = lambda _: None,
    method: int = zipfile.ZIP_DEFLATED,
) -> bytes:
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w", method) as whole:
        for name, content in members.items():
            info = zipfile.ZipInfo(name)
            info.compress_type = method
            change(info)
            whole.writestr(info, content)
    return archive.getvalue()


def as_schema_1(members: Members) -> Members:
    """As an earlier stopwise wrote it: curves among the frames, no profiles, no exposures."""
    document = json.loads(members["frames.json"])
    content = members["curves.f64"]
    curves = np.frombuffer(content, np.uint8).reshape(8, -1).T.tobytes()
    ends = 8 * np.cumsum([0, *document["curves"]])
    document["curves"] = [
        base64.b64encode(curves[a:b]).decode() for a, b in itertools.pairwise(ends)
    ]
    del document["exposures"]
    for frame in document["frames"]:
        for edge in frame["edges"]:
            for name in PROFILE:
                del edge[name]
    manifest = {**json.loads(members["manifest.json"]), "schema": 1}
    del manifest["with_profiles"]
    older = {name: content for name, content in members.items() if name != "curves.f64"}
    older["frames.json"] = json.dumps({**document, "schema": 1}).encode()
    return signed({**older, "manifest.json": json.dumps(manifest).encode()})
