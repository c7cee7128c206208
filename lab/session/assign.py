"""Which magnification, stop and focus position does each frame belong to?

A stop comes from frames.csv, else from the slate before the frame, else from the EXIF
f-number where the lens reports one, else from the order of capture against ``stops`` x
``frames_per_stop``. Sources that disagree are reported and the first in that order is
used; where none answers, the frame keeps ``marked_stop`` None and the problem says how to
mend it. Nothing is guessed.

Conventions: files are named relative to ``frames/``. Focus positions are on the object
side, in um, centred in the bracket, rising in the order of capture. A frame with
``use = no`` keeps its place in that order if all frames together make up the series, and
is left out of the count otherwise. Stops that frames.csv or slates give to whole brackets
may be left out of the count likewise.

Left out: what the pixels show, slates apart. Without slates and f-numbers, a frame too
many beside a frame too few leaves the count right and cannot be seen here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from lab.frames.frame import FrameMetadata
from lab.session.config import SessionConfig
from lab.session.draft import Assignment, Draft, FrameAssignment, Problem, report
from lab.session.frame_checks import (
    check_setting,
    report_not_raw,
    set_companions_aside,
    set_copies_aside,
)
from lab.session.frame_files import list_frames, matches
from lab.session.frame_table import FrameRow, read_frame_table
from lab.session.series_stops import assign_series
from lab.session.slate_looks import SlateLook
from lab.session.slates import announce, report_other_series, set_slates_aside
from lab.session.trial_order import assign_trial

__all__ = ["assign", "assign_frames"]


def assign_frames(
    config: SessionConfig,
    folder: Path,
    metadata: Mapping[str, FrameMetadata],
    hashes: Mapping[str, str] | None = None,
    looks: Mapping[str, SlateLook] | None = None,
) -> Assignment:
    """Give every frame file under ``folder/frames`` its place.

    Parameters
    ----------
    config : SessionConfig
        What session.toml says.
    folder : Path
        Session folder.
    metadata : mapping
        What the camera wrote, by file relative to ``frames/``; a file may be absent.
    hashes : mapping, optional
        Hash of the content by file. Given, copies are found and left out.
    looks : mapping, optional
        What a look for a slate gave, by file; without one a frame counts as no slate.

    Returns
    -------
    Assignment

    Raises
    ------
    SessionError
        If there is no frames folder, or frames.csv is wrong.
    """
    files = list_frames(folder)
    rows = read_frame_table(folder, files)
    return assign(config, files, rows, metadata, hashes or {}, looks or {})


def assign(
    config: SessionConfig,
    files: Sequence[str],
    rows: Mapping[str, FrameRow],
    metadata: Mapping[str, FrameMetadata],
    hashes: Mapping[str, str],
    looks: Mapping[str, SlateLook],
) -> Assignment:
    """Give every file its place; the rule book behind ``assign_frames``, without a disk.

    Parameters
    ----------
    config : SessionConfig
        What session.toml says.
    files : sequence of str
        Frame files.
    rows : mapping
        Rows of frames.csv by file.
    metadata, hashes, looks : mapping
        By file; a file may be absent.

    Returns
    -------
    Assignment
    """
    problems: list[Problem] = []
    drafts = [
        Draft(f, rows.get(f, FrameRow(file=f)), metadata.get(f, FrameMetadata())) for f in files
    ]
    set_companions_aside(drafts, rows, problems)
    set_slates_aside(drafts, looks)
    report_not_raw(drafts, problems)
    announce(drafts, problems)
    _find_series(config, drafts, problems)
    set_copies_aside(drafts, hashes, problems)
    check_setting(drafts, "camera", "the session", lambda m: m.camera, problems)
    if config.lens.exif_f_number == "effective" and config.lens.pupil_ratio is None:
        text = (
            'lens.exif_f_number = "effective" tells the stop only where lens.pupil_ratio is '
            "given. It is not, so EXIF f-numbers were not used. Add pupil_ratio to session.toml "
            "if you know it."
        )
        problems.append(Problem(severity="warning", text=text, files=()))
    for draft in drafts:
        if draft.shows:
            continue
        if draft.row.marked_stop is not None:
            draft.stops["frames.csv"] = draft.row.marked_stop
        shows = draft.announced
        if shows and shows.marked_stop is not None and draft.magnification is not None:
            draft.stops["slate"] = shows.marked_stop
    for index, series in enumerate(config.series):
        members = [d for d in drafts if d.series == index and not d.out]
        if series.trial is not None:
            assign_trial(series, series.trial, members, problems)
        else:
            assign_series(config, series, members, files, problems)
    frames = tuple(_finished(config, draft) for draft in drafts)
    return Assignment(frames=frames, problems=tuple(problems))


def _find_series(config: SessionConfig, drafts: list[Draft], problems: list[Problem]) -> None:
    """Series and magnification of each frame: the ``frames`` patterns, frames.csv, slates.

    frames.csv goes before a pattern. A slate tells between the series whose patterns take
    the frame, and no more.
    """
    nowhere, twofold, other, unlike = [], [], [], []
    for draft in (d for d in drafts if not d.out):
        fits = [i for i, s in enumerate(config.series) if matches(s.frames, draft.file)]
        given = draft.row.magnification
        announced = draft.announced.magnification if draft.announced else None
        if given is not None:
            same = [i for i, s in enumerate(config.series) if s.magnification == given]
            fits = [i for i in fits if i in same] or same
            draft.magnification = given
            if announced not in (None, given):
                unlike += [draft] if draft.used else []
                draft.announced = None
        elif announced is not None and fits:
            fits = [i for i in fits if config.series[i].magnification == announced]
            if not fits:
                other += [draft] if draft.used else []
                continue
        if len(fits) == 1:
            draft.series = fits[0]
            draft.magnification = config.series[fits[0]].magnification
        elif draft.used and len(fits) > 1:
            twofold.append(draft)
        elif draft.used and (given is None or draft.row.marked_stop is None):
            nowhere.append(draft)
    if nowhere:
        text = (
            "No series takes {frames}. Correct the frames patterns in session.toml, move the "
            "files, give their magnification and marked_stop in frames.csv, or write use = no "
            "there."
        )
        report(problems, "error", text, nowhere)
    if twofold:
        text = (
            "More than one series takes {frames}. Make the frames patterns in session.toml "
            "differ, for example by one folder for each series, photograph a slate before each "
            "series, or give their magnification in frames.csv."
        )
        report(problems, "error", text, twofold)
    report_other_series(other, problems)
    if unlike:
        text = (
            "frames.csv and the slate before them disagree on the magnification of {frames}. "
            "frames.csv was used, and nothing from that slate. Check these frames."
        )
        report(problems, "warning", text, unlike)


def _finished(config: SessionConfig, draft: Draft) -> FrameAssignment:
    if draft.shows:
        return FrameAssignment(
            file=draft.file,
            series=None,
            magnification=draft.shows.magnification,
            marked_stop=draft.shows.marked_stop,
            focus_position_um=None,
            condition=draft.shows.condition or "",
            use=False,
            source="slate",
            flags=tuple(draft.flags),
        )
    series = None if draft.series is None else config.series[draft.series]
    trial = series.trial if series else None
    if trial:
        condition = draft.condition or ""
    else:
        announced = draft.announced.condition if draft.announced else None
        condition = draft.row.condition or announced or (series.light if series else "")
    given_um = draft.row.focus_position_um
    return FrameAssignment(
        file=draft.file,
        series=draft.series,
        magnification=draft.magnification,
        marked_stop=draft.stop,
        focus_position_um=draft.position_um if given_um is None else given_um,
        condition=condition,
        use=draft.used and not (trial and not condition),
        source=next(iter(draft.stops), ""),
        trial=trial.name if trial else "",
        exposure_s=draft.metadata.exposure_s,
        flags=tuple(draft.flags),
    )
