"""What would a frames.csv say that a person could complete?

One row a frame, with what is known of it and blank cells for what is not. Read back
unedited it gives every frame the place that it has without the table. One that is there
is a person's work: it is checked against the frames, and never written over.
"""

from __future__ import annotations

import csv
import io
from difflib import get_close_matches
from pathlib import Path

from lab.errors import SessionError
from lab.session.config import SessionConfig
from lab.session.draft import Assignment, FrameAssignment, Problem, listed
from lab.session.frame_files import list_frames
from lab.session.frame_table import COLUMNS, TABLE_NAME, parse_frame_table, read_frame_table
from lab.session.text_file import read_text, shown

__all__ = [
    "Blanks",
    "blank_cells",
    "rowless_frames",
    "stray_rows",
    "table_text",
    "write_frame_table",
]

Blanks = dict[str, tuple[str, ...]]
_NAMED = 6  # files in one message


def table_text(assignment: Assignment) -> str:
    """The table; ``use`` is blank where it is for a person to decide."""
    undecided = {file for p in assignment.problems if p.severity == "error" for file in p.files}
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for frame in assignment.frames:
        writer.writerow(
            (
                frame.file,
                _cell(frame.magnification),
                _cell(frame.marked_stop),
                _cell(frame.focus_position_um),
                frame.condition,
                "" if frame.file in undecided else "yes" if frame.use else "no",
            )
        )
    return stream.getvalue()


def _cell(value: float | None) -> str:
    """All digits, so that the same number is read back; a whole one without a point."""
    return "" if value is None else repr(float(value)).removesuffix(".0")


def blank_cells(config: SessionConfig, assignment: Assignment) -> Blanks:
    """Frames in use that lack a value, by the column to fill in.

    Parameters
    ----------
    config : SessionConfig
        A position is lacking only where the stop has a focus step.
    assignment : Assignment
    """
    used = [frame for frame in assignment.frames if frame.use]

    def lacks_position(frame: FrameAssignment) -> bool:
        if frame.series is None or frame.marked_stop is None:
            return False
        step_um = config.series[frame.series].focus_step_um(frame.marked_stop)
        return step_um > 0 and frame.focus_position_um is None

    return {
        "magnification": tuple(f.file for f in used if f.magnification is None),
        "marked_stop": tuple(f.file for f in used if f.marked_stop is None),
        "focus_position_um": tuple(f.file for f in used if lacks_position(f)),
    }


class _AnyName(frozenset[str]):
    """Files of which every name is one: a wrong name is not to hide the next."""

    def __contains__(self, name: object) -> bool:
        return True


def stray_rows(folder: Path) -> tuple[Problem, ...]:
    """Rows of an existing frames.csv whose file is not there.

    Parameters
    ----------
    folder : Path
        The session.

    Returns
    -------
    tuple of Problem
        One that names them all; empty without such a row, or without a table.

    Raises
    ------
    SessionError
        If there is no frames folder, or the table is wrong in another way.
    """
    path, files = folder / TABLE_NAME, list_frames(folder)
    if not path.exists():
        return ()
    rows = parse_frame_table(read_text(path), str(path), _AnyName())
    stray = [file for file in rows if file not in files]
    if not stray:
        return ()
    near = [get_close_matches(file[:500], files, n=1) for file in stray[:_NAMED]]
    said = [
        f"{shown(file)} (did you mean {one[0]}?)" if one else shown(file)
        for file, one in zip(stray[:_NAMED], near, strict=True)
    ]
    more = f" and {len(stray) - _NAMED} more" if len(stray) > _NAMED else ""
    text = (
        f"{path} has rows of files that are not under frames/: {', '.join(said)}{more}. Names are "
        "relative to frames/. Mend these, or take the rows out."
    )
    return (Problem(severity="error", text=text, files=tuple(stray)),)


def rowless_frames(folder: Path, assignment: Assignment) -> tuple[Problem, ...]:
    """Frames in use that an existing frames.csv says nothing of.

    Parameters
    ----------
    folder : Path
        The session.
    assignment : Assignment

    Returns
    -------
    tuple of Problem
        One that names them; empty where each has a row.

    Raises
    ------
    SessionError
        If the table is wrong.
    """
    rows = read_frame_table(folder, [frame.file for frame in assignment.frames])
    files = [f.file for f in assignment.frames if f.use and f.file not in rows]
    if not files:
        return ()
    text = (
        f"Without a row in {TABLE_NAME}: {listed(files)}. Slates, EXIF and the order of capture "
        "decide for them. Add rows if that is not meant."
    )
    return (Problem(severity="warning", text=text, files=tuple(files)),)


def write_frame_table(folder: Path, assignment: Assignment) -> Path:
    """Write frames.csv beside session.toml and return its path.

    Parameters
    ----------
    folder : Path
        The session.
    assignment : Assignment

    Raises
    ------
    SessionError
        If there is a frames.csv already: it is a person's work.
    OSError
        If it cannot be written.
    """
    path = folder / TABLE_NAME
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(table_text(assignment))
    except FileExistsError:
        raise SessionError(
            f"{path}: is there already and was left untouched. Edit it, or move it away and "
            "propose again."
        ) from None
    return path
