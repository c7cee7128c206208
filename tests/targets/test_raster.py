"""1-bit images: dots against exact shapes, whole-dot codes and bars, files, limits, bad input."""

from __future__ import annotations

import math
import struct
import tracemalloc
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import tifffile
from PIL import Image as PillowImage

from targets import Layout, Mark, Square, TargetError, chart_sheet, square_field
from targets.raster import RasterReport, write_png, write_tiff
from tests.targets.measured import MM_PER_INCH, by_dots, measured
from tests.targets.print_table import ramp, sheet_page, worst

Dots = npt.NDArray[np.bool_]


@pytest.fixture(scope="session")
def film() -> Layout:
    """One field of 27.7 x 18.5 mm on a sheet as small as it can be."""
    field = square_field(magnification=1.3, sensor_width_mm=36, sensor_height_mm=24, name="club")
    return chart_sheet([field], name="Club on film")


def dots_of(layout: Layout, dpi: int, folder: Path) -> tuple[Dots, RasterReport]:
    report = write_tiff(layout, folder / "sheet.tif", dpi=dpi)
    dots: Dots = tifffile.imread(folder / "sheet.tif")
    assert dots.shape == (report.height_dots, report.width_dots)
    return dots, report


def with_marks(layout: Layout, *marks: Mark, squares: tuple[Square, ...] = ()) -> Layout:
    """The first field alone, with these shapes instead of its own."""
    field = replace(layout.fields[0], squares=squares, marks=marks)
    return replace(layout, fields=(field,), sheet_origins_mm=layout.sheet_origins_mm[:1])


def upright(role: str, left: float, top: float, width: float, height: float) -> Mark:
    right, bottom = left + width, top + height
    return Mark(role=role, polygon_mm=((left, top), (right, top), (right, bottom), (left, bottom)))


@pytest.mark.parametrize("dpi", [900, 1441])
def test_a_dot_is_dark_where_its_centre_is_in_a_square(
    film: Layout, dpi: int, tmp_path: Path
) -> None:
    """Exact: signs of the distances of all centres from the four sides of each square."""
    field, origin = film.fields[0], np.array(film.sheet_origins_mm[0])
    dots, _ = dots_of(replace(film, fields=(replace(field, marks=()),)), dpi, tmp_path)
    pitch = MM_PER_INCH / dpi
    x = (np.arange(dots.shape[1]) + 0.5) * pitch - origin[0]
    y = (np.arange(dots.shape[0]) + 0.5) * pitch - origin[1]
    dark = np.zeros(dots.shape, bool)
    for square in field.squares:
        turn = math.radians(square.rotation_deg)
        u, v = x - square.centre_mm[0], y[:, None] - square.centre_mm[1]
        along = u * math.cos(turn) + v * math.sin(turn)
        across = v * math.cos(turn) - u * math.sin(turn)
        dark |= np.maximum(abs(along), abs(across)) < 0.5 * square.side_mm
    assert dark.sum() > 100_000
    assert np.array_equal(dots, dark)


@pytest.mark.parametrize("dpi", [6300, 11_000])
def test_edges_lie_in_place_and_their_stairs_are_as_reported(
    plate: Layout, dpi: int, tmp_path: Path
) -> None:
    """Exact: 0.1 pitch in place; no stair beyond the bound; scatter of pitch / sqrt(12)."""
    report = write_tiff(plate, tmp_path / "sheet.tif", dpi=dpi)
    sides = measured(
        sheet_page(plate),
        by_dots(tmp_path / "sheet.tif", dpi),
        pixel_mm=MM_PER_INCH / dpi,
        pixels_per_side=1,
        least_mm=0.2,
    )
    sides = [side for side in sides if not side.is_upright]
    assert len(sides) == 4 * 45
    assert report.pitch_um == pytest.approx(25_400 / dpi)
    assert max(abs(side.mean_offset_um) for side in sides) < 0.1 * report.pitch_um
    assert worst(sides)[0] < report.edge_displacement_max_um < 0.71 * report.pitch_um
    scatter = np.mean([side.offset_std_um for side in sides])
    assert scatter == pytest.approx(report.staircase_std_um, rel=0.03)


@pytest.mark.parametrize(("dpi", "module"), [(720, 2), (1200, 4), (2540, 8)])
def test_all_modules_of_a_code_have_one_size(
    film: Layout, dpi: int, module: int, tmp_path: Path
) -> None:
    """Exact: 2.39, 3.98 and 8.42 dots a module become whole, about the code's middle."""
    import segno

    dots, report = dots_of(film, dpi, tmp_path)
    field, origin = film.fields[0], np.array(film.sheet_origins_mm[0])
    bars = np.vstack([mark.polygon_mm for mark in field.marks if mark.role == "code"])
    middle = 0.5 * (bars.min(axis=0) + bars.max(axis=0)) + origin
    matrix = np.array(segno.make_qr(field.code_text, error="m", boost_error=False).matrix) == 1
    wanted = np.kron(matrix, np.ones((module, module), bool))
    assert report.module_dots == module
    left, top = np.floor(middle * dpi / MM_PER_INCH - 0.5 * wanted.shape[0] + 0.5).astype(int)
    size = wanted.shape[0]
    found = dots[top - 3 : top + size + 3, left - 3 : left + size + 3]
    assert np.array_equal(found, np.pad(wanted, 3))
    # The farthest corner moves by the code's shrinking and by up to half a dot, both ways.
    shrunk = 0.5 * abs(np.ptp(bars[:, 0]) * dpi / MM_PER_INCH - size)
    assert report.mark_displacement_max_um <= (shrunk + 0.5) * math.sqrt(2) * report.pitch_um + 1
    assert report.mark_displacement_max_um >= shrunk * math.sqrt(2) * report.pitch_um


def test_bars_keep_their_size_to_half_a_dot(plate: Layout, tmp_path: Path) -> None:
    """Exact, in dots of 1 / 10 mm: equal bars stay equal, wherever they stand."""
    bars = [upright("scale", -1.7 + 0.631 * i, -0.5, 0.237, 1.46) for i in range(6)]
    dots, report = dots_of(with_marks(plate, *bars), 254, tmp_path)
    rows = np.flatnonzero(dots.any(axis=1))
    assert len(rows) == 15
    change = np.diff(np.pad(dots[rows[0]].astype(int), 1))
    starts, stops = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
    assert np.array_equal(stops - starts, np.full(6, 2))
    x = plate.sheet_origins_mm[0][0]
    middles = 10 * (x - 1.7 + 0.631 * np.arange(6) + 0.5 * 0.237)
    assert np.abs(0.5 * (starts + stops) - middles).max() <= 0.5 + 1e-9
    assert 0 < report.mark_displacement_max_um < 100
    assert (report.module_dots, report.steps_min) == (0, 0.0)
    assert "steps" not in " ".join(report.sentences())


def test_shapes_that_abut_stay_together(plate: Layout, tmp_path: Path) -> None:
    """Exact: letters of rectangles show no seam and no dot is theirs twice."""
    parts = [upright("text", -1.0 + 0.137 * i, -0.4, 0.137, 0.777) for i in range(9)]
    whole = upright("text", -1.0, -0.4, 9 * 0.137, 0.777)
    found, _ = dots_of(with_marks(plate, *parts), 1200, tmp_path)
    wanted, _ = dots_of(with_marks(plate, whole), 1200, tmp_path)
    assert np.array_equal(found, wanted)
    assert found.any()


def test_the_sheet_of_a_ramp(tmp_path: Path) -> None:
    """Exact: every tick and bar of one width in mm has one width in dots."""
    sheet = ramp().sheet
    dots, report = dots_of(sheet, 2540, tmp_path)  # 10 um a dot
    field, (x, y) = sheet.fields[0], sheet.sheet_origins_mm[0]
    widths: dict[float, set[int]] = {}
    for mark in field.marks:
        if mark.role == "scale":
            low, high = np.min(mark.polygon_mm, axis=0), np.max(mark.polygon_mm, axis=0)
            row = round((y + 0.5 * (low[1] + high[1])) * 100)
            middle = math.floor((x + 0.5 * (low[0] + high[0])) * 100)
            assert dots[row, middle]
            left = np.argmin(dots[row, middle::-1])  # dots from the middle to the clear
            right = np.argmin(dots[row, middle:])
            widths.setdefault(round(high[0] - low[0], 4), set()).add(int(left + right - 1))
    assert len(widths) >= 2
    for width_mm, found in widths.items():
        assert found == {math.floor(width_mm * 100 + 0.5)}
    assert report.mark_displacement_max_um < 2 * report.pitch_um


def test_the_sheet_grows_to_whole_dots(plate: Layout, tmp_path: Path) -> None:
    """Exact: 300 dpi are 11.811 dots a mm; a length of just 177 dots gets none more."""
    layout = with_marks(plate, upright("text", 0, 0, 1, 1))
    layout = replace(layout, sheet_width_mm=177 * 25.4 / 300, sheet_height_mm=12.01)
    _, report = dots_of(layout, 300, tmp_path)
    assert (report.width_dots, report.height_dots) == (177, 142)


@pytest.mark.parametrize("dpi", [1200, 2540])
def test_tiff_and_png_hold_the_same_dots_and_the_resolution(
    film: Layout, dpi: int, tmp_path: Path
) -> None:
    """Two readers each; the resolution is exact in TIFF, in PNG to half a dot a metre."""
    dots, report = dots_of(film, dpi, tmp_path)
    assert write_png(film, tmp_path / "sheet.png", dpi=dpi) == report
    with PillowImage.open(tmp_path / "sheet.tif") as tiff:
        assert tiff.mode == "1"
        assert tiff.info["dpi"] == (dpi, dpi)
        assert np.array_equal(np.asarray(tiff), ~dots)
    with PillowImage.open(tmp_path / "sheet.png") as png:
        assert png.mode == "1"
        assert np.array_equal(np.asarray(png), ~dots)
    with tifffile.TiffFile(tmp_path / "sheet.tif") as file:
        (tags,) = [page.tags for page in file.pages]
        assert (tags["XResolution"].value, tags["YResolution"].value) == ((dpi, 1), (dpi, 1))
        assert (tags["ResolutionUnit"].value, tags["BitsPerSample"].value) == (2, 1)
        # What tags point to begins at an even byte.
        assert file.pages[0].offset % 2 == 0
        assert all(tag.valueoffset % 2 == 0 for tag in tags)
    content = (tmp_path / "sheet.png").read_bytes()
    at = content.index(b"pHYs")
    x, y, unit = struct.unpack(">IIB", content[at + 4 : at + 13])
    assert (x, y, unit) == (round(dpi / 0.0254), round(dpi / 0.0254), 1)
    # Each chunk's check is right, to the file's last byte.
    place = 8
    while place < len(content):
        (length,) = struct.unpack(">I", content[place : place + 4])
        body = content[place + 4 : place + 8 + length]
        check = content[place + 8 + length : place + 12 + length]
        assert zlib.crc32(body) == int.from_bytes(check)
        place += 12 + length
    assert body == b"IEND"


def test_files_depend_on_the_layout_alone(plate: Layout, tmp_path: Path) -> None:
    for write, names in ((write_tiff, ("a.tif", "b.tif")), (write_png, ("a.png", "b.png"))):
        for name in names:
            write(plate, tmp_path / name, dpi=6350)
        one, other = ((tmp_path / name).read_bytes() for name in names)
        assert one == other


def test_memory_does_not_grow_with_the_image(paper: Layout, tmp_path: Path) -> None:
    """139 million dots, 17 MB packed, take some MB."""
    tracemalloc.start()
    report = write_tiff(paper, tmp_path / "sheet.tif", dpi=1200)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert report.width_dots * report.height_dots > 139e6
    assert peak < 12e6


def test_dots_too_coarse_for_the_angle(plate: Layout, tmp_path: Path) -> None:
    """Exact: side x sin(4.2 degrees) over the pitch; the dpi that is named is just enough."""
    field = plate.fields[0]
    squares = (replace(field.squares[0], rotation_deg=94.3, side_mm=0.51),)
    layout = with_marks(plate, squares=squares)
    rise_um = 510 * math.sin(math.radians(4.3))
    assert rise_um == pytest.approx(38.24, abs=0.005)
    enough = math.ceil(4 * 25_400 / rise_um)
    place = rf"{field.name}, square 1: an edge makes 2.3 steps at 1500 dpi \(limit 4\)"
    with pytest.raises(TargetError, match=rf"{place}.*Take {enough} dpi or more"):
        write_tiff(layout, tmp_path / "sheet.tif", dpi=1500)
    with pytest.raises(TargetError, match="steps"):
        write_png(layout, tmp_path / "sheet.png", dpi=enough - 1)
    assert not list(tmp_path.iterdir())
    assert write_tiff(layout, tmp_path / "sheet.tif", dpi=enough).steps_min >= 4


def test_dots_too_coarse_for_a_code(plate: Layout, tmp_path: Path) -> None:
    """Exact: two dots a module, of which 1.02 may be stretched; all fields count."""
    with pytest.raises(TargetError, match=r"club 3x, .*Take (\d+) dpi") as caught:
        write_tiff(plate, tmp_path / "sheet.tif", dpi=1200)
    dpi = int(str(caught.value).split("Take ")[1].split()[0])
    assert write_tiff(plate, tmp_path / "sheet.tif", dpi=dpi).module_dots == 2
    with pytest.raises(TargetError, match=r"a module is .* dots wide"):
        write_tiff(plate, tmp_path / "sheet.tif", dpi=dpi - 1)


def test_dots_too_coarse_for_a_bar(plate: Layout, tmp_path: Path) -> None:
    layout = with_marks(plate, upright("scale", 0.1, 0.2, 0.05, 1.3))
    with pytest.raises(TargetError, match=r"scale: a bar is 1.2 dots wide.*Take 1016 dpi"):
        write_tiff(layout, tmp_path / "sheet.tif", dpi=600)


def test_a_square_that_is_not_turned_has_no_angle(plate: Layout, tmp_path: Path) -> None:
    square = replace(plate.fields[0].squares[0], rotation_deg=90.0)
    with pytest.raises(TargetError, match=r"square 1: is not turned.*slanted squares"):
        write_tiff(with_marks(plate, squares=(square,)), tmp_path / "sheet.tif", dpi=1200)


def test_too_many_dots(paper: Layout, tmp_path: Path) -> None:
    """Exact: 4 billion dots on 210 x 297 mm are 6432 dpi; what is named lies just below."""
    most = math.sqrt(4e9 / (210 * 297)) * MM_PER_INCH
    assert most == pytest.approx(6432.5, abs=0.1)
    with pytest.raises(TargetError, match=r"9\.7 billion dots \(limit 4\)") as caught:
        write_png(paper, tmp_path / "sheet.png", dpi=10_000)
    named = int(str(caught.value).split("at most ")[1].split()[0])
    assert 0.998 * most < named < most


@pytest.mark.parametrize("dpi", [0, -600, 1200.0, True])
def test_dpi_is_a_whole_number_above_zero(film: Layout, dpi: int, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="whole number > 0"):
        write_tiff(film, tmp_path / "sheet.tif", dpi=dpi)


def test_no_folder_to_write_to(film: Layout, tmp_path: Path) -> None:
    for write in (write_tiff, write_png):
        with pytest.raises(TargetError, match="cannot be written"):
            write(film, tmp_path / "absent" / "file", dpi=1200)


def test_the_report_in_words(film: Layout, tmp_path: Path) -> None:
    report = write_tiff(film, tmp_path / "sheet.tif", dpi=1200)
    said = " ".join(report.sentences())
    for words in (
        "1701 x 1265 dots at 1200 dpi, 21.17 um a dot",
        "never scaled",
        "6.1 um standard deviation",
        "with 9 steps or more",
        "A code module is 4 dots wide",
    ):
        assert words in said
