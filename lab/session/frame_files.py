"""Which files under frames/ are frames, and in what order do people count them?

A frame is known by its suffix; hidden files, side-car files and previews of the file
manager are none. Names are relative to ``frames/`` with ``/`` between folders.
"""

from __future__ import annotations

import os
import re
from fnmatch import fnmatchcase
from pathlib import Path, PurePosixPath
from string import digits

from lab.errors import SessionError

__all__ = ["is_raw", "list_frames", "matches", "natural_key"]

# Raw and image formats in use; common practice, no published source.
_RAW_SUFFIXES = frozenset(
    [
        ".3fr",
        ".arw",
        ".cr2",
        ".cr3",
        ".crw",
        ".dcr",
        ".dng",
        ".erf",
        ".fff",
        ".iiq",
        ".kdc",
        ".mef",
        ".mos",
        ".mrw",
        ".nef",
        ".nrw",
        ".orf",
        ".pef",
        ".raf",
        ".raw",
        ".rw2",
        ".rwl",
        ".sr2",
        ".srf",
        ".srw",
        ".x3f",
    ]
)
_IMAGE_SUFFIXES = frozenset([".jpeg", ".jpg", ".png", ".tif", ".tiff"])


def is_raw(file: str) -> bool:
    """Whether the suffix is that of a raw format."""
    return PurePosixPath(file).suffix.lower() in _RAW_SUFFIXES


def natural_key(file: str) -> tuple[tuple[int, int, str], ...]:
    """Sorting key that counts: IMG_9 comes before IMG_10, whatever the case.

    Digits compare as numbers and before letters; the plain name breaks ties.
    """
    runs = re.findall(r"[0-9]+|[^0-9]+", file.lower())
    key = [(0, int(run), "") if run[0] in digits else (1, 0, run) for run in runs]
    return (*key, (2, 0, file))


def matches(pattern: str, file: str) -> bool:
    """Whether a ``frames`` pattern of session.toml takes a file, ignoring case."""
    parts = pattern.lower().split("/")
    # One ** after another adds nothing and would only cost time.
    lean = [part for i, part in enumerate(parts) if part != "**" or parts[i - 1 : i] != ["**"]]
    return _parts_match(lean, file.lower().split("/"))


def _parts_match(pattern: list[str], parts: list[str]) -> bool:
    if not pattern:
        return not parts
    if pattern[0] == "**":
        return any(_parts_match(pattern[1:], parts[i:]) for i in range(len(parts) + 1))
    return (
        bool(parts) and fnmatchcase(parts[0], pattern[0]) and _parts_match(pattern[1:], parts[1:])
    )


def list_frames(folder: Path) -> tuple[str, ...]:
    """Frame files of a session, in natural order of their names.

    Parameters
    ----------
    folder : Path
        Session folder; frames are looked for in ``folder/frames`` and below.

    Returns
    -------
    tuple of str
        Names relative to ``frames/``.

    Raises
    ------
    SessionError
        If there is no frames folder, or a name has characters that cannot be printed.
    """
    root = folder / "frames"
    if not root.is_dir():
        raise SessionError(
            f"{folder}: there is no folder frames in it. Make it and copy the raw files there."
        )
    found = []
    for place, folders, files in os.walk(root):
        folders[:] = [name for name in folders if not name.startswith(".")]
        for name in files:
            suffix = PurePosixPath(name).suffix.lower()
            path = Path(place, name)
            if (
                name.startswith(".")
                or suffix not in _RAW_SUFFIXES | _IMAGE_SUFFIXES
                or not path.is_file()
            ):
                continue
            file = path.relative_to(root).as_posix()
            if not file.isprintable():
                raise SessionError(
                    f"{root}, {file!a}: the name holds characters that cannot be printed. "
                    "Rename the file."
                )
            found.append(file)
    return tuple(sorted(found, key=natural_key))
