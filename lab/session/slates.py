"""Which frames does each slate announce?

A slate speaks for the frames after it in the order of capture, in its own folder, until
the next slate there. It replaces the slate before it wholly: what it does not say is left
to the other rules. Cells of frames.csv beside a slate's own file say it in its place.

A slate is believed no further than it goes together with the rest. One that announces a
magnification of which the frames after it cannot be leaves these without a series; one
that seems to speak for two stops because another is missing tells no stop.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import groupby
from pathlib import PurePosixPath

from lab.session.capture_order import capture_order
from lab.session.config import Series
from lab.session.draft import Announcement, Draft, Problem, listed, report
from lab.session.slate_looks import SlateLook

__all__ = [
    "announce",
    "report_other_series",
    "set_slates_aside",
    "uneven_slates",
    "withdraw_long_runs",
]

_FLAG = "slate"


def set_slates_aside(drafts: list[Draft], looks: Mapping[str, SlateLook]) -> None:
    """Tell the slates among the frames and leave them out of the measuring."""
    for draft in drafts:
        look = looks.get(draft.file)
        if draft.out or look is None or (look.slate is None and not look.damage):
            continue
        slate, row = look.slate, draft.row
        said = (slate.magnification, slate.marked_stop, slate.condition) if slate else (None,) * 3
        corrected = row.magnification is not None or row.marked_stop is not None
        draft.shows = Announcement(
            file=draft.file,
            magnification=said[0] if row.magnification is None else row.magnification,
            marked_stop=said[1] if row.marked_stop is None else row.marked_stop,
            condition=row.condition or said[2],
            damage="" if corrected else look.damage,
        )
        draft.out = True
        draft.flags.append(_FLAG)


def announce(drafts: list[Draft], problems: list[Problem]) -> None:
    """Give each frame what the slate before it in its folder says; report what is odd."""
    folders: dict[str, list[Draft]] = {}
    for draft in drafts:
        if draft.shows or not draft.out:
            folders.setdefault(str(PurePosixPath(draft.file).parent), []).append(draft)
    early: list[Draft] = []
    for members in folders.values():
        slates = [d for d in members if d.shows]
        if not slates:
            continue
        queue = capture_order(members)
        if queue is None:
            text = (
                "Which frames these slates announce is not known: {frames}. Some frames of the "
                "folder carry no capture time, and the names are not in the order of the other "
                "frames' times. Give the stops in frames.csv."
            )
            report(problems, "warning", text, slates)
            continue
        early += _announce_in_order(queue, problems)
    if early:
        text = (
            "No slate announces {frames}: they come before the first slate of their folder. "
            "Check that none is missing; marked_stop in frames.csv decides."
        )
        report(problems, "warning", text, early)


def _announce_in_order(queue: list[Draft], problems: list[Problem]) -> list[Draft]:
    """Let each slate of one folder speak; the frames before the first are returned."""
    early: list[Draft] = []
    current: Draft | None = None
    after: list[Draft] = []
    for draft in queue:
        if draft.shows:
            if current is not None:
                _report_slate(current, after, draft.shows, problems)
            current, after = draft, []
        elif current is None:
            early += [draft] if _open(draft) else []
        else:
            draft.announced = current.shows
            after += [draft] if draft.used else []
    if current is not None:
        _report_slate(current, after, None, problems)
    return early


def _open(draft: Draft) -> bool:
    """Whether a slate matters to the frame: it is used, and frames.csv has no stop for it."""
    return draft.used and draft.row.marked_stop is None


def _report_slate(
    slate: Draft, after: list[Draft], following: Announcement | None, problems: list[Problem]
) -> None:
    shows = slate.shows
    if shows is None:
        return
    if shows.damage:
        after = [draft for draft in after if _open(draft)]
        if not after:  # photographed again at once, or settled
            return
        text = (
            f"The slate in {slate.file} cannot be read: {shows.damage} It announces nothing to "
            "the frames after it: {frames}. Or write what it says into magnification and "
            "marked_stop of its own row in frames.csv."
        )
        report(problems, "warning", text, after)
    elif not after and (following is None or _said(following) != _said(shows)):
        text = f"No frame follows the slate in {{frames}} ({_words(shows)}). Check the order."
        report(problems, "warning", text, [slate])


def _said(shows: Announcement) -> tuple[object, ...]:
    return shows.magnification, shows.marked_stop, shows.condition


def _words(shows: Announcement) -> str:
    numbers = [
        *([] if shows.magnification is None else [f"{shows.magnification:g}x"]),
        *([] if shows.marked_stop is None else [f"f/{shows.marked_stop:g}"]),
    ]
    return ", ".join(numbers) or shows.condition or "says nothing"


def report_other_series(drafts: list[Draft], problems: list[Problem]) -> None:
    """Name the frames whose slate announces a magnification that they cannot have."""
    for _, group in groupby(drafts, key=lambda d: d.announced):
        frames = list(group)
        shows = frames[0].announced
        if shows is not None:
            text = (
                f"The slate in {shows.file} announces {shows.magnification:g}x, but no series of "
                "this magnification in session.toml takes the frames after it: {frames}. They "
                "were left out. If the slate is wrong, write the right magnification into its "
                "own row in frames.csv; else correct session.toml or move the files."
            )
            report(problems, "error", text, frames)


def withdraw_long_runs(
    label: str, series: Series, queue: list[Draft], problems: list[Problem]
) -> None:
    """Take a slate's stop back where it seems to speak for the stop after it as well.

    Parameters
    ----------
    label : str
        Name of the series for the messages.
    series : Series
    queue : list of Draft
        Its frames in the order of capture, with the stops that they carry themselves.
    problems : list of Problem
        What is found is added here.
    """
    used = [d for d in queue if d.used]
    present = {d.stop for d in used}
    absent = [stop for stop in series.stops if stop not in present]
    runs = _runs(used)
    n_damaged = sum(bool(shows and shows.damage) for shows, _ in runs)
    if len(absent) <= n_damaged:  # the unreadable slates are those of the absent stops
        return
    for shows, frames in runs:
        if shows is None or shows.marked_stop is None or len(frames) <= series.frames_per_stop:
            continue
        lacking = listed([f"f/{stop:g}" for stop in absent])
        text = (
            f"{label}: the slate in {shows.file} (f/{shows.marked_stop:g}) is followed by "
            f"{len(frames)} frames, {series.frames_per_stop} were expected, and none is "
            f"announced at {lacking}: a slate may be missing or unreadable. So it tells the stop "
            "of none of them: {frames}. Check these frames; marked_stop in frames.csv decides."
        )
        report(problems, "warning", text, frames)
        for draft in frames:
            draft.stops.pop("slate", None)


def uneven_slates(series: Series, queue: list[Draft]) -> bool:
    """Whether slates say that brackets begin elsewhere than the count of frames does.

    Parameters
    ----------
    series : Series
    queue : list of Draft
        Frames that the count places, in the order of capture.
    """
    runs = _runs(queue)
    if not any(shows and shows.marked_stop is not None for shows, _ in runs):
        return False
    return any(len(frames) % series.frames_per_stop for _, frames in runs)


def _runs(queue: list[Draft]) -> list[tuple[Announcement | None, list[Draft]]]:
    """Frames of one slate each; a slate shown again goes on with its frames."""
    runs: list[tuple[Announcement | None, list[Draft]]] = []
    for draft in queue:
        shows, last = draft.announced, runs[-1][0] if runs else None
        same = shows is last or (
            shows is not None
            and last is not None
            and not shows.damage
            and not last.damage
            and _said(shows) == _said(last)
        )
        if runs and same:
            runs[-1][1].append(draft)
        else:
            runs.append((shows, [draft]))
    return runs
