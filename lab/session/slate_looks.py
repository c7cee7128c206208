"""Which frames show a slate? A look at a frame's pixels, and how looks are kept.

A look decodes the whole frame, so it is had once: it is kept by the hash of the file,
never by its name. That a file cannot be read is not kept: the reader may be mended.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from lab.errors import FrameError
from lab.frames import Frame, read_frame
from lab.frames.codes import read_slate
from targets.errors import TargetError
from targets.slates import Slate, parse_slate, slate_text

__all__ = [
    "SlateLook",
    "look_for_slate",
    "looks_from_json",
    "looks_to_json",
    "seen_slate",
    "unreadable_look",
]

_METHOD = 1  # raised when a change of the reader may see more: old looks are then forgotten


@dataclass(frozen=True, kw_only=True)
class SlateLook:
    """What a look at one frame gave: a slate, one that is damaged, or neither.

    ``unreadable`` tells why the file itself cannot be read, "" if it can.
    """

    slate: Slate | None = None
    damage: str = ""
    unreadable: str = ""


def look_for_slate(path: Path) -> SlateLook:
    """Look at one frame.

    Parameters
    ----------
    path : Path
    """
    try:
        frame = read_frame(path)
    except FrameError as error:
        return unreadable_look(path, error)
    return seen_slate(frame, path)


def unreadable_look(path: Path, error: FrameError) -> SlateLook:
    """What a look at a file gives that is none of a frame.

    Parameters
    ----------
    path : Path
    error : FrameError
        Of its reader.
    """
    return SlateLook(unreadable=str(error).removeprefix(f"{path.name}: "))


def seen_slate(frame: Frame, path: Path) -> SlateLook:
    """Look at a decoded frame.

    Parameters
    ----------
    frame : Frame
    path : Path
        Of its file.
    """
    try:
        return SlateLook(slate=read_slate(frame))
    except FrameError as error:
        return SlateLook(damage=str(error).removeprefix(f"{path.name}: "))


def looks_to_json(looks: Mapping[str, SlateLook]) -> str:
    """Looks by hash as the store keeps them, without the unreadable files.

    Parameters
    ----------
    looks : mapping
        SHA-256 of a file to its look.
    """
    kept = {
        sha256: {"damage": look.damage}
        if look.damage
        else {"text": "" if look.slate is None else slate_text(look.slate)}
        for sha256, look in looks.items()
        if not look.unreadable
    }
    return json.dumps({"method": _METHOD, "looks": kept}, sort_keys=True)


def looks_from_json(text: str | None) -> dict[str, SlateLook]:
    """Looks by hash from the store's text; empty where they are none of ours or older."""
    try:
        document = json.loads(text or "{}")
        if document.get("method") != _METHOD:
            return {}
        return {
            str(sha256): SlateLook(damage=str(kept["damage"]))
            if "damage" in kept
            else SlateLook(slate=parse_slate(kept["text"]))
            for sha256, kept in document["looks"].items()
        }
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, TargetError):
        return {}  # scribbled over: it costs a second look
