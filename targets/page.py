"""What does a printed page hold: dark shapes and lines of text, in millimetres?

Page coordinates are in mm from the page's upper left corner, x to the right, y
down. All is black on white. The writers draw a page and decide nothing; the
modules that make sheets (``legend``, ``slates``, ...) decide what is on it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from targets.layout import Point

__all__ = [
    "LINE_PITCH",
    "PAPERS_MM",
    "TEXT_SIZE_MM",
    "Page",
    "Polygon",
    "Text",
    "lines_of_text",
    "notes_page",
    "stroke",
    "text_width_mm",
]

Polygon = tuple[Point, ...]

# Paper sizes, upright. [mm]  A4: ISO 216. Letter: 8.5 x 11 inch.
PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}

TEXT_SIZE_MM = 3.0  # 8.5 pt
LINE_PITCH = 1.4  # of the text's size
_NOTES_MARGIN_MM = 20.0
_TITLE_SIZE_MM = 5.0

# Upper bounds of advance widths in Helvetica, in text sizes (Adobe font metrics,
# from memory; the tests measure the printed lines): letters of THIN up to 0.334,
# of MIDDLE up to 0.556, the rest of Windows Latin up to 1.015.
THIN = frozenset("fijlrtI .,:;-()'")
MIDDLE = frozenset("abcdeghknopqsuvxyz0123456789")


@dataclass(frozen=True, kw_only=True)
class Text:
    """One line of text in Helvetica; ``at_mm`` is the left end of its base line."""

    at_mm: Point
    text: str
    size_mm: float = TEXT_SIZE_MM


@dataclass(frozen=True, kw_only=True)
class Page:
    """All that a writer draws.

    Attributes
    ----------
    title : str
    width_mm, height_mm : float
    shapes_mm : tuple of tuple of polygons
        Dark polygons, in groups: each group is filled as one path, so that
        abutting shapes show no seams. Polygons of a group do not overlap.
    texts : tuple of Text
    """

    title: str
    width_mm: float
    height_mm: float
    shapes_mm: tuple[tuple[Polygon, ...], ...] = ()
    texts: tuple[Text, ...] = ()


def stroke(start: Point, end: Point, width_mm: float) -> Polygon:
    """A straight line of a given width, as the rectangle that it covers.

    Parameters
    ----------
    start, end : (float, float)
        Ends (x, y), different. [mm]
    width_mm : float
        > 0
    """
    (x0, y0), (x1, y1) = start, end
    length = ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5
    across_x = -(y1 - y0) / length * width_mm / 2
    across_y = (x1 - x0) / length * width_mm / 2
    return (
        (x0 - across_x, y0 - across_y),
        (x1 - across_x, y1 - across_y),
        (x1 + across_x, y1 + across_y),
        (x0 + across_x, y0 + across_y),
    )


def text_width_mm(text: str, size_mm: float = TEXT_SIZE_MM) -> float:
    """Upper bound of a line's printed width."""
    return size_mm * sum(
        0.334 if letter in THIN else 0.556 if letter in MIDDLE else 1.015 for letter in text
    )


def lines_of_text(
    sentences: Iterable[str], *, at_mm: Point, width_mm: float, size_mm: float = TEXT_SIZE_MM
) -> tuple[Text, ...]:
    """Sentences one below the other, each broken into lines surely no wider than ``width_mm``.

    Parameters
    ----------
    sentences : iterable of str
        An empty one leaves half a line free.
    at_mm : (float, float)
        Left end (x, y) of the first base line.
    width_mm, size_mm : float
        > 0
    """
    left, baseline = at_mm
    pitch = LINE_PITCH * size_mm
    texts = []
    for sentence in sentences:
        if not sentence:
            baseline += pitch / 2
        for line in _wrapped(sentence, width_mm, size_mm):
            texts.append(Text(at_mm=(left, baseline), text=line, size_mm=size_mm))
            baseline += pitch
    return tuple(texts)


def notes_page(title: str, sentences: Iterable[str], *, paper: str = "A4") -> Page:
    """A page of plain text: a title and what to know.

    Parameters
    ----------
    title : str
    sentences : iterable of str
        As for ``lines_of_text``.
    paper : str
        A key of ``PAPERS_MM``.

    Raises
    ------
    ValueError
        If the paper is unknown or the text is longer than a page.
    """
    if paper not in PAPERS_MM:
        raise ValueError(f"paper must be one of {', '.join(PAPERS_MM)}")
    width, height = PAPERS_MM[paper]
    inner = width - 2 * _NOTES_MARGIN_MM
    top = _NOTES_MARGIN_MM + _TITLE_SIZE_MM
    head = lines_of_text(
        [title], at_mm=(_NOTES_MARGIN_MM, top), width_mm=inner, size_mm=_TITLE_SIZE_MM
    )
    below = head[-1].at_mm[1] + 2.5 * TEXT_SIZE_MM
    body = lines_of_text(sentences, at_mm=(_NOTES_MARGIN_MM, below), width_mm=inner)
    if body and body[-1].at_mm[1] > height - _NOTES_MARGIN_MM:
        raise ValueError("the notes are longer than a page")
    return Page(title=title, width_mm=width, height_mm=height, texts=head + body)


def _wrapped(text: str, width_mm: float, size_mm: float) -> list[str]:
    """Lines surely no wider than ``width_mm``, broken at spaces, long words cut."""
    lines = [""]
    for word in text.split():
        if lines[-1] and text_width_mm(f"{lines[-1]} {word}", size_mm) <= width_mm:
            lines[-1] += f" {word}"
            continue
        lines.append("")
        for letter in word:
            if text_width_mm(lines[-1] + letter, size_mm) > width_mm:
                lines.append("")
            lines[-1] += letter
    return [line for line in lines if line]
