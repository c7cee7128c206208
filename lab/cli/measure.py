"""``stopwise measure``: every frame of a session into its results store."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lab.cli.terminal import (
    default_workers,
    print_json,
    print_problems,
    print_wrapped,
    progress_bar,
)

if TYPE_CHECKING:
    from lab.session.store import FrameRecord

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
        print_problems(measured.assignment.problems)
        _print_failures([frame for frame in measured.frames if frame.status != "measured"])
        counts = Counter(frame.status for frame in measured.frames)
        typer.echo(", ".join(f"{n} {status}" for status, n in sorted(counts.items())))
    if not any(frame.status == "measured" for frame in measured.frames):
        raise typer.Exit(1)


def _print_failures(frames: Sequence[FrameRecord]) -> None:
    """Each reason once, with all the frames that it holds for."""
    files: dict[tuple[str, str], list[str]] = {}
    for frame in frames:
        # The reason of an unreadable file begins with its name.
        reason = frame.reason.removeprefix(f"{Path(frame.file).name}: ")
        files.setdefault((frame.status, reason), []).append(frame.file)
    for (status, reason), names in files.items():
        if len(names) == 1:
            print_wrapped(f"{status}: {names[0]}: {reason}")
        else:
            print_wrapped(f"{status}, {len(names)} frames: {reason}")
            print_wrapped(", ".join(names), indent="  ")
