"""Charts: pitch, angles, clear zones, the code's modules, sheets and paper."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import segno

from targets import PAPERS_MM, Field, Layout, TargetError, chart_sheet, square_field
from tests.targets.outlines import Polygon, bounds, clear_of_zones, gap_mm, marks, zones

SENSORS_MM = [(7.83, 5.22), (36.0, 24.0), (17.3, 13.0), (16.0, 9.0), (33.0, 33.0), (24.0, 36.0)]


def field_of(sensor_mm: tuple[float, float], magnification: float = 2.0) -> Field:
    return square_field(
        magnification=magnification, sensor_width_mm=sensor_mm[0], sensor_height_mm=sensor_mm[1]
    )


def test_pitch_side_and_centre() -> None:
    """Exact: the object field is the sensor over the magnification."""
    field = field_of((7.83, 5.22), 2)
    assert (field.width_mm, field.height_mm) == pytest.approx((3.915, 2.61), abs=1e-9)
    centres = np.array([s.centre_mm for s in field.squares]).reshape(3, 5, 2)
    assert np.diff(centres[..., 0], axis=1) == pytest.approx(0.21 * 3.915, abs=2e-6)
    assert np.diff(centres[..., 1], axis=0) == pytest.approx(0.31 * 2.61, abs=2e-6)
    assert field.squares[7].centre_mm == (0.0, 0.0)
    assert [s.name for s in field.squares] == [str(i) for i in range(1, 16)]
    assert field.squares[0].side_mm == pytest.approx(0.095 * 3.915, abs=1e-6)


def test_magnification_scales_the_chart() -> None:
    """Exact: twice the magnification, half the chart, to the rounding of 1 nm."""
    one, two = field_of((36, 24), 1.3), field_of((36, 24), 2.6)
    for a, b in zip(one.squares, two.squares, strict=True):
        assert np.array(a.corners_mm()) == pytest.approx(2 * np.array(b.corners_mm()), abs=5e-6)
        assert a.rotation_deg == b.rotation_deg


def test_angles_alternate_differ_and_keep_off_simple_slopes() -> None:
    rotations = np.array([s.rotation_deg for s in field_of((36, 24)).squares])
    assert np.all(np.sign(rotations[1:]) == -np.sign(rotations[:-1]))
    sizes = np.sort(np.abs(rotations))
    assert sizes.min() > 4 and sizes.max() < 9
    assert np.diff(sizes).min() > 0.05
    whole = np.degrees(np.arctan(1 / np.arange(1, 30)))
    assert np.abs(sizes[:, None] - whole).min() > 0.1


@pytest.mark.parametrize("length_px", [60, 90, 170, 400])
def test_edges_meet_the_pixels_in_evenly_spread_phases(length_px: int) -> None:
    """Exact: no gap between the phases of an edge is wider than 4 times the mean gap.

    With the nearest slope 1/k there are only k phases: the gap is length/k
    times the mean, 4 to 60 here.
    """
    for square in field_of((36, 24)).squares:
        slope = math.tan(math.radians(abs(square.rotation_deg)))
        phases = np.sort(np.arange(length_px) * slope % 1)
        largest = np.diff(phases, append=phases[0] + 1).max()
        assert largest * length_px < 4
        simple = np.sort(np.arange(length_px) / round(1 / slope) % 1)
        gap_of_simple = np.diff(np.unique(simple.round(9))).max() * length_px
        assert largest * length_px < gap_of_simple


@pytest.mark.parametrize("sensor_mm", SENSORS_MM)
def test_zones_hold_nothing_dark(sensor_mm: tuple[float, float]) -> None:
    """Exact: no mark and no other square reaches into the ground beside an edge."""
    of_squares, of_marks = clear_of_zones(field_of(sensor_mm))
    assert of_squares > 0.3
    assert of_marks > 0.01


@pytest.mark.parametrize("sensor_mm", SENSORS_MM)
def test_squares_are_a_side_apart(sensor_mm: tuple[float, float]) -> None:
    field = field_of(sensor_mm)
    for a, b in itertools.combinations(field.squares, 2):
        clear = gap_mm(np.array(a.corners_mm()), np.array(b.corners_mm()))
        assert clear >= 1.0 * field.squares[0].side_mm


@pytest.mark.parametrize("sensor_mm", SENSORS_MM)
def test_marks_keep_apart_and_the_code_keeps_its_quiet_zone(
    sensor_mm: tuple[float, float],
) -> None:
    """Four modules of clear ground around a QR code (ISO/IEC 18004; from memory)."""
    field = field_of(sensor_mm)
    low, high = bounds(marks(field, "code"))
    modules = segno.make_qr(field.code_text, error="m").symbol_size(border=0)[0]
    quiet = 4 * (high - low) / modules
    (x0, y0), (x1, y1) = low - quiet, high + quiet
    box = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
    others = [np.array(s.corners_mm()) for s in field.squares]
    others += [np.array(m.polygon_mm) for m in field.marks if m.role != "code"]
    assert min(gap_mm(box, outline) for outline in others) > 0


@pytest.mark.parametrize("name", [None, "club", "minerals"])
def test_code_bars_are_the_modules_of_the_code(name: str | None) -> None:
    """Exact: sampled at module centres, the bars give segno's own matrix."""
    field = square_field(magnification=2.5, sensor_width_mm=36, sensor_height_mm=24, name=name)
    assert field.code_text == f"stopwise 2 {'' if name is None else name + ' '}2.5x"
    code = segno.make_qr(field.code_text, error="m", boost_error=False)
    assert code.error == "M" and code.version in (1, 2)
    matrix = np.array([list(row) for row in code.matrix], dtype=bool)
    bars = marks(field, "code")
    low, high = bounds(bars)
    assert high[0] - low[0] == pytest.approx(high[1] - low[1], abs=4e-6)
    module = (high[0] - low[0]) / len(matrix)
    seen = np.zeros_like(matrix, dtype=int)
    at = low[0] + module * (np.arange(len(matrix)) + 0.5)
    down = low[1] + module * (np.arange(len(matrix)) + 0.5)
    for bar in bars:
        (x0, y0), (x1, y1) = bounds([bar])
        seen += ((down > y0) & (down < y1))[:, None] & ((at > x0) & (at < x1))
    assert np.array_equal(seen, matrix.astype(int))
    # one bar for each run: as many as there are dark modules with a clear one to the left
    starts = matrix & ~np.pad(matrix, ((0, 0), (1, 0)))[:, :-1]
    assert len(bars) == starts.sum()


def area_mm2(polygon: Polygon) -> float:
    x, y = polygon.T
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


def test_orientation_disc_is_round_alone_and_upper_left() -> None:
    field = field_of((36, 24))
    side = field.squares[0].side_mm
    (disc,) = marks(field, "orientation")
    points = np.array(disc.polygon_mm)
    centre = points.mean(0)
    radius = np.hypot(*(points - centre).T)
    assert len(points) >= 24
    assert radius == pytest.approx(0.22 * side, abs=2e-6)
    first, second, below = (np.array(field.squares[i].centre_mm) for i in (0, 1, 5))
    assert centre == pytest.approx([(first + second)[0] / 2, (first + below)[1] / 2], abs=2e-6)
    # Neither half nor twice its area occurs again, so that area finds it.
    area = area_mm2(points)
    squares = [area_mm2(np.array(s.corners_mm())) for s in field.squares]
    others = squares + [area_mm2(np.array(m.polygon_mm)) for m in field.marks if m is not disc]
    assert all(not area / 2 < other < area * 2 for other in others)


@pytest.mark.parametrize(
    ("sensor_mm", "magnification", "length_mm"),
    [
        ((7.83, 5.22), 1, 0.5),
        ((7.83, 5.22), 2, 0.2),
        ((36.0, 24.0), 1, 2.0),
        ((36.0, 24.0), 5, 0.5),
    ],
)
def test_bar_has_a_round_length(
    sensor_mm: tuple[float, float], magnification: float, length_mm: float
) -> None:
    """Exact: longest of 1, 2, 5 x 10^n below 0.8 side (0.595, 0.298, 2.74 and 0.547 mm)."""
    low, high = bounds(marks(field_of(sensor_mm, magnification), "scale"))
    assert high[0] - low[0] == pytest.approx(length_mm, abs=2e-6)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
@pytest.mark.parametrize("which", ["magnification", "sensor_width_mm", "sensor_height_mm"])
def test_numbers_must_be_above_zero(which: str, bad: float) -> None:
    good = {"magnification": 2.0, "sensor_width_mm": 36.0, "sensor_height_mm": 24.0}
    with pytest.raises(ValueError, match="> 0"):
        square_field(**{**good, which: bad})  # type: ignore[arg-type]


@pytest.mark.parametrize("name", ["Grüne Steine", "a name much too long for it", "a\nb"])
def test_a_name_that_makes_no_code_is_refused(name: str) -> None:
    with pytest.raises(TargetError, match="Choose a short name"):
        square_field(magnification=2, sensor_width_mm=36, sensor_height_mm=24, name=name)


def boxes(layout: Layout) -> list[tuple[float, float, float, float]]:
    return [
        (x - f.width_mm / 2, y - f.height_mm / 2, x + f.width_mm / 2, y + f.height_mm / 2)
        for f, (x, y) in zip(layout.fields, layout.sheet_origins_mm, strict=True)
    ]


def test_a_plate_is_as_small_as_its_fields_and_margins(plate: Layout) -> None:
    """Exact: 7.83 + 3.915 + 2.61 mm and four margins of 2 mm; 5.22 mm and two."""
    assert plate.sheet_width_mm == pytest.approx(14.355 + 8, abs=1e-6)
    assert plate.sheet_height_mm == pytest.approx(5.22 + 4, abs=1e-6)
    assert [f.magnification_low for f in plate.fields] == [1, 2, 3]
    assert [f.magnification_high for f in plate.fields] == [1, 2, 3]
    for (_, _, right, _), (left, _, _, _) in itertools.pairwise(boxes(plate)):
        assert left - right == pytest.approx(2, abs=2e-6)


def test_larger_fields_get_margins_of_15_percent() -> None:
    layout = chart_sheet([field_of((36, 24), 1)], name="one")
    assert layout.sheet_width_mm == pytest.approx(36 * 1.3, abs=1e-6)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_paper_is_upright_if_that_serves_else_on_its_side(paper: str) -> None:
    short, long = PAPERS_MM[paper]
    upright = chart_sheet([field_of((36, 24), 0.3)], name="far", paper=paper)
    assert (upright.sheet_width_mm, upright.sheet_height_mm) == (short, long)
    pair = [field_of((36, 24), m) for m in (0.33, 0.4)]
    across = chart_sheet(pair, name="far", paper=paper)
    assert (across.sheet_width_mm, across.sheet_height_mm) == (long, short)
    for layout in (upright, across):
        left, top = np.array(boxes(layout))[:, :2].min(0)
        right = np.array(boxes(layout))[:, 2].max()
        assert left == pytest.approx(layout.sheet_width_mm - right, abs=3e-6)
        assert min(left, top) >= 0.15 * layout.fields[0].width_mm - 1e-6


def test_zones_at_the_rim_lie_in_the_margin(plate: Layout) -> None:
    """The outer zones pass the field's rim, by far less than half the margin."""
    for field in plate.fields:
        reach = np.abs(np.vstack([zone for _, zone in zones(field)])).max(0)
        over = reach - 0.5 * np.array([field.width_mm, field.height_mm])
        assert over.max() < 0.5 * 0.15 * field.width_mm


def test_too_large_for_the_paper_is_refused_with_the_sizes() -> None:
    with pytest.raises(TargetError, match=r"takes 468 x 348 mm.*A4 is 210 x 297 mm") as alone:
        chart_sheet([field_of((36, 24), 0.1)], name="far", paper="A4")
    assert "Choose a larger magnification, or leave the paper out" in str(alone.value)
    pair = [field_of((36, 24), m) for m in (0.1, 0.2)]
    with pytest.raises(TargetError, match=r"fields take .* Make one sheet for each magnification"):
        chart_sheet(pair, name="far", paper="A4")


def test_a_field_that_leaves_no_room_for_the_legend_is_refused() -> None:
    """A tall field that fits A4 with its margins but fills it to the bottom."""
    tall = field_of((24, 36), 0.16)
    assert chart_sheet([tall], name="tall").sheet_height_mm < 297
    with pytest.raises(TargetError, match="legend"):
        chart_sheet([tall], name="tall", paper="A4")


def test_no_field_and_unknown_paper_are_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        chart_sheet([], name="none")
    with pytest.raises(ValueError, match="A4, Letter"):
        chart_sheet([field_of((36, 24))], name="x", paper="A5")
