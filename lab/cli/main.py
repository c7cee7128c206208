"""The ``stopwise`` command: one module a subcommand, wired here."""

from __future__ import annotations

import sys
from importlib.metadata import version
from typing import Annotated, Any

import typer
from typer.core import TyperGroup
from typer.exceptions import TyperException

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


class _OneVoice(TyperGroup):
    """Words a command line that cannot be read like every other error: one plain paragraph."""

    def main(self, *args: Any, **kwargs: Any) -> Any:
        try:
            left = super().main(*args, **{**kwargs, "standalone_mode": False})
        except TyperException as error:
            # A bare `stopwise` has shown its help by now.
            if type(error).__name__ != "NoArgsIsHelpError":
                context = getattr(error, "ctx", None)
                path = "stopwise" if context is None else context.command_path
                said = error.format_message().rstrip(".")
                typer.echo(f"stopwise: {said}. Help: {path} --help", err=True)
            sys.exit(error.exit_code)
        except typer.Abort:
            sys.exit(1)
        sys.exit(left if isinstance(left, int) else 0)


app = typer.Typer(
    name="stopwise",
    cls=_OneVoice,
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
