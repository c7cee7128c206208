"""How wide is each column of a printed table, and how large its type?"""

from __future__ import annotations

from collections.abc import Sequence

from reports.pdf_text import printable
from reports.pdf_text import width_pt as line_width
from reports.pdf_tree import Node

__all__ = ["CELL_PAD_PT", "column_widths"]

_TABLE_SIZES_PT = (8.0, 7.5, 7.0, 6.5)
CELL_PAD_PT = 5.0  # to the right of every cell


def column_widths(rows: Sequence[Sequence[Node]], width_pt: float) -> tuple[list[float], float]:
    """Widths that break no word, at the largest type that permits it; and that type.

    Parameters
    ----------
    rows : sequence of sequence of Node, (n_row, n_column)
        Cells, headers among them.
    width_pt : float
        What there is in all. [pt], > 0

    Returns
    -------
    widths : list of float
        [pt], at most ``width_pt`` together
    size : float
        Of the type. [pt]
    """
    texts = [[printable(cell.text()) for cell in column] for column in zip(*rows, strict=True)]
    bold = [[cell.tag == "th" for cell in column] for column in zip(*rows, strict=True)]
    for size in _TABLE_SIZES_PT:
        least, most = [], []
        for column, thick in zip(texts, bold, strict=True):
            pairs = list(zip(column, thick, strict=True))
            # A word of more than a line's length is broken anyway.
            words = [(w[:24], b) for text, b in pairs for w in text.split(" ")]
            least.append(max(line_width(w, size, bold=b) for w, b in words))
            most.append(max(line_width(t[:2000], size, bold=b) for t, b in pairs))
        least = [value + CELL_PAD_PT + 0.5 for value in least]
        most = [max(a, b + CELL_PAD_PT + 0.5) for a, b in zip(least, most, strict=True)]
        if sum(least) <= width_pt:
            break
    if sum(least) >= width_pt:
        return [width_pt * value / sum(least) for value in least], size
    lengths = [
        [line_width(t[:2000], size, bold=b) for t, b in zip(column, thick, strict=True)]
        for column, thick in zip(texts, bold, strict=True)
    ]
    # A header may well take several lines: the cells below it come first.
    body = [
        max(a, max(column[1:] or column) + CELL_PAD_PT + 0.5)
        for a, column in zip(least, lengths, strict=True)
    ]
    return _grown(least, body, most, lengths, width_pt - sum(least)), size


def _grown(
    least: Sequence[float],
    body: Sequence[float],
    most: Sequence[float],
    lengths: Sequence[Sequence[float]],
    spare: float,
) -> list[float]:
    """Widths grown from the least: little wishes first, then where it saves most lines.

    Parameters
    ----------
    least, body, most : sequence of float, (n_column,)
        For single words; for each cell below the header on one line; for the header too.
    lengths : sequence of sequence of float, (n_column, n_row)
        Of each cell's text on one line.
    spare : float
        What there is to give. All in points.
    """
    widths, step = list(least), 3.0
    wishes = sorted(range(len(widths)), key=lambda k: body[k] - least[k])
    for position, k in enumerate(wishes):
        wish = body[k] - least[k]
        if wish > spare / (len(wishes) - position):
            break
        widths[k] += wish
        spare -= wish
    rows = list(zip(*lengths, strict=True))
    while spare > step:
        growing = {k for k, width in enumerate(widths) if width < most[k]}
        if not growing:
            break
        gain = dict.fromkeys(sorted(growing), 0.0)
        for row in rows:
            lines = [length / (w - CELL_PAD_PT) for length, w in zip(row, widths, strict=True)]
            worst = max(range(len(row)), key=lines.__getitem__)
            if worst in gain:
                gain[worst] += lines[worst]
        chosen = max(gain, key=gain.__getitem__)
        widths[chosen] += step
        spare -= step
    return widths
