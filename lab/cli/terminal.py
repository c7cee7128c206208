"""What the commands share: errors without traceback, progress, tables, JSON.

Exit codes: 0 done, 1 nothing measurable, 2 bad input.
"""

from __future__ import annotations

import functools
import json
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from rich.progress import TaskID

    from lab.session.draft import Problem

__all__ = [
    "guarded",
    "print_json",
    "print_problems",
    "print_table",
    "print_wrapped",
    "progress_bar",
    "time_left",
]

_FEWEST_DONE = 3  # several processes finish their first ones at once, which is no speed


def guarded(command: Callable[..., None]) -> Callable[..., None]:
    """Turn the failures a user can meet into one message and exit code 2."""

    @functools.wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        from lab.errors import LabError
        from lab.threads import set_one_thread
        from targets.errors import TargetError

        set_one_thread()  # before a command loads the array library
        try:
            command(*args, **kwargs)
        except (LabError, TargetError) as error:
            typer.echo(f"stopwise: {error}", err=True)
            raise typer.Exit(2) from None
        except BrokenPipeError:  # the reader of our output has gone, as with `| head`
            sys.stdout = open(os.devnull, "w")  # noqa: SIM115
            raise typer.Exit(0) from None
        except OSError as error:
            where = f"{error.filename}: " if error.filename else ""
            typer.echo(f"stopwise: {where}{error.strerror or error}", err=True)
            raise typer.Exit(2) from None
        except KeyboardInterrupt:
            typer.echo("stopwise: stopped; finished frames are kept", err=True)
            raise typer.Exit(130) from None

    return run


def time_left(done: int, to_do: int, elapsed_s: float) -> str:
    """Time that the rest takes at the mean speed so far, h:mm:ss; dashes while too few are done."""
    if to_do > 0 and done < _FEWEST_DONE:
        return "-:--:--"
    left_s = round(elapsed_s * to_do / done) if to_do > 0 else 0
    return f"{left_s // 3600}:{left_s // 60 % 60:02d}:{left_s % 60:02d}"


@contextmanager
def progress_bar(label: str, *, quiet: bool = False) -> Iterator[Callable[[int, int], None]]:
    """A bar on standard error; a callable of (done, in all) moves it, and shows it first."""
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
    )

    bars = Progress(
        TextColumn("{task.description:<18}"),
        BarColumn(bar_width=30),
        MofNCompleteColumn(),
        TextColumn("{task.fields[left]}"),
        console=Console(stderr=True),
        disable=quiet,
    )
    tasks: list[TaskID] = []
    # What was done before this run says nothing of its speed.
    done_before, start_s = 0, 0.0

    def move(done: int, total: int) -> None:
        nonlocal done_before, start_s
        if not tasks:  # not before: an error of the start stands alone
            bars.start()
            done_before, start_s = done, time.monotonic()
            tasks.append(bars.add_task(label, total=total, completed=done, left=time_left(0, 1, 0)))
        left = time_left(done - done_before, total - done, time.monotonic() - start_s)
        bars.update(tasks[0], completed=done, left=left)

    try:
        yield move
    finally:
        if tasks:
            bars.stop()


def print_json(value: object) -> None:
    """One JSON document on standard output; numbers that are none become null."""
    typer.echo(json.dumps(value, indent=1, allow_nan=False))


def print_wrapped(text: str, *, indent: str = "", hanging: str = "  ", err: bool = False) -> None:
    """A paragraph in 79 columns; words and file names stay whole."""
    from textwrap import fill

    filled = fill(
        text,
        79,
        initial_indent=indent,
        subsequent_indent=hanging,
        break_long_words=False,
        break_on_hyphens=False,
    )
    typer.echo(filled, err=err)


def print_problems(problems: Sequence[Problem], *, err: bool = False) -> None:
    """What the assignment of frames had to say, a paragraph each."""
    for problem in problems:
        print_wrapped(f"{problem.severity}: {problem.text}", err=err)


def print_table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Columns padded to their widest cell; first column left, the rest right."""
    table = [list(header), *[list(row) for row in rows]]
    widths = [max(len(row[i]) for row in table) for i in range(len(header))]
    for row in table:
        cells = [
            cell.ljust(width) if i == 0 else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        sys.stdout.write("  ".join(cells).rstrip() + "\n")
