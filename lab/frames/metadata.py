"""What did the camera write about the exposure?

Only the fields of ``FrameMetadata`` are taken from the file; maker notes and
previews are not opened. A missing or impossible value (f/0, no time, infinity)
is None: nothing here fails. Left out: what the camera claims beyond EXIF.

References
----------
.. [1] CIPA DC-008, Exif 2.32, 2019 (tag meanings): from memory.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from lab.frames.frame import FrameMetadata

__all__ = ["Tags", "metadata_from_raw", "metadata_from_tags", "read_metadata", "read_tags"]

Tags = Mapping[str, Any]

_TIME_FORMAT = "%Y:%m:%d %H:%M:%S"

# Without a handler the library prints "File format not recognized" to the terminal.
logging.getLogger("exifread").addHandler(logging.NullHandler())


def read_metadata(path: Path) -> FrameMetadata:
    """Metadata of a file, without decoding it where its tags can be read.

    Parameters
    ----------
    path : Path
        Any file. One that holds no metadata gives an empty record.
    """
    import rawpy

    tags = read_tags(path)
    if tags:
        return metadata_from_tags(tags)
    try:
        with rawpy.imread(str(path)) as raw:
            return metadata_from_raw(raw)
    except (OSError, rawpy.LibRawError):
        return FrameMetadata()


def read_tags(path: Path) -> Tags:
    """EXIF tags by name, such as "EXIF FNumber"; empty where none can be read.

    Raises
    ------
    MemoryError
        If a broken tag claims more memory than there is.
    """
    import exifread

    try:
        with path.open("rb") as file:
            tags: Tags = exifread.process_file(file, details=False, extract_thumbnail=False)
    except MemoryError:  # what is left of the process is of no use
        raise
    except Exception:  # a broken tag raises whatever it happens to hit
        return {}
    return tags


def metadata_from_tags(tags: Tags) -> FrameMetadata:
    """Metadata from the tags of ``read_tags``."""
    make, model = _text(tags, "Image Make"), _text(tags, "Image Model")
    camera = model
    if make and model and not model.casefold().startswith(make.split()[0].casefold()):
        camera = f"{make} {model}"
    moment = _text(tags, "EXIF DateTimeOriginal")
    if moment is not None and _is_time(moment):
        subsecond = _text(tags, "EXIF SubSecTimeOriginal") or ""
        moment += f".{subsecond}" if subsecond.isdigit() else ""
    else:
        moment = None
    return FrameMetadata(
        camera=camera,
        exposure_s=_number(tags, "EXIF ExposureTime"),
        iso=_number(tags, "EXIF ISOSpeedRatings"),
        f_number=_number(tags, "EXIF FNumber"),
        focal_length_mm=_number(tags, "EXIF FocalLength"),
        captured_at=moment,
    )


def metadata_from_raw(raw: Any) -> FrameMetadata:
    """Metadata from an open ``rawpy.RawPy``, which knows more formats but fewer fields.

    Asking for it makes LibRaw decode the whole file.
    """
    other = raw.other
    # LibRaw gives the start of 1970 for a file without a date.
    dated = other.timestamp is not None and other.timestamp.year > 1970
    return FrameMetadata(
        exposure_s=_positive(other.shutter_speed),
        iso=_positive(other.iso_speed),
        f_number=_positive(other.aperture),
        focal_length_mm=_positive(other.focal_length),
        captured_at=other.timestamp.strftime(_TIME_FORMAT) if dated else None,
    )


def _text(tags: Tags, name: str) -> str | None:
    value = getattr(tags.get(name), "values", None)
    return value.strip(" \0") or None if isinstance(value, str) else None


def _number(tags: Tags, name: str) -> float | None:
    values = getattr(tags.get(name), "values", None)
    try:
        return _positive(float(values[0]))  # type: ignore[index]
    except (TypeError, ValueError, IndexError, ZeroDivisionError):
        return None


def _positive(value: float) -> float | None:
    return float(value) if value > 0 and math.isfinite(value) else None


def _is_time(text: str) -> bool:
    try:
        datetime.strptime(text, _TIME_FORMAT)
    except ValueError:
        return False
    return True
