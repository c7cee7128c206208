"""The chart for a range of magnifications: geometry, clear zones, what each frame holds."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import segno

from targets import (
    Field,
    Layout,
    Mark,
    Square,
    TargetError,
    chart_sheet,
    nested_field,
    read_layout,
    write_layout,
)
from targets.angles import DIAGONAL_DEG
from tests.targets.outlines import Polygon, bounds, clear_of_zones, gap_mm, marks

SENSORS_MM = [(36.0, 24.0), (23.5, 15.6), (17.3, 13.0)]


def field_of(
    sensor_mm: tuple[float, float] = (36.0, 24.0), low: float = 1.0, high: float = 5.0
) -> Field:
    return nested_field(
        magnification_low=low,
        magnification_high=high,
        sensor_width_mm=sensor_mm[0],
        sensor_height_mm=sensor_mm[1],
        name="club",
    )


def ray_of(square: Square) -> int | None:
    return None if square.name == "0" else int(square.name.split(".")[1])


def is_radial(square: Square) -> bool:
    return ray_of(square) in (3, 4, 10, 11, 17, 18, 24, 25)


def codes(field: Field) -> list[list[Mark]]:
    """The marks of each code of the field."""
    matrix = np.array(
        [list(r) for r in segno.make_qr(field.code_text, error="m", boost_error=False).matrix], bool
    )
    runs = int((matrix & ~np.pad(matrix, ((0, 0), (1, 0)))[:, :-1]).sum())
    bars = marks(field, "code")
    return [bars[i : i + runs] for i in range(0, len(bars), runs)]


def test_a_place_by_its_polar_angle() -> None:
    """Exact: ring 4, ray 5 of 28, for a frame 7.2 mm long at the highest magnification."""
    square = next(s for s in field_of().squares if s.name == "4.5")
    radius, angle = 0.16 * 7.2 * 1.3**1.5, math.radians(360 * 5 / 28)
    wanted = radius * math.cos(angle), radius * math.sin(angle)
    assert square.centre_mm == pytest.approx(wanted, abs=6e-7)
    assert square.side_mm == pytest.approx(0.11 * radius, abs=6e-7)


def test_the_centre_square_by_the_smallest_frame() -> None:
    """Exact: 9.5 % of the frame's length at the highest magnification."""
    (centre,) = (s for s in field_of((23.5, 15.6)).squares if s.centre_mm == (0.0, 0.0))
    assert (centre.name, centre.side_mm) == ("0", pytest.approx(0.095 * 23.5 / 5, abs=1e-9))


def test_two_rings_further_out_the_chart_is_the_same_by_a_factor() -> None:
    """Exact: places grow by 1.3, to the rounding of one nanometre."""
    places = {s.name: np.array(s.centre_mm) for s in field_of().squares}
    sides = {s.name: s.side_mm for s in field_of().squares}
    compared = 0
    for name, place in places.items():
        if name != "0":
            ring, ray = name.split(".")
            outer = f"{int(ring) + 2}.{ray}"
            if outer in places:
                assert places[outer] == pytest.approx(1.3 * place, abs=2e-6)
                assert sides[outer] == pytest.approx(1.3 * sides[name], abs=2e-6)
                compared += 1
    assert compared > 200


def test_numbers_are_whole_nanometres() -> None:
    numbers = [n for s in field_of().squares for n in (*s.centre_mm, s.side_mm)]
    numbers += [n for mark in field_of().marks for point in mark.polygon_mm for n in point]
    assert all(number == round(number, 6) for number in numbers)


def test_edges_are_off_their_directions_by_4_to_9_degrees() -> None:
    """Upright squares from the axes, those of the diagonal rays from their ray.

    These stay far enough from the axes that a camera turned by some degrees does not
    change what their edges are.
    """
    for square in field_of().squares:
        if is_radial(square):
            ray_deg = 360 * (ray_of(square) or 0) / 28
            off = (square.rotation_deg - ray_deg + 45) % 90 - 45
            from_axis = abs((square.rotation_deg + 45) % 90 - 45)
            assert 5.5 < abs(off) < 8.6
            assert from_axis > 22.5 + 7
        else:
            assert 4.1 < abs(square.rotation_deg) < 8.7


def test_angles_stay_off_simple_slopes() -> None:
    """Exact: no edge within 0.3 degrees of a slope p/q with q below 5."""
    simple = [math.degrees(math.atan2(p, q)) for q in range(1, 5) for p in range(q + 1)]
    for square in field_of().squares:
        turn = abs(square.rotation_deg) % 90
        assert min(min(abs(turn - a), abs(90 - turn - a)) for a in simple) > 0.3


def test_neighbours_on_a_ring_have_different_turns() -> None:
    squares = [s for s in field_of().squares if s.name.startswith("12.")]
    turns = [s.rotation_deg for s in squares]
    assert all(a != b for a, b in itertools.pairwise(turns))
    assert len({abs(turn) for turn in turns}) >= 10


@pytest.mark.parametrize("length_px", [60, 90, 170, 400])
def test_oblique_edges_meet_the_pixels_in_evenly_spread_phases(length_px: int) -> None:
    """Exact: no gap between the phases of an edge is wider than 2.5 times the mean gap."""
    for angle in DIAGONAL_DEG:
        phases = np.sort(np.arange(length_px) * math.tan(math.radians(angle)) % 1)
        assert np.diff(phases, append=phases[0] + 1).max() * length_px < 2.5
    assert len(set(DIAGONAL_DEG)) == len(DIAGONAL_DEG)


@pytest.mark.parametrize("sensor_mm", SENSORS_MM[1:])
def test_zones_hold_nothing_dark(sensor_mm: tuple[float, float]) -> None:
    """Exact: no mark and no other square reaches into the ground beside an edge."""
    of_squares, of_marks = clear_of_zones(field_of(sensor_mm))
    assert of_squares > 0.3
    assert of_marks > 0.05


def test_squares_are_apart() -> None:
    """At least 0.6 of the larger one's side, so that blur does not join them."""
    squares = field_of().squares
    for a, b in itertools.combinations(squares, 2):
        side = max(a.side_mm, b.side_mm)
        if math.dist(a.centre_mm, b.centre_mm) < 3 * side:
            assert gap_mm(np.array(a.corners_mm()), np.array(b.corners_mm())) > 0.6 * side


def test_codes_keep_their_quiet_zones_and_can_be_made() -> None:
    """Four modules of clear ground around a QR code (ISO/IEC 18004; from memory)."""
    field = field_of()
    assert field.code_text == "stopwise 2 club 1-5x"
    modules = segno.make_qr(field.code_text, error="m", boost_error=False).symbol_size(border=0)[0]
    others = [np.array(s.corners_mm()) for s in field.squares]
    others += [np.array(m.polygon_mm) for m in field.marks if m.role != "code"]
    assert len(codes(field)) >= 4
    for one in codes(field):
        low, high = bounds(one)
        assert high[0] - low[0] == pytest.approx(high[1] - low[1], abs=4e-6)
        module = (high - low) / modules
        assert module.min() > 0.005
        (x0, y0), (x1, y1) = low - 4 * module, high + 4 * module
        box = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
        near = [o for o in others if np.hypot(*(o.mean(0) - box.mean(0))) < 4 * (x1 - x0)]
        assert min(gap_mm(box, outline) for outline in near) > 0


def holds(frame_mm: npt.NDArray[np.float64], outline: Polygon) -> bool:
    return bool((np.abs(outline) <= frame_mm / 2).all())


@pytest.mark.parametrize("sensor_mm", SENSORS_MM)
def test_every_frame_holds_enough_edges_and_marks(sensor_mm: tuple[float, float]) -> None:
    """In fine steps from 1x to 5x, lying and upright, all wholly inside the frame.

    60 edges of each direction; in each corner (0.46 or more of the way to both borders)
    squares of both kinds; the centre square; one of each mark.
    """
    field = field_of(sensor_mm)
    squares = [(s, np.array(s.corners_mm())) for s in field.squares]
    whole_codes = [np.vstack([np.array(m.polygon_mm) for m in one]) for one in codes(field)]
    discs = [np.array(m.polygon_mm) for m in marks(field, "orientation")]
    bars = [np.array(m.polygon_mm) for m in marks(field, "scale")]
    for magnification in np.geomspace(1, 5, 40):
        for size in (sensor_mm, sensor_mm[::-1]):
            frame = np.array(size) / magnification
            inside = [s for s, outline in squares if holds(frame, outline)]
            radial = [s for s in inside if is_radial(s)]
            assert 2 * len(radial) >= 60
            assert 2 * (len(inside) - len(radial)) >= 60
            assert any(s.name == "0" for s in inside)
            deep = {s.name: np.array(s.centre_mm) / (frame / 2) for s in inside}
            for kind in (radial, [s for s in inside if not is_radial(s)]):
                for corner in itertools.product((-1, 1), (-1, 1)):
                    assert max((deep[s.name] * corner).min() for s in kind) > 0.46
            for outlines in (whole_codes, discs, bars):
                assert any(holds(frame, outline) for outline in outlines)


def test_bars_have_round_lengths() -> None:
    lengths = []
    for mark in marks(field_of(), "scale"):
        low, high = bounds([mark])
        lengths.append(high[0] - low[0])
    assert all(
        min(abs(length - 10**k * s) for k in (-1, 0) for s in (1, 2, 5)) < 2e-6
        for length in lengths
    )
    assert min(lengths) < 0.21 and max(lengths) > 1.9


def test_a_view_is_what_a_frame_sees() -> None:
    """Exact: at 4x the frame is 9 x 6 mm, and shapes up to 1.6 half diagonals are in."""
    layout = chart_sheet([field_of()], name="club")
    view = layout.field_for(4.0)
    assert (view.width_mm, view.height_mm) == pytest.approx((9.0, 6.0))
    assert (view.magnification_low, view.magnification_high) == (4.0, 4.0)
    reach = 1.6 * math.hypot(9.0, 6.0) / 2
    names = {s.name for s in view.squares}
    for square in layout.fields[0].squares:
        nearest = min(math.hypot(*corner) for corner in square.corners_mm())
        assert (square.name in names) == (nearest < reach)
    assert len(marks(view, "scale")) < len(marks(layout.fields[0], "scale"))


@pytest.mark.parametrize("magnification", [0.8, 1.0, 3.3, 6.25])
def test_a_nested_field_serves_its_range_and_a_quarter_more(magnification: float) -> None:
    layout = chart_sheet([field_of()], name="club")
    assert layout.field_for(magnification).magnification_low == magnification


@pytest.mark.parametrize("magnification", [0.79, 6.3])
def test_beyond_the_range_the_error_states_it(magnification: float) -> None:
    layout = chart_sheet([field_of()], name="club")
    with pytest.raises(TargetError, match=r"no field within 25 %.*\(fields: 1x to 5x\)"):
        layout.field_for(magnification)


def test_one_magnification_is_a_range_too() -> None:
    field = field_of(low=2.0, high=2.0)
    assert field.name == "club 2x"
    assert (field.width_mm, field.height_mm) == (18.0, 12.0)
    layout = chart_sheet([field], name="club")
    assert layout.field_for(2.2) is layout.fields[0]
    assert len(field.squares) > 60


def test_the_sheet_holds_frames_lying_and_upright(tmp_path: Path) -> None:
    """The shapes, and not the frame alone, decide: nearly square, with quiet margins."""
    layout = chart_sheet([field_of()], name="club")
    width, height = layout.fields[0].extent_mm()
    assert width == 36.0
    assert 30 < height < 36
    margin = 0.15 * 36
    assert layout.sheet_width_mm == pytest.approx(36 + 2 * margin, abs=1e-6)
    assert layout.sheet_height_mm == pytest.approx(height + 2 * margin, abs=1e-6)
    path = tmp_path / "target.json"
    write_layout(layout, path)
    assert path.stat().st_size < 500_000
    assert read_layout(path) == layout


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_it_goes_onto_paper(paper: str) -> None:
    layout: Layout = chart_sheet([field_of(low=0.3, high=1.5)], name="far", paper=paper)
    left = layout.sheet_origins_mm[0][0] - layout.fields[0].extent_mm()[0] / 2
    assert left >= 0.15 * 120 - 1e-6
    with pytest.raises(TargetError, match="Choose a larger magnification"):
        chart_sheet([field_of(low=0.1, high=1.0)], name="far", paper=paper)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
@pytest.mark.parametrize("which", ["low", "high", "width", "height"])
def test_numbers_must_be_above_zero(which: str, bad: float) -> None:
    good = {"low": 1.0, "high": 5.0, "width": 36.0, "height": 24.0} | {which: bad}
    with pytest.raises(ValueError, match="> 0"):
        field_of((good["width"], good["height"]), good["low"], good["high"])


@pytest.mark.parametrize(
    ("sensor_mm", "low", "high", "said"),
    [
        ((36, 24), 5, 1, r"5x to 1x: runs downwards\. Name the lower magnification first"),
        ((36, 24), 0.04, 0.2, r"0\.05x to 20x\. Choose"),
        ((36, 24), 4, 21, r"0\.05x to 20x\. Choose"),
        ((36, 24), 0.5, 6, r"a factor of 10 at most.*Make two charts"),
        ((36, 2), 1, 5, r"18 times as long as it is high, too long.*Check its size"),
        ((0.36, 0.24), 1, 5, r"smallest parts .* 0\.13 um wide.*lower highest magnification"),
        ((3600, 2400), 1, 5, r"3\.6e\+03 mm long.*Check the sensor size"),
    ],
)
def test_what_cannot_be_made_is_refused_with_the_mend(
    sensor_mm: tuple[float, float], low: float, high: float, said: str
) -> None:
    with pytest.raises(TargetError, match=said):
        field_of(sensor_mm, low, high)


@pytest.mark.parametrize(("low", "high"), [(0.05, 0.5), (2, 20), (0.05, 0.05), (20, 20)])
def test_the_ends_of_what_can_be_asked_are_made(low: float, high: float) -> None:
    field = field_of(low=low, high=high)
    assert field.width_mm == pytest.approx(36 / low)
    assert {mark.role for mark in field.marks} == {"orientation", "code", "scale"}


def test_a_name_that_makes_no_code_is_refused() -> None:
    with pytest.raises(TargetError, match="Choose a short name"):
        nested_field(
            magnification_low=1,
            magnification_high=5,
            sensor_width_mm=36,
            sensor_height_mm=24,
            name="a name much too long",
        )
