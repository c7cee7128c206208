"""What did the camera write into each file, though a broken file may kill its reader?

The files' tags are read in a guarded process (``lab.session.guarded_process``), one process
for all of them, and kept in the results store by the file's hash: what reads a measured
session opens no frame. A file that costs the process is told with its reason, which is not
kept: the reader may be mended.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path

from lab.frames import FrameMetadata, read_metadata
from lab.session.guarded_process import GuardedProcess, Limits

__all__ = ["METADATA_KEY", "metadata_from_json", "metadata_to_json", "new_metadata"]

METADATA_KEY = "metadata"  # among the store's summaries
_METHOD = 1  # raised when a change of the reader may see more: the old are then forgotten


def new_metadata(
    paths: Mapping[str, Path], limits: Limits
) -> tuple[dict[str, FrameMetadata], dict[str, str]]:
    """Read files' metadata.

    Parameters
    ----------
    paths : mapping
        Hash to file. Without any no process is started.
    limits : Limits
        On each file.

    Returns
    -------
    metadata : dict
        By hash; an empty record for those that cost the process.
    lost : dict
        By hash: how they did.

    Raises
    ------
    LabError
        If no process can be started.
    """
    metadata, lost = {}, {}
    reader = GuardedProcess(limits)
    try:
        for sha256, path in paths.items():
            outcome = reader.insist(read_metadata, path)
            metadata[sha256] = FrameMetadata() if outcome.loss else outcome.result
            if outcome.loss:
                lost[sha256] = outcome.loss
    finally:
        reader.end()
    return metadata, lost


def metadata_to_json(metadata: Mapping[str, FrameMetadata]) -> str:
    """Metadata by hash as the store keeps them."""
    kept = {sha256: asdict(one) for sha256, one in metadata.items()}
    return json.dumps({"method": _METHOD, "metadata": kept}, sort_keys=True)


def metadata_from_json(text: str | None) -> dict[str, FrameMetadata]:
    """Metadata by hash from the store's text; empty where they are none of ours or older."""
    try:
        document = json.loads(text or "{}")
        if document.get("method") != _METHOD:
            return {}
        return {str(h): _checked(FrameMetadata(**m)) for h, m in document["metadata"].items()}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}  # scribbled over: it costs a second reading


def _checked(one: FrameMetadata) -> FrameMetadata:
    """One record, if its fields hold what they should.

    Raises
    ------
    TypeError
        If they do not.
    """
    for name, value in asdict(one).items():
        kind = str if name in ("camera", "captured_at") else float
        if value is not None and type(value) is not kind:
            raise TypeError(f"{name} is no {kind.__name__}")
    return one
