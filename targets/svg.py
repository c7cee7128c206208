"""A layout as SVG, true to size: one user unit is one millimetre.

Each field is one path with one closed subpath for each polygon, in the order
of ``Field.polygons_mm``, so that abutting code modules show no seams.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from xml.etree import ElementTree

from targets.files import save_bytes
from targets.layout import Layout, Point
from targets.page import TEXT_SIZE_MM, make_page

__all__ = ["svg_bytes", "write_svg"]


def write_svg(layout: Layout, path: Path) -> None:
    """Write ``svg_bytes(layout)`` to a file; raises ``TargetError`` if that fails."""
    save_bytes(svg_bytes(layout), path)


def svg_bytes(layout: Layout) -> bytes:
    """The sheet and its legend as one SVG image."""
    page = make_page(layout)
    width, height = f"{page.width_mm:.6f}", f"{page.height_mm:.6f}"
    root = ElementTree.Element(
        "svg",
        xmlns="http://www.w3.org/2000/svg",
        width=f"{width}mm",
        height=f"{height}mm",
        viewBox=f"0 0 {width} {height}",
    )
    ElementTree.SubElement(root, "title").text = page.title
    ElementTree.SubElement(root, "rect", width="100%", height="100%", fill="white")
    for polygons in (*page.fields_mm, (page.scale_line_mm,)):
        ElementTree.SubElement(root, "path", d=_path(polygons))
    for text in page.texts:
        x, y = text.at_mm
        attributes = {"x": f"{x:.4f}", "y": f"{y:.4f}", "font-size": f"{TEXT_SIZE_MM:g}"}
        attributes["font-family"] = "Helvetica, Arial, sans-serif"
        ElementTree.SubElement(root, "text", attributes).text = text.text
    ElementTree.indent(root)
    content: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return content + b"\n"


def _path(polygons: Iterable[tuple[Point, ...]]) -> str:
    return "".join("M" + " L".join(f"{x:.6f},{y:.6f}" for x, y in p) + " Z" for p in polygons)
