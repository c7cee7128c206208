"""What does each kind of paragraph look like in print?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reports.drawing import PALETTE
from reports.pdf_text import BOLD, SANS

if TYPE_CHECKING:
    from reportlab.lib.styles import ParagraphStyle

__all__ = ["paragraph_look"]


def paragraph_look(name: str, size: float | None = None) -> ParagraphStyle:
    """Type, colour and spacing; ``size`` in points for a table's cell.

    A name without a look of its own is plain text.
    """
    from reportlab.lib.colors import HexColor
    from reportlab.lib.styles import ParagraphStyle

    ink, quiet = HexColor(PALETTE["ink"]), HexColor(PALETTE["quiet"])
    own: dict[str, dict[str, Any]] = {
        "h1": {"fontName": BOLD, "fontSize": 19, "leading": 24, "spaceAfter": 3},
        "h2": {
            **{"fontName": BOLD, "fontSize": 14, "leading": 18, "spaceBefore": 14},
            **{"spaceAfter": 5},
        },
        "h3": {
            **{"fontName": BOLD, "fontSize": 10.5, "leading": 14, "spaceBefore": 9},
            **{"spaceAfter": 3},
        },
        "h4": {"fontName": BOLD, "spaceBefore": 6},
        "summary": {"fontName": BOLD},
        "quiet": {"textColor": quiet, "spaceAfter": 3},
        "stop": {
            **{"fontName": BOLD, "fontSize": 26, "leading": 31, "spaceAfter": 2},
            "textColor": HexColor(PALETTE["measured"]),
        },
        "boxed": {
            **{"backColor": HexColor(PALETTE["band"]), "borderColor": HexColor(PALETTE["optimum"])},
            **{"borderWidth": 1, "borderPadding": 5, "spaceBefore": 10, "spaceAfter": 12},
        },
        "li": {"leftIndent": 11, "bulletIndent": 1, "spaceAfter": 2.5},
        "dt": {
            **{"fontSize": 7.5, "leading": 10, "textColor": quiet, "spaceBefore": 5},
            "spaceAfter": 0,
        },
        "dd": {"fontSize": 8.5, "leading": 11.5, "spaceAfter": 2},
        "caption": {"fontSize": 7.2, "leading": 9.6, "textColor": quiet, "spaceAfter": 0},
        "th": {"fontName": BOLD, "spaceAfter": 0},
        "td": {"spaceAfter": 0},
    }
    basis: dict[str, Any] = {
        **{"fontName": SANS, "bulletFontName": SANS, "fontSize": 9, "leading": 12.5},
        **{"textColor": ink, "spaceAfter": 5, "splitLongWords": 1},
    }
    look = basis | own.get(name, {})
    if size is not None:
        look |= {"fontSize": size, "leading": 1.28 * size}
    return ParagraphStyle(name, **look)
