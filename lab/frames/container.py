"""What a file's own table of contents says: how long must it be, is it a raw file?

A copy that broke off is found here, in milliseconds and with numbers, before a
decoder sees it. Covers the TIFF family (DNG and most raw formats, TIFF images)
and boxed files (ISO base media: newer raw formats). Other formats give no
length; there the decoder's own checks and ``lab.frames.raw`` must do.

References
----------
.. [1] TIFF Revision 6.0, Adobe, 1992: from memory.
.. [2] ISO/IEC 14496-12, box structure: from memory.
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

__all__ = ["Contents", "begins_as_raw", "can_hold", "read_contents"]

_SHORT, _LONG, _IFD = 3, 4, 13
_FORMAT = {_SHORT: "H", _LONG: "I", _IFD: "I"}
_PHOTOMETRIC, _SUB_DIRECTORIES, _DNG_VERSION = 262, 330, 50706
# Where the offset of each data block stands, and where its length.
_BLOCKS = {273: 279, 324: 325, 513: 514}  # strips, tiles, embedded JPEG
_WANTED = {_PHOTOMETRIC, _SUB_DIRECTORIES, *_BLOCKS, *_BLOCKS.values()}
_MOSAIC_OR_LINEAR_RAW = {32803, 34892}
# Far above what real files hold; they stop a broken table from costing time or memory.
_MOST_DIRECTORIES, _MOST_VALUES = 100, 1_000_000
# Deflate packs 1032 times at most (zlib's documentation, from memory), JPEG about as much.
_MOST_VALUES_PER_BYTE = 2000


@dataclass(frozen=True, kw_only=True)
class Contents:
    """What the tables say.

    Attributes
    ----------
    end : int
        The file must be at least this long; 0 where no table says. [byte]
    is_raw : bool
        The tables describe a raw file. False also where no table says.
    """

    end: int = 0
    is_raw: bool = False


def read_contents(file: BinaryIO) -> Contents:
    """Read the table of contents of an open file; only the tables are read."""
    file.seek(0)
    head = file.read(16)
    if head[:4] == b"II*\0":
        return _tiff(file, "<", is_raw=head[8:10] == b"CR")
    if head[:4] == b"MM\0*":
        return _tiff(file, ">", is_raw=False)
    if head[4:8] == b"ftyp":
        return Contents(end=_end_of_boxes(file))
    return Contents()


def begins_as_raw(path: Path) -> bool:
    """Whether a file's first bytes are those of any raw format; False where it cannot be read.

    Formats of the TIFF family begin with their byte order, whatever follows it; the other
    beginnings are from memory.
    """
    try:
        with path.open("rb") as file:
            head = file.read(16)
    except OSError:
        return False
    return (
        head.startswith((b"II", b"MM", b"\0MRM", b"FOVb"))
        or head[4:8] == b"ftyp"
        or b"CCD-RAW" in head
    )


def can_hold(n_values: int, n_bytes: int) -> bool:
    """Whether a file of so many bytes may hold so many pixel values, however it is packed.

    A broken table can claim any size, and a decoder would take the memory for it.
    """
    return n_values <= _MOST_VALUES_PER_BYTE * n_bytes


def _tiff(file: BinaryIO, order: str, is_raw: bool) -> Contents:
    file.seek(4)
    end = 8
    todo = [(struct.unpack(order + "I", file.read(4).ljust(4, b"\0"))[0], True)]
    done: set[int] = set()
    while todo and len(done) < _MOST_DIRECTORIES:
        at, in_main_chain = todo.pop()
        if at == 0 or at in done:
            continue
        done.add(at)
        file.seek(at)
        (n_entry,) = struct.unpack(order + "H", file.read(2).ljust(2, b"\0"))
        end = max(end, at + 2 + 12 * n_entry + 4)
        table = file.read(12 * n_entry + 4)
        if len(table) < 12 * n_entry + 4:
            continue
        fields: dict[int, tuple[int, ...]] = {}
        for tag, kind, count, value in struct.iter_unpack(order + "HHI4s", table[:-4]):
            is_raw |= tag == _DNG_VERSION
            if tag not in _WANTED or kind not in _FORMAT or count > _MOST_VALUES:
                continue
            code = f"{order}{count}{_FORMAT[kind]}"
            size = struct.calcsize(code)
            data = value[:size]
            if size > 4:
                (where,) = struct.unpack(order + "I", value)
                end = max(end, where + size)
                file.seek(where)
                data = file.read(size)
            if len(data) == size:
                fields[tag] = struct.unpack(code, data)
        is_raw |= not _MOSAIC_OR_LINEAR_RAW.isdisjoint(fields.get(_PHOTOMETRIC, ()))
        for offset_tag, length_tag in _BLOCKS.items():
            blocks = zip(fields.get(offset_tag, ()), fields.get(length_tag, ()), strict=False)
            end = max([end, *(offset + length for offset, length in blocks)])
        todo += [(sub, False) for sub in fields.get(_SUB_DIRECTORIES, ())]
        if in_main_chain:  # behind a sub-directory, some writers leave a stray number
            todo += [(struct.unpack(order + "I", table[-4:])[0], True)]
    return Contents(end=end, is_raw=is_raw)


def _end_of_boxes(file: BinaryIO) -> int:
    size = os.fstat(file.fileno()).st_size
    at = 0
    while at < size:
        file.seek(at)
        head = file.read(16)
        if len(head) < 8:
            return at + 8
        (length,) = struct.unpack(">I", head[:4])
        if length == 0:  # the last box runs to the end of the file
            return size
        if length == 1 and len(head) == 16:
            (length,) = struct.unpack(">Q", head[8:])
        at += max(length, 8)
    return at
