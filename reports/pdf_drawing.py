"""How does one of our figures become a drawing on a printed page, every line a vector?

``draw_svg`` paints the SVG that `reports.drawing` makes, and that alone: paths of
straight lines and cubic curves, marks used again, clipping rectangles, lines of text.
What it does not know is an error, never left out in silence.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING
from xml.etree import ElementTree

from reports.drawing import PALETTE
from reports.pdf_text import BOLD, SANS, fitted, printable, register_fonts, width_pt

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

__all__ = ["draw_svg", "svg_size_pt"]

_SVG = "{http://www.w3.org/2000/svg}"
_TOKEN = re.compile(r"[A-Za-z]|-?\d+(?:\.\d*)?(?:e-?\d+)?")
_CAPS = {"butt": 0, "round": 1, "square": 2}
_JOINS = {"miter": 0, "round": 1, "bevel": 2}
_NON_ZERO = 1  # reportlab's number for SVG's own rule of filling
_ARGUMENTS = {"M": 2, "L": 2, "Q": 4, "C": 6, "z": 0}
_WHITE_PAPER = "#ffffff"
_STYLES = {
    *("fill", "stroke", "stroke-width", "stroke-linecap", "stroke-linejoin", "stroke-dasharray"),
    *("stroke-dashoffset", "stroke-miterlimit", "font-size", "font-family", "font-weight"),
    "text-anchor",
}
Style = dict[str, str]


def svg_size_pt(svg: str) -> tuple[float, float]:
    """Width and height of a figure. [pt].

    Raises
    ------
    ValueError
        If the text does not open as our figures do.
    """
    found = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg)
    if found is None:
        raise ValueError("not one of our figures: no viewBox that begins at 0 0")
    return float(found[1]), float(found[2])


def draw_svg(canvas: Canvas, svg: str, *, scale: float = 1.0) -> None:
    """Paint a figure with its lower left corner at the origin.

    Parameters
    ----------
    canvas : reportlab.pdfgen.canvas.Canvas
    svg : str
        Of a `Drawing`, or as it stands in a page: colours may be the page's variables.
    scale : float
        [-], > 0

    Raises
    ------
    ValueError
        If the figure holds what `reports.drawing` does not make.
    """
    register_fonts()
    if "xmlns=" not in svg[: svg.index(">")]:
        svg = svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    root = ElementTree.fromstring(svg)
    width, height = svg_size_pt(svg)
    canvas.saveState()
    canvas.transform(scale, 0, 0, -scale, 0, scale * height)
    _Painter(canvas, root, width).paint(root, _style(root))
    canvas.restoreState()


class _Painter:
    """Walks the elements; keeps what they refer to."""

    def __init__(self, canvas: Canvas, root: ElementTree.Element, width: float) -> None:
        self.canvas = canvas
        self.width = width
        self.by_id = {node.get("id"): node for node in root.iter() if node.get("id")}

    def paint(self, node: ElementTree.Element, style: Style) -> None:
        for child in node:
            tag = child.tag.removeprefix(_SVG)
            if tag == "defs":
                continue
            self.canvas.saveState()
            self.clip(child.get("clip-path"))
            own = style | _style(child)
            if tag == "text":
                self.text(child, own)
            elif tag in {"g", "path", "use"}:
                self.place(child.get("transform", ""))
                if tag == "g":
                    self.paint(child, own)
                elif tag == "path":
                    self.path(child.get("d", ""), own)
                else:
                    self.use(child, own)
            else:
                raise ValueError(f"a figure holds <{tag}>, which no printed page knows")
            self.canvas.restoreState()

    def clip(self, reference: str | None) -> None:
        if reference is None:
            return
        (box,) = self.by_id[reference.removeprefix("url(#").removesuffix(")")]
        if box.tag != f"{_SVG}rect":
            raise ValueError("a figure is clipped by something else than a rectangle")
        path = self.canvas.beginPath()
        path.rect(*(float(box.get(side, "0")) for side in ("x", "y", "width", "height")))
        self.canvas.clipPath(path, stroke=0, fill=0)

    def place(self, transform: str) -> None:
        for kind, given in re.findall(r"(\w+)\(([^)]*)\)", transform):
            values = [float(value) for value in re.split(r"[ ,]+", given.strip())]
            if kind == "translate":
                self.canvas.translate(values[0], values[1] if len(values) > 1 else 0.0)
            elif kind == "rotate":
                x, y = values[1:] or (0.0, 0.0)
                self.canvas.translate(x, y)
                self.canvas.rotate(values[0])
                self.canvas.translate(-x, -y)
            else:
                raise ValueError(f"a figure is moved by {kind}, which no printed page knows")

    def use(self, node: ElementTree.Element, style: Style) -> None:
        mark = self.by_id[node.get("href", "").removeprefix("#")]
        self.canvas.translate(float(node.get("x", "0")), float(node.get("y", "0")))
        self.path(mark.get("d", ""), style | _style(mark))

    def path(self, d: str, style: Style) -> None:
        fill, stroke = _colour(style.get("fill", "#000000")), _colour(style.get("stroke", "none"))
        line = float(style.get("stroke-width", "1"))
        if not d or (fill is None and (stroke is None or line == 0)):
            return
        if fill is not None:
            self.canvas.setFillColor(fill)
        if stroke is not None:
            self.canvas.setStrokeColor(stroke)
            self.canvas.setLineWidth(line)
            self.canvas.setLineCap(_CAPS[style.get("stroke-linecap", "butt")])
            self.canvas.setLineJoin(_JOINS[style.get("stroke-linejoin", "miter")])
            dashes = style.get("stroke-dasharray", "none")
            if dashes != "none":
                lengths = [float(one) for one in re.split(r"[ ,]+", dashes)]
                self.canvas.setDash(lengths, float(style.get("stroke-dashoffset", "0")))
        outline = self.canvas.beginPath()
        at = (0.0, 0.0)
        for command, v in _commands(d):
            if command == "M":
                outline.moveTo(*v)
            elif command == "L":
                outline.lineTo(*v)
            elif command == "z":
                outline.close()
            elif command == "C":
                outline.curveTo(*v)
            else:  # a quadratic curve as the cubic that it is
                (x0, y0), (x1, y1, x2, y2) = at, v
                outline.curveTo(
                    *(x0 + 2 / 3 * (x1 - x0), y0 + 2 / 3 * (y1 - y0)),
                    *(x2 + 2 / 3 * (x1 - x2), y2 + 2 / 3 * (y1 - y2), x2, y2),
                )
            at = (v[-2], v[-1]) if v else at
        self.canvas.drawPath(
            outline, stroke=int(stroke is not None), fill=int(fill is not None), fillMode=_NON_ZERO
        )

    def text(self, node: ElementTree.Element, style: Style) -> None:
        if len(node):
            raise ValueError("a line of a figure's text has parts, which no printed page knows")
        bold = style.get("font-weight", "400") in {"bold", "700"}
        size = float(style["font-size"].removesuffix("px"))
        x, y = float(node.get("x", "0")), float(node.get("y", "0"))
        anchor = style.get("text-anchor", "start")
        line = printable((node.text or "").strip())
        if not node.get("transform"):
            room = {"start": self.width - x, "end": x, "middle": 2 * min(x, self.width - x)}
            line = fitted(line, max(room[anchor], 0.0) + 1.0, size, bold=bold)
        share = {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
        self.place(node.get("transform", ""))
        self.canvas.translate(x, y)
        self.canvas.scale(1, -1)
        self.canvas.setFillColor(_colour(style.get("fill", "#000000")) or PALETTE["ink"])
        self.canvas.setFont(BOLD if bold else SANS, size)
        self.canvas.drawString(-share * width_pt(line, size, bold=bold), 0, line)


def _commands(d: str) -> list[tuple[str, list[float]]]:
    tokens = _TOKEN.findall(d)
    out: list[tuple[str, list[float]]] = []
    command, k = "", 0
    while k < len(tokens):
        if tokens[k].isalpha():
            command, k = tokens[k], k + 1
        if command not in _ARGUMENTS:
            raise ValueError(f"a figure's path holds {command!r}, which no printed page knows")
        n = _ARGUMENTS[command]
        out.append((command, [float(value) for value in tokens[k : k + n]]))
        k += n
    return out


def _style(node: ElementTree.Element) -> Style:
    pairs = (one.split(":", 1) for one in node.get("style", "").split(";") if ":" in one)
    style = {name.strip(): value.strip() for name, value in pairs}
    unknown = style.keys() - _STYLES
    if unknown:
        raise ValueError(f"a figure's style holds {', '.join(sorted(unknown))}: no page knows it")
    return style


def _colour(value: str) -> str | None:
    """As ``#rrggbb``, the figure's paper turned white; None for none."""
    if value == "none":
        return None
    named = re.fullmatch(r"var\(--(\w+)\)", value)
    value = PALETTE[named[1]] if named else value
    return _WHITE_PAPER if value == PALETTE["paper"] else value
