"""What would a frames.csv say that a person could complete?

One row a frame, with what is known of it and blank cells for what is not. Read back
unedited it gives every frame the place that it has without the table.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

from lab.errors import SessionError
from lab.session.config import SessionConfig
from lab.session.draft import Assignment, FrameAssignment
from lab.session.frame_table import COLUMNS, TABLE_NAME

__all__ = ["Blanks", "blank_cells", "refuse_existing_table", "table_text", "write_frame_table"]

Blanks = dict[str, tuple[str, ...]]


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


def refuse_existing_table(folder: Path) -> None:
    """Refuse a session that has a frames.csv: it is a person's work.

    Raises
    ------
    SessionError
        If there is one.
    """
    if (folder / TABLE_NAME).exists():
        raise SessionError(_refusal(folder / TABLE_NAME))


def _refusal(path: Path) -> str:
    return (
        f"{path}: is there already and was left untouched. Edit it, or move it away and propose "
        "again."
    )


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
        If there is a frames.csv already.
    OSError
        If it cannot be written.
    """
    path = folder / TABLE_NAME
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(table_text(assignment))
    except FileExistsError:
        raise SessionError(_refusal(path)) from None
    return path
