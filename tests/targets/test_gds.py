"""GDSII: read back by its writer's library and by another, polarity, mirror, order, bad input.

The second reader is imported in the tests marked ``mask_check`` alone.
"""

from __future__ import annotations

import builtins
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from targets import Layout, Mark, Square, TargetError, chart_sheet
from targets.gds import write_gds
from targets.nested import nested_field

gdstk = pytest.importorskip("gdstk")

Points = npt.NDArray[np.float64]
TENTHS = 10  # of a nanometre: the grid on which what should be is compared with what is


@pytest.fixture(scope="session")
def nested() -> Layout:
    field = nested_field(
        magnification_low=1.4,
        magnification_high=3,
        sensor_width_mm=23.5,
        sensor_height_mm=15.6,
        name="club",
    )
    return chart_sheet([field], name="Club 1.4-3x: mask!")


def wanted_mm(layout: Layout, *, mirrored: bool) -> list[Points]:
    """Dark shapes with y upwards from the sheet's lower left corner."""
    found = []
    for field, origin in zip(layout.fields, layout.sheet_origins_mm, strict=True):
        for polygon in field.polygons_mm():
            x, y = (np.array(polygon) + origin).T
            x = layout.sheet_width_mm - x if mirrored else x
            found.append(np.column_stack([x, layout.sheet_height_mm - y]))
    return found


def read_nm(path: Path) -> list[Points]:
    library = gdstk.read_gds(path)
    (cell,) = library.cells
    return [np.array(polygon.points) * library.unit * 1e9 for polygon in cell.polygons]


@pytest.mark.parametrize("mirrored", [False, True])
def test_dark_polygons_are_those_of_the_layout(
    nested: Layout, mirrored: bool, tmp_path: Path
) -> None:
    """Exact: in their order, corner by corner, to half a nanometre; all on the grid."""
    report = write_gds(nested, tmp_path / "mask.gds", mirrored=mirrored)
    found, wanted = read_nm(tmp_path / "mask.gds"), wanted_mm(nested, mirrored=mirrored)
    assert len(found) == len(wanted) == report.polygons
    for nm, mm in zip(found, wanted, strict=True):
        assert nm.shape == mm.shape
        assert np.abs(nm - np.round(nm)).max() < 1e-3
        assert np.abs(nm - 1e6 * mm).max() < 0.501


@pytest.mark.parametrize("polarity", ["dark", "clear"])
def test_the_report_says_what_the_file_holds(nested: Layout, polarity: str, tmp_path: Path) -> None:
    report = write_gds(nested, tmp_path / "mask.gds", polarity=polarity, layer=7, datatype=3)
    library = gdstk.read_gds(tmp_path / "mask.gds")
    (cell,) = library.cells
    assert (library.unit, library.precision) == (1e-6, 1e-9)
    assert cell.name == report.cell == "Club_1_4_3x__mask_"
    assert len(cell.polygons) == report.polygons
    assert max(polygon.size for polygon in cell.polygons) == report.corners_max <= 199
    assert {(p.layer, p.datatype) for p in cell.polygons} == {(7, 3)}
    assert not cell.paths and not cell.labels and not cell.references
    assert (report.layer, report.datatype, report.grid_nm) == (7, 3, 1.0)
    assert (report.polarity, report.mirrored) == (polarity, False)
    assert (report.width_mm, report.height_mm) == (nested.sheet_width_mm, nested.sheet_height_mm)


def test_the_smallest_feature(nested: Layout, plate: Layout, tmp_path: Path) -> None:
    """Exact: a module of the finest code; where there is none, the turned square's side."""
    heights = [
        np.ptp([y for _, y in mark.polygon_mm])
        for field in plate.fields
        for mark in field.marks
        if mark.role == "code"
    ]
    report = write_gds(plate, tmp_path / "mask.gds")
    assert report.smallest_feature_um == pytest.approx(1000 * min(heights), abs=0.001)
    square = Square(name="1", centre_mm=(0.1, -0.2), side_mm=0.4321, rotation_deg=31.7)
    field = replace(nested.fields[0], squares=(square,), marks=())
    report = write_gds(replace(nested, fields=(field,)), tmp_path / "mask.gds")
    assert report.smallest_feature_um == pytest.approx(432.1, abs=0.002)


def test_areas_of_both_polarities_make_up_the_sheet(nested: Layout, tmp_path: Path) -> None:
    """Exact to the grid: shoelace areas of all polygons, which do not overlap."""
    areas = {}
    for polarity in ("dark", "clear"):
        write_gds(nested, tmp_path / "mask.gds", polarity=polarity)
        areas[polarity] = sum(
            0.5 * abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
            for x, y in (points.T for points in read_nm(tmp_path / "mask.gds"))
        )
    sheet = nested.sheet_width_mm * nested.sheet_height_mm * 1e12
    assert sum(areas.values()) == pytest.approx(sheet, rel=1e-9)
    squares = sum(square.side_mm**2 for square in nested.fields[0].squares)
    assert squares * 1e12 < areas["dark"] < 1.5 * squares * 1e12


@pytest.mark.mask_check
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("polarity", ["dark", "clear"])
@pytest.mark.parametrize("sheet", ["nested", "plate"])
def test_a_second_reader_finds_the_layout(
    sheet: str, polarity: str, mirrored: bool, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    """Exact: what differs from the layout (XOR) is nowhere as wide as a nanometre."""
    kdb = pytest.importorskip("klayout.db")
    layout: Layout = request.getfixturevalue(sheet)
    report = write_gds(layout, tmp_path / "mask.gds", polarity=polarity, mirrored=mirrored)
    file = kdb.Layout()
    file.read(str(tmp_path / "mask.gds"))
    assert file.dbu == 0.001
    (cell,) = file.top_cells()
    (layer,) = file.layer_infos()
    assert (cell.name, layer.layer, layer.datatype) == (report.cell, 1, 0)
    region = kdb.Region(cell.begin_shapes_rec(file.layer(layer)))
    assert region.count() == report.polygons

    def on_tenths(points_mm: Points) -> Any:
        return kdb.Polygon([kdb.Point(*map(round, p * 1e6 * TENTHS)) for p in points_mm])

    found = kdb.Region([polygon.transformed(kdb.ICplxTrans(TENTHS)) for polygon in region.each()])
    dark = kdb.Region([on_tenths(points) for points in wanted_mm(layout, mirrored=mirrored)])
    size = np.array([layout.sheet_width_mm, layout.sheet_height_mm])
    sheet_mm = np.array([(0, 0), (0, 1), (1, 1), (1, 0)]) * size
    wanted = dark if polarity == "dark" else kdb.Region(on_tenths(sheet_mm)) - dark
    assert found.merged().area() == pytest.approx(wanted.merged().area(), rel=1e-6)
    different = found ^ wanted
    assert different.sized(-TENTHS // 2).is_empty()
    # The measure itself: moved by 2 nm, the same shapes differ.
    assert not (found.moved(2 * TENTHS, 0) ^ wanted).sized(-TENTHS // 2).is_empty()


@pytest.mark.mask_check
def test_dark_and_clear_are_each_other_s_complement(nested: Layout, tmp_path: Path) -> None:
    """Exact, to the last nanometre: together they fill the sheet, and share nothing."""
    kdb = pytest.importorskip("klayout.db")
    regions = []
    for polarity in ("dark", "clear"):
        write_gds(nested, tmp_path / "mask.gds", polarity=polarity)
        file = kdb.Layout()
        file.read(str(tmp_path / "mask.gds"))
        # merged: a copy, as the region itself lives with its file
        regions.append(kdb.Region(file.top_cell().begin_shapes_rec(file.layer(1, 0))).merged())
    dark, clear = regions
    assert not dark.is_empty() and not clear.is_empty()
    width, height = (round(v * 1e6) for v in (nested.sheet_width_mm, nested.sheet_height_mm))
    assert (dark & clear).is_empty()
    assert ((dark + clear) ^ kdb.Region(kdb.Box(0, 0, width, height))).is_empty()


def test_shapes_whose_boxes_overlap(nested: Layout, tmp_path: Path) -> None:
    """Exact: the clear ground beside slanted neighbours, where each box holds two shapes."""
    squares = tuple(
        Square(name=str(i), centre_mm=(0.93 * i, 0.71 * i), side_mm=1.0, rotation_deg=39.0)
        for i in range(3)
    )
    bar = Mark(role="scale", polygon_mm=((-2, -1), (3, -1), (3, -0.9), (-2, -0.9)))
    field = replace(nested.fields[0], squares=squares, marks=(bar,))
    layout = replace(nested, fields=(field,))
    write_gds(layout, tmp_path / "mask.gds", polarity="clear")
    clear = [p / 1000 for p in read_nm(tmp_path / "mask.gds")]
    dark = [p * 1000 for p in wanted_mm(layout, mirrored=False)]
    shared = gdstk.boolean(
        [gdstk.Polygon(p) for p in clear], [gdstk.Polygon(p) for p in dark], "and"
    )
    united = gdstk.boolean(
        [gdstk.Polygon(p) for p in clear], [gdstk.Polygon(p) for p in dark], "or"
    )
    # A nanometre along all sides, 22 mm, is 22 um^2.
    assert sum(p.area() for p in shared) < 22
    sheet_um2 = layout.sheet_width_mm * layout.sheet_height_mm * 1e6
    assert sum(p.area() for p in united) == pytest.approx(sheet_um2, abs=22)


def test_files_depend_on_the_arguments_alone(plate: Layout, tmp_path: Path) -> None:
    contents = []
    for polarity in ("dark", "dark", "clear", "clear"):
        write_gds(plate, tmp_path / "mask.gds", polarity=polarity)
        contents.append((tmp_path / "mask.gds").read_bytes())
    assert contents[0] == contents[1] != contents[2] == contents[3]


def test_a_polygon_with_too_many_corners_is_split(nested: Layout, tmp_path: Path) -> None:
    """Exact: a disc of 500 corners keeps its area, to a nanometre along its outline."""
    turns = 2 * np.pi * np.arange(500) / 500
    points = np.column_stack([np.cos(turns), np.sin(turns)]) * 1.7
    disc = Mark(role="orientation", polygon_mm=tuple(map(tuple, points.tolist())))
    field = replace(nested.fields[0], squares=(), marks=(disc,))
    report = write_gds(replace(nested, fields=(field,)), tmp_path / "mask.gds")
    assert report.polygons > 1
    assert report.corners_max <= 199
    area_nm2 = sum(gdstk.Polygon(p).area() for p in read_nm(tmp_path / "mask.gds"))
    exact_mm2 = 250 * np.sin(2 * np.pi / 500) * 1.7**2
    assert area_nm2 == pytest.approx(exact_mm2 * 1e12, abs=2 * np.pi * 1.7e6)


def test_the_order_in_words(plate: Layout, tmp_path: Path) -> None:
    def said(**options: Any) -> str:
        return " ".join(write_gds(plate, tmp_path / "mask.gds", **options).sentences())

    plain, clear, mirrored = said(), said(polarity="clear"), said(mirrored=True)
    for text in (plain, clear, mirrored):
        for words in ("layer 1, datatype 0", "grid 1 nm", "Smallest dark feature", "polygons"):
            assert words in text
    assert "Drawn shapes are dark (chrome), all else is clear" in plain
    assert "Not mirrored, for chrome up" in plain
    assert "Drawn shapes are clear, all else is dark (chrome)" in clear
    assert "x is reversed for chrome down" in mirrored
    assert "Do not mirror it again" in mirrored
    assert re.search(r"Sheet [\d.]+ x [\d.]+ mm", plain)


def test_without_the_library(
    plate: Layout, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name == "gdstk":
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(TargetError, match=r"needs the package gdstk.*'stopwise\[mask\]'"):
        write_gds(plate, tmp_path / "mask.gds")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"polarity": "bright"}, "polarity"),
        ({"layer": 256}, "layer and datatype"),
        ({"datatype": -1}, "layer and datatype"),
        ({"layer": 1.0}, "layer and datatype"),
        ({"datatype": True}, "layer and datatype"),
    ],
)
def test_arguments_outside_their_range(
    plate: Layout, options: dict[str, Any], words: str, tmp_path: Path
) -> None:
    with pytest.raises(ValueError, match=words):
        write_gds(plate, tmp_path / "mask.gds", **options)


def test_a_sheet_that_coordinates_cannot_span(plate: Layout, tmp_path: Path) -> None:
    with pytest.raises(TargetError, match=r"is 2001 mm long.*smaller sheet"):
        write_gds(replace(plate, sheet_height_mm=2001.0), tmp_path / "mask.gds")


def test_no_folder_to_write_to(plate: Layout, tmp_path: Path) -> None:
    with pytest.raises(TargetError, match="cannot be written"):
        write_gds(plate, tmp_path / "absent" / "mask.gds")
