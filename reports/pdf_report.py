"""What did the session find, on paper: the club's handout as PDF?

``write_pdf_report`` prints what `reports.page.render_page` puts together: answers first,
then each magnification, the lens, the trials, how it was measured and what to doubt.
Figures are vectors, fonts are embedded, headings are bookmarks, title and language are
stated. The same result gives the same bytes: the writer puts a fixed date for today's.
Nothing is measured or worded here.

Left out: tags, which the writer cannot set; the page serves who reads with a screen reader.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lab.inference.results import SessionResult
from lab.inference.trial_records import TrialResult
from reports.drawing import PALETTE, Drawings
from reports.page import SimulatedTruth, render_page
from reports.pdf_flow import flowables
from reports.pdf_text import SANS, fitted, printable, register_fonts
from reports.pdf_tree import Node, flat, read_html
from reports.short_names import with_short_names

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

__all__ = ["PAPERS", "render_pdf_report", "write_pdf_report"]

PAPERS = {"A4": (595.276, 841.890), "Letter": (612.0, 792.0)}  # pt
_MARGIN_PT = 48.0
_TOP_PT, _BOTTOM_PT = 50.0, 42.0
_SMALL_PT = 7.5
_TOTAL = "pages-in-all"


def write_pdf_report(
    result: SessionResult,
    trials: Sequence[TrialResult],
    path: str | Path,
    *,
    truth: SimulatedTruth | None = None,
    paper: str = "A4",
    drawings: Drawings | None = None,
) -> None:
    """Write the handout of a session.

    Parameters
    ----------
    result : SessionResult
    trials : sequence of TrialResult
    path : str or Path
        The file to write; its folder must exist.
    truth, paper, drawings
        As for `render_pdf_report`.

    Raises
    ------
    OSError
        If the file cannot be written.
    ValueError
        If the paper is not known.
    """
    printed = render_pdf_report(result, trials, truth=truth, paper=paper, drawings=drawings)
    Path(path).write_bytes(printed)


def render_pdf_report(
    result: SessionResult,
    trials: Sequence[TrialResult] = (),
    *,
    truth: SimulatedTruth | None = None,
    paper: str = "A4",
    drawings: Drawings | None = None,
) -> bytes:
    """The handout of a session as a PDF file.

    Parameters
    ----------
    result : SessionResult
    trials : sequence of TrialResult
    truth : SimulatedTruth, optional
        As for `reports.page.render_page`.
    paper : str
        "A4" or "Letter".
    drawings : Drawings, optional
        Of the report, where it shows them elsewhere too.

    Raises
    ------
    ValueError
        If the paper is not known.
    """
    if paper not in PAPERS:
        raise ValueError(f"paper must be {' or '.join(PAPERS)}, not {paper!r}")
    register_fonts()
    result, trials = with_short_names(result, trials)
    width, height = PAPERS[paper]
    page = _page(render_page(result, truth=truth, trials=trials, drawings=drawings))
    inside = (width - 2 * _MARGIN_PT, height - _TOP_PT - _BOTTOM_PT)
    return _printed(printable(result.name), flowables(page, *inside), (width, height))


def _page(html: str) -> Node:
    """The page's elements as they are printed, the rules of thumb put first."""
    page = read_html(html)
    header, main = (next(page.every(tag)) for tag in ("header", "main"))
    return Node("root", children=[*flat(header), *_rules_first(flat(main))])


def _rules_first(parts: list[Node | str]) -> list[Node | str]:
    """Do the rules of thumb hold: moved from the lens's section to the first page."""
    ids = [_id(part) for part in parts]
    series = next((k for k, name in enumerate(ids) if name.startswith("series-")), None)
    if series is None or "lens" not in ids:
        return parts
    opening = parts[ids.index("lens") + 1 :]
    tags = [part.tag if isinstance(part, Node) else "" for part in opening]
    end = next((k for k, tag in enumerate(tags) if tag in {"h2", "h3"}), len(tags))
    rules = [part for part, tag in zip(opening[:end], tags, strict=False) if tag == "table"]
    kept = [part for part in parts if not any(part is rule for rule in rules)]
    kept[series:series] = rules
    return kept


def _id(part: Node | str) -> str:
    return part.attributes.get("id", "") if isinstance(part, Node) else ""


def _printed(title: str, blocks: list[Any], size: tuple[float, float]) -> bytes:
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    class Handout(BaseDocTemplate):
        """Notes each heading as a bookmark."""

        def afterFlowable(self, flowable: Any) -> None:  # noqa: N802 (the name is reportlab's)
            level, heading = getattr(flowable, "outline", (0, ""))
            if not heading or level == 0:
                return
            self.marks = getattr(self, "marks", 0) + 1
            self.canv.bookmarkPage(f"heading-{self.marks}")
            self.canv.addOutlineEntry(heading, f"heading-{self.marks}", level - 1, closed=level > 1)

    def furniture(canvas: Canvas, document: Any) -> None:
        _furniture(canvas, title, document.page, size)

    def last(canvas: Canvas, page: int) -> None:
        """The number of pages, known at the end alone, for the feet of all of them."""
        canvas.beginForm(_TOTAL, 0, -3, 40, 12)
        canvas.setFont(SANS, _SMALL_PT)
        canvas.setFillColor(PALETTE["quiet"])
        canvas.drawString(0, 0, str(page))
        canvas.endForm()

    out = io.BytesIO()
    document = Handout(
        out,
        pagesize=size,
        title=title,
        author="",
        subject="Which stop to use",
        creator="stopwise",
        lang="en",
        displayDocTitle=True,  # in a reader's window, for the file's name
        invariant=1,
        pageCompression=1,
        initialFontName=SANS,
    )
    width, height = size
    frame = Frame(
        *(_MARGIN_PT, _BOTTOM_PT, width - 2 * _MARGIN_PT, height - _TOP_PT - _BOTTOM_PT),
        leftPadding=0,
        rightPadding=0,
        topPadding=0,
        bottomPadding=0,
    )
    document.addPageTemplates([PageTemplate("page", [frame], onPage=furniture)])
    document.build([*blocks, _at_the_end(last)])
    return out.getvalue()


def _furniture(canvas: Canvas, title: str, page: int, size: tuple[float, float]) -> None:
    """Running title at the head from the second page on, page number at the foot of each."""
    width, height = size
    canvas.saveState()
    canvas.setFont(SANS, _SMALL_PT)
    canvas.setFillColor(PALETTE["quiet"])
    canvas.setStrokeColor(PALETTE["faint"])
    canvas.setLineWidth(0.5)
    room = width - 2 * _MARGIN_PT
    if page > 1:
        head = height - _TOP_PT + 18
        canvas.drawString(_MARGIN_PT, head, fitted(title, room, _SMALL_PT))
        canvas.line(_MARGIN_PT, head - 6, width - _MARGIN_PT, head - 6)
    canvas.drawString(_MARGIN_PT, 26, "stopwise")
    canvas.drawRightString(width - _MARGIN_PT - 16, 26, f"{page} of ")
    canvas.translate(width - _MARGIN_PT - 16, 26)
    canvas.doForm(_TOTAL)
    canvas.restoreState()


def _at_the_end(act: Any) -> Any:
    """A block without height that calls ``act(canvas, page)`` when it is set."""
    from reportlab.platypus import Flowable

    class End(Flowable):
        def wrap(self, _width: float, _height: float) -> tuple[float, float]:
            return 0, 0

        def draw(self) -> None:
            act(self.canv, self.canv.getPageNumber())

    return End()
