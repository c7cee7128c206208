"""Reads a developed picture (TIFF, PNG, JPEG) as linear red, green and blue planes.

8-bit values are taken through the curve of the file's colour profile, or of sRGB
where it names none; 16-bit values are taken as linear unless the file declares a
profile or sRGB. A frame that went through a curve or through 8 bits carries the
flag "tone-mapped": its figures are indicative only. "demosaiced" marks colour
planes that were interpolated; "grey" marks one plane that stands for all three.
(row, col) is as stored; an orientation tag is not followed. Left out: 16-bit
colour PNG (Pillow would cut it to 8 bits without a word) and 16-bit TIFF under
other compressions than Deflate; both are refused.
"""

from __future__ import annotations

import logging
import warnings
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.errors import FrameError
from lab.frames.container import can_hold
from lab.frames.frame import Frame
from lab.frames.metadata import Tags, metadata_from_tags, read_tags
from lab.frames.raw import SATURATION_SHARE, with_neighbours
from lab.frames.tone import decode_profile, decode_srgb

__all__ = ["decode_image"]

_AS_TIFF = "Save it as an uncompressed 8- or 16-bit TIFF."
_SRGB = 1  # Exif tag ColorSpace

# Without a handler the libraries print what they meet in a damaged file to the terminal.
for _library in ("tifffile", "PIL"):
    logging.getLogger(_library).addHandler(logging.NullHandler())


def decode_image(path: Path) -> Frame:
    """Decode an image file.

    Parameters
    ----------
    path : Path
        TIFF, PNG or JPEG, 8 or 16 bits, grey or red-green-blue. Transparency is
        dropped.

    Returns
    -------
    Frame
        Three planes, linear, in units of the file's own full scale (255 or
        65535). A grey file gives three equal, read-only planes.

    Raises
    ------
    FrameError
        If the file is broken or of another kind.
    """
    from PIL import Image, UnidentifiedImageError

    try:
        with path.open("rb") as file:
            is_tiff = file.read(2) in (b"II", b"MM")
        with warnings.catch_warnings():  # on the screen they would only puzzle
            warnings.simplefilter("ignore")
            stored, declared = _read_tiff(path) if is_tiff else _read_with_pillow(path)
    except (ValueError, Image.DecompressionBombError) as error:
        raise FrameError(f"{path.name}: cannot be decoded ({error}). {_AS_TIFF}") from None
    except Exception as error:  # a broken file raises whatever its decoder meets
        is_unknown = isinstance(error, UnidentifiedImageError)
        reason = "no picture is found in it" if is_unknown else error
        raise FrameError(
            f"{path.name}: is broken ({reason}). Copy it from the card again."
        ) from None
    is_picture = stored.ndim == 2 or (stored.ndim == 3 and stored.shape[2] == 3)
    if stored.dtype.str[1:] not in ("u1", "u2") or not is_picture or stored.size == 0:
        raise FrameError(
            f"{path.name}: {stored.dtype} values in {stored.ndim} dimensions are neither grey nor "
            f"red-green-blue of 8 or 16 bits. {_AS_TIFF}"
        )
    tags = read_tags(path)
    white_dn = 255.0 if stored.dtype.itemsize == 1 else 65535.0
    value = np.linspace(0, 1, int(white_dn) + 1)
    light = _light(path, value, declared, tags)
    planes = (white_dn * light).astype(np.float32)[stored]
    full = planes >= SATURATION_SHARE * white_dn
    flags = ["tone-mapped"] if white_dn == 255 or not np.array_equal(light, value) else []
    if stored.ndim == 2:
        flags.append("grey")
        planes = np.broadcast_to(planes[:, :, None], (*planes.shape, 3))
    else:
        flags.append("demosaiced")
        full = full.any(axis=2)
    return Frame(
        path=path,
        pixels=planes,
        pattern=np.empty((0, 0), dtype=np.int8),
        saturated=with_neighbours(full),
        white_dn=white_dn,
        metadata=metadata_from_tags(tags),
        flags=tuple(flags),
    )


def _light(path: Path, value: FloatArray, declared: Mapping[Any, Any], tags: Tags) -> FloatArray:
    """Light (0 to 1) for each value that the file can store (0 to 1), by what it declares.

    Raises
    ------
    FrameError
        If its colour profile holds no tone curve that can be read.
    """
    profile = declared.get("icc_profile")
    if profile:
        # A damaged tag may hold a number.
        light = decode_profile(profile, value) if isinstance(profile, bytes) else None
        if light is None:
            raise FrameError(
                f"{path.name}: the tone curve of its colour profile cannot be read. "
                "Export it with the sRGB profile."
            )
        return light
    exif_space = getattr(tags.get("EXIF ColorSpace"), "values", None)
    if "srgb" in declared or exif_space == [_SRGB]:
        return decode_srgb(value)
    if declared.get("gamma"):
        return np.asarray(value ** (1 / declared["gamma"]))
    return decode_srgb(value) if value.size == 256 else value


def _read_with_pillow(path: Path) -> tuple[npt.NDArray[Any], Mapping[Any, Any]]:
    """Stored values, and what the file declares ("icc_profile"; of PNG also "srgb", "gamma").

    Raises
    ------
    ValueError
        If it is a 16-bit colour PNG or of a colour mode that is not read.
    OSError
        If the file is too short for its picture.
    """
    from PIL import Image

    # From memory: of a file Pillow reads as much at once as a broken chunk claims to hold.
    with Image.open(BytesIO(path.read_bytes())) as image:
        _check_size(path, image.width * image.height)
        if image.format == "PNG" and image.mode in ("RGB", "RGBA", "LA") and _png_bits(path) == 16:
            raise ValueError("16-bit colour PNG")
        if image.mode == "P" or image.mode == "RGBA":
            stored = np.asarray(image.convert("RGB"))
        elif image.mode == "LA":
            stored = np.asarray(image.convert("L"))
        elif image.mode in ("L", "RGB") or image.mode.startswith("I;16"):
            stored = np.asarray(image)
        else:
            raise ValueError(f"colour mode {image.mode}")
        return stored, image.info


def _check_size(path: Path, n_values: int) -> None:
    if not can_hold(n_values, path.stat().st_size):
        raise OSError(f"too short for the {n_values} values that it claims")


def _png_bits(path: Path) -> int:
    with path.open("rb") as file:  # bit depth stands in the first chunk, ISO/IEC 15948, 11.2.2
        return file.read(25)[24]


def _read_tiff(path: Path) -> tuple[npt.NDArray[Any], Mapping[Any, Any]]:
    import tifffile

    with tifffile.TiffFile(path) as file:
        page = file.pages.first
        kind = page.photometric
        if kind not in (0, 1, 2):  # white is 0, black is 0, red-green-blue
            raise ValueError("neither grey nor red-green-blue")
        if page.compression not in (1, 8, 32946):  # none, Deflate: what tifffile reads alone
            if page.bitspersample != 8:
                raise ValueError("compressed, 16 bits, and not by Deflate")
            return _read_with_pillow(path)
        _check_size(path, page.size)
        stored = page.asarray()
        if page.axes == "SYX":
            stored = np.moveaxis(stored, 0, 2)
        if kind == 2:
            stored = stored[:, :, :3]
        elif kind == 0:
            stored = np.invert(stored)
        return stored, {"icc_profile": page.iccprofile}
