"""``stopwise demo``: the whole job on a simulated session."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lab.cli.terminal import print_table, progress_bar

if TYPE_CHECKING:
    from lab.inference.trial_records import TrialResult

__all__ = ["demo"]


def demo(
    folder: Annotated[
        Path, typer.Argument(help="New folder for the session, or that of an earlier demo.")
    ],
    seed: Annotated[int, typer.Option(min=0, help="Seed of the simulated noise.")] = 1,
    workers: Annotated[
        int | None,
        typer.Option(min=1, help="Processes to use.", show_default="as cores and memory allow"),
    ] = None,
) -> None:
    """Simulate a session as raw files, measure it, and write its report.

    A fictional mineral micromount club tests an invented lens at 1x, 2x and 3x:
    126 raw frames are simulated, then read, measured and reported as yours
    would be. 56 more are two trials: hand against stand and rail, movement
    against focus. Needs about 800 MB of disk.

    Example: stopwise demo demo-session
    """
    from lab.cli.report import write_report
    from lab.cli.summary import print_summary
    from lab.errors import SessionError
    from lab.session.kept_result import analysed_session
    from lab.session.running import measure_session
    from lab.session.workers import default_workers
    from lab.simulate.demo import DemoPlan, write_demo_session
    from lab.simulate.truth import TRUTH_NAME

    if folder.exists() and not folder.is_dir():
        raise SessionError(f"{folder}: is a file. Name a new folder.")
    if folder.exists() and any(folder.iterdir()) and not (folder / TRUTH_NAME).exists():
        raise SessionError(f"{folder}: is not empty and no earlier demo. Name a new folder.")
    if workers is None:
        rig = DemoPlan().rig
        workers = default_workers(rig.n_rows * rig.n_cols)
    with progress_bar("simulating frames") as move:
        write_demo_session(folder, seed=seed, workers=workers, progress=move)
    with progress_bar("measuring frames") as move:
        measured = measure_session(folder, workers=workers, progress=move)
    result, page = write_report(folder, measured)
    typer.echo()
    print_summary(result)
    _, trials = analysed_session(folder, measured)  # kept by the report
    for trial in trials:
        typer.echo()
        print_keepers(trial)
    if trials:
        typer.echo(f"More of the trials: stopwise trial {folder}")
    typer.echo(f"\nThe report: {page}")


def print_keepers(result: TrialResult) -> None:
    """One line a condition: keepers, how sure that is, and what took most of the others."""
    from collections import Counter

    from lab.cli.summary import stop_text
    from reports.trial_words import KINDS

    typer.echo(f"{result.name}: {result.magnification:.4g}x, {stop_text(result.marked_stop)}")
    rows = []
    for c in result.conditions:
        lost = Counter(
            KINDS.get(f.kind or "", "wide blur")
            for f in result.frames
            if f.condition == c.name and not f.is_keeper
        )
        rows.append(
            [
                c.name,
                f"{c.keepers} of {c.frames}",
                f"{100 * c.share_low95:.0f} to {100 * c.share_high95:.0f} %",
                lost.most_common(1)[0][0] if lost else "-",
            ]
        )
    print_table(["condition", "keepers", "95 %", "most lost to"], rows)
