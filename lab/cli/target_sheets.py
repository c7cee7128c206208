"""The sheets of ``stopwise target``: made elsewhere first, then put into the folder.

A sheet that turns out impossible leaves nothing behind, and nothing that is there
already is ever overwritten.
"""

from __future__ import annotations

import math
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from targets import Layout, Page, SlateCard

__all__ = ["Made", "Rig", "SheetOrder", "made_sheets"]

SHEETS = ("chart", "fields", "ramp", "blade", "slates")
# The smallest line that a good printer lays down; common practice, no published source.
_SMALLEST_LINE_MM = 0.1
_FINEST_TICKS_UM = 2e3 * _SMALLEST_LINE_MM * math.sin(math.radians(45))  # line and gap


@dataclass(frozen=True, kw_only=True)
class Rig:
    """What the sheets are for."""

    magnifications: tuple[float, ...]
    sensor_mm: tuple[float, float]
    pixel_pitch_um: float
    marked_stops: tuple[float, ...]
    pupil_ratio: float


@dataclass(frozen=True, kw_only=True)
class SheetOrder:
    """Which sheets, and how."""

    sheets: tuple[str, ...]
    name: str | None
    paper: str | None
    conditions: tuple[str, ...]
    dpi: int | None
    mask: bool
    polarity: str | None
    mirrored: bool

    @property
    def title(self) -> str:
        """Name on the sheets."""
        return self.name or "chart"


@dataclass(frozen=True, kw_only=True)
class Made:
    """Names of the files, and what to know of them."""

    files: tuple[str, ...]
    remarks: tuple[str, ...]


def made_sheets(folder: Path, rig: Rig, order: SheetOrder, *, notes: tuple[str, ...]) -> Made:
    """Make the sheets ordered.

    Raises
    ------
    LabError
        If a file of that name is there already, or the order names what does not exist.
    TargetError
        If a sheet cannot be made.
    """
    from tempfile import TemporaryDirectory

    from lab.errors import LabError
    from targets import PAPERS_MM

    for sheet in order.sheets:
        if sheet not in SHEETS:
            raise LabError(f"--sheet {sheet}: is none of {', '.join(SHEETS)}.")
    if order.paper is not None and order.paper not in PAPERS_MM:
        raise LabError(f"--paper {order.paper}: give {' or '.join(PAPERS_MM)}, or leave it out.")
    if order.polarity not in (None, "dark", "clear"):
        raise LabError(f"--polarity {order.polarity}: give dark or clear.")
    if not order.mask and (order.polarity is not None or order.mirrored):
        raise LabError("--polarity and --mirrored: are of a mask. Add --mask.")
    if order.conditions and "slates" not in order.sheets:
        raise LabError("--condition: is for slates. Add --sheet slates.")
    if order.dpi is not None and order.dpi < 1:
        raise LabError(f"--dpi {order.dpi}: give the printer's dots to the inch, like 2400.")
    if order.dpi is not None and not {"chart", "fields", "slates"} & set(order.sheets):
        raise LabError("--dpi: goes with --sheet chart, fields or slates. Add one.")
    if folder.exists() and not folder.is_dir():
        raise LabError(f"{folder}: is a file. Name a new folder.")
    if {"chart", "fields"} <= set(order.sheets):
        raise LabError("--sheet: chart and fields are both target.json. Make one at a time.")
    if order.mask and not {"chart", "fields"} & set(order.sheets):
        raise LabError("--mask: goes with --sheet chart or fields. Add one.")
    makers: dict[str, Callable[[Path, Rig, SheetOrder, tuple[str, ...]], tuple[str, ...]]] = {
        "chart": _chart,
        "fields": _chart,
        "ramp": _ramp,
        "blade": _blade,
        "slates": _slates,
    }
    remarks: list[str] = []
    with TemporaryDirectory() as elsewhere:
        made = Path(elsewhere)
        for sheet in order.sheets:
            remarks += makers[sheet](made, rig, order, notes)
        files = sorted(path.name for path in made.iterdir())
        there = [file for file in files if (folder / file).exists()]
        if there:
            raise LabError(f"{folder}: holds {', '.join(there)} already. Name a new folder.")
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for file in files:
                shutil.copyfile(made / file, folder / file)
        except OSError as error:
            raise LabError(
                f"{folder}: cannot be written ({error.strerror}). Name a folder that can."
            ) from error
    return Made(files=tuple(files), remarks=tuple(remarks))


def _write(pages: tuple[Page, ...], folder: Path, stem: str) -> None:
    """All pages as one PDF, each one as SVG."""
    from targets import write_pdf, write_svg

    write_pdf(pages, folder / f"{stem}.pdf")
    for i, page in enumerate(pages, start=1):
        number = "" if len(pages) == 1 else f"-{i}"
        write_svg(page, folder / f"{stem}{number}.svg")


def _chart(folder: Path, rig: Rig, order: SheetOrder, notes: tuple[str, ...]) -> tuple[str, ...]:
    from targets import (
        chart_page,
        chart_sheet,
        nested_field,
        notes_page,
        square_field,
        write_layout,
        write_pdf,
        write_svg,
    )

    width, height = rig.sensor_mm
    if "chart" in order.sheets:
        fields = [
            nested_field(
                magnification_low=rig.magnifications[0],
                magnification_high=rig.magnifications[-1],
                sensor_width_mm=width,
                sensor_height_mm=height,
                name=order.title,
            )
        ]
    else:
        fields = [
            square_field(
                magnification=m, sensor_width_mm=width, sensor_height_mm=height, name=order.title
            )
            for m in rig.magnifications
        ]
    layout = chart_sheet(fields, name=order.title, paper=order.paper)
    page = chart_page(layout)
    about = notes_page(f"{order.title}: before you print", notes, paper=order.paper or "A4")
    write_layout(layout, folder / "target.json")
    write_pdf((page, about), folder / "target.pdf")
    write_svg(page, folder / "target.svg")
    return (*_raster(layout, folder, order), *_mask(layout, folder, order))


def _raster(layout: Layout, folder: Path, order: SheetOrder) -> tuple[str, ...]:
    from targets.raster import write_png, write_tiff

    if order.dpi is None:
        return ()
    report = write_tiff(layout, folder / "target.tif", dpi=order.dpi)
    write_png(layout, folder / "target.png", dpi=order.dpi)
    return report.sentences()


def _mask(layout: Layout, folder: Path, order: SheetOrder) -> tuple[str, ...]:
    from targets.gds import write_gds

    if not order.mask:
        return ()
    report = write_gds(
        layout, folder / "target.gds", polarity=order.polarity or "dark", mirrored=order.mirrored
    )
    return report.sentences()


def _ramp(folder: Path, rig: Rig, order: SheetOrder, _notes: tuple[str, ...]) -> tuple[str, ...]:
    from lab.optics.geometry import depth_of_field, effective_f_number
    from lab.optics.system import DEFAULT_WAVELENGTH_UM, diffraction_mtf50
    from lab.session.stops import exact_stop
    from targets.ramp import ramp_layout, ramp_pages, write_ramp_layout
    from targets.ramp_field import RampWish

    green = DEFAULT_WAVELENGTH_UM["green"]

    def depth_um(m: float, stop: float) -> float:
        f_number = float(effective_f_number(exact_stop(stop), m, rig.pupil_ratio))
        wave, _ = depth_of_field(f_number, m, wavelength_um=green, circle_um=rig.pixel_pitch_um)
        return float(wave)

    def wish(m: float) -> RampWish:
        deepest = float(effective_f_number(exact_stop(rig.marked_stops[-1]), m, rig.pupil_ratio))
        sharp = diffraction_mtf50(
            wavelength_um=green, f_number=deepest, pixel_pitch_um=rig.pixel_pitch_um
        )
        return RampWish(
            magnification=m,
            depth_step_um=max(depth_um(m, rig.marked_stops[0]), _FINEST_TICKS_UM),
            resolution_um=1e3 / (m * sharp),
        )

    layout = ramp_layout(
        [wish(m) for m in rig.magnifications],
        sensor_width_mm=rig.sensor_mm[0],
        sensor_height_mm=rig.sensor_mm[1],
        smallest_line_mm=_SMALLEST_LINE_MM,
        name=order.title,
    )
    write_ramp_layout(layout, folder / "focus-ramp.json")
    _write(ramp_pages(layout, paper=order.paper or "A4"), folder, "focus-ramp")
    return tuple(
        f"At {m:g}x and f/{rig.marked_stops[0]:g} {depth_um(m, rig.marked_stops[0]):.0f} um are "
        f"sharp, less than a tick of {_FINEST_TICKS_UM:.0f} um: the ramp shows where focus lies, "
        "not how deep it is."
        for m in rig.magnifications
        if depth_um(m, rig.marked_stops[0]) < _FINEST_TICKS_UM
    )


def _blade(folder: Path, rig: Rig, order: SheetOrder, notes: tuple[str, ...]) -> tuple[str, ...]:
    from targets.blade_holder import blade_holder_pages, blade_holder_record, write_blade_holder

    holder = blade_holder_record(
        magnification_low=rig.magnifications[0],
        sensor_width_mm=rig.sensor_mm[0],
        sensor_height_mm=rig.sensor_mm[1],
    )
    write_blade_holder(holder, folder / "blade-holder.json")
    pages = blade_holder_pages(holder, notes=notes, paper=order.paper or "A4")
    _write(pages, folder, "blade-holder")
    return ()


def _slates(folder: Path, rig: Rig, order: SheetOrder, _notes: tuple[str, ...]) -> tuple[str, ...]:
    import json

    from targets.files import save_bytes
    from targets.slate_page import slate_page
    from targets.slate_sheet import PRINTER_DPI, slate_pages, slates_record
    from targets.slates import Slate, slate_card

    cards = [
        slate_card(
            Slate(magnification=m, marked_stop=stop, condition=condition, rig=order.name),
            sensor_mm=rig.sensor_mm,
            blur_sigma_object_um=_blur_um(rig, m, stop),
        )
        for condition in order.conditions or (None,)
        for m in rig.magnifications
        for stop in rig.marked_stops
    ]
    save_bytes(slate_page(cards, name=order.title).encode(), folder / "slates.html")
    paper = order.paper or "A4"
    dpi = order.dpi or PRINTER_DPI
    printable = [card for card in cards if _can_be_printed(card, paper, dpi)]
    if printable:
        pages = slate_pages(printable, name=order.title, paper=paper, printer_dpi=dpi)
        _write(pages, folder, "slates")
        record = slates_record(printable, name=order.title, paper=paper, printer_dpi=dpi)
        save_bytes(json.dumps(record, indent=1).encode() + b"\n", folder / "slates.json")
    missing = len(cards) - len(printable)
    remark = (
        f"{missing} of {len(cards)} slates are too fine for a printer of {dpi} dots to the inch "
        "and are on the phone page alone; finer dots (--dpi) or shorter names help.",
    )
    return ("slates.html shows all slates on a phone.", *(remark if missing else ()))


def _can_be_printed(card: SlateCard, paper: str, dpi: int) -> bool:
    from targets import TargetError, slate_pages

    try:
        slate_pages([card], name="", paper=paper, printer_dpi=dpi)
    except TargetError:
        return False
    return True


def _blur_um(rig: Rig, magnification: float, stop: float) -> float:
    from lab.optics.geometry import effective_f_number
    from lab.session.stops import exact_stop
    from lab.session.target_need import focused_edge_um

    return focused_edge_um(
        effective_f_number=float(
            effective_f_number(exact_stop(stop), magnification, rig.pupil_ratio)
        ),
        magnification=magnification,
        pixel_pitch_um=rig.pixel_pitch_um,
    )
