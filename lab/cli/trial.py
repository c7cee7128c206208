"""``stopwise trial``: keepers and blur of repeated frames under several conditions."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from lab.cli.terminal import print_json, print_problems

__all__ = ["trial"]


def trial(
    session: Annotated[Path, typer.Argument(help="Measured session folder with a trial.")],
    name: Annotated[
        str | None, typer.Option(help="Which trial. (default: all of the session)")
    ] = None,
    loss: Annotated[
        float,
        typer.Option(
            min=0.1, max=90, help="Loss of MTF50 against the reference, percent, of a keeper."
        ),
    ] = 10.0,
    frames: Annotated[bool, typer.Option("--frames", help="List every frame too.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Figures as JSON.")] = False,
) -> None:
    """Compare repeated frames under two or more conditions: by hand, braced, by flash.

    Says for each how many frames are keepers and how sure that is; what blurred
    the others (focus, movement, vibration); how fast the hand was; whether the
    conditions differ or more frames are needed to tell.

    Example: stopwise trial my-session
    """
    from lab.cli.trial_text import print_frames, print_trial
    from lab.errors import SessionError
    from lab.inference.trial_analysis import analyse_trial
    from lab.session.running import stored_session

    measured = stored_session(session)
    print_problems(measured.assignment.problems, err=True)
    trials = measured.config.trials
    if not trials:
        raise SessionError(
            f"{session}: session.toml has no [[trial]]. Add one, or begin with: stopwise "
            "trial-plan NEW-FOLDER"
        )
    names = [s.trial.name for s in trials if s.trial is not None]
    if name is not None and name not in names:
        raise SessionError(f"{session}: no trial is called {name!r}. Known: {', '.join(names)}.")
    results = [
        analyse_trial(
            measured.config, measured.assignment, measured.frames, series, loss_percent=loss
        )
        for series in trials
        if name in (None, series.trial.name if series.trial else None)
    ]
    if as_json:
        print_json({"trials": [asdict(result) for result in results]})
        return
    for i, result in enumerate(results):
        if i:
            typer.echo("")
        print_trial(result)
        if frames:
            typer.echo("")
            print_frames(result)
