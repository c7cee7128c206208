"""``stopwise demo``: the whole job on a simulated session."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lab.cli.terminal import default_workers, progress_bar

__all__ = ["demo"]


def demo(
    folder: Annotated[
        Path, typer.Argument(help="New folder for the session, or that of an earlier demo.")
    ],
    seed: Annotated[int, typer.Option(min=0, help="Seed of the simulated noise.")] = 1,
    workers: Annotated[
        int, typer.Option(min=1, help="Processes to use.", show_default="one a core")
    ] = default_workers(),
) -> None:
    """Simulate a session as raw files, measure it, and write its report.

    A fictional mineral micromount club tests an invented lens at 1x, 2x and 3x:
    126 raw frames are simulated, then read, measured and reported as yours
    would be. Needs about 600 MB of disk.

    Example: stopwise demo demo-session
    """
    from lab.cli.report import write_report
    from lab.cli.summary import print_summary
    from lab.errors import SessionError
    from lab.session.running import measure_session
    from lab.simulate.demo import write_demo_session
    from lab.simulate.truth import TRUTH_NAME

    if folder.exists() and not folder.is_dir():
        raise SessionError(f"{folder}: is a file. Name a new folder.")
    if folder.exists() and any(folder.iterdir()) and not (folder / TRUTH_NAME).exists():
        raise SessionError(f"{folder}: is not empty and no earlier demo. Name a new folder.")
    with progress_bar("simulating frames") as move:
        write_demo_session(folder, seed=seed, workers=workers, progress=move)
    with progress_bar("measuring frames") as move:
        measured = measure_session(folder, workers=workers, progress=move)
    result, page = write_report(folder, measured)
    typer.echo()
    print_summary(result)
    typer.echo(f"\nThe report: {page}")
