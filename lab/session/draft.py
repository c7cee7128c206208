"""What the assignment of frames hands out, and the sheet it is worked out on.

``FrameAssignment``, ``Problem`` and ``Assignment`` are the results. ``Draft`` is a frame
whose place is still being worked out: the only record here that changes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from lab.frames.frame import FrameMetadata
from lab.session.frame_table import FrameRow

__all__ = [
    "Announcement",
    "Assignment",
    "Draft",
    "FrameAssignment",
    "Problem",
    "listed",
    "report",
]


@dataclass(frozen=True, kw_only=True)
class FrameAssignment:
    """Where one frame belongs; None = not known.

    ``series`` is an index into ``SessionConfig.series``. ``source`` says where the stop
    comes from: "frames.csv", "slate", "exif", "order", or "" without a stop. ``use`` is
    False for a frame that frames.csv refuses, a slate, a copy, or a camera's picture
    beside its raw file. A slate has the magnification and stop that it announces.
    ``trial`` names the trial that the frame belongs to, "" for none; ``exposure_s`` is what
    the camera wrote.
    """

    file: str
    series: int | None
    magnification: float | None
    marked_stop: float | None
    focus_position_um: float | None
    condition: str
    use: bool
    source: str
    trial: str = ""
    exposure_s: float | None = None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Problem:
    """Something to mend ("error": frames stay without a place) or to know ("warning")."""

    severity: str
    text: str
    files: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Assignment:
    """All frames of a session in natural order of their names, and all problems."""

    frames: tuple[FrameAssignment, ...]
    problems: tuple[Problem, ...]


@dataclass(frozen=True, kw_only=True)
class Announcement:
    """What the slate in ``file`` says of the frames after it; None = not said.

    ``damage`` tells why the code could not be read, "" if it could.
    """

    file: str
    magnification: float | None = None
    marked_stop: float | None = None
    condition: str | None = None
    damage: str = ""


@dataclass
class Draft:
    """A frame while its place is being worked out."""

    file: str
    row: FrameRow
    metadata: FrameMetadata
    series: int | None = None
    magnification: float | None = None
    out: bool = False  # a slate, copy or companion: no frame of its own
    shows: Announcement | None = None  # it is this slate
    announced: Announcement | None = None  # by the slate before it
    stops: dict[str, float] = field(default_factory=dict)  # by source, best source first
    position_um: float | None = None
    condition: str | None = None  # in a trial
    flags: list[str] = field(default_factory=list)

    @property
    def used(self) -> bool:
        """True if its row says to use it and it is no slate, copy or companion."""
        return self.row.use and not self.out

    @property
    def stop(self) -> float | None:
        """Marked stop from the best source that gave one; None if none did."""
        return next(iter(self.stops.values()), None)


def report(
    problems: list[Problem], severity: str, text: str, drafts: Iterable[Draft], flag: str = ""
) -> None:
    """Add a problem, its frames named in place of ``{frames}``, and flag them."""
    drafts = list(drafts)
    for draft in drafts:
        if flag:
            draft.flags.append(flag)
    text = text.replace("{frames}", listed([d.file for d in drafts]))
    problems.append(Problem(severity=severity, text=text, files=tuple(d.file for d in drafts)))


def listed(items: Sequence[str]) -> str:
    """The first six, joined by commas, and how many more there are."""
    more = f" and {len(items) - 6} more" if len(items) > 6 else ""
    return ", ".join(items[:6]) + more
