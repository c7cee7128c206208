"""``stopwise inspect``: one frame, now."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lab.cli.terminal import print_json, print_table

if TYPE_CHECKING:
    from lab.frames import Frame
    from lab.session.store import EdgeRecord

__all__ = ["inspect"]


def inspect(
    frame: Annotated[Path, typer.Argument(help="Raw file, or a TIFF, PNG or JPEG image.")],
    most: Annotated[int, typer.Option(min=1, max=200, help="Edges to measure at most.")] = 12,
    as_json: Annotated[bool, typer.Option("--json", help="Figures as JSON.")] = False,
) -> None:
    """Find the straight edges in one frame and measure them.

    Example: stopwise inspect IMG_0412.dng
    """
    from lab.edges.find import find_edges
    from lab.edges.types import Rejection
    from lab.frames import read_frame
    from lab.session.measuring import measure_channel_edge, placed_edges

    picture = read_frame(frame)
    found = find_edges(picture, most=most + 1)  # one more, to know whether there are more
    rejected = found.reason if isinstance(found, Rejection) else ""
    records: list[EdgeRecord] = []
    more = False
    if not isinstance(found, Rejection):
        more = len(found) > most
        records = [
            measure_channel_edge(picture, edge, "green", None)
            for edge in placed_edges(found[:most], picture)
        ]
    measured = [r for r in records if r.status == "measured"]
    if as_json:
        print_json(_document(picture, frame, rejected, records))
    else:
        _print(picture, frame, rejected, records)
        if more:
            typer.echo(f"More edges were found than the {most} shown; --most raises the limit.")
    if not measured:
        raise typer.Exit(1)


def _clipped_percent(picture: Frame) -> float:
    return 100 * float(picture.saturated.mean())


def _document(
    picture: Frame, path: Path, rejected: str, records: list[EdgeRecord]
) -> dict[str, Any]:
    return {
        "file": path.name,
        "rows": picture.shape[0],
        "columns": picture.shape[1],
        "clipped_percent": _clipped_percent(picture),
        "flags": list(picture.flags),
        "reason": rejected,
        "edges": [
            {
                "row": r.centre_row,
                "column": r.centre_col,
                "angle_deg": r.angle_deg,
                "status": r.status,
                "reason": r.reason,
                "mtf50_cyc_per_px": r.mtf50_cyc_per_px,
                "mtf50_std": r.mtf50_std,
                "flags": list(r.flags),
            }
            for r in records
        ],
    }


def _print(picture: Frame, path: Path, rejected: str, records: list[EdgeRecord]) -> None:
    from string import ascii_lowercase
    from textwrap import fill

    from reports.words import flag_sentence

    kind = "raw mosaic" if picture.is_mosaic else "finished picture"
    typer.echo(
        f"{path.name}: {picture.shape[1]} x {picture.shape[0]} px, {kind}, "
        f"{_clipped_percent(picture):.1f} % clipped"
    )
    if "tone-mapped" in picture.flags:
        typer.echo(
            fill(
                "Not raw: tone curve and sharpening of the picture change MTF50. "
                "The figures below are indicative only.",
                79,
            )
        )
    if rejected:
        typer.echo(fill(f"Nothing to measure: {rejected}", 79))
        return
    measured = [r for r in records if r.mtf50_cyc_per_px is not None]
    notes = list(dict.fromkeys(flag for r in measured for flag in r.flags))
    if measured:
        print_table(
            ["edge at x, y", "angle", "MTF50 cy/px", "95 %", "10-90 % px", "notes"],
            [_row(r, notes) for r in measured],
        )
    for letter, flag in zip(ascii_lowercase, notes, strict=False):
        typer.echo(fill(f"{letter}: {flag_sentence(flag) or flag}", 79, subsequent_indent="   "))
    for r in records:
        if r.status != "measured":
            typer.echo(
                fill(
                    f"edge at {r.centre_col:.0f}, {r.centre_row:.0f} rejected: {r.reason}",
                    79,
                    subsequent_indent="  ",
                )
            )


def _row(record: EdgeRecord, notes: list[str]) -> list[str]:
    value, std = record.mtf50_cyc_per_px, record.mtf50_std
    assert value is not None
    assert std is not None
    # 10 to 90 % width of the Gaussian edge that has this MTF50.
    width = 2.563103 * math.sqrt(math.log(2) / 2) / (math.pi * value)
    return [
        f"{record.centre_col:.0f}, {record.centre_row:.0f}",
        f"{record.angle_deg:.1f}",
        f"{value:.4f}",
        f"{value - 1.96 * std:.4f} to {value + 1.96 * std:.4f}",
        f"{width:.1f}",
        "".join(sorted("abcdefghijklmnopqrstuvwxyz"[notes.index(flag)] for flag in record.flags))
        or "-",
    ]
