"""How do the parts of the report's page become blocks of a printed one?

The page (``reports.page``) is the one place where sentences, tables and figures are put
together; here its elements become reportlab's blocks, so that nothing is worded twice.
Left out is what only a screen can use: links within the page, controls, scripts, and
whatever is ``hidden``. Sizes in points; no block is higher than the page.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from reports.drawing import PALETTE
from reports.pdf_columns import CELL_PAD_PT, column_widths
from reports.pdf_drawing import draw_svg, svg_size_pt
from reports.pdf_looks import paragraph_look
from reports.pdf_text import SANS, paragraph_words, printable, register_fonts
from reports.pdf_tree import HEADINGS, Node, line_markup

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

__all__ = ["flowables"]

_INLINE = {"a", "abbr", "b", "bdi", "br", "code", "em", "i", "small", "span", "strong", "sub"}
_INLINE |= {"sup", "time", "wbr"}
# Of the page's height, so that a magnification's figures and tables fill one page, A4 or Letter:
_FIGURE = 0.29  # a lone figure's width; its caption stands beside it
_PAIR = 0.29  # height of two side by side, at most
_GAP_PT = 12.0
_PAIR_GAP_PT = 22.0
_TALLEST = 0.55  # of the page, that one figure may take
_HIGHEST_CELL = 0.4  # of the page; a longer one is cut
_UNBROKEN = 0.35  # of the page: a table no higher is never split
_LEAST_PT = 90.0  # of what may be split, that stands under its heading
_KINDS = {"quiet": "quiet", "simulated": "boxed", "stop": "stop"}  # of the page's paragraphs


def flowables(node: Node, width_pt: float, height_pt: float) -> list[Flowable]:
    """Blocks of everything in an element, from top to bottom.

    Parameters
    ----------
    node : Node
    width_pt, height_pt : float
        Of the page's text. [pt], > 0
    """
    register_fonts()
    return _kept_with_headings(list(_Flow(width_pt, height_pt).blocks(node)), width_pt, height_pt)


class _Flow:
    """Makes blocks for one width of page."""

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = width, height

    def blocks(self, node: Node) -> Iterator[Flowable]:
        line: list[Node | str] = []
        for child in node.children:
            if isinstance(child, str) or child.tag in _INLINE:
                line.append(child)
                continue
            yield from self._loose(line)
            line = []
            if child.is_printed():
                yield from self._block(child)
        yield from self._loose(line)

    def _loose(self, line: Sequence[Node | str]) -> Iterator[Flowable]:
        """Text that stands outside of any paragraph."""
        inner = Node("p", children=list(line))
        if inner.text().strip():
            yield self._paragraph(inner, "p")

    def _block(self, node: Node) -> Iterator[Flowable]:
        from reportlab.platypus import PageBreak, Spacer

        kind = node.kinds()
        figures = [one for one in node.elements() if one.tag == "figure"]
        if node.tag in HEADINGS:
            if node.tag == "h2" and node.attributes.get("id", "").startswith(("series-", "trial-")):
                yield PageBreak()
            yield self._heading(node)
        elif node.tag in {"p", "summary"}:
            name = next((_KINDS[one] for one in sorted(kind) if one in _KINDS), node.tag)
            yield self._paragraph(node, name)
        elif node.tag in {"ul", "ol"}:
            for item in (one for one in node.elements() if one.tag == "li"):
                yield self._paragraph(item, "li", bullet="\N{BULLET}")
            yield Spacer(0, 3)
        elif node.tag == "dl":
            for item in node.elements():
                yield self._paragraph(item, item.tag)
        elif node.tag == "table":
            yield from self._table(node)
        elif node.tag == "figure":
            yield self._lone_figure(node)
        elif "answers" in kind:
            yield self._cards(list(node.elements()))
        elif len(figures) == 2 and "pair" in kind:
            yield self._pair(figures)
        else:
            yield from self.blocks(node)

    def _heading(self, node: Node) -> Flowable:
        block = self._paragraph(node, node.tag)
        _mark(block, "outline", (int(node.tag[1]) - 1, printable(node.text())[:120]))
        return block

    def _paragraph(self, node: Node, name: str, *, bullet: str | None = None) -> Flowable:
        from reportlab.platypus import Paragraph

        block = Paragraph(line_markup(node), paragraph_look(name), bulletText=bullet)
        if name == "quiet":
            _mark(block, "is_lead")  # belongs to what follows
        elif name == "li":
            _mark(block, "is_item")
        return block

    def _lone_figure(self, node: Node) -> Flowable:
        svg, caption = _figure_parts(node)
        picture = _picture(svg, _FIGURE * self.height, _TALLEST * self.height)
        left = picture.width + _GAP_PT
        cells = [[picture, self._bounded(caption, "caption", self.width - left)]]
        return _grid(cells, [left, self.width - left], middle=True)

    def _pair(self, figures: Sequence[Node]) -> Flowable:
        side = (self.width - _PAIR_GAP_PT) / 2
        parts = [_figure_parts(one) for one in figures]
        pictures = [_picture(svg, side, _PAIR * self.height) for svg, _ in parts]
        captions = [self._bounded(caption, "caption", side) for _, caption in parts]
        rows = [[left, "", right] for left, right in (pictures, captions)]
        return _grid(rows, [side, _PAIR_GAP_PT, side])

    def _cards(self, cards: Sequence[Node]) -> Flowable:
        columns = min(len(cards), 2 if len(cards) in {2, 4} else 3)
        gap = _GAP_PT
        side = (self.width - gap * (columns - 1)) / columns
        rows = []
        for first in range(0, len(cards), columns):
            row: list[Any] = []
            for card in cards[first : first + columns]:
                inner = _Flow(side - 16, self.height)
                row += [_card(list(inner.blocks(card)), side), ""]
            rows.append(row[:-1] + [""] * (2 * columns - len(row)))
        widths = [side if k % 2 == 0 else gap for k in range(2 * columns - 1)]
        return _grid(rows, widths)

    def _bounded(self, node: Node, name: str, width: float, size: float | None = None) -> Any:
        """A paragraph that is cut where it would take more of the page than a cell may."""
        from reportlab.platypus import Paragraph

        look, markup = paragraph_look(name, size), line_markup(node)
        limit = _HIGHEST_CELL * self.height
        block = Paragraph(markup, look)
        letters = node.text()
        while block.wrap(width, self.height)[1] > limit and len(letters) > 20:
            letters = letters[: int(0.8 * len(letters))].rstrip() + "\N{HORIZONTAL ELLIPSIS}"
            block = Paragraph(paragraph_words(letters), look)
        return block

    def _table(self, node: Node) -> Iterator[Flowable]:
        from reportlab.platypus import Table, TableStyle

        captions = list(node.every("caption"))
        rows = [
            [one for one in row.elements() if one.tag in {"th", "td"}] for row in node.every("tr")
        ]
        rows = [row for row in rows if row]
        if not rows:
            return
        count = max(map(len, rows))
        rows = [row + [Node("td")] * (count - len(row)) for row in rows]
        heads = sum(1 for head in node.every("thead") for _ in head.every("tr"))
        widths, size = column_widths(rows, self.width)
        cells = [
            [
                self._bounded(
                    cell,
                    "th" if cell.tag == "th" else "td",
                    max(1.0, width - CELL_PAD_PT),
                    size,
                )
                for cell, width in zip(row, widths, strict=True)
            ]
            for row in rows
        ]
        above = len(captions[:1])
        if captions:
            caption = self._bounded(captions[0], "caption", self.width)
            cells.insert(0, [_Flow._over(caption, self.width), *[""] * (count - 1)])
        look: list[tuple[Any, ...]] = [
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), CELL_PAD_PT),
            ("TOPPADDING", (0, 0), (-1, -1), 1.7),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2.1),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LINEBELOW", (0, above), (-1, -1), 0.4, PALETTE["faint"]),
            ("FONTNAME", (0, 0), (-1, -1), SANS),  # of empty cells too
        ]
        if above:
            look.append(("BOTTOMPADDING", (0, 0), (-1, 0), 4))
        if heads:
            last = above + heads - 1
            look += [
                ("VALIGN", (0, above), (-1, last), "BOTTOM"),
                ("LINEBELOW", (0, last), (-1, last), 0.7, PALETTE["quiet"]),
            ]
        table = Table(
            cells,
            colWidths=widths,
            repeatRows=tuple(range(above, above + heads)),
            hAlign="LEFT",
            spaceBefore=7,
            spaceAfter=8,
            style=TableStyle(look),
        )
        _mark(table, "may_split")
        yield table

    @staticmethod
    def _over(block: Any, width: float) -> Any:
        """A block for one cell that is wider than its column: a table's caption."""
        from reportlab.platypus import Flowable

        class Over(Flowable):
            def wrap(self, _width: float, height: float) -> tuple[float, float]:
                return 0, block.wrap(width, height)[1]

            def draw(self) -> None:
                block.drawOn(self.canv, 0, 0)

        return Over()


def _kept_with_headings(blocks: list[Any], width: float, height: float) -> list[Any]:
    """Page breaks put where a heading or a small table would be torn from what follows."""
    from reportlab.platypus import CondPageBreak

    out: list[Any] = []
    for k, block in enumerate(blocks):
        if hasattr(block, "outline") or hasattr(block, "may_split"):
            need = sum(_least_heights(blocks[k:], width, height))
            out.append(CondPageBreak(min(need, 0.95 * height)))
        out.append(block)
    return out


def _least_heights(blocks: list[Any], width: float, height: float) -> Iterator[float]:
    """What a heading, or a table, must find room for on its page, block by block."""
    text = 0.0
    for block in blocks:
        size = block.wrap(width, height)[1] + block.getSpaceBefore()
        if hasattr(block, "may_split") and size > _UNBROKEN * height:
            size = _LEAST_PT
        yield size
        if hasattr(block, "outline") or hasattr(block, "is_lead"):
            continue
        text += size
        if not hasattr(block, "is_item") or text > _LEAST_PT / 2:
            return


def _mark(block: Flowable, name: str, value: object = True) -> None:
    """Note on a block what it is, for those who place it."""
    setattr(block, name, value)


def _figure_parts(node: Node) -> tuple[str, Node]:
    svg = next(node.every("svg")).text()
    return svg, next(node.every("figcaption"), Node("figcaption"))


def _picture(svg: str, widest: float, tallest: float) -> Any:
    """A figure as a block, as wide as its place and never larger than it was drawn."""
    from reportlab.platypus import Flowable

    width, height = svg_size_pt(svg)
    scale = min(1.0, widest / width, tallest / height)

    class Picture(Flowable):
        def __init__(self) -> None:
            super().__init__()
            self.width, self.height = scale * width, scale * height

        def draw(self) -> None:
            draw_svg(self.canv, svg, scale=scale)

    return Picture()


def _grid(cells: list[list[Any]], widths: list[float], *, middle: bool = False) -> Flowable:
    from reportlab.platypus import Table

    look: list[tuple[Any, ...]] = [
        ("FONTNAME", (0, 0), (-1, -1), SANS),  # of empty cells too
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 0),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 5),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE" if middle else "TOP"),
    ]
    return Table(cells, colWidths=widths, hAlign="LEFT", style=look)


def _card(blocks: list[Flowable], width: float) -> Flowable:
    from reportlab.platypus import Table

    look: list[tuple[Any, ...]] = [
        ("FONTNAME", (0, 0), (-1, -1), SANS),
        ("LEFTPADDING", (0, 0), (-1, -1), 8),
        ("RIGHTPADDING", (0, 0), (-1, -1), 8),
        ("TOPPADDING", (0, 0), (-1, -1), 5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 8),
        ("BOX", (0, 0), (-1, -1), 0.5, PALETTE["faint"]),
        ("LINEABOVE", (0, 0), (-1, 0), 2.2, PALETTE["measured"]),
    ]
    return Table([[blocks]], colWidths=[width], style=look)
