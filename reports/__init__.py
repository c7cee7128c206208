"""Reports: draw and word the results of ``lab``; compute no measurement."""

from reports.drawing import PALETTE, Drawing
from reports.figures import draw_focus, draw_mtf
from reports.page import SimulatedTruth, render_page, write_page
from reports.stops_figure import draw_stops

__all__ = [
    "PALETTE",
    "Drawing",
    "SimulatedTruth",
    "draw_focus",
    "draw_mtf",
    "draw_stops",
    "render_page",
    "write_page",
]
