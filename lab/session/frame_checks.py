"""Which files are no frames of their own, and which frames were set differently?

Copies and camera pictures beside a raw file are left out. A changed setting is flagged
and reported; the frame keeps its place.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from pathlib import PurePosixPath

from lab.frames.frame import FrameMetadata
from lab.session.draft import Draft, Problem, listed, report
from lab.session.frame_files import is_raw
from lab.session.frame_table import FrameRow
from lab.session.text_file import shown

__all__ = [
    "check_setting",
    "companion_files",
    "report_not_raw",
    "set_companions_aside",
    "set_copies_aside",
]


def set_companions_aside(
    drafts: list[Draft], rows: Mapping[str, FrameRow], problems: list[Problem]
) -> None:
    """Leave out pictures the camera wrote beside a raw file, unless frames.csv wants them.

    Those that it refuses are left out without a word.
    """
    companions = companion_files([d.file for d in drafts])
    beside = [d for d in drafts if d.file in companions and not (d.file in rows and d.row.use)]
    for draft in beside:
        draft.out = True
        draft.flags.append("raw-companion")
    unsaid = [d for d in beside if d.row.use]
    if unsaid:
        text = (
            "Left out, since each has a raw file of the same name: {frames}. Shoot raw alone, or "
            "keep these elsewhere."
        )
        report(problems, "warning", text, unsaid)


def companion_files(files: Sequence[str]) -> set[str]:
    """Pictures that have a raw file of the same name beside them."""
    raws = {_stem(file) for file in files if is_raw(file)}
    return {file for file in files if not is_raw(file) and _stem(file) in raws}


def report_not_raw(drafts: list[Draft], problems: list[Problem]) -> None:
    """Report finished pictures that would be measured among raw frames."""
    alone = [d for d in drafts if d.used and not is_raw(d.file)]
    if alone and any(is_raw(d.file) for d in drafts):
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
    """Leave out copies: all but the first, or all where they claim different series.

    A copy that frames.csv refuses is left out without a word.
    """
    by_hash: dict[str, list[Draft]] = {}
    for draft in drafts:
        if not draft.out and hashes.get(draft.file):  # no hash: the file could not be read
            by_hash.setdefault(hashes[draft.file], []).append(draft)
    for alike in by_hash.values():
        same = [d for d in alike if d.used]
        if same:  # a refused copy must not stand in for a frame that is not there
            for draft in alike:
                if not draft.used:
                    draft.out = True
                    draft.flags.append("duplicate")
        if len(same) < 2:
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
