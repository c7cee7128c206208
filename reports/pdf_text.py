"""How does any text of the records become lines of a printed page?

The font is DejaVu Sans, which ships with matplotlib and may be embedded (Bitstream Vera
and DejaVu licences). A letter that it lacks prints as the font's empty box. Runs of
right-to-left letters are turned round here, since a page draws letters one after
another; Arabic letters stand in their isolated forms.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache
from html import escape
from pathlib import Path

__all__ = ["BOLD", "SANS", "fitted", "paragraph_words", "printable", "register_fonts", "width_pt"]

SANS, BOLD = "StopwiseSans", "StopwiseSans-Bold"
_FILES = {SANS: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf"}
_RIGHT_TO_LEFT = {"R", "AL"}
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|×|px|waves|s|[µm]?m(?:/s)?)(?![\w/]))")
_SHOWN_WORD = 90  # letters; a longer one is no word and loses its middle
_CUT = "\N{HORIZONTAL ELLIPSIS}"


@cache
def register_fonts() -> None:
    """Make both fonts known to the writer of PDF, once."""
    import matplotlib as mpl
    from reportlab.lib.fonts import addMapping
    from reportlab.pdfbase.pdfmetrics import registerFont
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    for name, file in _FILES.items():
        registerFont(TTFont(name, folder / file))
    for is_bold in (0, 1):
        for is_slanted in (0, 1):
            addMapping(SANS, is_bold, is_slanted, BOLD if is_bold else SANS)
            addMapping(BOLD, is_bold, is_slanted, BOLD)


def width_pt(text: str, size_pt: float, *, bold: bool = False) -> float:
    """Width of a line of text. [pt]."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    register_fonts()
    return float(stringWidth(text, BOLD if bold else SANS, size_pt))


def printable(text: str) -> str:
    r"""Text to draw: on one line, shapeless marks left out, in order of sight, units bound.

    >>> printable("a\u202eb\nc")
    'ab c'
    """
    kept = []
    for letter in " ".join(text.splitlines()):
        category = unicodedata.category(letter)
        if category in {"Cc", "Cs"}:
            kept.append("\N{REPLACEMENT CHARACTER}")
        elif category not in {"Cf", "Zl", "Zp"} and not 0xFE00 <= ord(letter) <= 0xFE0F:
            kept.append(letter)
    return _in_order_of_sight(_BEFORE_UNIT.sub("\xa0", "".join(kept)))


def paragraph_words(text: str) -> str:
    """Printable text as the markup of a paragraph; what is no word loses its middle."""
    words = re.split("([ \xa0]+)", printable(text))
    return escape("".join(_shortened(word, _SHOWN_WORD) for word in words), quote=False)


def fitted(text: str, limit_pt: float, size_pt: float, *, bold: bool = False) -> str:
    """As much of a line as fits, with an ellipsis for the rest."""
    if width_pt(text, size_pt, bold=bold) <= limit_pt:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        if width_pt(text[:middle] + _CUT, size_pt, bold=bold) <= limit_pt:
            low = middle
        else:
            high = middle - 1
    return text[:low].rstrip() + _CUT


def _shortened(text: str, most: int) -> str:
    if len(text) <= most:
        return text
    return text[: 2 * most // 3] + _CUT + text[-(most // 3 - 1) :]


def _in_order_of_sight(text: str) -> str:
    r"""Runs from the first to the last right-to-left letter turned round, marks with their base.

    >>> _in_order_of_sight("lens \u05d0\u05d1 \u05d2, 2x") == "lens \u05d2 \u05d1\u05d0, 2x"
    True
    """
    ways = [unicodedata.bidirectional(letter) for letter in text]
    out, k = [], 0
    while k < len(text):
        if ways[k] not in _RIGHT_TO_LEFT:
            out.append(text[k])
            k += 1
            continue
        end = k
        for j in range(k, len(text)):
            if ways[j] == "L":
                break
            if ways[j] in _RIGHT_TO_LEFT or (ways[j] == "NSM" and j == end):
                end = j + 1
        out.append(_turned(text[k:end]))
        k = end
    return "".join(out)


def _turned(run: str) -> str:
    """A run backwards; numbers in it keep their order, marks follow their letter."""
    pieces = re.findall(r"\d+(?:[.,]\d+)*|.", run, flags=re.DOTALL)
    clusters: list[str] = []
    for piece in pieces:
        if clusters and unicodedata.combining(piece[0]):
            clusters[-1] += piece
        else:
            clusters.append(piece)
    return "".join(reversed(clusters))
