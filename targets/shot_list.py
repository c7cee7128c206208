"""What is to be shot, in which order, as a list to tick off beside the rig?

A block for each magnification, a row for each stop: its slate code, to be photographed
before the frames that it announces, the stop, the rail's step, the exposure to add, and
a box to tick for each frame. Codes stand on whole printer dots, as large as a row and
the field allow; one that no printer of these dots could make readable is left out, and
the page for a phone (``slate_page``) has it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from targets.code import code_bars, quiet_modules
from targets.layout import Point
from targets.page import LINE_PITCH, PAPERS_MM, Page, Polygon, Text, lines_of_text, stroke
from targets.slate_sheet import DOTS_MIN, MARGIN_MM, PRINTER_DPI
from targets.slates import SlateCard

__all__ = ["Shot", "ShotSeries", "shot_list_pages"]

ROW_MM = 10.5
CODE_MM = 7.0  # a code's width at most
BOX_MM = 3.6
BOX_PITCH_MM = 4.8
LINE_MM = 0.2
HEADING_MM = 4.0
SMALL_MM = 2.3
# Left ends of the columns, from the margin.
_CODE, _STOP, _EFFECTIVE, _STEP, _LIGHT, _BOXES = 0.0, 14.0, 50.0, 69.0, 90.0, 108.0
_HEADS = (
    *((_CODE, "slate"), (_STOP, "stop on the ring"), (_EFFECTIVE, "effective")),
    *((_STEP, "rail step"), (_LIGHT, "add light"), (_BOXES, "frames")),
)


@dataclass(frozen=True, kw_only=True)
class Shot:
    """One row.

    Attributes
    ----------
    card : SlateCard
        Code that announces the frames.
    stop : str
        As the ring says it.
    effective_f_number : float
    focus_step_um : float
    frames : int
        > 0
    added_stops : float or None
        Exposure to add for close range.
    """

    card: SlateCard
    stop: str
    effective_f_number: float
    focus_step_um: float
    frames: int
    added_stops: float | None


@dataclass(frozen=True, kw_only=True)
class ShotSeries:
    """One magnification: its heading, what to set up (one sentence each), and its rows."""

    heading: str
    setting: tuple[str, ...]
    shots: tuple[Shot, ...]


def shot_list_pages(
    series: Sequence[ShotSeries],
    *,
    name: str,
    notes: Sequence[str] = (),
    paper: str = "A4",
    printer_dpi: int = PRINTER_DPI,
) -> tuple[Page, ...]:
    """Pages of a shot list.

    Parameters
    ----------
    series : sequence of ShotSeries
        At least one, each with a shot at least.
    name : str
        Of the rig or session, for the head of each page.
    notes : sequence of str
        What to know, below the first page's title.
    paper : str
        "A4" or "Letter".
    printer_dpi : int
        Dots to the inch. > 0

    Raises
    ------
    ValueError
        If there is nothing to shoot, the paper is unknown, the dots are not above zero, or
        the notes fill the page.
    """
    if not series or not all(one.shots for one in series):
        raise ValueError("a shot list needs at least one series, each with a shot")
    if paper not in PAPERS_MM:
        raise ValueError(f"paper must be one of {', '.join(PAPERS_MM)}")
    if not printer_dpi > 0:
        raise ValueError("printer_dpi must be > 0")
    width, height = PAPERS_MM[paper]
    bottom = height - MARGIN_MM
    sheets: list[_Sheet] = [_Sheet(width, _head(name, notes, width))]
    if sheets[0].y + 2 * ROW_MM + 20 > bottom:
        raise ValueError("the notes fill the page")
    for one in series:
        sheet, heading = sheets[-1], one.heading
        for k, shot in enumerate(one.shots):
            opening = _opening(heading, one.setting if k == 0 else (), sheet) if k == 0 else ()
            needed = (opening[-1].at_mm[1] - sheet.y if opening else 0.0) + ROW_MM + 2
            if sheet.y + needed > bottom:
                if k:
                    sheet.rule()
                sheet = _Sheet(width, _head(name, (), width))
                sheets.append(sheet)
                again = heading if k == 0 else f"{heading}, continued"
                opening = _opening(again, one.setting if k == 0 else (), sheet)
            if opening:
                sheet.texts += opening
                sheet.y = opening[-1].at_mm[1] + 1.5
            sheet.add(shot, printer_dpi)
        sheet.rule()
    count = len(sheets)
    return tuple(sheet.page(name, i, count, width, height) for i, sheet in enumerate(sheets, 1))


class _Sheet:
    """A page as it fills, from the top downwards; ``y`` is where the next thing starts."""

    def __init__(self, width_mm: float, head: tuple[Text, ...]) -> None:
        self.right = width_mm - MARGIN_MM
        self.texts = list(head)
        self.shapes: list[tuple[Polygon, ...]] = []
        self.y = head[-1].at_mm[1] + 2.0

    def rule(self) -> None:
        """A line across."""
        self.shapes.append((stroke((MARGIN_MM, self.y), (self.right, self.y), LINE_MM),))

    def add(self, shot: Shot, printer_dpi: int) -> None:
        """A row, with a line above it."""
        self.rule()
        middle = self.y + 0.5 * ROW_MM
        module = _module_mm(shot.card, printer_dpi)
        if module is not None:
            self.shapes.append(_code(shot.card, module, (MARGIN_MM + 6.0, middle), printer_dpi))
        base = middle + 0.4
        step, light = f"{shot.focus_step_um:g} um", shot.added_stops
        words = [
            (_STOP, shot.stop, 5.0),
            (_EFFECTIVE, f"f/{shot.effective_f_number:.1f}", 3.0),
            (_STEP, step, 3.0),
            (_LIGHT, "-" if light is None else f"+{light:.1f} stops", 3.0),
        ]
        self.texts += [
            Text(at_mm=(MARGIN_MM + x, base), text=text, size_mm=size) for x, text, size in words
        ]
        said = shot.card.text if module is not None else f"{shot.card.text} (on the phone)"
        below = (MARGIN_MM + _STOP, self.y + ROW_MM - 1.6)
        self.texts.append(Text(at_mm=below, text=said, size_mm=SMALL_MM))
        self._boxes(shot.frames, middle)
        self.y += ROW_MM

    def _boxes(self, frames: int, middle: float) -> None:
        """A box for each frame, in as many rows as fit; else their number and one box."""
        left = MARGIN_MM + _BOXES
        across = math.floor((self.right - left + BOX_PITCH_MM - BOX_MM) / BOX_PITCH_MM)
        rows = math.ceil(frames / across)
        if rows > 2:
            self.shapes += _box((left, middle - 0.5 * BOX_MM))
            at = left + BOX_PITCH_MM + 1.0, middle + 1.0
            self.texts.append(Text(at_mm=at, text=f"{frames} frames"))
            return
        top = middle - 0.5 * (rows * BOX_PITCH_MM - (BOX_PITCH_MM - BOX_MM))
        for k in range(frames):
            row, column = divmod(k, across)
            self.shapes += _box((left + column * BOX_PITCH_MM, top + row * BOX_PITCH_MM))

    def page(self, name: str, number: int, count: int, width_mm: float, height_mm: float) -> Page:
        of = f" {number} of {count}" if count > 1 else ""
        at = self.right - (14.0 if count > 1 else 0.0), MARGIN_MM + 4.0
        texts = (*self.texts, *([Text(at_mm=at, text=of.strip())] if of else []))
        return Page(
            title=f"Shot list: {name}",
            width_mm=width_mm,
            height_mm=height_mm,
            shapes_mm=tuple(self.shapes),
            texts=texts,
        )


def _head(name: str, notes: Sequence[str], width_mm: float) -> tuple[Text, ...]:
    inner = width_mm - 2 * MARGIN_MM
    title = lines_of_text(
        [f"Shot list: {name}"],
        at_mm=(MARGIN_MM, MARGIN_MM + 5.0),
        width_mm=inner - 20.0,
        size_mm=5.0,
    )
    if not notes:
        return title
    below = MARGIN_MM, title[-1].at_mm[1] + 6.0
    return title + lines_of_text(notes, at_mm=below, width_mm=inner)


def _opening(heading: str, setting: Sequence[str], sheet: _Sheet) -> tuple[Text, ...]:
    """Heading of a block, what to set up, and the columns' heads."""
    inner = sheet.right - MARGIN_MM
    first = lines_of_text(
        [heading], at_mm=(MARGIN_MM, sheet.y + 7.0), width_mm=inner, size_mm=HEADING_MM
    )
    at = MARGIN_MM, first[-1].at_mm[1] + 5.0
    said = lines_of_text(setting, at_mm=at, width_mm=inner)
    y = (said[-1].at_mm[1] if said else first[-1].at_mm[1]) + LINE_PITCH * SMALL_MM + 1.5
    heads = tuple(Text(at_mm=(MARGIN_MM + x, y), text=text, size_mm=SMALL_MM) for x, text in _HEADS)
    return first + said + heads


def _module_mm(card: SlateCard, printer_dpi: int) -> float | None:
    """Module of whole printer dots within row and field; None if none could be read."""
    most = min(card.module_mm, CODE_MM / len(card.modules))
    dots = math.floor(most * printer_dpi / 25.4 * (1 + 1e-9))
    module = dots * 25.4 / printer_dpi
    return None if dots < DOTS_MIN or module < card.module_min_mm else module


def _code(
    card: SlateCard, module_mm: float, middle_mm: Point, printer_dpi: int
) -> tuple[Polygon, ...]:
    """Bars of a code about a point, its corner on a printer dot."""
    width, dot = module_mm * len(card.modules), 25.4 / printer_dpi
    x, y = (round((at - width / 2) / dot) * dot + width / 2 for at in middle_mm)
    assert quiet_modules(card.modules) * module_mm + width / 2 < 0.5 * ROW_MM
    return code_bars(card.modules, centre_mm=(x, y), width_mm=width)


def _box(corner_mm: Point) -> Iterator[tuple[Polygon, ...]]:
    (x, y), s = corner_mm, BOX_MM
    corners = ((x, y), (x + s, y), (x + s, y + s), (x, y + s))
    for start, end in zip(corners, corners[1:] + corners[:1], strict=True):
        yield (stroke(start, end, LINE_MM),)
