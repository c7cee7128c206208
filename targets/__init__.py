"""Targets: what is printed where, good charts, and files to print them from."""

from targets.chart import chart_sheet, square_field
from targets.errors import TargetError
from targets.layout import (
    LAYOUT_VERSION,
    Edge,
    Field,
    Layout,
    Mark,
    Point,
    Square,
    read_layout,
    write_layout,
)
from targets.legend import chart_page
from targets.page import PAPERS_MM, Page, Text, lines_of_text, notes_page, stroke
from targets.pdf import pdf_bytes, write_pdf
from targets.svg import svg_bytes, write_svg

__all__ = [
    "LAYOUT_VERSION",
    "PAPERS_MM",
    "Edge",
    "Field",
    "Layout",
    "Mark",
    "Page",
    "Point",
    "Square",
    "TargetError",
    "Text",
    "chart_page",
    "chart_sheet",
    "lines_of_text",
    "notes_page",
    "pdf_bytes",
    "read_layout",
    "square_field",
    "stroke",
    "svg_bytes",
    "write_layout",
    "write_pdf",
    "write_svg",
]
