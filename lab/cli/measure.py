"""``stopwise measure``: every frame of a session into its results store."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lab.cli.terminal import (
    print_json,
    print_problems,
    print_wrapped,
    progress_bar,
)
from lab.errors import LabError

if TYPE_CHECKING:
    from lab.session.config import SessionConfig
    from lab.session.draft import Assignment, Problem
    from lab.session.records import FrameRecord

__all__ = ["measure"]


def measure(
    session: Annotated[Path, typer.Argument(help="Session folder with session.toml.")],
    propose: Annotated[
        bool,
        typer.Option(
            "--propose",
            help="Measure nothing: say what is wrong, and write frames.csv to be completed, or "
            "check the one that is there.",
        ),
    ] = False,
    again: Annotated[bool, typer.Option("--again", help="Measure finished frames too.")] = False,
    every_edge: Annotated[
        bool,
        typer.Option("--every-edge", help="Every edge in every colour, not just the key places."),
    ] = False,
    workers: Annotated[
        int | None,
        typer.Option(min=1, help="Processes to use.", show_default="as cores and memory allow"),
    ] = None,
    cluster: Annotated[
        str,
        typer.Option(
            metavar="ADDRESS",
            help="Scheduler of a Dask cluster that does the work; its workers must see the "
            "session at the same path.",
            show_default=False,
        ),
    ] = "",
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a frame.")] = False,
) -> None:
    """Measure the frames of a session; resumes where it was stopped.

    What is wrong with the frames' order, count and settings is said first.

    Example: stopwise measure my-session

    Example: stopwise measure my-session --propose

    Example: stopwise measure my-session --cluster tcp://192.0.2.7:8786
    """
    from lab.session.running import measure_session

    if propose:
        if again or every_edge or as_json or cluster:
            raise LabError(
                "--propose: measures nothing and prints no JSON. Leave --again, --every-edge, "
                "--cluster and --json out."
            )
        _propose(session, workers)
        return
    if cluster and workers is not None:
        raise LabError("--cluster: its own workers do the work. Leave --workers out.")
    with ExitStack() as looking, progress_bar("measuring frames", quiet=as_json) as move:
        move_slates = looking.enter_context(progress_bar("looking for slates", quiet=as_json))

        calls: list[Sequence[Problem]] = []

        def tell(problems: Sequence[Problem]) -> None:
            looking.close()  # one bar at a time, and none below what is said
            calls.append(problems)
            if not as_json and len(calls) == 1:
                print_problems(problems)

        measured = measure_session(
            session,
            workers=workers,
            again=again,
            every_edge=every_edge,
            with_edges=as_json,
            cluster=cluster,
            progress=move,
            slate_progress=move_slates,
            tell=tell,
        )
    if as_json:
        print_json([frame.to_json_dict() for frame in measured.frames])
    else:
        for late in calls[1:]:
            print_problems(late)
        _print_failures([frame for frame in measured.frames if frame.status != "measured"])
        counts = Counter(frame.status for frame in measured.frames)
        typer.echo(", ".join(f"{n} {status}" for status, n in sorted(counts.items())))
    if not any(frame.status == "measured" for frame in measured.frames):
        raise typer.Exit(1)


def _propose(session: Path, workers: int | None) -> None:
    """Write frames.csv with what is known, or check the one there; say what is not known."""
    from lab.session.frame_table import TABLE_NAME
    from lab.session.inventory import look_over_session
    from lab.session.propose import rowless_frames, stray_rows, write_frame_table

    table = session / TABLE_NAME
    is_there = table.exists()
    stray = stray_rows(session) if is_there else ()
    if stray:  # the rest of the session cannot be read with them
        print_problems(stray)
        print_wrapped(
            f"{table} was checked and not written. Once this is mended, check the rest: "
            f"stopwise measure {session} --propose"
        )
        raise typer.Exit(2)
    with progress_bar("looking for slates") as move:
        config, assignment = look_over_session(session, workers=workers, slate_progress=move)
    if not is_there:
        write_frame_table(session, assignment)
        print_problems(assignment.problems)
        typer.echo(f"Wrote {table}: {len(assignment.frames)} frames.")
        if not _print_blanks(config, assignment):
            typer.echo("Nothing is blank. Correct what is wrong, if anything is.")
        print_wrapped(f"Then: stopwise measure {session}")
        return
    problems = (*assignment.problems, *rowless_frames(session, assignment))
    print_problems(problems)
    _print_blanks(config, assignment)
    print_wrapped(f"{table} is there already: it was checked and not written.")
    if any(problem.severity == "error" for problem in problems):
        print_wrapped(
            f"Mend the errors and check again, or move it away: stopwise measure {session} "
            "--propose"
        )
        raise typer.Exit(2)
    sound = "Nothing in it is refused: see to the warnings" if problems else "It is sound"
    print_wrapped(f"{sound}. Then: stopwise measure {session}")


def _print_blanks(config: SessionConfig, assignment: Assignment) -> bool:
    """What each column lacks, and what to do about it; whether anything is lacking."""
    from lab.session.draft import listed
    from lab.session.propose import blank_cells

    blank = {c: files for c, files in blank_cells(config, assignment).items() if files}
    for column, files in blank.items():
        frames = "1 frame" if len(files) == 1 else f"{len(files)} frames"
        print_wrapped(f"{column} is blank for {frames}: {listed(files)}.")
    if blank:
        print_wrapped(
            "Fill in the blank cells, or write use = no for a frame that does not belong; leave "
            "the columns as they are."
        )
    return bool(blank)


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
