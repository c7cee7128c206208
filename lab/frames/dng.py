"""Writes one raw mosaic as an uncompressed DNG: how do we make a raw file from numbers?

Little-endian TIFF, one image directory with the colour-filter mosaic in one
strip of 16-bit samples, one EXIF directory. The same arguments give the same
bytes. Left out: previews, compression, masked borders, colour profiles beyond
the one matrix that the format asks for.

References
----------
.. [1] TIFF Revision 6.0, Adobe, 1992 (directories, field types): from memory.
.. [2] Digital Negative Specification 1.4.0.0, Adobe, 2012 (tags): from memory.
.. [3] CIPA DC-008, Exif 2.32, 2019 (EXIF tags): from memory.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt

from lab.frames.frame import FrameMetadata

__all__ = ["BAYER_PATTERNS", "write_dng"]

BAYER_PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")

# XYZ (D65) to linear red, green, blue of IEC 61966-2-1, so that a general raw
# viewer shows the simulated frame in plain colours. Nothing in the lab uses it.
_COLOR_MATRIX = (3.2406, -1.5372, -0.4986, -0.9689, 1.8758, 0.0415, 0.0557, -0.2040, 1.0570)
_D65 = 21  # CalibrationIlluminant1

_BYTE, _ASCII, _SHORT, _LONG, _RATIONAL, _UNDEFINED, _SRATIONAL = 1, 2, 3, 4, 5, 7, 10
_FORMAT = {_BYTE: "B", _SHORT: "H", _LONG: "I", _RATIONAL: "I", _SRATIONAL: "i"}

_Field = tuple[int, int, bytes]  # type, count, value bytes


def write_dng(
    path: Path,
    mosaic: npt.NDArray[np.integer],
    *,
    pattern: str = "RGGB",
    black_dn: int | Sequence[int],
    white_dn: int,
    bits: int = 14,
    metadata: FrameMetadata,
    unique_camera_model: str = "Club body",
) -> None:
    """Write a raw mosaic as a DNG file.

    Parameters
    ----------
    path : Path
        File to write; replaced if it is there.
    mosaic : ndarray of integers, (n_row, n_col)
        Raw values, black not subtracted. [DN], 0 to 2**bits - 1
    pattern : str
        Colours of the 2 x 2 filter pattern, row by row; one of ``BAYER_PATTERNS``.
    black_dn : int or sequence of 4 int
        Black level of all sites, or of each site of the pattern, row by row. [DN]
    white_dn : int
        Full scale, black not subtracted. [DN], above black, < 2**bits
    bits : int
        Depth of the converter. Samples take 16 bits whatever it is. 1 to 16
    metadata : FrameMetadata
        What the camera would have written. Fields that are None are left out.
    unique_camera_model : str
        Model name that the format demands, ASCII.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    if pattern not in BAYER_PATTERNS:
        raise ValueError(f"pattern must be one of {', '.join(BAYER_PATTERNS)}: {pattern}")
    if not 1 <= bits <= 16:
        raise ValueError(f"bits must be 1 to 16: {bits}")
    if mosaic.ndim != 2 or mosaic.size == 0 or mosaic.dtype.kind not in "iu":
        raise ValueError("mosaic must be a 2-D array of integers, not empty")
    if mosaic.min() < 0 or mosaic.max() >= 2**bits:
        raise ValueError(f"mosaic must lie within 0 to {2**bits - 1} DN ({bits} bits)")
    black = np.ravel(black_dn).tolist()
    black = black * 4 if len(black) == 1 else black
    if len(black) != 4 or not 0 <= min(black) <= max(black) < white_dn < 2**bits:
        raise ValueError("black_dn must be 1 or 4 levels >= 0, below white_dn < 2**bits")

    n_row, n_col = mosaic.shape
    neutral = [Fraction(1)] * 3
    matrix = [Fraction(str(value)) for value in _COLOR_MATRIX]
    image: dict[int, _Field] = {
        254: _numbers(_LONG, [0]),  # NewSubfileType: the full image
        256: _numbers(_LONG, [n_col]),
        257: _numbers(_LONG, [n_row]),
        258: _numbers(_SHORT, [16]),  # BitsPerSample
        259: _numbers(_SHORT, [1]),  # Compression: none
        262: _numbers(_SHORT, [32803]),  # PhotometricInterpretation: colour-filter array
        273: _numbers(_LONG, [0]),  # StripOffsets, filled in below
        274: _numbers(_SHORT, [1]),  # Orientation: rows and columns as stored
        277: _numbers(_SHORT, [1]),  # SamplesPerPixel
        278: _numbers(_LONG, [n_row]),  # RowsPerStrip
        279: _numbers(_LONG, [2 * mosaic.size]),  # StripByteCounts
        284: _numbers(_SHORT, [1]),  # PlanarConfiguration
        33421: _numbers(_SHORT, [2, 2]),  # CFARepeatPatternDim
        33422: _numbers(_BYTE, ["RGB".index(colour) for colour in pattern]),  # CFAPattern
        34665: _numbers(_LONG, [0]),  # Exif directory, filled in below
        50706: _numbers(_BYTE, [1, 4, 0, 0]),  # DNGVersion
        50707: _numbers(_BYTE, [1, 1, 0, 0]),  # DNGBackwardVersion
        50708: _text(unique_camera_model),  # UniqueCameraModel
        50713: _numbers(_SHORT, [2, 2]),  # BlackLevelRepeatDim
        50714: _numbers(_SHORT, black),  # BlackLevel
        50717: _numbers(_SHORT, [white_dn]),  # WhiteLevel
        50721: _rationals(_SRATIONAL, matrix),  # ColorMatrix1
        50728: _rationals(_RATIONAL, neutral),  # AsShotNeutral
        50778: _numbers(_SHORT, [_D65]),  # CalibrationIlluminant1
    }
    if metadata.camera is not None:
        image[272] = _text(metadata.camera)  # Model
    exif_at = 8 + _directory_size(image)
    exif = _exif_fields(metadata)
    strip_at = exif_at + _directory_size(exif)
    image[273] = _numbers(_LONG, [strip_at])
    image[34665] = _numbers(_LONG, [exif_at])
    with path.open("wb") as file:
        file.write(struct.pack("<2sHI", b"II", 42, 8))
        file.write(_directory(image, 8))
        file.write(_directory(exif, exif_at))
        file.write(np.ascontiguousarray(mosaic, dtype="<u2").data)


def _exif_fields(metadata: FrameMetadata) -> dict[int, _Field]:
    fields: dict[int, _Field] = {36864: (_UNDEFINED, 4, b"0232")}  # ExifVersion
    for tag, value in (
        (33434, metadata.exposure_s),
        (33437, metadata.f_number),
        (34855, metadata.iso),
        (37386, metadata.focal_length_mm),
    ):
        if value is None:
            continue
        if not (value > 0 and math.isfinite(value)):
            raise ValueError(f"exposure, f-number, ISO and focal length must be > 0: {value}")
        if tag == 34855:
            fields[tag] = _numbers(_SHORT, [round(value)])
        else:
            fields[tag] = _rationals(_RATIONAL, [Fraction(value).limit_denominator(10**9)])
    if metadata.captured_at is not None:
        moment, _, subsecond = metadata.captured_at.partition(".")
        fields[36867] = _text(moment)  # DateTimeOriginal
        if subsecond:
            fields[37521] = _text(subsecond)  # SubSecTimeOriginal
    return fields


def _numbers(kind: int, values: Sequence[int]) -> _Field:
    try:
        return kind, len(values), struct.pack(f"<{len(values)}{_FORMAT[kind]}", *values)
    except struct.error as error:
        raise ValueError(f"{list(values)} does not fit its field: {error}") from None


def _rationals(kind: int, values: Sequence[Fraction]) -> _Field:
    flat = [part for value in values for part in (value.numerator, value.denominator)]
    return kind, len(values), _numbers(kind, flat)[2]


def _text(value: str) -> _Field:
    data = value.encode("ascii") + b"\0"
    return _ASCII, len(data), data


def _directory_size(fields: dict[int, _Field]) -> int:
    return len(_directory(fields, 0))


def _directory(fields: dict[int, _Field], at: int) -> bytes:
    """One image file directory that starts at byte ``at``, with its long values behind it."""
    entries, tail = struct.pack("<H", len(fields)), b""
    tail_at = at + 2 + 12 * len(fields) + 4
    for tag, (kind, count, data) in sorted(fields.items()):
        value = data
        if len(data) > 4:
            value = struct.pack("<I", tail_at + len(tail))
            tail += data + b"\0" * (len(data) % 2)  # values start on even bytes
        entries += struct.pack("<HHI4s", tag, kind, count, value)
    return entries + struct.pack("<I", 0) + tail
