"""A raw file packed as most cameras pack theirs: lossless JPEG, by a writer of our own.

ITU-T T.81 process 14 with predictor 1 (the value to the left), two components side by
side as DNG has it for a 2 x 2 mosaic (both from memory); LibRaw, which shares nothing
with it, reads it back. Every length of a difference has a five-bit code, so that packing
needs no table: a camera's own tables pack tighter.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import numpy.typing as npt

from lab.frames import FrameMetadata, write_dng

__all__ = ["write_lossless_dng"]

_CODE_BITS = 5
_BITS = 14
_CHUNK_ROWS = 200


def write_lossless_dng(
    path: Path,
    mosaic: npt.NDArray[np.uint16],
    *,
    black_dn: int,
    white_dn: int,
    metadata: FrameMetadata,
) -> None:
    """Write an RGGB mosaic of 14 bits as a DNG that holds one lossless JPEG.

    Raises
    ------
    ValueError
        If the columns are odd in number.
    """
    if mosaic.shape[1] % 2:
        raise ValueError("the mosaic must have an even number of columns")
    write_dng(
        path,
        mosaic,
        pattern="RGGB",
        black_dn=black_dn,
        white_dn=white_dn,
        bits=_BITS,
        metadata=metadata,
    )
    head = bytearray(path.read_bytes()[: -2 * mosaic.size])  # the strip comes last
    packed = _jpeg(mosaic)
    (entries,) = struct.unpack_from("<H", head, 8)
    for at in range(10, 10 + 12 * entries, 12):
        (tag,) = struct.unpack_from("<H", head, at)
        if tag == 259:  # Compression
            struct.pack_into("<H", head, at + 8, 7)
        elif tag == 279:  # StripByteCounts
            struct.pack_into("<I", head, at + 8, len(packed))
    path.write_bytes(bytes(head) + packed)


def _jpeg(mosaic: npt.NDArray[np.uint16]) -> bytes:
    n_row, n_col = mosaic.shape
    pairs = mosaic.reshape(n_row, n_col // 2, 2)
    pieces = []
    rest = np.zeros(0, np.uint8)
    for at in range(0, n_row, _CHUNK_ROWS):
        bits = np.concatenate([rest, _bits(pairs, at, min(at + _CHUNK_ROWS, n_row))])
        whole = bits.size // 8 * 8
        pieces.append(np.packbits(bits[:whole]))
        rest = bits[whole:]
    pieces.append(np.packbits(np.concatenate([rest, np.ones(-rest.size % 8, np.uint8)])))
    data = np.concatenate(pieces)
    stuffed = np.insert(data, np.flatnonzero(data == 0xFF) + 1, 0).tobytes()
    counts = bytes(_BITS + 2 if i == _CODE_BITS else 0 for i in range(1, 17))
    table = b"\x00" + counts + bytes(range(_BITS + 2))
    frame = struct.pack(">BHHB", _BITS, n_row, n_col // 2, 2) + b"\x00\x11\x00\x01\x11\x00"
    head = b"\xff\xd8"
    scan = b"\x02\x00\x00\x01\x00\x01\x00\x00"
    for marker, body in ((0xC4, table), (0xC3, frame), (0xDA, scan)):
        head += struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body
    return head + stuffed + b"\xff\xd9"


def _bits(pairs: npt.NDArray[np.uint16], first: int, last: int) -> npt.NDArray[np.uint8]:
    """Code and value of each difference of some lines, a bit an element."""
    now = pairs[first:last].astype(np.int64)
    before = np.empty_like(now)
    before[:, 1:] = now[:, :-1]
    before[1:, 0] = now[:-1, 0]  # a line begins with the value above
    before[0, 0] = pairs[first - 1, 0] if first else 1 << (_BITS - 1)
    difference = (now - before).ravel()
    size = np.zeros(difference.size, np.int64)
    left = np.abs(difference)
    while left.any():
        size += left > 0
        left >>= 1
    extra = np.where(difference < 0, difference + (1 << size) - 1, difference)
    word = (size << size) | extra  # the code of a length is its number in five bits
    length = size + _CODE_BITS
    end = np.cumsum(length)
    bits = np.zeros(int(end[-1]), np.uint8)
    for i in range(int(length.max())):
        has = length > i
        bits[end[has] - 1 - i] = (word[has] >> i) & 1
    return bits
