"""How is each frame decoded only once, though it is looked at for a slate and measured?

Slates are photographed before what they announce: where no folder begins with one, frames
are placed as if there were none, and each is looked at and measured in one decoding. A slate
that comes up after all is kept as any other; what was measured in a wrong place is then
measured again.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import PurePosixPath
from typing import NamedTuple

from lab.errors import FrameError
from lab.frames import read_frame
from lab.session.measuring import FrameTask, lost_task, measure_frame
from lab.session.records import FrameRecord
from lab.session.slate_looks import SlateLook, seen_slate, unreadable_look

__all__ = ["Seen", "beginnings", "lost_sight", "see_task"]


class Seen(NamedTuple):
    """What became of one task: the look, where one was asked for, and a record of no slate."""

    sha256: str
    look: SlateLook | None
    record: FrameRecord | None


def beginnings(hashes: Mapping[str, str]) -> set[str]:
    """Hashes of the first file of each folder, where a slate would stand.

    Parameters
    ----------
    hashes : mapping
        Hash by file relative to ``frames/``, in order of names.
    """
    first: dict[PurePosixPath, str] = {}
    for file, sha256 in hashes.items():
        if sha256:
            first.setdefault(PurePosixPath(file).parent, sha256)
    return set(first.values())


def see_task(task: FrameTask) -> Seen:
    """Read a frame, look at it if the task asks for that, and measure it if it is no slate."""
    try:
        frame = read_frame(task.path)
    except FrameError as error:
        look = unreadable_look(task.path, error)
        return lost_sight(task, look.unreadable)
    if not task.look:
        return Seen(task.sha256, None, measure_frame(frame, task))
    look = seen_slate(frame, task.path)
    is_slate = look.slate is not None or look.damage
    return Seen(task.sha256, look, None if is_slate else measure_frame(frame, task))


def lost_sight(task: FrameTask, loss: str) -> Seen:
    """Of a frame that cannot be read, or that cost the process that read it, and why."""
    look = SlateLook(unreadable=loss) if task.look else None
    return Seen(task.sha256, look, lost_task(task, loss))
