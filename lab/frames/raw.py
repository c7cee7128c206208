"""Decodes a raw file to one linear value per pixel: what did each site of the mosaic see?

The black level of each colour is subtracted, nothing else: no white balance,
no demosaicing, no tone curve, no turning. (row, col) counts the visible area as
the sensor reads it out. Left out: a camera that clips below the white level it
states (its clipped pixels pass as good), and raw files without a
red-green-blue mosaic, which are refused.
"""

from __future__ import annotations

import ctypes
import sys
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from lab.edges.types import MaskArray
from lab.errors import FrameError
from lab.frames.container import begins_as_raw, can_hold
from lab.frames.frame import Frame
from lab.frames.linear import LinearMosaic
from lab.frames.metadata import metadata_from_raw, metadata_from_tags, read_tags

__all__ = ["SATURATION_SHARE", "decode_raw", "with_neighbours"]

# Share of full scale from which a pixel counts as clipped. The last percent is
# left out because converters bend there (common practice, no published source).
SATURATION_SHARE = 0.99

_M_MMAP_THRESHOLD = -3  # of the GNU C library's malloc.h, from memory
_FRESH_BYTES = 4_000_000  # frames of 2 megapixels and more
_STRIP_ROWS = 64  # of the mosaic at a time: they stay in the cache

_NO_RAW = (
    "{name}: is no raw file, nor TIFF, PNG or JPEG, whatever its name says. Give the camera's own "
    "file."
)
_AGAIN = "Copy it from the card again, or shoot again."


def decode_raw(path: Path) -> Frame:
    """Decode a raw mosaic.

    Parameters
    ----------
    path : Path
        A raw file that LibRaw knows.

    Returns
    -------
    Frame
        A mosaic. ``white_dn`` is the lowest full scale of its colours.

    Raises
    ------
    FrameError
        If the file is no raw file, is broken or empty, or has no
        red-green-blue mosaic.
    """
    import rawpy

    tags = read_tags(path)
    is_fresh = _fresh_memory()
    try:
        raw = rawpy.imread(str(path))
        _check_size(path, raw.sizes)
        pattern, black = _pattern_and_black(path, raw)
        white = _white(raw)
        values = raw.raw_image_visible  # the decoder's own memory, which lives as long as this
        _check_content(path, values, white)
        metadata = metadata_from_tags(tags) if tags else metadata_from_raw(raw)
        if not (is_fresh and raw.raw_image.nbytes > 2 * _FRESH_BYTES):
            values = values.copy()
            raw.raw_image[:] = 0  # whatever meets this memory next must not take it for its own
            raw.close()
    except rawpy.LibRawFileUnsupportedError:
        if not begins_as_raw(path):
            raise FrameError(_NO_RAW.format(name=path.name)) from None
        raise FrameError(
            f"{path.name}: not a raw file that can be read here, nor TIFF, PNG or JPEG. "
            "Convert it to DNG."
        ) from None
    except (rawpy.LibRawError, rawpy.NotSupportedError, NotImplementedError, OSError) as error:
        if not begins_as_raw(path):
            raise FrameError(_NO_RAW.format(name=path.name)) from None
        raise FrameError(
            f"{path.name}: the raw data are broken ({_words(error)}). {_AGAIN}"
        ) from None
    white_dn = float(white - black.max())
    if not white_dn > 0:
        raise FrameError(
            f"{path.name}: its white level ({white} DN) is not above its black level "
            f"({black.max():g} DN). Convert it to DNG with another converter."
        )
    pixels = LinearMosaic(values, black)
    return Frame(
        path=path,
        pixels=pixels,
        pattern=pattern,
        saturated=_saturated(pixels, SATURATION_SHARE * white_dn),
        white_dn=white_dn,
        metadata=metadata,
    )


def with_neighbours(mask: MaskArray) -> MaskArray:
    """A mask grown by one pixel each way, corners included.

    Charge runs over to the next pixel.
    """
    if not mask.any():
        return mask
    grown = np.empty_like(mask)
    for start in range(0, len(mask), _STRIP_ROWS):
        above = max(start - 1, 0)
        strip = mask[above : start + _STRIP_ROWS + 1]
        rows = strip.copy()
        rows[1:] |= strip[:-1]
        rows[:-1] |= strip[1:]
        rows = rows[start - above :][:_STRIP_ROWS]
        out = grown[start : start + _STRIP_ROWS]
        out[:] = rows
        out[:, 1:] |= rows[:, :-1]
        out[:, :-1] |= rows[:, 1:]
    return grown


@cache
def _fresh_memory() -> bool:
    """Have large blocks of memory come from the system, all zero, instead of used ones.

    They go back to it as soon as they are free. Whether that could be arranged.

    LibRaw does not clear what it decodes into. Where a broken file holds fewer rows than its
    tables say, the rest would show the frame before it, and be measured; as zeros they are
    found by ``_check_content``. The GNU C library hands out used memory for frames below 16
    megapixels unless told so; other systems take fresh memory for large blocks (from memory).
    """
    if sys.platform == "linux":
        with suppress(AttributeError, OSError):  # another C library
            return bool(ctypes.CDLL(None).mallopt(_M_MMAP_THRESHOLD, _FRESH_BYTES))
    return False


def _check_size(path: Path, sizes: Any) -> None:
    if not can_hold(sizes.raw_width * sizes.raw_height, path.stat().st_size):
        raise OSError(f"too short for {sizes.raw_width} x {sizes.raw_height} pixels")


def _pattern_and_black(
    path: Path, raw: Any
) -> tuple[npt.NDArray[np.int8], npt.NDArray[np.float32]]:
    """Colour and black level of each site of the repeating pattern of the visible area.

    Raises
    ------
    FrameError
        If the file holds no red-green-blue mosaic.
    """
    colours = raw.color_desc.decode("ascii", "replace")
    sites = raw.raw_pattern
    if sites is None or raw.num_colors != 3 or set(colours) != set("RGB") or sites.max() > 3:
        raise FrameError(
            f"{path.name}: holds no red-green-blue mosaic ({raw.num_colors} colour(s) per pixel or "
            "other filters), so no raw colour can be measured. Use the camera's own raw file."
        )
    # LibRaw numbers the two greens of a 2 x 2 pattern 1 and 3; both are green here.
    channel_of = np.array(["RGB".index(letter) for letter in colours], dtype=np.int8)
    black = np.array(raw.black_level_per_channel, dtype=np.float32)
    return channel_of[sites], black[sites]


def _white(raw: Any) -> int:
    per_colour = [level for level in raw.camera_white_level_per_channel or () if level > 0]
    return int(min([raw.white_level, *per_colour]))


def _check_content(path: Path, values: npt.NDArray[np.uint16], white: int) -> None:
    # Zeros stand where a decoder met the end of the data in silence (see _fresh_memory).
    n_empty = int(np.count_nonzero(~values.any(axis=1)))
    if n_empty:
        raise FrameError(f"{path.name}: {n_empty} of {values.shape[0]} rows hold no data. {_AGAIN}")
    first = values[0, 0]
    if (values[0] == first).all() and (values == first).all():
        mend = "Halve the exposure and shoot again." if first >= white else _AGAIN
        raise FrameError(f"{path.name}: every pixel has the same value ({first} DN). {mend}")


def _saturated(pixels: LinearMosaic, full_dn: float) -> MaskArray:
    """Pixels at or next to full scale; read-only and without memory of its own if there are none.

    In strips of rows, as the values of the whole frame would take four bytes a pixel.
    """
    mask: MaskArray | None = None
    for start in range(0, len(pixels), _STRIP_ROWS):
        full = pixels[start : start + _STRIP_ROWS] >= full_dn
        if full.any():
            mask = np.zeros(pixels.shape, np.bool_) if mask is None else mask
            mask[start : start + _STRIP_ROWS] = full
    if mask is None:
        return np.broadcast_to(np.False_, pixels.shape)
    return with_neighbours(mask)


def _words(error: Exception) -> str:
    first = error.args[0] if error.args else type(error).__name__
    return first.decode("ascii", "replace") if isinstance(first, bytes) else str(first)
