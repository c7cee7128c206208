"""Reads any frame: which kind of file is this, and is all of it there?

The kind is told by content, never by the name's ending. Left out: movies,
several pictures in one file (the first counts), files inside archives.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from lab.errors import FrameError
from lab.frames.container import read_contents
from lab.frames.frame import Frame
from lab.frames.image import decode_image
from lab.frames.raw import decode_raw

__all__ = ["frame_hash", "read_frame"]

_JPEG, _PNG = b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n"
_TIFF = (b"II*\0", b"MM\0*")


def read_frame(path: str | Path) -> Frame:
    """Read a raw file or an image.

    Parameters
    ----------
    path : str or Path
        Raw mosaic (DNG and other formats that LibRaw knows), or TIFF, PNG, JPEG.

    Returns
    -------
    Frame
        Linear pixels: a mosaic from a raw file, three planes from an image.

    Raises
    ------
    FrameError
        If the file is missing, a folder, empty, cut short, broken, or no
        frame. The text says which, and the mend.
    """
    path = Path(path)
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(8)
            contents = read_contents(file)
    except FileNotFoundError:
        raise FrameError(f"{path}: there is no such file.") from None
    except IsADirectoryError:
        raise FrameError(f"{path}: is a folder. Name one frame in it.") from None
    except OSError as error:
        raise FrameError(f"{path.name}: cannot be opened ({error.strerror}).") from None
    if size == 0:
        raise FrameError(f"{path.name}: is empty (0 bytes). Copy it from the card again.")
    if contents.end > size:
        raise FrameError(
            f"{path.name}: is cut short, {size} of at least {contents.end} bytes are there. "
            "Copy it from the card again."
        )
    if head.startswith((_JPEG, _PNG)) or (head.startswith(_TIFF) and not contents.is_raw):
        return decode_image(path)
    return decode_raw(path)


def frame_hash(path: Path) -> str:
    """SHA-256 of the file's bytes, 64 hexadecimal digits.

    Raises
    ------
    FrameError
        If the file cannot be read.
    """
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise FrameError(f"{path.name}: cannot be read ({error.strerror}).") from None
