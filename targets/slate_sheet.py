"""Which cards are on a printed sheet of slates, and where?

Cards of one size stand in a grid, in the order of shooting, with lines to cut
along. A card holds its code in the middle of the field that the camera sees,
and below that, out of the camera's sight, the same in plain words. Short lines
at both sides lead to a code that is smaller than a fingernail.

Modules are whole printer dots wide and start on a dot, so that a printer does
not make some wider than others.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from targets.code import code_bars
from targets.errors import TargetError
from targets.layout import Point
from targets.page import LINE_PITCH, PAPERS_MM, Page, Polygon, Text, lines_of_text, stroke
from targets.slates import SlateCard, slate_words

__all__ = ["PRINTER_DPI", "slate_pages", "slates_record"]

RECORD_VERSION = 1
PRINTER_DPI = 600  # of common office printers; common practice, no published source
# In the slate study's model of a print, modules of 3 dots are read if dark dots spread by
# half a dot all around, modules of 2 dots only if by less.
DOTS_MIN = 3

MARGIN_MM = 10.0  # printers leave an edge blank; common practice, no published source
CARD_WIDTH_MIN_MM = 60.0
PAD_MM = 4.0
ZONE_HEIGHT_MIN_MM = 14.0
WORDS_GAP_MM = 1.5  # below the field: capitals are lower than their size, the code is on dots
HEADLINE_MM = 6.0
NAME_MM = 3.5
NOTE_MM = 2.5
NOTE_SPACE_MM = 1.6 * NOTE_MM
CUT_WIDTH_MM = 0.1
GUIDE_WIDTH_MM = 0.3
GUIDED_CODE_MM = 10.0
GUIDE_GAP_MM = 2.0  # clear ground between the field and a guide
CHECK_LINE_MM = 50.0

HEAD = (
    "Print at actual size (100 %), never fitted to the page. Cut along the lines.",
    "Photograph a card before the frames that it announces: all of its code in focus and in the "
    "frame, turned as you like.",
    "Mind flash and bright LEDs at eye distance. Local rules come first.",
)


@dataclass(frozen=True, kw_only=True)
class _Placed:
    """A card on its page: its number, the code's centre and module, and its corners."""

    number: int
    card: SlateCard
    page: int
    corner_mm: Point
    centre_mm: Point
    module_mm: float


@dataclass(frozen=True, kw_only=True)
class _Grid:
    """How cards stand on every page: cell size, the field's zone in it, rows, columns."""

    columns: int
    rows: int
    top_mm: float
    width_mm: float
    height_mm: float
    zone_height_mm: float


def slate_pages(
    cards: Iterable[SlateCard], *, name: str, paper: str = "A4", printer_dpi: int = PRINTER_DPI
) -> tuple[Page, ...]:
    """Sheets of cards to print and cut.

    Parameters
    ----------
    cards : iterable of SlateCard
        At least one, in the order of shooting.
    name : str
        Name of the session, for the head of each page.
    paper : str
        "A4" or "Letter".
    printer_dpi : int
        Dots to the inch. > 0

    Raises
    ------
    ValueError
        If there is no card, the paper is unknown or the dots are not above zero.
    TargetError
        If a card does not fit the paper, or its modules are too small for the printer.
    """
    placed, grid = _placed(tuple(cards), name, paper, printer_dpi)
    count = placed[-1].page
    pages = []
    for number in range(1, count + 1):
        here = [one for one in placed if one.page == number]
        title = _title(name, number, count)
        head, check_line = _head(title, PAPERS_MM[paper][0])
        codes = tuple(
            code_bars(one.card.modules, centre_mm=one.centre_mm, width_mm=_width_mm(one))
            for one in here
        )
        lines = (
            check_line,
            *_cut_lines(here, grid),
            *(g for one in here for g in _guides(one, grid)),
        )
        texts = tuple(text for one in here for text in _words(one, grid, len(placed)))
        pages.append(
            Page(
                title=title,
                width_mm=PAPERS_MM[paper][0],
                height_mm=PAPERS_MM[paper][1],
                shapes_mm=(*codes, *((line,) for line in lines)),
                texts=head + texts,
            )
        )
    return tuple(pages)


def slates_record(
    cards: Iterable[SlateCard], *, name: str, paper: str = "A4", printer_dpi: int = PRINTER_DPI
) -> dict[str, Any]:
    """What ``slate_pages`` prints where, as numbers and texts for JSON.

    Parameters
    ----------
    cards, name, paper, printer_dpi
        As for ``slate_pages``.

    Returns
    -------
    dict
        Name, version of this record, paper and its size, and the cards, each with
        its page (from 1), ``code_text``, what is said, the code's centre (x right, y
        down from the page's upper left corner), the side of a module and their
        number across, quiet zone not counted.

    Raises
    ------
    ValueError, TargetError
        As for ``slate_pages``.
    """
    placed, _ = _placed(tuple(cards), name, paper, printer_dpi)
    width, height = PAPERS_MM[paper]
    return {
        "name": name,
        "version": RECORD_VERSION,
        "page_width_mm": width,
        "page_height_mm": height,
        "cards": [
            {
                "page": one.page,
                "code_text": one.card.text,
                "magnification": one.card.slate.magnification,
                "marked_stop": one.card.slate.marked_stop,
                "condition": one.card.slate.condition,
                "rig": one.card.slate.rig,
                "centre_mm": list(one.centre_mm),
                "module_mm": one.module_mm,
                "modules_across": len(one.card.modules),
            }
            for one in placed
        ],
    }


def _placed(
    cards: Sequence[SlateCard], name: str, paper: str, printer_dpi: int
) -> tuple[list[_Placed], _Grid]:
    if not cards:
        raise ValueError("a sheet needs at least one card")
    if paper not in PAPERS_MM:
        raise ValueError(f"paper must be one of {', '.join(PAPERS_MM)}")
    if not printer_dpi > 0:
        raise ValueError("printer_dpi must be > 0")
    grid = _grid(cards, name, paper)
    dot = 25.4 / printer_dpi
    placed = []
    for i, card in enumerate(cards):
        page, cell = divmod(i, grid.rows * grid.columns)
        row, column = divmod(cell, grid.columns)
        left, top = MARGIN_MM + column * grid.width_mm, grid.top_mm + row * grid.height_mm
        module = _printed_module_mm(card, printer_dpi)
        half = 0.5 * module * len(card.modules)
        middle = left + 0.5 * grid.width_mm, top + PAD_MM + 0.5 * grid.zone_height_mm
        x, y = (round((at - half) / dot) * dot + half for at in middle)
        placed.append(
            _Placed(
                number=i + 1,
                card=card,
                page=page + 1,
                corner_mm=(left, top),
                centre_mm=(round(x, 6), round(y, 6)),
                module_mm=module,
            )
        )
    return placed, grid


def _printed_module_mm(card: SlateCard, printer_dpi: int) -> float:
    """The largest module of whole dots that fits.

    Raises
    ------
    TargetError
        If that is too small to be printed or read.
    """
    # One part in 10^9 keeps a module of exactly so many dots, whichever way it rounds.
    dots = math.floor(card.module_mm * printer_dpi / 25.4 * (1 + 1e-9))
    module = dots * 25.4 / printer_dpi
    if dots < DOTS_MIN or module < card.module_min_mm:
        needed = max(DOTS_MIN * 25.4 / printer_dpi, card.module_min_mm)
        raise TargetError(
            f"slate {card.text!r}: {1e3 * card.module_mm:.0f} um is the largest module that fits "
            f"the field; in whole dots of a printer with {printer_dpi} dots to the inch that is "
            f"{1e3 * module:.0f} um, and reading asks for {1e3 * needed:.0f} um. Print with finer "
            "dots, shorten the names of condition and rig, or use the page for a phone."
        )
    return module


def _grid(cards: Sequence[SlateCard], name: str, paper: str) -> _Grid:
    """Cells as large as the largest card needs, as many as fit.

    Raises
    ------
    TargetError
        If none fits.
    """
    page_width, page_height = PAPERS_MM[paper]
    # As if there were many pages, so that the longest title has its lines.
    head, _ = _head(_title(name, len(cards), len(cards) + 1), page_width)
    top = head[-1].at_mm[1] + PAD_MM
    across = page_width - 2 * MARGIN_MM
    field_width = max(card.field_mm[0] for card in cards)
    zone_height = max(ZONE_HEIGHT_MIN_MM, *(card.field_mm[1] for card in cards))
    columns = math.floor(across / max(CARD_WIDTH_MIN_MM, field_width + 2 * PAD_MM))
    width = across / columns if columns else 0.0
    words_height = (
        max(_words_height(card, width - 2 * PAD_MM) for card in cards) if columns else 0.0
    )
    height = PAD_MM + zone_height + words_height + NOTE_SPACE_MM + PAD_MM
    rows = math.floor((page_height - MARGIN_MM - top) / height)
    if not columns or not rows:
        raise TargetError(
            f"a card for a field of {field_width:.0f} x {zone_height:.0f} mm does not fit on "
            f"{paper} with the words. Shorten the names, or write on a sheet at this magnification."
        )
    return _Grid(
        columns=columns,
        rows=rows,
        top_mm=top,
        width_mm=width,
        height_mm=height,
        zone_height_mm=zone_height,
    )


def _width_mm(one: _Placed) -> float:
    return one.module_mm * len(one.card.modules)


def _title(name: str, page: int, count: int) -> str:
    return f"Slates: {name}" + (f", page {page} of {count}" if count > 1 else "")


def _head(title: str, page_width_mm: float) -> tuple[tuple[Text, ...], Polygon]:
    """Title, what to do, and the line that shows whether the print is true to size."""
    width = page_width_mm - 2 * MARGIN_MM
    first = lines_of_text([title], at_mm=(MARGIN_MM, MARGIN_MM + 5.0), width_mm=width, size_mm=5.0)
    body = lines_of_text(HEAD, at_mm=(MARGIN_MM, first[-1].at_mm[1] + 6.0), width_mm=width)
    baseline = body[-1].at_mm[1] + 6.0
    end = MARGIN_MM + CHECK_LINE_MM
    note = Text(
        at_mm=(end + 3.0, baseline), text=f"This line is {CHECK_LINE_MM:g} mm long. Check it."
    )
    line = stroke((MARGIN_MM, baseline - 1.0), (end, baseline - 1.0), GUIDE_WIDTH_MM)
    return (*first, *body, note), line


def _cut_lines(here: Sequence[_Placed], grid: _Grid) -> list[Polygon]:
    """Lines around all cells that hold a card, each drawn once."""
    ends = set()
    for one in here:
        (x0, y0), (x1, y1) = one.corner_mm, (0.0, 0.0)
        x1, y1 = x0 + grid.width_mm, y0 + grid.height_mm
        sides = (
            ((x0, y0), (x1, y0)),
            ((x0, y1), (x1, y1)),
            ((x0, y0), (x0, y1)),
            ((x1, y0), (x1, y1)),
        )
        for start, end in sides:
            ends.add(tuple((round(x, 6), round(y, 6)) for x, y in (start, end)))
    return [stroke(start, end, CUT_WIDTH_MM) for start, end in sorted(ends)]


def _guides(one: _Placed, grid: _Grid) -> list[Polygon]:
    """A line at each side of a small code, level with it, out of the field."""
    x, y = one.centre_mm
    reach = 0.5 * grid.width_mm - PAD_MM
    gap = 0.5 * one.card.field_mm[0] + GUIDE_GAP_MM
    if _width_mm(one) > GUIDED_CODE_MM or reach - gap < GUIDE_GAP_MM:
        return []
    return [stroke((x + way * gap, y), (x + way * reach, y), GUIDE_WIDTH_MM) for way in (-1, 1)]


def _lines(card: SlateCard, width_mm: float, at_mm: Point) -> tuple[Text, ...]:
    """Headline and names in words, from the upper end of their room downwards."""
    headline, names = slate_words(card.slate)
    left, top = at_mm
    first = lines_of_text(
        [headline],
        at_mm=(left, top + WORDS_GAP_MM + HEADLINE_MM),
        width_mm=width_mm,
        size_mm=HEADLINE_MM,
    )
    below = first[-1].at_mm[1] + LINE_PITCH * NAME_MM
    return first + lines_of_text(names, at_mm=(left, below), width_mm=width_mm, size_mm=NAME_MM)


def _words_height(card: SlateCard, width_mm: float) -> float:
    return _lines(card, width_mm, (0.0, 0.0))[-1].at_mm[1] + 0.3 * NAME_MM


def _words(one: _Placed, grid: _Grid, count: int) -> tuple[Text, ...]:
    left, top = one.corner_mm[0] + PAD_MM, one.corner_mm[1] + PAD_MM + grid.zone_height_mm
    note = Text(
        at_mm=(left, one.corner_mm[1] + grid.height_mm - PAD_MM),
        text=f"Card {one.number} of {count}. Code {_width_mm(one):.1f} mm wide.",
        size_mm=NOTE_MM,
    )
    return (*_lines(one.card, grid.width_mm - 2 * PAD_MM, (left, top)), note)
