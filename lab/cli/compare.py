"""``stopwise compare``: which of several measured sessions is sharper, and at what."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lab.cli.terminal import print_json, print_table, print_wrapped, progress_bar

if TYPE_CHECKING:
    from lab.inference.compare_records import ComparedValue, Comparison, Question

__all__ = ["compare"]

_MOST_PAIRS = 6  # printed a question; all are in data.csv
_MOST_ROWS = 12
_MOST_NAMED = 30


def compare(
    sessions: Annotated[
        list[Path], typer.Argument(help="Two or more session folders or bundles (.zip).")
    ],
    out: Annotated[
        Path | None, typer.Option(help="Folder for the page, index.html, and data.csv.")
    ] = None,
    loss: Annotated[
        float,
        typer.Option(min=0.1, max=90, help="Loss of MTF50 that bounds the depth, percent."),
    ] = 10.0,
    depth: Annotated[
        float | None,
        typer.Option(
            help="Depth in the subject that one frame must hold, um.",
            show_default="a hundredth of the field",
        ),
    ] = None,
    same_target: Annotated[
        bool,
        typer.Option(
            "--same-target", help="One and the same target served all: its doubt cancels."
        ),
    ] = False,
    same_light: Annotated[
        bool,
        typer.Option(
            "--same-light",
            help="One body in one light served all: the wavelength's doubt cancels.",
        ),
    ] = False,
    names: Annotated[
        bool,
        typer.Option(
            "--names", help="Name folders and bundles on the page and in --json too; no path."
        ),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Figures as JSON.")] = False,
) -> None:
    """Compare sessions: at each one's optimum, at one effective stop, over one depth.

    There is no overall order. Each question has its own answer, ties included.
    --loss is of this comparison, whatever the sessions' reports were made with.

    Example: stopwise compare enlarger-lens bellows-lens --out compare
    """
    from lab.errors import LabError
    from lab.inference.compare import compare_sessions
    from lab.session.compared_session import compared_session

    if depth is not None and not 0 < depth < float("inf"):
        raise LabError(f"--depth {depth:g}: give a depth above 0, in um, like 100.")
    if len(sessions) < 2:
        raise LabError(
            f"{sessions[0]}: one session alone cannot be compared. Name at least two, like: "
            "stopwise compare one other"
        )
    if out is not None and out.exists() and not out.is_dir():
        raise LabError(f"--out {out}: is a file. Name a folder.")
    kept = []
    with progress_bar("reading sessions", quiet=as_json) as move:
        for k, path in enumerate(sessions):
            move(k, len(sessions))
            kept.append(compared_session(path, _tell))
        move(len(sessions), len(sessions))
    comparison = compare_sessions(
        kept,
        loss_percent=loss,
        depth_um=depth,
        same_target=same_target,
        same_light=same_light,
    )
    shared = comparison if names else _without_sources(comparison)
    if out is not None:
        _write(shared, out)
    if as_json:
        print_json(asdict(shared))
    else:
        _print(comparison)
        if out is not None:
            typer.echo(f"\nThe page: {out / 'index.html'}, its figures: {out / 'data.csv'}")
    if not comparison.magnifications and not comparison.fields:
        raise typer.Exit(1)


def _without_sources(comparison: Comparison) -> Comparison:
    """As it may be shared: without names of folders and files."""
    sessions = tuple(replace(one, source="") for one in comparison.sessions)
    return replace(comparison, sessions=sessions)


def _tell(sentence: str) -> None:
    typer.echo(f"stopwise: {_plain(sentence)}", err=True)


def _write(comparison: Comparison, out: Path) -> None:
    from reports.compare_page import comparison_csv, render_comparison

    out.mkdir(parents=True, exist_ok=True)
    pages = {"index.html": render_comparison(comparison), "data.csv": comparison_csv(comparison)}
    for name, content in pages.items():
        (out / name).write_text(content, encoding="utf-8", newline="\n")


def _print(comparison: Comparison) -> None:
    """Who, then question by question, then what to doubt; 80 columns."""
    from reports import compare_words, words

    named = compare_words.named_sessions(comparison, _MOST_NAMED)
    print_table(
        ["", "folder", "lens", "session", "pitch", "sizes"],
        [
            [
                one.letter,
                _short(one.source, 16),
                _short(one.lens_name, 20),
                _short(one.name, 12),
                f"{one.pixel_pitch_um:g} um",
                _sizes(one.magnifications),
            ]
            for one in (comparison.sessions[k] for k in named)
        ],
    )
    simulated = compare_words.simulated_words(comparison)
    if simulated:
        print_wrapped(simulated)
    rest = len(comparison.sessions) - len(named)
    if rest:
        print_wrapped(f"{rest} more sessions: --out writes all to data.csv, --json prints them.")
    for size in comparison.magnifications:
        at = f"{size.magnification:.3g}x"
        typer.echo(f"\n{at}, each at its own optimum")
        print_table(
            ["", "object", "95 %", "image", "ring", "effective", "of diffr.", "place"],
            _optimum_rows(size.optimum, comparison),
        )
        _print_pairs(size.optimum, comparison)
        if size.shared_low is None:
            typer.echo(f"\n{at}: no effective f-number was measured by all")
        else:
            typer.echo(f"\n{at}, all at one effective f-number")
            for one in size.equal_stops:
                places = compare_words.place_words(one, comparison.sessions)
                print_wrapped(
                    f"f/{words.number(one.effective_f_number)}  {places}", hanging=" " * 8
                )
        if size.depth_at_optimum is not None:
            typer.echo(f"\n{at}, depth within {size.loss_percent:g} % of the own optimum")
            deep = ", ".join(
                f"{comparison.sessions[v.session].letter} {v.value:.0f} um"
                for v in size.depth_at_optimum.values[:_MOST_PAIRS]
            )
            print_wrapped(
                f"{deep}. Deepest: "
                f"{compare_words.place_words(size.depth_at_optimum, comparison.sessions)}."
            )
    for field in comparison.fields:
        typer.echo(f"\nsharpest {compare_words.field_words(field)}".replace("µ", "u"))
        print_table(
            ["", "object", "95 %", "ring", "size", "of width"],
            [
                [
                    comparison.sessions[v.session].letter,
                    f"{v.value:.1f}",
                    f"{v.low95:.1f} to {v.high95:.1f}",
                    words.estimated_stop(v.stop),
                    "-" if v.magnification is None else f"{v.magnification:.2f}x",
                    "-" if v.crop_width is None else f"{100 * v.crop_width:.0f} %",
                ]
                for v in _first(field.held)
            ],
        )
        _print_pairs(field.held, comparison)
        if field.left_out:
            left = compare_words.listed([comparison.sessions[k].letter for k in field.left_out])
            print_wrapped(f"left out (a smaller field, or no model of the lens): {left}")
    unshared = compare_words.unshared_words(comparison)
    if unshared is not None:
        unshared = unshared.replace("\N{MULTIPLICATION SIGN}", "x")
    typer.echo("\nwhat to doubt")
    for sentence in (
        *([unshared] if unshared else []),
        *comparison.warnings,
        compare_words.repeatability_words(comparison),
        *comparison.cautions,
        compare_words.tests_words(comparison),
    ):
        print_wrapped(_plain(sentence), indent="- ")


def _first(question: Question) -> list[ComparedValue]:
    """Figures by place, the first of many."""
    values = {value.session: value for value in question.values}
    return [values[one.session] for one in question.places[:_MOST_ROWS]]


def _optimum_rows(question: Question, comparison: Comparison) -> list[list[str]]:
    from reports import words

    place = {one.session: one.place for one in question.places}
    return [
        [
            comparison.sessions[v.session].letter,
            f"{v.value:.1f}",
            f"{v.low95:.1f} to {v.high95:.1f}",
            f"{v.mtf50_image_cyc_per_mm:.1f}",
            words.estimated_stop(v.stop) + (" (end)" if "optimum-not-bracketed" in v.flags else ""),
            f"f/{v.effective_f_number:.1f}",
            f"{v.percent_of_diffraction:.0f} %",
            str(place[v.session]),
        ]
        for v in _first(question)
    ]


def _print_pairs(question: Question, comparison: Comparison) -> None:
    """Each pair's verdict; of many, those against the first."""
    from reports import compare_words

    first = question.places[0].session
    shown = [pair for pair in question.pairs if first in (pair.first, pair.second)]
    if len(question.pairs) <= _MOST_PAIRS:
        shown = list(question.pairs)
    for pair in shown[:_MOST_PAIRS]:
        said = compare_words.pair_words(question, pair, comparison.sessions)
        print_wrapped(_plain(said.replace("\N{MULTIPLICATION SIGN}", "x")))
    rest = question.pair_count - len(shown[:_MOST_PAIRS])
    if rest:
        print_wrapped(compare_words.rest_words(question, rest))


def _sizes(magnifications: Sequence[float]) -> str:
    shown = " ".join(f"{m:g}x" for m in magnifications[:3])
    return shown + (" ..." if len(magnifications) > 3 else "")


def _short(name: str, most: int) -> str:
    """A name on one line that moves nothing in the terminal, cut to its column."""
    plain = _plain(name)
    return plain if len(plain) <= most else plain[: most - 3] + "..."


def _plain(text: str) -> str:
    """Without control characters or changes of direction."""
    return "".join(c if c.isprintable() or c == " " else "?" for c in text)
