"""``stopwise report``: the page of a measured session."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lab.cli.terminal import print_problems

if TYPE_CHECKING:
    from lab.inference.results import SessionResult
    from lab.session.running import MeasuredSession

__all__ = ["report", "write_report"]


def write_report(
    folder: Path, measured: MeasuredSession, *, loss_percent: float = 10.0
) -> tuple[SessionResult, Path]:
    """Analyse a measured session and write ``report/index.html`` in it.

    A simulated session's truth is set beside the result; only here is it read.
    """
    from lab.inference.lens_result import lens_result, with_lens
    from lab.inference.session_analysis import analyse_session
    from lab.simulate.truth import TRUTH_NAME, read_truth
    from reports import SimulatedTruth, write_page

    result = analyse_session(
        measured.config, measured.frames, measured.assignment.problems, loss_percent=loss_percent
    )
    lens = lens_result(measured.config, measured.frames, loss_percent=loss_percent)
    result = with_lens(result, lens)
    truth = None
    if (folder / TRUTH_NAME).exists():
        known = read_truth(folder / TRUTH_NAME)
        truth = SimulatedTruth(
            points=tuple(
                (one.magnification, point.marked_stop, point.mtf50_image_cyc_per_mm)
                for one in known.series
                for point in one.points
            ),
            optimum_stops=tuple((one.magnification, one.optimum_stop) for one in known.series),
        )
    page = folder / "report" / "index.html"
    page.parent.mkdir(exist_ok=True)
    write_page(result, page, truth=truth)
    return result, page


def report(
    session: Annotated[Path, typer.Argument(help="Session folder.")],
    loss: Annotated[
        float,
        typer.Option(min=0.1, max=90, help="Loss of MTF50 that still counts as sharp, percent."),
    ] = 10.0,
) -> None:
    """Write the report of a measured session: report/index.html, one file.

    Example: stopwise report my-session
    """
    from lab.cli.summary import print_summary
    from lab.session.running import stored_session

    measured = stored_session(session)
    print_problems(measured.assignment.problems, err=True)
    result, page = write_report(session, measured, loss_percent=loss)
    print_summary(result)
    typer.echo(f"\nThe report: {page}")
