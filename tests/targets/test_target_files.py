"""PDF and SVG: size, edges measured in the rendered page, text, bytes, bad names.

PDF pages are rendered by poppler's ``pdftoppm`` and read by ``pdftotext``;
without them these tests fail rather than pass unseen.
"""

from __future__ import annotations

import math
import re
import subprocess
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import numpy.typing as npt
import pytest

from targets import Layout, TargetError, pdf_bytes, svg_bytes, write_pdf, write_svg
from targets.legend import chart_page
from targets.page import TEXT_SIZE_MM

Image = npt.NDArray[np.float64]
DPI = 2540  # 10 um pixels
PIXEL_MM = 25.4 / DPI
SVG = "{http://www.w3.org/2000/svg}"


def run(*command: str | Path) -> bytes:
    return subprocess.run(list(map(str, command)), check=True, capture_output=True).stdout


def rendered(pdf: Path, dpi: float, box_mm: tuple[float, float, float, float]) -> Image:
    """Darkness 0 to 1 of a part of the page (left, top, width, height)."""
    x, y, width, height = (str(round(v / 25.4 * dpi)) for v in box_mm)
    cut = ("-x", x, "-y", y, "-W", width, "-H", height)
    pgm = run("pdftoppm", "-gray", "-r", f"{dpi:g}", *cut, pdf)
    header = re.match(rb"P5\n(\d+) (\d+)\n255\n", pgm)
    assert header is not None
    pixels = np.frombuffer(pgm[header.end() :], np.uint8)
    return 1 - pixels.reshape(int(header[2]), int(header[1])) / 255


def sheet_left_mm(layout: Layout) -> float:
    return 0.5 * (chart_page(layout).width_mm - layout.sheet_width_mm)


def edge_offsets_px(
    image: Image, start: npt.NDArray[np.float64], end: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Where the edge lies, beyond the line from start to end, at places along it.

    Scans run along whole rows or columns from inside to outside; the darkness
    summed along a scan is the length of its dark part. Points are (x, y) in
    pixels, with pixel 0 covering 0 to 1.
    """
    along = end - start
    if abs(along[0]) < abs(along[1]):  # steep: swap axes, so that scans run down columns
        image, start, end = image.T, start[::-1], end[::-1]
    x0, x1 = sorted((start[0], end[0]))
    columns = np.arange(math.ceil(x0 + 0.2 * (x1 - x0)), math.floor(x1 - 0.2 * (x1 - x0)))
    slope = (end[1] - start[1]) / (end[0] - start[0])
    wanted = start[1] + slope * (columns + 0.5 - start[0])
    reach = round(0.15 * (x1 - x0))
    first = np.floor(wanted).astype(int) - reach
    scans = image[first[:, None] + np.arange(2 * reach), columns[:, None]]
    dark = scans.sum(1)
    below = scans[:, 0] > 0.5  # the square lies at smaller y
    found = np.where(below, first + dark, first + 2 * reach - dark)
    return columns + 0.5, (found - wanted) / math.hypot(1, slope)


@pytest.mark.parametrize("sheet", ["plate", "paper"])
def test_every_printed_edge_lies_where_the_layout_says(
    sheet: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    """Exact: 10 um in place, 0.02 degrees in angle where an edge is long enough.

    Poppler shades an edge pixel in 17 steps with a curve of its own, which
    moves single scans by up to 0.23 pixel and their mean by 0.06 (seen). That
    hides the angle of the plate's edges (25 to 75 pixels here); the next test
    takes a finer picture for them.
    """
    layout: Layout = request.getfixturevalue(sheet)
    pdf = tmp_path / "target.pdf"
    write_pdf([chart_page(layout)], pdf)
    left = sheet_left_mm(layout)
    checked = 0
    for field, (x, y) in zip(layout.fields, layout.sheet_origins_mm, strict=True):
        corner = np.round((np.array([left + x, y]) - [field.width_mm / 2, field.height_mm / 2]), 2)
        size = np.ceil([field.width_mm, field.height_mm]) + 0.1
        image = rendered(pdf, DPI, (*corner, *size))
        for square in field.squares:
            for edge in square.edges():
                start, end = (
                    (np.array(point) + [left + x, y] - corner) / PIXEL_MM
                    for point in (edge.start_mm, edge.end_mm)
                )
                at, offset = edge_offsets_px(image, start, end)
                assert np.abs(offset).max() * PIXEL_MM < 0.010
                assert abs(offset.mean()) * PIXEL_MM < 0.001
                turn_deg = math.degrees(math.atan(np.polyfit(at, offset, 1)[0]))
                if np.hypot(*(end - start)) > 300:
                    assert abs(turn_deg) < 0.02
                    checked += 1
    assert checked == (60 if sheet == "paper" else 0)


def test_angles_on_the_plate_rendered_finer(plate: Layout, tmp_path: Path) -> None:
    """Exact: the centre square of the 3x field (0.248 mm) at 0.5 um pixels, 0.02 degrees."""
    pdf = tmp_path / "target.pdf"
    write_pdf([chart_page(plate)], pdf)
    dpi, pixel_mm = 50800, 0.0005
    field, (x, y) = plate.fields[2], plate.sheet_origins_mm[2]
    centre = np.array([sheet_left_mm(plate) + x, y])
    corner = np.round(centre - 0.2, 3)
    image = rendered(pdf, dpi, (*corner, 0.4, 0.4))
    for edge in field.squares[7].edges():
        start, end = (
            (np.array(point) + centre - corner) / pixel_mm for point in (edge.start_mm, edge.end_mm)
        )
        at, offset = edge_offsets_px(image, start, end)
        assert np.abs(offset).max() * pixel_mm < 0.001
        assert abs(math.degrees(math.atan(np.polyfit(at, offset, 1)[0]))) < 0.02


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
        assert f"{field.magnification:g}x: {field.width_mm:.4g} x" in said
    for words in ("Paper is not sharp enough", "Film serves up to about 1x", "chrome on glass"):
        assert words in said


def test_the_line_of_10_mm_is_10_mm_long(paper: Layout, tmp_path: Path) -> None:
    pdf = tmp_path / "target.pdf"
    write_pdf([chart_page(paper)], pdf)
    (x0, y0), (x1, _), (_, y1), _ = chart_page(paper).shapes_mm[-1][0]
    image = rendered(pdf, 1270, (0, y0 - 1, 25, 3))  # 20 um pixels
    middle = image[round((1 + (y1 - y0) / 2) / 0.02)]
    assert middle[: round(x1 / 0.02) + 50].sum() * 0.02 == pytest.approx(10, abs=0.01)
    assert x1 - x0 == pytest.approx(10, abs=1e-9)


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
