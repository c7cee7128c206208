"""PDF and SVG: size, sides measured in the drawn page, text, bytes, bad names.

PDF pages are drawn by poppler's ``pdftoppm`` and read by ``pdftotext``, SVG by Chromium;
without the first these tests fail rather than pass unseen.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import numpy.typing as npt
import pytest

from targets import Layout, Page, Square, TargetError, pdf_bytes, svg_bytes, write_pdf, write_svg
from targets.legend import chart_page
from targets.page import TEXT_SIZE_MM
from tests.targets.measured import MM_PER_INCH, Side, Window, by_chromium, by_poppler
from tests.targets.print_table import (
    SHEETS,
    in_chromium,
    in_poppler,
    nested,
    paper,
    plate,
    worst,
)

Image = npt.NDArray[np.float64]
SVG = "{http://www.w3.org/2000/svg}"
needs_chromium = pytest.mark.skipif(
    shutil.which("chromium") is None, reason="no chromium to draw the page"
)


def run(*command: str | Path) -> bytes:
    return subprocess.run(list(map(str, command)), check=True, capture_output=True).stdout


def rendered(pdf: Path, dpi: float, box_mm: Sequence[float]) -> Image:
    """Darkness 0 to 1 of a part of the page (left, top, width, height)."""
    left, top, width, height = box_mm
    pixel = MM_PER_INCH / dpi
    window = Window(left=left, top=top, width=width, height=height, pixel=pixel)
    return by_poppler(pdf)([window])[0] / 255


def sheet_left_mm(layout: Layout) -> float:
    return 0.5 * (chart_page(layout).width_mm - layout.sheet_width_mm)


def assert_true_to_size(sides: list[Side]) -> None:
    """10 um in place and length, 0.02 degrees in angle."""
    offset_um, turn_deg, length_um = worst(sides)
    assert offset_um < 10
    assert turn_deg < 0.02
    assert length_um < 10


@pytest.mark.parametrize("layout", [plate(), paper(), nested()], ids=["plate", "paper", "nested"])
def test_every_side_of_every_square_lies_where_the_layout_says(
    layout: Layout, tmp_path: Path
) -> None:
    """Exact, at 1200 dots per inch; small squares finer, or their angles would drown in pixels."""
    page = chart_page(layout)
    write_pdf([page], tmp_path / "target.pdf")
    sides = in_poppler(page, tmp_path / "target.pdf")
    assert_true_to_size(sides)
    squares = [square for field in layout.fields for square in field.squares]
    big = [square for square in squares if square.side_mm >= 0.2]
    assert sum(not side.is_upright for side in sides) == 4 * len(big)
    # All of an edge, not only its worst place; twice as far as drawn here.
    assert max(abs(side.mean_offset_um) for side in sides if not side.is_upright) < 2


@pytest.mark.parametrize("sheet", [name for name in SHEETS if not name.startswith("chart")])
def test_other_sheets_are_true_to_size(sheet: str, tmp_path: Path) -> None:
    """Exact, at 1200 dots per inch or finer: lines, bars, modules that stand free."""
    for page in SHEETS[sheet]():
        write_pdf([page], tmp_path / "sheet.pdf")
        sides = in_poppler(page, tmp_path / "sheet.pdf", most=5)
        assert len(sides) >= 16
        assert_true_to_size(sides)


@needs_chromium
@pytest.mark.parametrize(
    "sheet",
    [
        name if name == "chart, paper" else pytest.param(name, marks=pytest.mark.slow)
        for name in SHEETS
    ],
)
def test_the_svg_in_a_browser_is_true_to_size(sheet: str, tmp_path: Path) -> None:
    """Exact, at 10 um a pixel or finer: some polygons, the first and the last among them."""
    for page in SHEETS[sheet]():
        write_svg(page, tmp_path / "sheet.svg")
        sides = in_chromium(page, tmp_path / "sheet.svg", tmp_path, most=5)
        assert len(sides) >= 16
        assert_true_to_size(sides)


@needs_chromium
def test_page_size_of_the_svg_in_a_browser(tmp_path: Path) -> None:
    """Exact: its lower right corner, where the ground behind begins, to a pixel of 10 um."""
    page = Page(title="blank", width_mm=117.3, height_mm=43.21)
    write_svg(page, tmp_path / "sheet.svg")
    window = Window(left=116.8, top=42.8, width=1.0, height=1.0, pixel=0.01)
    (image,) = by_chromium(tmp_path / "sheet.svg", tmp_path)([window])
    assert image[0, 0] == 0 and image[-1, -1] == 128
    right = window.left + window.pixel * (1 - image[0] / 128).sum()
    bottom = window.top + window.pixel * (1 - image[:, 0] / 128).sum()
    assert (right, bottom) == pytest.approx((page.width_mm, page.height_mm), abs=0.01)


def test_a_wrong_size_and_a_turn_are_found(tmp_path: Path) -> None:
    """Exact: the measure itself, on a square drawn 30 um too large and turned by 0.3 degrees."""
    meant, drawn = (
        Page(
            title="square",
            width_mm=40.0,
            height_mm=30.0,
            shapes_mm=(
                (
                    Square(
                        name="1", centre_mm=(21.3, 13.7), side_mm=side, rotation_deg=rotation
                    ).corners_mm(),
                ),
            ),
        )
        for side, rotation in ((5.0, 7.3), (5.03, 7.6))
    )
    write_pdf([drawn], tmp_path / "sheet.pdf")
    sides = in_poppler(meant, tmp_path / "sheet.pdf")
    assert len(sides) == 4
    for side in sides:
        assert side.mean_offset_um == pytest.approx(15, abs=1.5)
        assert side.turn_deg == pytest.approx(-0.3, abs=0.01)
        assert side.length_error_um == pytest.approx(30, abs=3)


def test_the_rendered_code_is_the_code(plate: Layout, tmp_path: Path) -> None:
    """Exact: modules sampled from the picture equal those of the encoder; no seams inside."""
    import segno

    pdf = tmp_path / "target.pdf"
    write_pdf([chart_page(plate)], pdf)
    field, (x, y) = plate.fields[0], plate.sheet_origins_mm[0]
    points = np.vstack([m.polygon_mm for m in field.marks if m.role == "code"])
    low, high = points.min(0), points.max(0)
    matrix = np.array(segno.make_qr(field.code_text, error="m", boost_error=False).matrix) == 1
    dpi = 25400  # 1 um pixels
    corner = np.array([sheet_left_mm(plate) + x, y]) + low
    image = rendered(pdf, dpi, (*corner, *(high - low)))
    module = (high - low)[0] * dpi / 25.4 / len(matrix)
    centres = ((np.arange(len(matrix)) + 0.5) * module).astype(int)
    assert np.array_equal(image[np.ix_(centres, centres)] > 0.5, matrix)
    finder = image[: int(module - 2), : int(7 * module - 2)]
    assert finder[2:, 2:].min() == 1
    # down the middle of the left bar of the finder: seven rows of modules without a seam
    assert image[2 : int(7 * module - 2), int(module / 2)].min() == 1


@pytest.mark.parametrize("sheet", ["plate", "paper"])
def test_page_size(sheet: str, request: pytest.FixtureRequest, tmp_path: Path) -> None:
    layout: Layout = request.getfixturevalue(sheet)
    pdf = tmp_path / "target.pdf"
    write_pdf([chart_page(layout)], pdf)
    found = re.search(rb"Page size: +([\d.]+) x ([\d.]+) pts", run("pdfinfo", pdf))
    assert found is not None
    size_mm = [float(v) / 72 * 25.4 for v in found.groups()]
    page = chart_page(layout)
    assert size_mm == pytest.approx([page.width_mm, page.height_mm], abs=0.001)
    if sheet == "paper":
        assert size_mm == pytest.approx([210, 297], abs=0.001)
    else:
        assert size_mm[0] == pytest.approx(120, abs=0.001)


@pytest.mark.parametrize(
    "name",
    ["Club (plate) \\ 2", "W" * 200, "m" * 61, "Œ@ — " * 30, "x"],
)
def test_legend_lines_are_whole_apart_and_on_the_page(
    plate: Layout, name: str, tmp_path: Path
) -> None:
    """Every word is found again, inside the margins, and no two lines or fields overlap."""
    layout = replace(plate, name=name)
    pdf = tmp_path / "target.pdf"
    write_pdf([chart_page(layout)], pdf)
    page = chart_page(layout)
    html = run("pdftotext", "-bbox", pdf, "-").decode()
    pattern = r'<word xMin="(.*?)" yMin="(.*?)" xMax="(.*?)" yMax="(.*?)">(.*?)</word>'
    words = re.findall(pattern, html)
    wanted = " ".join(text.text for text in page.texts).split()
    entities = {"&quot;": '"', "&apos;": "'", "&#39;": "'", "&amp;": "&"}
    found = [word[4] for word in words]
    for entity, letter in entities.items():
        found = [word.replace(entity, letter) for word in found]
    assert sorted(found) == sorted(wanted)
    box_mm = np.array([[float(v) for v in word[:4]] for word in words]) / 72 * 25.4
    assert box_mm[:, 0].min() >= 10 - 0.01
    assert box_mm[:, 2].max() <= page.width_mm - 10 + 0.01
    assert box_mm[:, 1].min() > plate.sheet_height_mm
    assert box_mm[:, 3].max() < page.height_mm - 5
    baselines = sorted({text.at_mm[1] for text in page.texts})
    assert len(baselines) == len(page.texts)
    assert np.diff(baselines).min() > 1.2 * TEXT_SIZE_MM


@pytest.mark.parametrize("sheet", ["plate", "paper"])
def test_the_legend_says_what_the_sheet_is_and_what_serves(
    sheet: str, request: pytest.FixtureRequest
) -> None:
    layout: Layout = request.getfixturevalue(sheet)
    said = " ".join(text.text for text in chart_page(layout).texts)
    assert layout.name in said
    for field in layout.fields:
        assert f"{field.magnification_low:g}x: {field.width_mm:.4g} x" in said
    for words in ("Paper is not sharp enough", "film for the lowest", "chrome on glass"):
        assert words in said


@pytest.mark.parametrize("sheet", ["plate", "paper"])
def test_the_line_of_10_mm_is_10_mm_long(
    sheet: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    """Exact: within 10 um, though it is alone in its path, drawn at 1200 dots per inch."""
    layout: Layout = request.getfixturevalue(sheet)
    page = chart_page(layout)
    ((x0, _), (x1, _), *_) = page.shapes_mm[-1][0]
    assert x1 - x0 == pytest.approx(10, abs=1e-9)
    write_pdf([page], tmp_path / "target.pdf")
    sides = in_poppler(page, tmp_path / "target.pdf", most=2)
    line = [side for side in sides if side.group == len(page.shapes_mm) - 1]
    assert len(line) == 4
    assert_true_to_size(line)
    assert max(side.length_mm for side in line) == pytest.approx(10, abs=1e-9)


def test_svg_read_back_is_the_layout(plate: Layout, tmp_path: Path) -> None:
    """Exact: every polygon, in order, to 0.1 um, in a drawing whose unit is 1 mm."""
    path = tmp_path / "target.svg"
    write_svg(chart_page(plate), path)
    root = ElementTree.parse(path).getroot()
    page = chart_page(plate)
    assert root.attrib["width"] == f"{page.width_mm:.6f}mm"
    assert root.attrib["height"] == f"{page.height_mm:.6f}mm"
    assert root.attrib["viewBox"] == f"0 0 {page.width_mm:.6f} {page.height_mm:.6f}"
    paths = root.findall(f"{SVG}path")
    assert len(paths) == len(plate.fields) + 1
    left = sheet_left_mm(plate)
    for drawn, field, (x0, y0) in zip(paths, plate.fields, plate.sheet_origins_mm, strict=False):
        subpaths = drawn.attrib["d"].split("Z")[:-1]
        outlines = [s.corners_mm() for s in field.squares] + [m.polygon_mm for m in field.marks]
        assert len(subpaths) == len(outlines)
        for subpath, outline in zip(subpaths, outlines, strict=True):
            points = [[float(v) for v in p.split(",")] for p in subpath.strip("M ").split(" L")]
            assert np.array(points) == pytest.approx(np.array(outline) + [left + x0, y0], abs=1e-4)
    assert [t.text for t in root.findall(f"{SVG}text")] == [t.text for t in page.texts]


def test_files_depend_on_the_layout_alone(plate: Layout, paper: Layout, tmp_path: Path) -> None:
    """The same layout gives the same bytes, another one other bytes; files hold just them."""
    one, same, other = map(chart_page, (plate, replace(plate), paper))
    write_pdf([one], tmp_path / "pdf")
    write_svg(one, tmp_path / "svg")
    pdf, svg = pdf_bytes([one]), svg_bytes(one)
    assert pdf == pdf_bytes([same]) != pdf_bytes([other])
    assert svg == svg_bytes(same) != svg_bytes(other)
    assert ((tmp_path / "pdf").read_bytes(), (tmp_path / "svg").read_bytes()) == (pdf, svg)
    assert not re.search(rb"20[0-9][0-9]-|CreationDate|/ID", pdf + svg)


def test_names_with_markup_stay_text(plate: Layout) -> None:
    layout = replace(plate, name="</title><script>&")
    root = ElementTree.fromstring(svg_bytes(chart_page(layout)))
    title = root.find(f"{SVG}title")
    assert title is not None and title.text == "</title><script>&"
    assert root.find(f".//{SVG}script") is None


def test_a_name_that_helvetica_cannot_print_is_refused(plate: Layout) -> None:
    with pytest.raises(TargetError, match=r"holds '石'.*Use Latin letters"):
        pdf_bytes([chart_page(replace(plate, name="石 club"))])


def test_no_folder_to_write_to(plate: Layout, tmp_path: Path) -> None:
    with pytest.raises(TargetError, match="cannot be written"):
        write_pdf([chart_page(plate)], tmp_path / "absent" / "file")
    with pytest.raises(TargetError, match="cannot be written"):
        write_svg(chart_page(plate), tmp_path / "absent" / "file")
