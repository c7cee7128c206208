"""A session's report: which files are written, and what do they share?

``write_report_files``: the page, the handout for paper, every figure and the figures as data, in
one folder. Each figure is drawn once and shown in all of them. Nothing is worded here.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from lab.inference.results import SessionResult
from lab.inference.trial_records import TrialResult
from reports.data_files import write_data_files
from reports.drawing import Drawings
from reports.figure_files import write_figures
from reports.page import SimulatedTruth, write_page
from reports.pdf_report import write_pdf_report

__all__ = ["write_report_files"]


def write_report_files(
    result: SessionResult,
    trials: Sequence[TrialResult],
    folder: Path,
    *,
    truth: SimulatedTruth | None = None,
    paper: str = "A4",
) -> Path:
    """Write all files of a report; the same result gives the same bytes.

    Parameters
    ----------
    result : SessionResult
    trials : sequence of TrialResult
    folder : Path
        Made if it does not exist; files of the same names are replaced.
    truth : SimulatedTruth, optional
        As for `reports.page.render_page`.
    paper : str
        As for `reports.pdf_report.render_pdf_report`.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    OSError
        If a file cannot be written.
    ValueError
        If the paper is not known.
    """
    folder.mkdir(parents=True, exist_ok=True)
    page, drawings = folder / "index.html", Drawings()
    write_page(result, page, truth=truth, trials=trials, drawings=drawings)
    write_data_files(result, trials, folder)
    handout = folder / "report.pdf"
    write_pdf_report(result, trials, handout, truth=truth, paper=paper, drawings=drawings)
    write_figures(result, trials, folder / "figures", drawings=drawings)
    return page
