"""Targets: what is printed where, how sharp it must be, and files to make it from."""

from targets.blade_holder import blade_holder_pages, blade_holder_record, write_blade_holder
from targets.chart import chart_sheet, square_field
from targets.errors import TargetError
from targets.fidelity import (
    DEFAULT_LOSS,
    blur_limit_um,
    edge_mtf,
    edge_mtf_loss,
    frequency_limit_cyc_per_mm,
    magnification_limit,
    mtf50_loss,
)
from targets.gds import MaskReport, write_gds
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
from targets.nested import nested_field
from targets.page import PAPERS_MM, Page, Text, lines_of_text, notes_page, stroke
from targets.pdf import pdf_bytes, write_pdf
from targets.ramp import RampLayout, ramp_layout, ramp_pages, write_ramp_layout
from targets.ramp_field import RampWish
from targets.raster import RasterReport, write_png, write_tiff
from targets.slate_page import slate_page
from targets.slate_sheet import slate_pages, slates_record
from targets.slates import Slate, SlateCard, parse_slate, slate_card, slate_text
from targets.svg import svg_bytes, write_svg
from targets.technology import TECHNOLOGIES, Technology, technology

__all__ = [
    "DEFAULT_LOSS",
    "LAYOUT_VERSION",
    "PAPERS_MM",
    "TECHNOLOGIES",
    "Edge",
    "Field",
    "Layout",
    "Mark",
    "MaskReport",
    "Page",
    "Point",
    "RampLayout",
    "RampWish",
    "RasterReport",
    "Slate",
    "SlateCard",
    "Square",
    "TargetError",
    "Technology",
    "Text",
    "blade_holder_pages",
    "blade_holder_record",
    "blur_limit_um",
    "chart_page",
    "chart_sheet",
    "edge_mtf",
    "edge_mtf_loss",
    "frequency_limit_cyc_per_mm",
    "lines_of_text",
    "magnification_limit",
    "mtf50_loss",
    "nested_field",
    "notes_page",
    "parse_slate",
    "pdf_bytes",
    "ramp_layout",
    "ramp_pages",
    "read_layout",
    "slate_card",
    "slate_page",
    "slate_pages",
    "slate_text",
    "slates_record",
    "square_field",
    "stroke",
    "svg_bytes",
    "technology",
    "write_blade_holder",
    "write_gds",
    "write_layout",
    "write_pdf",
    "write_png",
    "write_ramp_layout",
    "write_svg",
    "write_tiff",
]
