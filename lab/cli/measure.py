"""``stopwise measure``: every frame of a session into its results store."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Annotated

import typer

from lab.cli.terminal import default_workers, print_json, progress_bar

__all__ = ["measure"]


def measure(
    session: Annotated[Path, typer.Argument(help="Session folder with session.toml.")],
    again: Annotated[bool, typer.Option("--again", help="Measure finished frames too.")] = False,
    every_edge: Annotated[
        bool,
        typer.Option("--every-edge", help="Every edge in every colour, not just the key places."),
    ] = False,
    workers: Annotated[
        int, typer.Option(min=1, help="Processes to use.", show_default="one a core")
    ] = default_workers(),
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a frame.")] = False,
) -> None:
    """Measure the frames of a session; resumes where it was stopped.

    Example: stopwise measure my-session
    """
    from lab.session.running import measure_session

    with progress_bar("measuring frames", quiet=as_json) as move:
        measured = measure_session(
            session, workers=workers, again=again, every_edge=every_edge, progress=move
        )
    if as_json:
        print_json([frame.to_json_dict() for frame in measured.frames])
    else:
        for problem in measured.assignment.problems:
            typer.echo(f"{problem.severity}: {problem.text}")
        for frame in measured.frames:
            if frame.status != "measured":
                typer.echo(f"{frame.status}: {frame.file}: {frame.reason}")
        counts = Counter(frame.status for frame in measured.frames)
        typer.echo(", ".join(f"{n} {status}" for status, n in sorted(counts.items())))
    if not any(frame.status == "measured" for frame in measured.frames):
        raise typer.Exit(1)
