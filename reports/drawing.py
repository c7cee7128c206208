"""What have all figures in common? Palette, type, panels, and tidy SVG text.

The same drawing gives the same bytes: no date, fixed identifiers, layout by the
font that ships with matplotlib, coordinates rounded to 0.01 pt. Text stays
text, so a reader's own sans serif may stand in.
"""

from __future__ import annotations

import io
import math
import re
import warnings
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from html import escape
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.transforms import Bbox

    # Point in data, shift from it in points, horizontal and vertical alignment.
    Place = tuple[tuple[float, float], tuple[float, float], str, str]

__all__ = [
    "PALETTE",
    "WIDTH_IN",
    "Draw",
    "Drawing",
    "Drawings",
    "boxes",
    "drawing",
    "figure",
    "panels",
    "style",
    "write_label",
]

FloatArray = npt.NDArray[np.float64]
Record = TypeVar("Record", contravariant=True)

# Blue against ochre keeps its contrast in all common forms of colour blindness;
# each also differs in shape or dash, so the figures survive a black-only print.
PALETTE = {
    "paper": "#fcfcfa",
    "ink": "#1f2a33",
    "quiet": "#5c6872",
    "faint": "#dde2e6",
    "measured": "#17557f",
    "spread": "#c4d9e8",
    "optimum": "#8a5a00",
    "band": "#f5e6bf",
}

# Narrow with large type: on a phone the figure shrinks to about its own size.
WIDTH_IN = 4.8
_FONT_PT = 9.5
_STYLE: dict[str, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "stopwise",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans", "Arial", "Helvetica"],
    "font.size": _FONT_PT,
    "axes.labelsize": _FONT_PT,
    "xtick.labelsize": _FONT_PT,
    "ytick.labelsize": _FONT_PT,
    "text.color": PALETTE["ink"],
    "axes.labelcolor": PALETTE["ink"],
    "axes.edgecolor": PALETTE["quiet"],
    "axes.facecolor": "none",
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "xtick.color": PALETTE["quiet"],
    "ytick.color": PALETTE["quiet"],
    "xtick.labelcolor": PALETTE["ink"],
    "ytick.labelcolor": PALETTE["ink"],
    "figure.facecolor": PALETTE["paper"],
    "savefig.facecolor": PALETTE["paper"],
    "path.simplify_threshold": 0.2,
}


@dataclass(frozen=True, kw_only=True)
class Drawing:
    """One figure: SVG text, the sentence under it, and the same in words alone.

    ``name`` begins every identifier in the SVG.
    """

    svg: str
    caption: str
    alternative: str
    name: str
    picture: Figure = field(compare=False, repr=False)

    def named(self, name: str) -> Drawing:
        """The same figure with identifiers of another beginning, for another place.

        Parameters
        ----------
        name : str
            Distinct within one page.
        """
        if name == self.name:
            return self
        own = re.compile(rf'( id="|url\(#|href="#){re.escape(self.name)}(?=-\d+["\)])')
        svg = re.sub("<[^>]*>", lambda tag: own.sub(rf"\g<1>{name}", tag[0]), self.svg)
        return replace(self, svg=svg, name=name)

    def png_bytes(self, dpi: int) -> bytes:
        """The same figure as a PNG file.

        Parameters
        ----------
        dpi : int
            Dots in an inch, > 0.
        """
        out = io.BytesIO()
        with style(), warnings.catch_warnings():
            warnings.filterwarnings("ignore", "Glyph .* missing from font")
            self.picture.savefig(out, format="png", dpi=dpi, metadata={"Software": None})
        return out.getvalue()


class Draw(Protocol[Record]):
    """A function that draws one figure of a record, or None where there is none."""

    def __call__(self, record: Record, /, *, name: str) -> Drawing | None:
        """Draw it, with identifiers that begin with ``name``."""
        ...


class Drawings:
    """The figures of one report: page, paper and files show the same, drawn once."""

    def __init__(self) -> None:
        self._kept: list[tuple[Callable[..., Drawing | None], Any, Drawing | None]] = []

    def of(self, draw: Draw[Record], record: Record, name: str) -> Drawing | None:
        """A figure of a record, drawn now or before.

        Parameters
        ----------
        draw : callable
            ``draw(record, name=name)``
        record : object
            Compared with those drawn before, not only by identity.
        name : str
            Prefix of the identifiers in the SVG; distinct within one page.
        """
        for how, known, drawn in self._kept:
            if how is draw and (known is record or known == record):
                return None if drawn is None else drawn.named(name)
        drawn = draw(record, name=name)
        self._kept.append((draw, record, drawn))
        return drawn


def style() -> Any:
    """Our look from matplotlib's own defaults, whatever the user's settings are."""
    from matplotlib.style import context

    return context(["default", _STYLE])


def figure(width_in: float, height_in: float) -> Figure:
    """An empty figure, apart from any global state of matplotlib."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width_in, height_in))


def panels(
    count: int, x_label: str, y_label: str, *, share: bool = True
) -> tuple[Figure, list[Axes]]:
    """``count`` panels in two columns (three past eight), one pair of axis titles."""
    columns = 1 if count == 1 else 2 if count <= 8 else 3
    rows = math.ceil(count / columns)
    height_in = 0.6 + (1.35 * rows if rows > 1 else 1.9)  # a lone row must hold the axis title
    picture = figure(WIDTH_IN, height_in)
    grid = picture.subplots(rows, columns, squeeze=False, sharex=share, sharey=True)
    picture.subplots_adjust(
        left=0.12,
        right=0.98,
        top=1 - 0.1 / height_in,
        bottom=0.5 / height_in,
        wspace=0.11,
        hspace=0.14 if share else 0.3,
    )
    cells = list(grid.flat)
    for spare in cells[count:]:
        spare.remove()
    if share:
        for axes in cells[max(0, count - columns) : count]:
            axes.tick_params(labelbottom=True)
    picture.supxlabel(x_label, fontsize=_FONT_PT, y=0.06 / height_in, va="bottom")
    picture.supylabel(y_label, fontsize=_FONT_PT, x=0.012)
    return picture, cells[:count]


def drawing(picture: Figure, name: str, caption: str, alternative: str) -> Drawing:
    """The SVG of a figure, to be called within `style`.

    Tidied: no prologue, identifiers of our own that begin with ``name``, short
    numbers, and the alternative as the picture's label.
    """
    text = io.StringIO()
    nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    picture.savefig(text, format="svg", metadata=nothing)
    svg = text.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"\s*<defs>\s*<style.*?</style>\s*</defs>", "", svg, count=1, flags=re.DOTALL)
    referenced = dict.fromkeys(re.findall(r'(?:url\(#|href="#)([^)"]+)', svg))
    renamed = {old: f"{name}-{index}" for index, old in enumerate(referenced)}
    svg = re.sub(
        r' id="([^"]+)"', lambda m: f' id="{renamed[m[1]]}"' if m[1] in renamed else "", svg
    )
    svg = re.sub(r'(url\(#|href="#)([^)"]+)', lambda m: m[1] + renamed[m[2]], svg)
    svg = svg.replace("xlink:href", "href")
    svg = svg.replace(' xmlns:xlink="http://www.w3.org/1999/xlink"', "", 1)
    svg = re.sub("<[^>]*>", lambda m: re.sub(r"-?\d+\.\d{3,}", _rounded, m[0]), svg)
    svg = re.sub(r' transform="rotate\(-0 [^)]*\)"', "", svg)
    label = escape(alternative)
    opening = '<svg role="img" style="stroke-linejoin: round; stroke-linecap: butt" '
    svg = svg.replace("<svg ", f'{opening}aria-label="{label}" ', 1)
    return Drawing(svg=svg, caption=caption, alternative=alternative, name=name, picture=picture)


def boxes(
    axes: Axes, x: FloatArray, low: FloatArray, high: FloatArray, reach_px: float
) -> list[Bbox]:
    """What upright strokes from ``low`` to ``high`` cover, ``reach_px`` about them."""
    from matplotlib.transforms import Bbox

    starts = axes.transData.transform(np.column_stack([x, low])) - reach_px
    ends = axes.transData.transform(np.column_stack([x, high])) + reach_px
    return [Bbox([start, end]) for start, end in zip(starts, ends, strict=True)]


def write_label(
    axes: Axes, label: str, places: Iterable[Place], taken: list[Bbox], **look: Any
) -> None:
    """A label at the first place inside the panel that nothing covers, else nowhere."""
    for at, shift, side, edge in places:
        note = axes.annotate(
            label,
            at,
            xytext=shift,
            textcoords="offset points",
            ha=side,
            va=edge,
            linespacing=1.15,
            **look,
        )
        box, panel = note.get_window_extent(), axes.get_window_extent().padded(2)
        inside = panel.containsx(box.x0) and panel.containsx(box.x1)
        inside = inside and panel.containsy(box.y0) and panel.containsy(box.y1)
        if inside and not any(box.overlaps(other) for other in taken):
            taken.append(box)
            return
        note.remove()


def _rounded(match: re.Match[str]) -> str:
    return f"{float(match[0]):.2f}".rstrip("0").rstrip(".")
