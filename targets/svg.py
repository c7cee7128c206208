"""A page as SVG, true to size: one user unit is one millimetre.

Each group of shapes is one path with one closed subpath for each polygon, in
their order, so that abutting code modules show no seams.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from xml.etree import ElementTree

from targets.files import save_bytes
from targets.page import Page, Polygon

__all__ = ["svg_bytes", "write_svg"]


def write_svg(page: Page, path: Path) -> None:
    """Write ``svg_bytes(page)`` to a file; raises ``TargetError`` if that fails."""
    save_bytes(svg_bytes(page), path)


def svg_bytes(page: Page) -> bytes:
    """The page as one SVG image."""
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
    for polygons in page.shapes_mm:
        ElementTree.SubElement(root, "path", d=_path(polygons))
    for text in page.texts:
        x, y = text.at_mm
        attributes = {"x": f"{x:.4f}", "y": f"{y:.4f}", "font-size": f"{text.size_mm:g}"}
        attributes["font-family"] = "Helvetica, Arial, sans-serif"
        ElementTree.SubElement(root, "text", attributes).text = text.text
    ElementTree.indent(root)
    content: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return content + b"\n"


def _path(polygons: Iterable[Polygon]) -> str:
    return "".join("M" + " L".join(f"{x:.6f},{y:.6f}" for x, y in p) + " Z" for p in polygons)
