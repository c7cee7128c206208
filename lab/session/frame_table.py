"""What does frames.csv say about single frames?

Columns ``file,magnification,marked_stop,focus_position_um,condition,use``; only ``file``
must be there. A blank cell leaves that value to the other rules. Every cell is taken as
text or as a plain number: a spreadsheet formula is never worked out.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Collection
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from lab.errors import SessionError
from lab.session.text_file import read_text, shown

__all__ = ["COLUMNS", "TABLE_NAME", "FrameRow", "parse_frame_table", "read_frame_table"]

TABLE_NAME = "frames.csv"
COLUMNS = ("file", "magnification", "marked_stop", "focus_position_um", "condition", "use")
# Plain ASCII numbers only: float() alone would take "nan", "1_000" and other scripts' digits.
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")


@dataclass(frozen=True, kw_only=True)
class FrameRow:
    """One row; None = blank."""

    file: str
    magnification: float | None = None
    marked_stop: float | None = None
    focus_position_um: float | None = None
    condition: str | None = None
    use: bool = True


def read_frame_table(folder: Path, files: Collection[str]) -> dict[str, FrameRow]:
    """Rows of ``folder/frames.csv`` by file; empty where there is no such table.

    Parameters
    ----------
    folder : Path
        Session folder.
    files : collection of str
        Frames that are there, relative to ``frames/``.

    Returns
    -------
    dict
        File name to row.

    Raises
    ------
    SessionError
        If the table cannot be read or anything in it is wrong.
    """
    path = folder / TABLE_NAME
    if not path.exists():
        return {}
    return parse_frame_table(read_text(path), str(path), files)


def parse_frame_table(text: str, name: str, files: Collection[str]) -> dict[str, FrameRow]:
    """Check the text of a frames.csv; arguments and errors as ``read_frame_table``.

    Parameters
    ----------
    text : str
        The table.
    name : str
        Name of the table, for the messages.
    files : collection of str
        Frames that are there.

    Returns
    -------
    dict
        File name to row.

    Raises
    ------
    SessionError
        Names the row (the header is row 1), the column, and the mend.
    """
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: dict[str, FrameRow] = {}
    row_numbers: dict[str, int] = {}
    columns: list[str] | None = None
    number = width = 0
    try:
        for number, cells in enumerate(reader, start=1):
            cells = [cell.strip() for cell in cells]
            if not any(cells):
                continue
            where = f"{name}, row {number}"
            if columns is None:
                columns, width = _columns(where, cells), len(cells)
                continue
            if len(cells) > width:  # even blank: "5,6" for 5.6 pushes the rest to the right
                raise SessionError(
                    f"{where}: {len(cells)} cells, but the header has {width}. Write decimal "
                    "points, not commas, and take out what is too much."
                )
            row, wrong = _row(dict(zip(columns, cells, strict=False)), files)
            if wrong:
                raise SessionError(f"{where}, {' '.join(wrong)}")
            if row.file in rows:
                raise SessionError(
                    f"{where}: {row.file} stands in row {row_numbers[row.file]} already. "
                    "Keep one of the two."
                )
            rows[row.file], row_numbers[row.file] = row, number
    except csv.Error as error:
        raise SessionError(
            f"{name}, row {number + 1}: not a comma-separated table ({error}). Save it as CSV "
            "with commas and straight double quotes."
        ) from error
    if columns is None:
        raise SessionError(
            f"{name}: the table is empty. Write the header {','.join(COLUMNS)}, or delete the file."
        )
    return rows


def _columns(where: str, cells: list[str]) -> list[str]:
    while cells[-1] == "":  # spreadsheets leave empty columns at the end
        cells = cells[:-1]
    for i, cell in enumerate(cells):
        if cell in cells[:i]:
            raise SessionError(f"{where}: column {shown(cell)} stands there twice. Keep one.")
        if cell not in COLUMNS:
            if any(sep in cell for sep in ";\t"):
                mend = "Save the table with commas between the columns."
            else:
                near = get_close_matches(cell.lower(), COLUMNS, n=1)
                known = f"Known columns: {', '.join(COLUMNS)}."
                mend = f"Did you mean {near[0]}? {known}" if near else known
            raise SessionError(f"{where}: unknown column {shown(cell)}. {mend}")
    if "file" not in cells:
        raise SessionError(f"{where}: no column file. Begin the header with file.")
    return cells


def _row(cells: dict[str, str], files: Collection[str]) -> tuple[FrameRow, tuple[str, ...]]:
    """The row, and what is wrong with any of its cells."""
    wrong: list[str] = []
    file = cells.get("file", "").replace("\\", "/")
    if file not in files:
        near = get_close_matches(file[:500], files, n=1)
        mend = f"Did you mean {near[0]}?" if near else "Take the row out or mend the name."
        wrong.append(
            f"file: there is no frame {shown(file)} under frames/. Names are relative "
            f"to frames/. {mend}"
        )
    numbers: dict[str, float | None] = {}
    for column in ("magnification", "marked_stop", "focus_position_um"):
        cell, is_positive = cells.get(column, ""), column != "focus_position_um"
        numbers[column] = _number(cell, is_positive=is_positive) if cell else None
        if cell and numbers[column] is None:
            kind = "a number more than 0" if is_positive else "a number"
            wrong.append(
                f"{column}: must be {kind} or blank, not {shown(cell)}. Write it "
                "plainly, with a decimal point, such as 5.6."
            )
    condition = cells.get("condition", "")
    if not condition.isprintable() or len(condition) > 500:
        wrong.append(
            f"condition: must be one line of at most 500 plain characters, not "
            f"{shown(condition)}. Shorten it."
        )
    use = cells.get("use", "").lower()
    if use not in ("", "yes", "no"):
        wrong.append(f"use: must be yes, no or blank, not {shown(use)}. Mend it.")
    row = FrameRow(
        file=file,
        magnification=numbers["magnification"],
        marked_stop=numbers["marked_stop"],
        focus_position_um=numbers["focus_position_um"],
        condition=condition or None,
        use=use != "no",
    )
    return row, tuple(wrong)


def _number(cell: str, *, is_positive: bool) -> float | None:
    value = float(cell) if _NUMBER.fullmatch(cell) else math.nan
    return value if math.isfinite(value) and (value > 0 or not is_positive) else None
