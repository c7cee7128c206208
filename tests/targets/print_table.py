"""How true are the files that are printed? Sheets by writer, with the worst figures.

Each sheet's PDF is drawn by poppler at 1200 dots per inch, some polygons of its SVG by
Chromium at 10 um a pixel, small polygons finer; 1-bit images are taken dot by dot. The
table gives the worst of all measured sides (``tests.targets.measured``), slanted ones and
upright ones apart: in a 1-bit image the latter lie on whole dots. As a command, from the
repository's root, this module prints the table, then the time and memory that a film
plotter's image takes; about four minutes:

    python -m tests.targets.print_table
"""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable, Iterable
from pathlib import Path
from tempfile import TemporaryDirectory

from targets import (
    LAYOUT_VERSION,
    Layout,
    Page,
    chart_page,
    chart_sheet,
    square_field,
    write_pdf,
    write_svg,
)
from targets.blade_holder import blade_holder_pages, blade_holder_record
from targets.nested import nested_field
from targets.ramp import RampLayout, ramp_layout, ramp_pages
from targets.ramp_field import RampWish
from targets.raster import write_png, write_tiff
from targets.slate_sheet import slate_pages
from targets.slates import Slate, slate_card
from tests.targets.measured import (
    MM_PER_INCH,
    Side,
    by_chromium,
    by_dots,
    by_poppler,
    measured,
)

__all__ = ["SHEETS", "in_chromium", "in_poppler", "nested", "paper", "plate", "sheet_page", "worst"]

LEAST_MM = 0.2


def plate() -> Layout:
    fields = [
        square_field(magnification=m, sensor_width_mm=7.83, sensor_height_mm=5.22, name="club")
        for m in (3, 1, 2)
    ]
    return chart_sheet(fields, name="Club (plate)")


def paper() -> Layout:
    field = square_field(magnification=1, sensor_width_mm=36, sensor_height_mm=24, name="club")
    return chart_sheet([field], name="Club on paper", paper="A4")


def nested() -> Layout:
    field = nested_field(
        magnification_low=1.6,
        magnification_high=3,
        sensor_width_mm=23.5,
        sensor_height_mm=15.6,
        name="club",
    )
    return chart_sheet([field], name="Club, up to 3x")


def ramp() -> RampLayout:
    wishes = [
        RampWish(magnification=m, depth_step_um=500 / m, resolution_um=6 / m) for m in (1, 2, 4)
    ]
    return ramp_layout(
        wishes, sensor_width_mm=23.5, sensor_height_mm=15.6, smallest_line_mm=0.02, name="club"
    )


def slates() -> tuple[Page, ...]:
    stops = [(1.0, 5.6), (1.0, 8.0), (2.0, 11.0)]
    cards = [
        slate_card(
            Slate(magnification=m, marked_stop=stop), sensor_mm=(23.5, 15.6), blur_sigma_object_um=9
        )
        for m, stop in stops
    ]
    return slate_pages(cards, name="club")


def blade_holder() -> tuple[Page, ...]:
    holder = blade_holder_record(magnification_low=1.3, sensor_width_mm=23.5, sensor_height_mm=15.6)
    return blade_holder_pages(holder)


# Every kind of sheet that there is, as pages.
SHEETS: dict[str, Callable[[], tuple[Page, ...]]] = {
    "chart, plate": lambda: (chart_page(plate()),),
    "chart, paper": lambda: (chart_page(paper()),),
    "chart, nested": lambda: (chart_page(nested()),),
    "focus ramp": lambda: ramp_pages(ramp()),
    "slates": slates,
    "blade holder": blade_holder,
}


def sheet_page(layout: Layout) -> Page:
    """The sheet without a legend, as 1-bit images and masks hold it; one group for each field."""
    return Page(
        title=layout.name,
        width_mm=layout.sheet_width_mm,
        height_mm=layout.sheet_height_mm,
        shapes_mm=tuple(
            tuple(tuple((x0 + x, y0 + y) for x, y in p) for p in field.polygons_mm())
            for field, (x0, y0) in zip(layout.fields, layout.sheet_origins_mm, strict=True)
        ),
    )


def in_poppler(page: Page, pdf: Path, *, most: int | None = None) -> list[Side]:
    """Sides of the drawn PDF, 1200 dots per inch or more; polygons of 0.2 mm and more."""
    pixel_mm = MM_PER_INCH / 1200
    return measured(page, by_poppler(pdf), pixel_mm=pixel_mm, least_mm=LEAST_MM, most=most)


def in_chromium(page: Page, svg: Path, folder: Path, *, most: int) -> list[Side]:
    """Sides of the drawn SVG, 10 um a pixel or finer; no more polygons than ``most``."""
    return measured(
        page,
        by_chromium(svg, folder),
        pixel_mm=0.01,
        pixels_per_side=1000,  # Chromium puts corners on quarters of a pixel
        least_mm=LEAST_MM,
        most=most,
        tile_px=1e-9,  # each by itself
    )


def worst(sides: Iterable[Side]) -> tuple[float, float, float]:
    """Largest offset [um], turn [deg] and error of length [um]; 0 where there is nothing."""
    sides = list(sides)
    return (
        max((side.worst_offset_um for side in sides), default=0.0),
        max((abs(side.turn_deg) for side in sides if side.turn_deg is not None), default=0.0),
        max((abs(side.length_error_um) for side in sides), default=0.0),
    )


def _print_row(sheet: str, writer: str, sides: list[Side]) -> None:
    slanted = worst(side for side in sides if not side.is_upright)
    upright = worst(side for side in sides if side.is_upright)
    print(
        f"{sheet:16}{writer:14}{len(sides):6}{slanted[0]:9.2f}{slanted[1]:9.4f}{slanted[2]:9.2f}"
        f"{upright[0]:9.2f}{upright[2]:8.2f}"
    )


def main() -> None:
    """Print the tables."""
    print(f"{'':36}{'slanted sides':27}upright")
    print(
        f"{'sheet':16}{'writer':14}{'sides':>6}{'off um':>9}{'deg':>9}{'long um':>9}"
        f"{'off um':>9}{'long um':>8}"
    )
    with TemporaryDirectory() as made:
        folder = Path(made)
        for name, pages in SHEETS.items():
            for number, page in enumerate(pages(), start=1):
                title = f"{name} {number}" if number > 1 else name
                write_pdf([page], folder / "sheet.pdf")
                write_svg(page, folder / "sheet.svg")
                _print_row(title, "PDF", in_poppler(page, folder / "sheet.pdf"))
                sides = in_chromium(page, folder / "sheet.svg", folder, most=16)
                _print_row(title, "SVG, a sample", sides)
        for name, layout, dpi in (
            ("chart, paper", paper(), 1200),
            ("chart, plate", plate(), 20_000),
            ("chart, nested", nested(), 20_000),
        ):
            write_tiff(layout, folder / "sheet.tif", dpi=dpi)
            page, dots = sheet_page(layout), by_dots(folder / "sheet.tif", dpi)
            sides = measured(page, dots, pixel_mm=MM_PER_INCH / dpi, pixels_per_side=1)
            _print_row(name, f"{dpi} dpi", sides)
        _print_plotter(folder)


def _print_plotter(folder: Path) -> None:
    field = square_field(magnification=1, sensor_width_mm=36, sensor_height_mm=24, name="club")
    layout = Layout(
        name="Club on film",
        version=LAYOUT_VERSION,
        sheet_width_mm=36.0,
        sheet_height_mm=36.0,
        fields=(field,),
        sheet_origins_mm=((18.0, 18.0),),
    )
    for write, file in ((write_tiff, "sheet.tif"), (write_png, "sheet.png")):
        start = time.perf_counter()
        report = write(layout, folder / file, dpi=20_000)
        seconds = time.perf_counter() - start
        tracemalloc.start()
        write(layout, folder / file, dpi=20_000)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        print(
            f"{file}: {report.width_dots} x {report.height_dots} dots in {seconds:.1f} s, "
            f"{peak / 1e6:.0f} MB at most, file {(folder / file).stat().st_size / 1e6:.1f} MB"
        )


if __name__ == "__main__":
    main()
