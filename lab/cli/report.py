"""``stopwise report``: the page of a measured session, its figures as data, and one to share."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lab.cli.terminal import print_problems, print_wrapped

if TYPE_CHECKING:
    from lab.inference.results import SessionResult
    from lab.session.bundle import Bundle
    from lab.session.running import MeasuredSession
    from reports import SimulatedTruth

__all__ = ["report", "write_report"]

_LOSS = 10.0


def write_report(
    folder: Path, measured: MeasuredSession, *, loss_percent: float = _LOSS
) -> tuple[SessionResult, Path]:
    """Analyse a measured session and write its report into ``report/`` in it.

    A simulated session's truth is set beside the result; only here is it read.
    """
    shared = _shared(folder, measured, loss_percent, with_names=False)
    return shared.result, _written(shared, folder / "report", _truth(folder))


def report(
    session: Annotated[Path, typer.Argument(help="Session folder, or a bundle of one.")],
    loss: Annotated[
        float | None,
        typer.Option(
            min=0.1,
            max=90,
            help="Loss of MTF50 that still counts as sharp, percent (if not given: 10).",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Folder for the report (if not given: report in the session, NAME-report "
            "beside a bundle)."
        ),
    ] = None,
    bundle: Annotated[
        Path | None,
        typer.Option(help="Write this zip file too: all to share, without raw frames."),
    ] = None,
    paper: Annotated[str, typer.Option(help="Of report.pdf: A4 or Letter.")] = "A4",
    names: Annotated[
        bool, typer.Option("--names", help="Keep the frames' file names; else frame-0001.")
    ] = False,
) -> None:
    """Write the report of a measured session: a page, a PDF, figures and data.

    Into report/ go index.html, one file that asks no network; report.pdf and
    figures/; data.csv, data.json, and data-dictionary.csv to explain them. No
    serial number, owner, place, time or path enters them. A bundle holds all
    that a report needs: give it in place of the session, here or to others.

    Example: stopwise report my-session
    """
    from lab.cli.summary import print_summary
    from lab.errors import LabError
    from lab.session.bundle import write_bundle
    from lab.session.running import stored_session
    from reports.pdf_report import PAPERS

    if paper not in PAPERS:
        raise LabError(f"--paper {paper}: give {' or '.join(PAPERS)}.")
    if bundle is not None and bundle.suffix.lower() != ".zip":
        raise LabError(f"--bundle {bundle}: it is a zip file. Name it with .zip at its end.")
    if not session.exists():
        raise LabError(f"{session}: there is no such folder or file. Give a session or a bundle.")
    if session.is_file():
        shared = _read(session, loss, with_names=names)
        with _drawable(session):
            folder = out or session.with_name(f"{session.stem}-report")
            page = _written(shared, folder, None, paper=paper)
    else:
        measured = stored_session(session)
        print_problems(measured.assignment.problems, err=True)
        shared = _shared(session, measured, _LOSS if loss is None else loss, with_names=names)
        page = _written(shared, out or session / "report", _truth(session), paper=paper)
    if bundle is not None:
        write_bundle(shared, bundle)
    print_summary(shared.result)
    typer.echo(f"\nThe report: {page}")
    print_wrapped("Beside it: report.pdf, figures/, data.csv, data.json, data-dictionary.csv.")
    if bundle is not None:
        size = f"{bundle.stat().st_size / 1e6:.1f} MB"
        print_wrapped(f"To share, without raw frames ({size}): {bundle}")


def _read(path: Path, loss: float | None, *, with_names: bool) -> Bundle:
    """A bundle as it may be shared on."""
    from lab.errors import LabError
    from lab.session.bundle import read_bundle, recomputed, renamed

    found = read_bundle(path)
    if with_names and not found.with_names:
        raise LabError(
            f"--names: {path} holds no file names. Leave --names out, or make the bundle with it."
        )
    if loss is not None and loss != found.loss_percent:
        found = recomputed(replace(found, loss_percent=loss))
    return found if with_names else renamed(found)


def _shared(
    folder: Path, measured: MeasuredSession, loss_percent: float, *, with_names: bool
) -> Bundle:
    """A session's result and frames under the names that may be shared."""
    from lab.session.bundle import session_bundle
    from lab.session.kept_result import analysed_session

    analysed = analysed_session(folder, measured, loss_percent=loss_percent)
    return session_bundle(
        folder, measured, analysed, loss_percent=loss_percent, with_names=with_names
    )


def _truth(folder: Path) -> SimulatedTruth | None:
    from lab.simulate.truth import TRUTH_NAME, read_truth
    from reports import SimulatedTruth

    if not (folder / TRUTH_NAME).exists():
        return None
    known = read_truth(folder / TRUTH_NAME)
    return SimulatedTruth(
        points=tuple(
            (one.magnification, point.marked_stop, point.mtf50_image_cyc_per_mm)
            for one in known.series
            for point in one.points
        ),
        optimum_stops=tuple((one.magnification, one.optimum_stop) for one in known.series),
    )


def _written(
    shared: Bundle, folder: Path, truth: SimulatedTruth | None, *, paper: str = "A4"
) -> Path:
    """Write all files of a report; the page's path."""
    from reports.report_files import write_report_files

    with _writable(folder):
        return write_report_files(shared.result, shared.trials, folder, truth=truth, paper=paper)


@contextmanager
def _writable(folder: Path) -> Iterator[None]:
    """Say where and how to mend it when the disk refuses a file."""
    from lab.errors import LabError

    try:
        yield
    except OSError as error:
        raise LabError(
            f"{error.filename or folder}: the report cannot be written "
            f"({error.strerror or error}). Name with --out a folder that you may write to, on a "
            "disk with free space."
        ) from error


@contextmanager
def _drawable(path: Path) -> Iterator[None]:
    """A bundle's figures have the right types, but may be nonsense: no stop of f/0 exists."""
    from lab.errors import LabError

    try:
        yield
    except (ArithmeticError, LookupError, TypeError, ValueError) as error:
        raise LabError(
            f"{path}: its figures make no sense ({error}). Ask for the file again."
        ) from error
