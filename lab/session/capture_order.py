"""In which order were frames captured?

By the time in the file, then by name as people count. A clock that was never set is no
time.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from lab.session.draft import Draft
from lab.session.frame_files import natural_key

__all__ = ["capture_order"]

_TIME = re.compile(r"(?!0000)[0-9]{4}:[0-9]{2}:[0-9]{2} [0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?")


def capture_order(drafts: Iterable[Draft]) -> list[Draft] | None:
    """Frames by time, then name; None where times are incomplete and names contradict them."""
    by_name = sorted(drafts, key=lambda d: natural_key(d.file))
    times = [_time(d) for d in by_name]
    if all(times):
        return sorted(by_name, key=_time)  # stable, so the name decides between equal times
    known = [time for time in times if time]
    return by_name if known == sorted(known) else None


def _time(draft: Draft) -> str:
    time = (draft.metadata.captured_at or "").strip()
    return time if _TIME.fullmatch(time) else ""
