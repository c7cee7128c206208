"""The ``stopwise`` command: one module a subcommand, wired here."""

from __future__ import annotations

from importlib.metadata import version
from typing import Annotated

import typer

from lab.cli import (
    compare,
    demo,
    depth,
    fit,
    inspect,
    measure,
    plan,
    report,
    shutter,
    target,
    trial,
    trial_plan,
    watch,
)
from lab.cli.terminal import guarded

__all__ = ["app"]

app = typer.Typer(
    name="stopwise",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Measure what a lens does at close range (1x to 5x) and which stop to use.",
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"stopwise {version('stopwise')}")
        raise typer.Exit


@app.callback()
def _main(
    show_version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Version, and exit.")
    ] = False,
) -> None:
    pass


app.command(name="demo")(guarded(demo.demo))
app.command(name="plan")(guarded(plan.plan))
app.command(name="target")(guarded(target.target))
app.command(name="watch")(guarded(watch.watch))
app.command(name="inspect")(guarded(inspect.inspect))
app.command(name="measure")(guarded(measure.measure))
app.command(name="fit")(guarded(fit.fit))
app.command(name="depth")(guarded(depth.depth))
app.command(name="shutter")(guarded(shutter.shutter))
app.command(name="trial-plan")(guarded(trial_plan.trial_plan))
app.command(name="trial")(guarded(trial.trial))
app.command(name="report")(guarded(report.report))
app.command(name="compare")(guarded(compare.compare))
