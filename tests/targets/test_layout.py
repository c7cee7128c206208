"""Layout records: geometry of a square, choice of a field, round trip, bad records."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from targets import Layout, Square, TargetError, read_layout, write_layout

Record = dict[str, Any]


def turned(rotation_deg: float) -> Square:
    return Square(name="s", centre_mm=(3.0, -2.0), side_mm=1.4, rotation_deg=rotation_deg)


def test_corners_of_an_unturned_square_start_upper_left_and_go_clockwise() -> None:
    """Exact: half a side either way of the centre, y down."""
    expected = ((2.3, -2.7), (3.7, -2.7), (3.7, -1.3), (2.3, -1.3))
    for corner, wanted in zip(turned(0.0).corners_mm(), expected, strict=True):
        assert corner == pytest.approx(wanted, abs=1e-12)


def test_a_quarter_turn_moves_each_corner_to_the_next_clockwise() -> None:
    """Exact: symmetry of the square."""
    corners = turned(7.0).corners_mm()
    for corner, wanted in zip(turned(97.0).corners_mm(), corners[1:] + corners[:1], strict=True):
        assert corner == pytest.approx(wanted, abs=1e-12)


def test_a_corner_of_a_turned_square_by_its_polar_angle() -> None:
    """Exact: the upper right corner lies at -45 degrees, turned clockwise by 30 (y down)."""
    angle = math.radians(-45 + 30)
    reach = 1.4 / math.sqrt(2)
    wanted = (3.0 + reach * math.cos(angle), -2.0 + reach * math.sin(angle))
    assert turned(30.0).corners_mm()[1] == pytest.approx(wanted, abs=1e-12)


def test_edges_follow_the_outline_with_outward_normals() -> None:
    """Exact: named in order, closed, normal of length one, half a side from the centre."""
    square = turned(-6.2)
    edges = square.edges()
    assert [e.name for e in edges] == ["top", "right", "bottom", "left"]
    assert tuple(e.start_mm for e in edges) == square.corners_mm()
    assert tuple(e.end_mm for e in edges) == square.corners_mm()[1:] + square.corners_mm()[:1]
    for edge in edges:
        (ax, ay), (bx, by), (nx, ny) = edge.start_mm, edge.end_mm, edge.normal
        assert math.hypot(nx, ny) == pytest.approx(1, abs=1e-12)
        assert math.hypot(bx - ax, by - ay) == pytest.approx(1.4, abs=1e-12)
        assert (bx - ax) * nx + (by - ay) * ny == pytest.approx(0, abs=1e-12)
        outward = ((ax + bx) / 2 - 3.0) * nx + ((ay + by) / 2 + 2.0) * ny
        assert outward == pytest.approx(0.7, abs=1e-12)


@pytest.mark.parametrize(
    ("magnification", "wanted"), [(1.0, 1.0), (1.24, 1.0), (1.6, 2.0), (2.5, 3.0), (3.7, 3.0)]
)
def test_the_field_nearest_in_ratio_is_chosen(
    plate: Layout, magnification: float, wanted: float
) -> None:
    """Exact: 2.5 is midway between 2 and 3 as a difference, nearer to 3 as a ratio."""
    assert plate.field_for(magnification).magnification_low == wanted


@pytest.mark.parametrize("magnification", [0.79, 1.26, 3.76, 40.0])
def test_no_field_within_a_quarter_is_an_error_that_lists_the_fields(
    plate: Layout, magnification: float
) -> None:
    with pytest.raises(TargetError, match=r"25 %.*\(fields: 1x, 2x, 3x\)"):
        plate.field_for(magnification)


@pytest.mark.parametrize("magnification", [0.0, -1.0, math.nan, math.inf])
def test_a_magnification_must_be_above_zero(plate: Layout, magnification: float) -> None:
    with pytest.raises(ValueError, match="> 0"):
        plate.field_for(magnification)


def test_the_limits_of_a_quarter_are_included(plate: Layout) -> None:
    """Exact: 0.8 and 3.75 are a factor of 1.25 away."""
    assert plate.field_for(0.8).magnification_low == 1.0
    assert plate.field_for(3.75).magnification_high == 3.0


def test_round_trip_keeps_every_number(plate: Layout, tmp_path: Path) -> None:
    """Exact: full digits, also for numbers with no short decimal form."""
    field = replace(plate.fields[0], squares=(turned(math.pi), *plate.fields[0].squares))
    layout = replace(plate, name="Näh 1/3", fields=(field, *plate.fields[1:]))
    path = tmp_path / "target.json"
    write_layout(layout, path)
    assert read_layout(path) == layout


def test_the_documented_record_is_read(tmp_path: Path) -> None:
    """The example in the module's docstring is a record."""
    import targets.layout

    assert targets.layout.__doc__ is not None
    example = targets.layout.__doc__.split("::")[1].split("``version``")[0]
    path = tmp_path / "target.json"
    path.write_text(example)
    layout = read_layout(path)
    assert layout.fields[0].squares[0].side_mm == 1.1
    write_layout(layout, path)
    assert read_layout(path) == layout
    assert json.loads(path.read_text()) == json.loads(example)


def test_a_record_of_version_1_is_read(plate: Layout, tmp_path: Path) -> None:
    """Its one magnification is both ends of the range."""
    path = tmp_path / "target.json"
    write_layout(plate, path)
    record = json.loads(path.read_text())
    record["version"] = 1
    for field in record["fields"]:
        field["magnification"] = field.pop("magnification_low")
        del field["magnification_high"]
    path.write_text(json.dumps(record))
    assert read_layout(path) == plate
    record["fields"][1]["magnification"] = -2
    path.write_text(json.dumps(record))
    with pytest.raises(TargetError, match=r"fields\[1\]\.magnification: is -2"):
        read_layout(path)


def test_a_range_of_two_fields_with_a_gap_is_served_from_the_nearer(plate: Layout) -> None:
    """Exact: 1x to 2x and 3x; 2.4 is nearer to 2, 2.5 to 3, as ratios; 5 is near none."""
    one, _, three = plate.fields
    wide = replace(one, magnification_high=2.0)
    layout = replace(plate, fields=(wide, three), sheet_origins_mm=plate.sheet_origins_mm[:2])
    assert layout.field_for(2.4).name == "club 1x"
    assert layout.field_for(2.5).name == "club 3x"
    with pytest.raises(TargetError, match=r"\(fields: 1x to 2x, 3x\)"):
        layout.field_for(5)


def put(*keys: str | int, value: Any) -> Callable[[Record], None]:
    def change(record: Record) -> None:
        place: Any = record
        for key in keys[:-1]:
            place = place[key]
        place[keys[-1]] = value

    return change


def drop(*keys: str | int) -> Callable[[Record], None]:
    def change(record: Record) -> None:
        place: Any = record
        for key in keys[:-1]:
            place = place[key]
        del place[keys[-1]]

    return change


SQUARE = ("fields", 0, "squares", 2)
MARK = ("fields", 1, "marks", 0)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (put("version", value=3), r"version: is 3, .* reads versions 1 to 2"),
        (put("version", value=0), r"version: is 0"),
        (put("version", value=True), r"version: is True"),
        (put("version", value="1"), r"version: is '1'"),
        (put("version", value=1.0), r"version: is 1\.0"),
        (drop("version"), r"record: key 'version' is missing"),
        (drop("sheet_origins_mm"), r"key 'sheet_origins_mm' is missing"),
        (drop(*SQUARE, "side_mm"), r"fields\[0\]\.squares\[2\]: key 'side_mm' is missing"),
        (put(*SQUARE, "side_mm", value=math.nan), r"squares\[2\]\.side_mm: is nan"),
        (put(*SQUARE, "side_mm", value=-0.1), r"side_mm: is -0\.1, not a number above zero"),
        (put(*SQUARE, "side_mm", value=0), r"side_mm: is 0, not a number above zero"),
        (put(*SQUARE, "side_mm", value=True), r"side_mm: is True, not a number"),
        (put(*SQUARE, "side_mm", value="1"), r"side_mm: is '1', not a number"),
        (put(*SQUARE, "rotation_deg", value=math.inf), r"rotation_deg: is inf"),
        (put(*SQUARE, "rotation_deg", value=10**400), r"rotation_deg: is a huge number"),
        (put(*SQUARE, "centre_mm", value=[1, 2, 3]), r"centre_mm: is a list of 3, not a point"),
        (put(*SQUARE, "centre_mm", value=7), r"centre_mm: is 7, not a point"),
        (put(*SQUARE, "centre_mm", 1, value=None), r"centre_mm\[1\]: is None, not a number"),
        (put(*SQUARE, "name", value="1"), r"fields\[0\]\.squares: the name '1' occurs twice"),
        (put(*SQUARE, "name", value="a\nb"), r"name: is 'a\\nb', not a text"),
        (put(*SQUARE, value=[]), r"squares\[2\]: is a list of 0, not an object"),
        (put(*MARK, "role", value="logo"), r"marks\[0\]\.role: is 'logo', not one of"),
        (put(*MARK, "polygon_mm", value=[[0, 0], [1, 1]]), r"2 points, a polygon needs 3"),
        (put(*MARK, "polygon_mm", value={}), r"polygon_mm: is an object, not a list"),
        (put("fields", value=[]), r"fields: is empty"),
        (put("fields", value=[0] * 100_001), r"fields: 100001 items, the limit is 100000"),
        (put("fields", 0, "width_mm", value=999), r"fields\[0\]: reaches beyond the sheet"),
        (put("fields", 1, "name", value="club 1x"), r"fields: the name 'club 1x' occurs twice"),
        (put("sheet_origins_mm", value=[[9, 9]]), r"1 points for 3 fields"),
        (put("sheet_origins_mm", 0, value=[0, 5]), r"fields\[0\]: reaches beyond the sheet"),
        (put("name", value="x" * 201), r"name: is 'xxx.*\.\.\., not a text of 1 to 200"),
        (put("name", value=""), r"name: is '', not a text"),
        (
            put("fields", 0, "magnification_low", value=1.5),
            r"fields\[0\]\.magnification_low: is 1\.5, above the high one, 1\.",
        ),
    ],
)
def test_a_malformed_record_is_refused_with_its_place(
    plate: Layout, tmp_path: Path, change: Callable[[Record], None], said: str
) -> None:
    path = tmp_path / "target.json"
    write_layout(plate, path)
    record = json.loads(path.read_text())
    change(record)
    path.write_text(json.dumps(record))
    with pytest.raises(TargetError, match=said) as caught:
        read_layout(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert "stopwise target" in str(caught.value)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "not readable as JSON"),
        (b"\xff\xfe\x00", "not readable as JSON"),
        (b"[" * 100_000, "not readable as JSON"),
        (b"9" * 10_000, "not readable as JSON"),
        (b"[]", "record: is a list of 0"),
        (b"null", "record: is None"),
        (b'{"version": 1e999}', "version: is inf"),
    ],
)
def test_a_file_that_is_no_record_is_refused(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "target.json"
    path.write_bytes(content)
    with pytest.raises(TargetError, match=said):
        read_layout(path)


def test_a_record_of_a_million_squares_is_refused_unread(plate: Layout, tmp_path: Path) -> None:
    square = '{"name":"1","centre_mm":[0,0],"side_mm":1,"rotation_deg":5}'
    path = tmp_path / "target.json"
    path.write_text('{"version":1,"fields":[{"squares":[' + ",".join([square] * 10**6) + "]}]}")
    with pytest.raises(TargetError, match="larger than 16 MB"):
        read_layout(path)


def test_no_file_a_folder_and_no_place_to_write(plate: Layout, tmp_path: Path) -> None:
    for path in (tmp_path / "absent.json", tmp_path):
        with pytest.raises(TargetError, match="no such file"):
            read_layout(path)
    with pytest.raises(TargetError, match="cannot be written"):
        write_layout(plate, tmp_path / "absent" / "target.json")


def test_what_could_not_be_read_is_not_written(plate: Layout, tmp_path: Path) -> None:
    path = tmp_path / "target.json"
    with pytest.raises(TargetError, match="sheet_width_mm: is nan"):
        write_layout(replace(plate, sheet_width_mm=math.nan), path)
    assert not path.exists()
