"""Which files are no frames of their own, and which frames were set differently?

Copies and camera pictures beside a raw file are left out. A changed setting is flagged
and reported; the frame keeps its place.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from pathlib import PurePosixPath

from lab.frames.frame import FrameMetadata
from lab.session.draft import Draft, Problem, listed, report
from lab.session.frame_files import is_raw
from lab.session.frame_table import FrameRow
from lab.session.text_file import shown

__all__ = ["check_setting", "set_companions_aside", "set_copies_aside"]


def set_companions_aside(
    drafts: list[Draft], rows: Mapping[str, FrameRow], problems: list[Problem]
) -> None:
    """Leave out pictures the camera wrote beside a raw file, unless frames.csv names them."""
    raws = {_stem(d.file) for d in drafts if is_raw(d.file)}
    others = [d for d in drafts if not is_raw(d.file)]
    beside = [d for d in others if _stem(d.file) in raws and d.file not in rows]
    for draft in beside:
        draft.out = True
    if beside:
        text = (
            "Left out, since each has a raw file of the same name: {frames}. Shoot raw alone, or "
            "keep these elsewhere."
        )
        report(problems, "warning", text, beside, "raw-companion")
    alone = [d for d in others if not d.out and d.row.use]
    if raws and alone:
        text = (
            "Not raw, among raw frames: {frames}. Figures from raw and finished pictures do not "
            "compare. Take these away, or write use = no for them in frames.csv."
        )
        report(problems, "warning", text, alone, "not-raw")


def _stem(file: str) -> str:
    return str(PurePosixPath(file).with_suffix("")).lower()


def set_copies_aside(
    drafts: list[Draft], hashes: Mapping[str, str], problems: list[Problem]
) -> None:
    """Leave out copies: all but the first, or all where they claim different series."""
    by_hash: dict[str, list[Draft]] = {}
    for draft in drafts:
        if draft.used and hashes.get(draft.file):  # no hash: the file could not be read
            by_hash.setdefault(hashes[draft.file], []).append(draft)
    for same in by_hash.values():
        if len(same) == 1:
            continue
        same.sort(key=lambda d: len(d.file))  # copying lengthens a name: keep the shortest
        clash = len({d.series for d in same}) > 1
        for draft in same if clash else same[1:]:
            draft.out = True
            draft.flags.append("duplicate")
        done = (
            "They lie in different series, so all were left out. Delete the wrong one"
            if clash
            else f"Only {same[0].file} was used. Delete the other"
        )
        text = f"The same frame more than once: {{frames}}. {done}."
        report(problems, "error" if clash else "warning", text, same)


def check_setting(
    drafts: list[Draft],
    name: str,
    among: str,
    value: Callable[[FrameMetadata], str | float | None],
    problems: list[Problem],
) -> None:
    """Flag and report frames whose setting is not that of most of the others."""
    known = [d for d in drafts if d.used and value(d.metadata) is not None]
    counts = Counter(value(d.metadata) for d in known)
    if len(counts) < 2:
        return
    usual = counts.most_common(1)[0][0]
    odd = [d for d in known if value(d.metadata) != usual]
    has = listed([f"{d.file} ({_setting(value(d.metadata))})" for d in odd])
    text = (
        f"Changed {name}: {has}; most frames of {among} have {_setting(usual)}. They are "
        "flagged and kept. Shoot them again with one setting, or write use = no in frames.csv."
    )
    report(problems, "warning", text, odd, f"changed-{name.replace(' ', '-')}")


def _setting(value: str | float | None) -> str:
    return shown(value) if isinstance(value, str) else f"{value:g}"
