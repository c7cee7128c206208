"""Recovery: the chart for a range of magnifications, drawn at known poses; bad frames.

All turns, sensors and focus settings are in ``tests.bench.register_study``.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lab.edges.register import Registration, register_field
from lab.edges.types import Rejection
from lab.edges.window import region_inside, region_window
from lab.frames.frame import Frame
from lab.simulate.render import render_frame
from lab.simulate.rig import SimulatedRig
from targets import Field, chart_sheet, nested_field, square_field
from tests.edges.drawn import RGGB, Pose, coverage, drawn_frame, worst_edge_px

SHAPE = (864, 1296)
PITCH_UM = 6.0
SIZE_MM = (SHAPE[1] * PITCH_UM / 1000, SHAPE[0] * PITCH_UM / 1000)
SHEET = chart_sheet(
    [
        nested_field(
            magnification_low=1,
            magnification_high=5,
            sensor_width_mm=SIZE_MM[0],
            sensor_height_mm=SIZE_MM[1],
        )
    ],
    name="drawn",
)
FIELD = SHEET.fields[0]
DIRECTIONS = ("horizontal", "vertical", "radial", "tangential")


def pose(magnification: float, turn_deg: float, **how: object) -> Pose:
    return Pose(
        magnification=magnification,
        turn_deg=turn_deg,
        shape=SHAPE,
        pitch_um=PITCH_UM,
        **how,  # type: ignore[arg-type]
    )


def register(frame: Frame, nominal: float) -> Registration:
    result = register_field(
        frame, SHEET.field_for(nominal), magnification=nominal, pixel_pitch_um=PITCH_UM
    )
    assert not isinstance(result, Rejection), result.reason
    return result


def reason(frame: Frame, nominal: float, field: Field | None = None) -> str:
    field = SHEET.field_for(nominal) if field is None else field
    result = register_field(frame, field, magnification=nominal, pixel_pitch_um=PITCH_UM)
    assert isinstance(result, Rejection)
    return result.reason


def check(result: Registration, truth: Pose, *, edge_px: float) -> None:
    # Perspective: at the frame's centre, where the chart's point has this depth.
    depth = 1 / (1 + float(np.dot(truth.shift_px, truth.tilt)))
    local = truth.magnification / depth**1.5
    assert result.measured_magnification == pytest.approx(local, rel=1e-4)
    assert 0 < result.measured_magnification_std < 2e-4 * truth.magnification
    turn = (result.rotation_deg - truth.turn_deg + 180) % 360 - 180
    assert abs(turn) < 0.05
    assert result.orientation == round(truth.turn_deg / 90) % 4 * 90
    assert worst_edge_px(result, truth, FIELD) < edge_px
    assert all(region_inside(edge.region, SHAPE) for edge in result.edges)


@pytest.mark.parametrize(
    ("magnification", "nominal", "turn", "blur_px", "edge_px"),
    [
        (1.02, 1.0, 3.0, 0.8, 0.4),
        (1.0, 1.0, 90.0, 6.0, 0.6),
        (2.1, 2.4, 172.0, 4.0, 0.5),
        (4.9, 5.0, 271.0, 6.0, 0.5),
        (5.6, 6.2, 1.0, 1.5, 0.4),
    ],
)
def test_found_whatever_the_magnification_and_turn(
    magnification: float, nominal: float, turn: float, blur_px: float, edge_px: float
) -> None:
    truth = pose(magnification, turn)
    result = register(drawn_frame(truth, FIELD, blur_px=blur_px), nominal)
    check(result, truth, edge_px=edge_px)
    count = Counter(edge.direction for edge in result.edges)
    assert min(count[way] for way in DIRECTIONS) >= 16
    # At 1x the centre square is 25 px large in this small frame.
    assert any(edge.square == "0" for edge in result.edges) == (magnification > 1.5)


@pytest.mark.parametrize("quarter", [0, 270])
def test_tilted_and_off_centre(quarter: int) -> None:
    """The chart 10 % larger than stated, half a percent of perspective to the corners."""
    truth = pose(3.3, quarter + 2.0, tilt=(4e-6, -3e-6), shift_px=(60.0, -45.0))
    check(register(drawn_frame(truth, FIELD), 3.0), truth, edge_px=0.4)


SQUARE_ON = pose(2.2, 90.0)


@pytest.fixture(scope="module")
def found() -> Registration:
    return register(drawn_frame(SQUARE_ON, FIELD), 2.2)


def test_regions_hold_one_edge_and_nothing_else(found: Registration) -> None:
    dark = coverage(SQUARE_ON, FIELD)
    for edge in found.edges:
        rows, cols, inside = region_window(edge.region, SHAPE)
        angle = np.radians(edge.region.angle_deg)
        row = np.arange(rows.start, rows.stop)[:, np.newaxis] - edge.region.centre_row
        col = np.arange(cols.start, cols.stop) - edge.region.centre_col
        across = row * np.sin(angle) + col * np.cos(angle)
        patch = dark[rows, cols]
        assert (patch[inside & (across < -1.5)] == 1).all()
        assert (patch[inside & (across > 1.5)] == 0).all()


def test_directions_are_told_by_axis_and_ray(found: Registration) -> None:
    for edge in found.edges:
        line = np.radians(edge.region.angle_deg + 90)
        along = np.array([np.cos(line), np.sin(line)])
        if edge.direction in ("horizontal", "vertical"):
            level = abs(along[0]) if edge.direction == "horizontal" else abs(along[1])
            assert level > np.cos(np.radians(9))
        else:
            ray = np.array([edge.field_x, edge.field_y])
            ray /= np.hypot(*ray)
            near = ray if edge.direction == "radial" else ray[::-1] * (1, -1)
            assert abs(along @ near) > np.cos(np.radians(15))


def test_small_squares_are_left_out() -> None:
    """None below 32 px, so that few are left of all that are in view."""
    result = register(drawn_frame(pose(1.0, 0.0), FIELD), 1.0)
    sides = {s.name: s.side_mm * 1000 / PITCH_UM for s in FIELD.squares}
    names = {edge.square for edge in result.edges}
    assert min(sides[name] for name in names) >= 32 * 0.99
    assert len(names) < 0.4 * len(FIELD.squares)


def test_covered_and_stained_squares_do_no_harm() -> None:
    truth = pose(2.5, 0.0)
    rng = np.random.default_rng(4)
    lost = set(rng.choice([s.name for s in FIELD.squares], 25, replace=False).tolist())
    kept = replace(FIELD, squares=tuple(s for s in FIELD.squares if s.name not in lost))
    stain = np.zeros(SHAPE)
    for row, col in rng.integers(0, SHAPE, (15, 2)):
        stain[row : row + 14, col : col + 14] = 1
    result = register(drawn_frame(truth, kept, stain=stain), 2.5)
    assert result.measured_magnification == pytest.approx(2.5, rel=1e-3)
    cut = {s.name for s in FIELD.squares if not _whole(truth(s.corners_mm()))}
    assert not (lost - cut) & {edge.square for edge in result.edges}
    assert worst_edge_px(result, truth, FIELD) < 3


def _whole(corners: np.ndarray) -> bool:
    return bool(((corners >= 0) & (corners <= np.array(SHAPE[::-1]) - 1)).all())


def test_a_simulated_frame_out_of_focus() -> None:
    rig = SimulatedRig(
        n_rows=SHAPE[0], n_cols=SHAPE[1], pixel_pitch_um=PITCH_UM, rotation_deg=181.4
    )
    raw = render_frame(
        rig,
        SHEET.field_for(2.0),
        magnification=2.05,
        stop=4.0,
        focus_offset_object_um=150.0,
        rng=np.random.default_rng(3),
    )
    frame = Frame(
        path=Path("invented.dng"),
        pixels=raw.astype(np.float32) - rig.black_dn,
        pattern=RGGB,
        saturated=raw >= rig.white_dn,
        white_dn=float(rig.white_dn - rig.black_dn),
    )
    result = register(frame, 2.0)
    assert result.measured_magnification == pytest.approx(2.05, rel=5e-4)
    assert result.rotation_deg == pytest.approx(-178.6, abs=0.02)


def test_a_chart_from_behind_is_told() -> None:
    assert "from behind" in reason(drawn_frame(pose(3.0, 92.0, mirrored=True), FIELD), 3.0)


def test_a_chart_without_marks_is_told() -> None:
    """Squares everywhere else: nothing tells the turns apart but the bare places."""
    bare = replace(FIELD, marks=())
    filled = [s for s in FIELD.squares if s.name != "0"]
    assert "marks among the squares" in reason(
        drawn_frame(pose(3.0, 2.0), replace(bare, squares=(*filled, *_at_marks()))), 3.0
    )


def _at_marks() -> list:  # type: ignore[type-arg]
    squares = []
    for mark in FIELD.marks:
        if mark.role != "code":
            middle = np.mean(mark.polygon_mm, axis=0)
            squares.append(
                replace(
                    FIELD.squares[0],
                    name=f"{mark.role} {len(squares)}",
                    centre_mm=tuple(middle),
                    side_mm=0.11 * float(np.hypot(*middle)),
                )
            )
    return squares


@pytest.mark.parametrize("nominal", [2.0 * 1.3, 2.0 / 1.3])
def test_a_magnification_off_by_two_rings_is_told(nominal: float) -> None:
    """The squares' places look the same there; the marks do not."""
    assert reason(drawn_frame(pose(2.0, 1.0), FIELD), nominal)


def test_the_chart_for_one_magnification_is_told_from_it() -> None:
    other = square_field(magnification=2.0, sensor_width_mm=SIZE_MM[0], sensor_height_mm=SIZE_MM[1])
    frame = drawn_frame(pose(2.0, 1.0), other)
    assert "chart for 2x" in reason(frame, 2.0)
    nested = drawn_frame(pose(2.0, 1.0), FIELD)
    assert reason(nested, 2.0, other)


@pytest.mark.parametrize(
    ("rows", "said"), [(200, "too few pixels (300 x 200)"), (320, "32 px a side"), (480, "")]
)
def test_a_frame_of_few_pixels(rows: int, said: str) -> None:
    """In 480 x 320 pixels no square is large enough to measure, in 720 x 480 a few are."""
    pitch_um = PITCH_UM * SHAPE[0] / rows
    shape = (rows, rows * 3 // 2)
    truth = Pose(magnification=2.5, turn_deg=1.0, shape=shape, pitch_um=pitch_um)
    frame = drawn_frame(truth, FIELD, blur_px=0.6)
    result = register_field(frame, SHEET.field_for(2.5), magnification=2.5, pixel_pitch_um=pitch_um)
    if isinstance(result, Rejection):
        assert said and said in result.reason
    else:
        assert not said
        assert result.measured_magnification == pytest.approx(2.5, rel=1e-3)
        assert 8 <= len(result.edges) < 100


def test_a_flat_frame_is_told() -> None:
    flat = replace(FIELD, squares=(), marks=())
    assert "no dark squares" in reason(drawn_frame(pose(2.0, 0.0), flat, shading=0.0), 2.0)
