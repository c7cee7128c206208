"""``stopwise target``: a slanted-square chart as PDF, SVG and layout record."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Annotated

import typer

__all__ = ["target"]

# Beyond these a chart is finer than can be made, or larger than can be printed.
_MAGNIFICATION_LOWEST, _MAGNIFICATION_HIGHEST = 0.05, 20.0


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
    from tempfile import TemporaryDirectory

    from lab.errors import LabError
    from targets import (
        PAPERS_MM,
        Layout,
        chart_page,
        chart_sheet,
        square_field,
        write_layout,
        write_pdf,
        write_svg,
    )

    def write_page_pdf(layout: Layout, path: Path) -> None:
        write_pdf([chart_page(layout)], path)

    def write_page_svg(layout: Layout, path: Path) -> None:
        write_svg(chart_page(layout), path)

    writers = {
        "target.json": write_layout,
        "target.pdf": write_page_pdf,
        "target.svg": write_page_svg,
    }
    there = [file for file in writers if (folder / file).exists()]
    if there:
        raise LabError(f"{folder}: holds {', '.join(there)} already. Name a new folder.")
    size = re.fullmatch(r"\s*([\d.]+)\s*[xX]\s*([\d.]+)\s*", sensor)
    try:
        width, height = (float(part) for part in size.groups()) if size else (0.0, 0.0)
    except ValueError:
        width = height = 0.0
    if not (width > 0 and height > 0):
        raise LabError(f"--sensor {sensor}: give width x height in mm, like 36x24.")
    for m in magnification:
        if not _MAGNIFICATION_LOWEST <= m <= _MAGNIFICATION_HIGHEST:
            raise LabError(
                f"--magnification {m:g}: give a number from {_MAGNIFICATION_LOWEST:g} to "
                f"{_MAGNIFICATION_HIGHEST:g}, like 2."
            )
    shown = [f"{m:g}" for m in magnification]
    for m_shown in shown:
        if shown.count(m_shown) > 1:
            raise LabError(f"--magnification {m_shown}: is given twice. Give each once.")
    if paper is not None and paper not in PAPERS_MM:
        raise LabError(f"--paper {paper}: give {' or '.join(PAPERS_MM)}, or leave it out.")
    fields = [
        square_field(magnification=m, sensor_width_mm=width, sensor_height_mm=height, name=name)
        for m in magnification
    ]
    layout = chart_sheet(fields, name=name, paper=paper)
    # Elsewhere first: a chart that turns out impossible leaves nothing behind.
    with TemporaryDirectory() as made:
        for file, write in writers.items():
            write(layout, Path(made, file))
        folder.mkdir(parents=True, exist_ok=True)
        for file in writers:
            shutil.copyfile(Path(made, file), folder / file)
    typer.echo(f"{folder / 'target.pdf'}, target.svg, target.json")
    typer.echo("Paper is too rough for 1x and above: film to about 1x, chrome on glass to 5x.")
