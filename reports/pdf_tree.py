"""How is the report's page read again, so that it can be printed?

``read_html`` gives its elements as a tree; a figure's SVG stays text. ``flat`` leaves out
what only a screen can use: links within the page, controls, scripts, whatever is
``hidden``. Only HTML of our own is read: every element of it is closed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from html import escape
from html.parser import HTMLParser

from reports.pdf_text import paragraph_words

__all__ = ["HEADINGS", "Node", "flat", "line_markup", "read_html"]

HEADINGS = {"h1", "h2", "h3", "h4"}
_VOID = {"br", "meta", "link", "hr", "img", "input", "col", "wbr", "source"}
_SCREEN_ONLY = {
    *("nav", "script", "style", "template", "noscript", "head", "footer", "button", "form"),
    *("input", "select", "label", "dialog", "title", "link"),
}
_SCREEN_CLASSES = {"view", "links", "skip", "tip", "point"}
_WRAPPERS = {"div", "section", "article", "details"}
_GROUPS = {"answers", "answer", "pair"}  # boxes that the page lays out as one
_LONGEST = 6000  # letters of a paragraph; one of that length is no sentence


@dataclass
class Node:
    """An element of the page."""

    tag: str
    attributes: dict[str, str] = field(default_factory=dict)
    children: list[Node | str] = field(default_factory=list)

    def elements(self) -> Iterator[Node]:
        """The elements right in it."""
        return (child for child in self.children if isinstance(child, Node))

    def every(self, tag: str) -> Iterator[Node]:
        """All elements of a name, at any depth."""
        for child in self.elements():
            if child.tag == tag:
                yield child
            yield from child.every(tag)

    def kinds(self) -> set[str]:
        """Its classes."""
        return set(self.attributes.get("class", "").split())

    def is_printed(self) -> bool:
        """False for what only a screen can use."""
        is_screen = self.tag in _SCREEN_ONLY or "hidden" in self.attributes
        return not is_screen and not self.kinds() & _SCREEN_CLASSES

    def text(self) -> str:
        """All its text, on one line."""
        parts = (child if isinstance(child, str) else child.text() for child in self.children)
        return "".join(parts)


def read_html(html: str) -> Node:
    """Tree of a page or of a part of it; a figure's SVG is kept as its text."""
    reader = _Reader()
    reader.feed(html)
    reader.close()
    return reader.root


def flat(node: Node) -> list[Node | str]:
    """What is printed of an element, boxes that only hold other elements opened.

    A box's identifier goes to the heading that it begins with.
    """
    out: list[Node | str] = []
    for child in node.children:
        if isinstance(child, str):
            out.append(child)
        elif not child.is_printed():
            continue
        elif child.tag in _WRAPPERS and not child.kinds() & _GROUPS:
            inner = flat(child)
            first = next((one for one in inner if isinstance(one, Node)), None)
            if first is not None and first.tag in HEADINGS and "id" in child.attributes:
                first.attributes.setdefault("id", child.attributes["id"])
            out += inner
        else:
            out.append(child)
    return out


def line_markup(node: Node) -> str:
    """What stands in a line, as the markup of a paragraph."""
    out, length = [], 0
    for child in node.children:
        if isinstance(child, str):
            kept = child[: max(0, _LONGEST - length)]
            length += len(kept)
            lead = " " if kept[:1].isspace() else ""
            tail = " " if kept[-1:].isspace() and kept.strip() else ""
            words = " ".join(kept.split(None)) if "\xa0" not in kept else _spaced(kept)
            out.append(lead + paragraph_words(words) + tail)
        elif child.tag == "br":
            out.append("<br/>")
        elif child.tag in {"strong", "b"}:
            out.append(f"<b>{line_markup(child)}</b>")
        elif child.is_printed() and child.tag != "svg":
            out.append(line_markup(child))
    return "".join(out)


def _spaced(text: str) -> str:
    """Plain spaces and line breaks gathered, no-break spaces kept."""
    return " ".join(part for part in text.replace("\n", " ").split(" ") if part)


class _Reader(HTMLParser):
    """Builds the tree; the SVG of a figure is not taken apart."""

    def __init__(self) -> None:
        super().__init__()
        self.root = Node("root")
        self.open = [self.root]
        self.svg_depth = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "svg" or self.svg_depth:
            if not self.svg_depth:
                self._begin(Node("svg"))
            self.svg_depth += 1
            self.open[-1].children.append(self.get_starttag_text() or "")
            return
        node = Node(tag, {name: value or "" for name, value in attrs})
        self._begin(node)
        if tag in _VOID:
            self.open.pop()

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if self.svg_depth:
            self.open[-1].children.append(self.get_starttag_text() or "")
            return
        self.handle_starttag(tag, attrs)
        if tag not in _VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        if self.svg_depth:
            self.open[-1].children.append(f"</{self._as_written(tag)}>")
            self.svg_depth -= 1
            if not self.svg_depth:
                self.open.pop()
            return
        for depth in range(len(self.open) - 1, 0, -1):
            if self.open[depth].tag == tag:
                del self.open[depth:]
                return

    def handle_data(self, data: str) -> None:
        self.open[-1].children.append(escape(data, quote=False) if self.svg_depth else data)

    def _begin(self, node: Node) -> None:
        self.open[-1].children.append(node)
        self.open.append(node)

    @staticmethod
    def _as_written(tag: str) -> str:
        return "clipPath" if tag == "clippath" else tag  # the only name in two cases
