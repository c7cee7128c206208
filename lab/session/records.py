"""What is kept of a measured frame: its own record and one for each edge and raw colour.

Plain and frozen; what the results store writes and every analysis reads. A figure that is
not known is None, never NaN.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

from lab.session.text_file import shown

__all__ = [
    "CURVES",
    "EDGE_COLUMNS",
    "FRAME_COLUMNS",
    "PROFILE",
    "EdgeRecord",
    "FrameRecord",
    "bracketed",
    "plain",
]

_FRAME_STATUSES = ("measured", "rejected", "unreadable", "missing")
_EDGE_STATUSES = ("measured", "rejected")
_DIRECTIONS = ("horizontal", "vertical", "radial", "tangential")
PROFILE = ("profile_px", "profile_dn", "profile_std_dn")
CURVES = ("frequency_cyc_per_px", "mtf", "mtf_std", *PROFILE)


@dataclass(frozen=True, kw_only=True)
class EdgeRecord:
    """One measured or rejected edge of a frame, in one raw colour.

    ``direction`` is the way the edge line runs: "horizontal" or "vertical", or, between
    those, "radial" or "tangential": along the direction from the frame's centre or across
    it. ``field_x`` (right) and ``field_y`` (down) are its place from the frame's
    centre in units of half the diagonal. ``angle_deg`` is the normal's direction from
    dark to bright, as in ``lab.edges.types.EdgeRegion``. MTF figures are the system's
    (lens and pixel); a figure is None where it could not be had, and all are None for a
    rejected edge, which has a ``reason`` instead. ``position_px`` is the offset of the
    edge along its normal from where the target was registered, None if unknown.
    ``raggedness_object_um`` is the scatter of the target's edge beyond noise. Where the
    target's own blur was stated, the MTF figures have it divided out.
    """

    name: str
    square: str
    channel: str
    direction: str
    field_x: float
    field_y: float
    centre_row: float
    centre_col: float
    angle_deg: float
    status: str
    reason: str = ""
    mtf50_cyc_per_px: float | None = None
    mtf50_std: float | None = None
    mtf20_cyc_per_px: float | None = None
    mtf10_cyc_per_px: float | None = None
    position_px: float | None = None
    raggedness_object_um: float | None = None
    raggedness_std_um: float | None = None
    frequency_cyc_per_px: tuple[float, ...] = ()
    mtf: tuple[float, ...] = ()
    mtf_std: tuple[float, ...] = ()
    profile_px: tuple[float, ...] = ()
    profile_dn: tuple[float, ...] = ()
    profile_std_dn: tuple[float, ...] = ()
    flags: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _check_word("status", self.status, _EDGE_STATUSES)
        _check_word("direction", self.direction, _DIRECTIONS)
        _check_finite(self)
        if not len(self.frequency_cyc_per_px) == len(self.mtf) == len(self.mtf_std):
            raise ValueError("frequency_cyc_per_px, mtf and mtf_std must have one length")
        if len({len(getattr(self, name)) for name in PROFILE}) > 1:
            raise ValueError(f"{', '.join(PROFILE)} must have one length")


@dataclass(frozen=True, kw_only=True)
class FrameRecord:
    """What came of one frame. ``status`` is "measured", "rejected", "unreadable" or "missing".

    ``trial`` names the trial that it belongs to, "" for none, ``condition`` how it was shot.
    """

    file: str
    sha256: str
    settings_key: str
    magnification: float | None
    marked_stop: float | None
    focus_position_um: float | None
    status: str
    reason: str = ""
    flags: tuple[str, ...] = ()
    measured_magnification: float | None = None
    measured_magnification_std: float | None = None
    trial: str = ""
    condition: str = ""
    edges: tuple[EdgeRecord, ...] = ()

    def __post_init__(self) -> None:
        _check_word("status", self.status, _FRAME_STATUSES)
        _check_finite(self)

    def to_json_dict(self) -> dict[str, object]:
        """The frame as ``measure --json`` prints it: plain JSON types only."""
        return {
            "file": self.file,
            "magnification": plain(self.magnification),
            "marked_stop": plain(self.marked_stop),
            "status": self.status,
            "reason": self.reason,
            "flags": list(self.flags),
            "edges": [
                {n: plain(getattr(edge, n)) for n in EDGE_COLUMNS if n not in PROFILE}
                for edge in self.edges
            ],
        }


def bracketed(frames: Sequence[FrameRecord]) -> tuple[FrameRecord, ...]:
    """The frames that belong to no trial: those of focus brackets."""
    return tuple(frame for frame in frames if not frame.trial)


def _check_word(name: str, value: str, words: Sequence[str]) -> None:
    if value not in words:
        raise ValueError(f"{name} must be one of {', '.join(words)}, not {shown(value)}")


def _check_finite(record: EdgeRecord | FrameRecord) -> None:
    for item in fields(record):
        value = getattr(record, item.name)
        if item.name in CURVES:
            value = sum(value)  # finite only if every number is
        if value is None or isinstance(value, str | tuple):
            continue
        if not math.isfinite(value):
            raise ValueError(f"{item.name} must be finite; None stands for not known")


def plain(value: Any) -> Any:
    """Tuples as lists; numbers as Python floats, whatever number type came in."""
    if value is None or isinstance(value, str):
        return value
    return [plain(v) for v in value] if isinstance(value, tuple) else float(value)


EDGE_COLUMNS = tuple(item.name for item in fields(EdgeRecord))
FRAME_COLUMNS = tuple(item.name for item in fields(FrameRecord) if item.name != "edges")
