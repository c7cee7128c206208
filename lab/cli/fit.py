"""``stopwise fit``: optimum stops of a measured session, as table or JSON."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lab.cli.terminal import print_json, print_problems, print_wrapped

__all__ = ["fit"]


def fit(
    session: Annotated[Path, typer.Argument(help="Measured session folder.")],
    loss: Annotated[
        float,
        typer.Option(min=0.1, max=90, help="Loss of MTF50 that still counts as sharp, percent."),
    ] = 10.0,
    rule: Annotated[
        list[str] | None,
        typer.Option(help='Rule of thumb to test, like "2x: f/8"; repeat. (default: the usual)'),
    ] = None,
    detail: Annotated[
        float | None,
        typer.Option(
            min=0.01,
            help="Width of a line in the subject, um, to follow over the stops. "
            "(default: two pixels)",
        ),
    ] = None,
    brief: Annotated[bool, typer.Option("--brief", help="The answer alone.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Figures as JSON.")] = False,
) -> None:
    """Find each magnification's sharpest stop and the deepest stop still sharp.

    The answer comes first, then all that lies behind it.

    One optical model is fitted to the whole session: pupil ratio, ring, spherical
    aberration, residual blur. Rules: "2x: f/8", "4x+: f/4", "effective f/22",
    "infinity f/11" (divided by 1 + magnification).

    Example: stopwise fit my-session
    """
    from lab.cli.fit_json import fit_document
    from lab.cli.fit_text import print_fit
    from lab.cli.summary import print_summary
    from lab.errors import LabError
    from lab.inference.lens_result import lens_result, with_lens
    from lab.inference.rules import DEFAULT_RULES
    from lab.inference.session_analysis import analyse_session
    from lab.session.running import stored_session

    if brief and as_json:
        raise LabError("--brief: JSON holds all figures. Leave --brief or --json out.")
    measured = stored_session(session)
    print_problems(measured.assignment.problems, err=True)
    result = analyse_session(
        measured.config, measured.frames, measured.assignment.problems, loss_percent=loss
    )
    lens = lens_result(
        measured.config,
        measured.frames,
        loss_percent=loss,
        rules=rule or DEFAULT_RULES,
        detail_um=detail,
    )
    result = with_lens(result, lens)
    if as_json:
        print_json(fit_document(result))
    else:
        print_summary(result)
        if brief:
            print_wrapped(f"All that lies behind it: stopwise fit {session}")
        else:
            print_fit(result)
    if not any(series.points for series in result.series):
        raise typer.Exit(1)
