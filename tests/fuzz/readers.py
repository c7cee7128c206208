"""Every reader of a foreign file, each as a function of one path.

A reader may return, or raise an error of our own tree. Where a result has rules of its own
(a frame's arrays fit each other, a layout can be asked for a field), they are asserted here.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import exifread  # noqa: F401 - what is loaded here counts as no case's time or memory
import numpy as np
import PIL.Image
import rawpy  # noqa: F401
import tifffile  # noqa: F401
import zxingcpp  # noqa: F401

from lab.frames import FrameMetadata, frame_hash, read_frame, read_metadata
from lab.session.bundle import read_bundle
from lab.session.config import read_session
from lab.session.frame_table import read_frame_table
from lab.session.kept_metadata import metadata_from_json
from lab.session.rig_file import read_rig
from lab.session.slate_looks import look_for_slate, looks_from_json
from lab.session.store import ResultsStore
from targets.layout import read_layout
from targets.slates import parse_slate, slate_text

__all__ = ["READERS", "TABLE_FILES"]

PIL.Image.init()
TABLE_FILES = tuple(f"2x/IMG_{i}.dng" for i in range(1, 8))


def _frame(path: Path) -> None:
    """Every part of a frame's file; the metadata and the hash never fail."""
    assert isinstance(read_metadata(path), FrameMetadata)
    assert len(frame_hash(path)) == 64
    frame = read_frame(path)
    n_row, n_col = frame.shape
    assert frame.pixels.dtype == np.float32 and frame.pixels.size
    assert frame.is_mosaic or frame.pixels.shape == (n_row, n_col, 3)
    assert frame.saturated.shape == (n_row, n_col) and frame.saturated.dtype == np.bool_
    assert frame.white_dn > 0 and np.isfinite(frame.pixels).all()
    assert frame.is_mosaic == bool(frame.pattern.size)
    assert not frame.pattern.size or (frame.pattern.min() >= 0 and frame.pattern.max() <= 2)


def _look(path: Path) -> None:
    look_for_slate(path)


def _looks(path: Path) -> None:
    text = path.read_bytes().decode(errors="replace")
    looks_from_json(text)
    metadata_from_json(text)


def _session(path: Path) -> None:
    read_session(path.rename(path.with_name("session.toml")).parent)


def _table(path: Path) -> None:
    read_frame_table(path.rename(path.with_name("frames.csv")).parent, TABLE_FILES)


def _layout(path: Path) -> None:
    layout = read_layout(path)
    for field in layout.fields:
        layout.field_for(field.magnification_low)


def _slate(path: Path) -> None:
    """A slate's text is what a code in a picture says: any text."""
    text = path.read_bytes().decode(errors="replace")
    slate = parse_slate(text)
    assert slate is None or slate_text(slate) == text


def _store(path: Path) -> None:
    with ResultsStore(path) as store:
        for frame in store.all_frames():
            assert store.get(frame.file) == frame or _has_nan(frame)
            store.put(frame)
        store.finished("settings-1")
        looks_from_json(store.get_summary("slates"))
        metadata_from_json(store.get_summary("metadata"))


def _has_nan(frame: object) -> bool:
    return "nan" in repr(frame)


def _bundle(path: Path) -> None:
    read_bundle(path)


def _rig(path: Path) -> None:
    read_rig(path)


READERS: dict[str, Callable[[Path], None]] = {
    "frame": _frame,
    "look": _look,
    "looks": _looks,
    "session": _session,
    "table": _table,
    "layout": _layout,
    "rig": _rig,
    "slate": _slate,
    "store": _store,
    "bundle": _bundle,
}
