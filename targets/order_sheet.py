"""In which order are a trial's conditions shot, as a sheet to tick off beside the camera?

A row for each run of frames: its round, the number of the slate to photograph first, the
condition, a box to tick for each frame, and room to write. Type is large, to be read from
where the camera is. The slates' codes are on their own sheet (``slate_sheet``) or on the
page for a phone (``slate_page``).

Left out: where the order comes from.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from targets.layout import Point
from targets.page import LINE_PITCH, PAPERS_MM, Page, Polygon, Text, lines_of_text, stroke
from targets.slate_sheet import MARGIN_MM

__all__ = ["Run", "order_pages"]

NUMBER_MM = 6.0
CONDITION_MM = 5.0
NOTE_MM = 3.5
HEAD_MM = 2.5
BOX_MM = 5.0
BOX_PITCH_MM = 7.0
BOXES_ACROSS = 5
MOST_BOXES = 20
ROW_MIN_MM = 14.0  # a line of handwriting and a half
PAD_MM = 3.0
LINE_MM = 0.2
ROUND_LINE_MM = 0.7
WRITE_MM = 9.0  # from line to line to write on
_MOST_NUMBER = 9999  # what the columns of numbers have room for
# Left ends of the columns, from the margin.
_ROUND, _SLATE, _SLATE_NUMBER, _CONDITION, _FRAMES, _BOXES, _NOTES = (
    *(0.0, 15.0, 22.0, 36.0),
    *(100.0, 115.0, 151.0),
)
_CONDITION_WIDTH_MM = _FRAMES - _CONDITION - 2.0
_HEADS = (
    *((_ROUND, "round"), (_SLATE, "slate first"), (_CONDITION, "condition")),
    *((_FRAMES, "frames"), (_BOXES, "tick each frame"), (_NOTES, "what happened")),
)
_WRITE_IN = (("Date", "By whom"), ("Light, flash and its power", "ISO, shutter"))


@dataclass(frozen=True, kw_only=True)
class Run:
    """Frames shot one after the other under one condition.

    Attributes
    ----------
    round_number : int
        From 1; runs of one round follow each other.
    slate_number : int
        Of the card on the sheet of slates, from 1.
    condition : str
    frames : int
        > 0
    """

    round_number: int
    slate_number: int
    condition: str
    frames: int


def order_pages(
    runs: Sequence[Run], *, name: str, notes: Sequence[str] = (), paper: str = "A4"
) -> tuple[Page, ...]:
    """Pages of an order sheet.

    Parameters
    ----------
    runs : sequence of Run
        At least one, in the order of shooting.
    name : str
        Of the trial, for the head of each page.
    notes : sequence of str
        What to know, below the first page's title.
    paper : str
        "A4" or "Letter".

    Raises
    ------
    ValueError
        If there is no run, a number is not from 1 to 9999, the paper is unknown, or the
        notes fill the page.
    """
    if not runs:
        raise ValueError("an order sheet needs at least one run")
    if not all(
        1 <= n <= _MOST_NUMBER for r in runs for n in (r.round_number, r.slate_number, r.frames)
    ):
        raise ValueError(f"numbers of round, slate and frames must be from 1 to {_MOST_NUMBER}")
    if paper not in PAPERS_MM:
        raise ValueError(f"paper must be one of {', '.join(PAPERS_MM)}")
    width, height = PAPERS_MM[paper]
    bottom = height - MARGIN_MM
    fresh = _Sheet(name, width)
    room = bottom - fresh.y
    sheets = [_Sheet(name, width, notes, _WRITE_IN)]
    if sheets[0].y + ROW_MIN_MM > bottom:
        raise ValueError("the notes fill the page")
    for _, group in groupby(runs, key=lambda run: run.round_number):
        members = list(group)
        heights = [_row_mm(run) for run in members]
        # A round stays together where a page can hold it.
        is_moved = sheets[-1].y + sum(heights) > bottom and sum(heights) <= room
        for k, (run, row_mm) in enumerate(zip(members, heights, strict=True)):
            is_new = (k == 0 and is_moved) or sheets[-1].y + row_mm > bottom
            if is_new:
                sheets[-1].rule(ROUND_LINE_MM if k == 0 else LINE_MM)
                sheets.append(_Sheet(name, width))
            sheets[-1].add(run, row_mm, is_first=k == 0, shows_round=k == 0 or is_new)
    sheets[-1].rule(ROUND_LINE_MM)
    return tuple(
        sheet.page(name, number, len(sheets), height) for number, sheet in enumerate(sheets, 1)
    )


class _Sheet:
    """A page as it fills, from the top downwards; ``y`` is where the next thing starts."""

    def __init__(
        self,
        name: str,
        width_mm: float,
        notes: Sequence[str] = (),
        write_in: Sequence[Sequence[str]] = (),
    ) -> None:
        self.width_mm = width_mm
        self.right = width_mm - MARGIN_MM
        self.shapes: list[tuple[Polygon, ...]] = []
        self.texts = list(
            lines_of_text(
                [f"Order of shooting: {name}"],
                at_mm=(MARGIN_MM, MARGIN_MM + CONDITION_MM),
                width_mm=width_mm - 2 * MARGIN_MM - 25.0,
                size_mm=CONDITION_MM,
            )
        )
        if notes:
            self.texts += lines_of_text(
                notes,
                at_mm=(MARGIN_MM, self.texts[-1].at_mm[1] + 2 * NOTE_MM),
                width_mm=width_mm - 2 * MARGIN_MM,
                size_mm=NOTE_MM,
            )
        self.y = self.texts[-1].at_mm[1] + 1.0
        for labels in write_in:
            self._write_in(labels)
        self.y += LINE_PITCH * HEAD_MM + 2.0
        self.texts += [
            Text(at_mm=(MARGIN_MM + x, self.y), text=text, size_mm=HEAD_MM) for x, text in _HEADS
        ]
        self.y += 1.5

    def _write_in(self, labels: Sequence[str]) -> None:
        """Lines side by side, each below a word that says what belongs there."""
        self.y += WRITE_MM
        share = (self.right - MARGIN_MM) / len(labels)
        for k, label in enumerate(labels):
            left = MARGIN_MM + k * share
            self.texts.append(
                Text(at_mm=(left, self.y - WRITE_MM + 4.0), text=label, size_mm=HEAD_MM)
            )
            end = left + share - (0.0 if k + 1 == len(labels) else 4.0)
            self.shapes.append((stroke((left, self.y), (end, self.y), LINE_MM),))

    def rule(self, width_mm: float) -> None:
        """A line across."""
        self.shapes.append((stroke((MARGIN_MM, self.y), (self.right, self.y), width_mm),))

    def add(self, run: Run, row_mm: float, *, is_first: bool, shows_round: bool) -> None:
        """A row, with a line above it, stronger where a round begins."""
        self.rule(ROUND_LINE_MM if is_first else LINE_MM)
        middle = self.y + row_mm / 2
        base = middle + 0.36 * NUMBER_MM  # half the height of Helvetica's figures
        numbers = [(_SLATE_NUMBER, run.slate_number), (_FRAMES, run.frames)]
        if shows_round:
            numbers.append((_ROUND, run.round_number))
        self.texts += [
            Text(at_mm=(MARGIN_MM + x, base), text=str(number), size_mm=NUMBER_MM)
            for x, number in numbers
        ]
        self.shapes += _box((MARGIN_MM + _SLATE, middle - BOX_MM / 2))
        words = _condition(run)
        pitch = LINE_PITCH * CONDITION_MM
        first = middle - (len(words) - 1) / 2 * pitch + 0.36 * CONDITION_MM
        self.texts += [
            Text(
                at_mm=(MARGIN_MM + _CONDITION, first + k * pitch),
                text=word.text,
                size_mm=CONDITION_MM,
            )
            for k, word in enumerate(words)
        ]
        boxes = run.frames if run.frames <= MOST_BOXES else 1
        rows = math.ceil(boxes / BOXES_ACROSS)
        top = middle - ((rows - 1) * BOX_PITCH_MM + BOX_MM) / 2
        for k in range(boxes):
            row, column = divmod(k, BOXES_ACROSS)
            self.shapes += _box(
                (MARGIN_MM + _BOXES + column * BOX_PITCH_MM, top + row * BOX_PITCH_MM)
            )
        self.y += row_mm

    def page(self, name: str, number: int, count: int, height_mm: float) -> Page:
        """All of it, with its number where there are more."""
        at = self.right - 20.0, MARGIN_MM + CONDITION_MM
        of = [Text(at_mm=at, text=f"{number} of {count}")] if count > 1 else []
        return Page(
            title=f"Order of shooting: {name}",
            width_mm=self.width_mm,
            height_mm=height_mm,
            shapes_mm=tuple(self.shapes),
            texts=(*self.texts, *of),
        )


def _condition(run: Run) -> tuple[Text, ...]:
    return lines_of_text(
        [run.condition], at_mm=(0.0, 0.0), width_mm=_CONDITION_WIDTH_MM, size_mm=CONDITION_MM
    )


def _row_mm(run: Run) -> float:
    words = len(_condition(run)) * LINE_PITCH * CONDITION_MM
    boxes = math.ceil(run.frames / BOXES_ACROSS) if run.frames <= MOST_BOXES else 1
    return max(ROW_MIN_MM, words + 2 * PAD_MM, boxes * BOX_PITCH_MM + PAD_MM)


def _box(corner_mm: Point) -> Iterator[tuple[Polygon, ...]]:
    (x, y), s = corner_mm, BOX_MM
    corners = ((x, y), (x + s, y), (x + s, y + s), (x, y + s))
    for start, end in zip(corners, corners[1:] + corners[:1], strict=True):
        yield (stroke(start, end, LINE_MM),)
