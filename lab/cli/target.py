"""``stopwise target``: a slanted-square chart as PDF, SVG and layout record."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Annotated

import typer

__all__ = ["target"]


def target(
    folder: Annotated[Path, typer.Argument(help="Folder for target.pdf, .svg and .json.")],
    magnification: Annotated[
        list[float], typer.Option("--magnification", "-m", help="Repeat for several fields.")
    ],
    sensor: Annotated[str, typer.Option(help="Width x height in mm.")] = "36x24",
    paper: Annotated[
        str | None, typer.Option(help="A4 or Letter; otherwise as small as fits.")
    ] = None,
    name: Annotated[str, typer.Option(help="Name on the sheet and in its code.")] = "chart",
) -> None:
    """Make the chart for a sensor and one or more magnifications.

    A paper print cannot test a lens at 1x or above: its edges are rougher than
    the lens. Have the file made on film (to about 1x) or as chrome on glass.
    Mind the edges of glass plates.

    Example: stopwise target chart -m 1 -m 2 -m 3 --sensor 23.5x15.6
    """
    from lab.errors import LabError
    from targets import PAPERS_MM, chart_sheet, square_field, write_layout, write_pdf, write_svg

    size = re.fullmatch(r"\s*([\d.]+)\s*[xX]\s*([\d.]+)\s*", sensor)
    try:
        width, height = (float(part) for part in size.groups()) if size else (0.0, 0.0)
    except ValueError:
        width = height = 0.0
    if not (width > 0 and height > 0):
        raise LabError(f"--sensor {sensor}: give width x height in mm, like 36x24.")
    for m in magnification:
        if not 0 < m < math.inf:
            raise LabError(f"--magnification {m:g}: give a number above 0, like 2.")
    if paper is not None and paper not in PAPERS_MM:
        raise LabError(f"--paper {paper}: give {' or '.join(PAPERS_MM)}, or leave it out.")
    fields = [
        square_field(magnification=m, sensor_width_mm=width, sensor_height_mm=height)
        for m in magnification
    ]
    layout = chart_sheet(fields, name=name, paper=paper)
    folder.mkdir(parents=True, exist_ok=True)
    write_layout(layout, folder / "target.json")
    write_pdf(layout, folder / "target.pdf")
    write_svg(layout, folder / "target.svg")
    typer.echo(f"{folder / 'target.pdf'}, target.svg, target.json")
    typer.echo("Paper is too rough for 1x and above: film to about 1x, chrome on glass to 5x.")
