"""Recovery: charts drawn at known turns, sizes, blurs and tilts; frames that are no such chart.

The frames are drawn from the layout's polygons and nothing of the registration, and
once by the simulator.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lab.edges.register import Registration, register_field
from lab.edges.types import Rejection
from lab.edges.window import region_inside, region_window
from lab.frames.frame import Frame
from lab.simulate.render import render_frame
from lab.simulate.rig import SimulatedRig
from targets.chart import square_field
from targets.layout import Field
from tests.edges.drawn import RGGB, Pose, coverage, drawn_frame, worst_edge_px

SHAPE = Pose.shape
PITCH_UM = Pose.pitch_um
NOMINAL = Pose.magnification
FIELD = square_field(
    magnification=NOMINAL,
    sensor_width_mm=SHAPE[1] * PITCH_UM / 1000,
    sensor_height_mm=SHAPE[0] * PITCH_UM / 1000,
)
SIDE_PX = FIELD.squares[0].side_mm * NOMINAL * 1000 / PITCH_UM  # 91


def shoot(pose: Pose, *, field: Field = FIELD, **how: Any) -> Frame:
    return drawn_frame(pose, field, **how)


def register(frame: Frame, *, field: Field = FIELD) -> Registration:
    result = register_field(frame, field, magnification=NOMINAL, pixel_pitch_um=PITCH_UM)
    assert not isinstance(result, Rejection), result.reason
    return result


def reason(frame: Frame, *, field: Field = FIELD) -> str:
    result = register_field(frame, field, magnification=NOMINAL, pixel_pitch_um=PITCH_UM)
    assert isinstance(result, Rejection)
    return result.reason


def check(result: Registration, pose: Pose, *, edge_px: float) -> None:
    assert result.measured_magnification == pytest.approx(pose.magnification, rel=0.002)
    turn = (result.rotation_deg - pose.turn_deg + 180) % 360 - 180
    assert abs(turn) < 0.1
    assert result.orientation == round(pose.turn_deg / 90) % 4 * 90
    assert worst_edge_px(result, pose, FIELD) < edge_px
    assert all(region_inside(edge.region, SHAPE) for edge in result.edges)


@pytest.mark.parametrize("turn", [-10.0, -2.5, 10.0])
@pytest.mark.parametrize("quarter", [0, 90, 180, 270])
# The gap is about one side, 91 px; a Gaussian of 18 px is 42 px wide at half height.
@pytest.mark.parametrize(("blur_px", "edge_px"), [(0.8, 0.4), (8.0, 0.5), (18.0, 1.0)])
def test_every_turn_and_blur(quarter: int, turn: float, blur_px: float, edge_px: float) -> None:
    pose = Pose(turn_deg=quarter + turn)
    result = register(shoot(pose, blur_px=blur_px))
    check(result, pose, edge_px=edge_px)
    # Every square that lies in the frame with its blur and two bins of the search, and
    # three of its edges at least.
    margin = blur_px + 4
    corners = np.array([pose(s.corners_mm()) for s in FIELD.squares])
    inside = (
        ((corners > margin) & (corners < np.array(SHAPE[::-1]) - margin)).all(axis=(1, 2)).sum()
    )
    assert inside >= 9
    assert result.squares_matched >= inside
    assert len(result.edges) >= 3 * inside


@pytest.mark.parametrize("magnification", [1.72, 1.9, 2.13, 2.28])
def test_the_nominal_magnification_may_be_off(magnification: float) -> None:
    pose = Pose(magnification=magnification)
    check(register(shoot(pose)), pose, edge_px=0.4)


@pytest.mark.parametrize("shift", [(140.0, 30.0), (0.0, -110.0), (-90.0, 90.0)])
def test_squares_may_be_cut_off(shift: tuple[float, float]) -> None:
    pose = Pose(shift_px=shift, turn_deg=184)
    result = register(shoot(pose))
    check(result, pose, edge_px=0.5)
    assert result.squares_matched < 15


@pytest.mark.parametrize("turn", [92.0, 272.0])
def test_the_other_marks_help_when_the_orientation_mark_is_outside(turn: float) -> None:
    pose = Pose(magnification=2.2, turn_deg=turn)
    check(register(shoot(pose)), pose, edge_px=0.4)


def test_a_tilted_chart_keeps_its_edges_in_place() -> None:
    pose = Pose(tilt=(6e-5, -4e-5))
    result = register(shoot(pose))
    check(result, pose, edge_px=0.4)


def test_covered_and_stained_squares_do_no_harm() -> None:
    pose = Pose(shift_px=(0.0, 0.0))
    kept = replace(FIELD, squares=FIELD.squares[2:])
    col, row = pose([FIELD.squares[7].centre_mm])[0]
    stain = np.zeros(SHAPE)  # of 10 % of the square, at one of its sides
    stain[round(row - SIDE_PX * 0.3) : round(row), round(col) : round(col + SIDE_PX * 0.85)] = 1
    result = register(shoot(pose, field=kept, stain=stain))
    assert result.squares_matched == 13
    assert not {"1", "2"} & {edge.square for edge in result.edges}
    assert result.measured_magnification == pytest.approx(NOMINAL, rel=5e-4)
    clean = replace(result, edges=tuple(e for e in result.edges if e.square != "8"))
    assert worst_edge_px(clean, pose, FIELD) < 0.4


@pytest.mark.parametrize("turn", [0.0, 94.0])
def test_regions_hold_one_edge_and_nothing_else(turn: float) -> None:
    pose = Pose(turn_deg=turn)
    dark = coverage(pose, FIELD)
    result = register(shoot(pose))
    for edge in result.edges:
        rows, cols, inside = region_window(edge.region, SHAPE)
        angle = np.radians(edge.region.angle_deg)
        row = np.arange(rows.start, rows.stop)[:, np.newaxis] - edge.region.centre_row
        col = np.arange(cols.start, cols.stop) - edge.region.centre_col
        across = row * np.sin(angle) + col * np.cos(angle)
        patch = dark[rows, cols]
        assert (patch[inside & (across < -1.5)] == 1).all()
        assert (patch[inside & (across > 1.5)] == 0).all()
        assert 0.25 * SIDE_PX < edge.region.half_width_px < 0.46 * SIDE_PX
        assert edge.region.length_px == pytest.approx(0.7 * SIDE_PX, rel=0.01)


def test_directions_and_places_are_those_of_the_frame() -> None:
    result = register(shoot(Pose(turn_deg=90.0, shift_px=(0.0, 0.0))))
    by_name = {(edge.square, edge.edge): edge for edge in result.edges}
    top = by_name["8", "top"]  # on its side: the top of the middle square looks right
    half_diagonal = np.hypot(*SHAPE) / 2
    assert top.direction == "vertical"
    assert (top.field_x, top.field_y) == pytest.approx(
        (SIDE_PX / 2 / half_diagonal, 0), abs=0.1 * SIDE_PX / half_diagonal
    )
    assert by_name["8", "right"].direction == "horizontal"
    assert by_name["8", "right"].field_y > 0


def test_the_stated_uncertainty_holds_the_error() -> None:
    score = []
    for seed in range(8):
        pose = Pose(turn_deg=-5 + seed, magnification=1.95 + 0.01 * seed)
        result = register(shoot(pose, blur_px=4, seed=seed))
        error = result.measured_magnification - pose.magnification
        score.append(error / result.measured_magnification_std)
        assert 0 < result.measured_magnification_std < 1e-3 * pose.magnification
    # Root mean square of 8 normal deviates: 0.33 to 1.81 in 998 of 1000 cases.
    assert 0.33 < np.sqrt(np.mean(np.square(score))) < 1.81


def test_a_simulated_frame() -> None:
    rig = SimulatedRig(n_rows=SHAPE[0], n_cols=SHAPE[1], rotation_deg=181.4)
    raw = render_frame(
        rig,
        FIELD,
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
    result = register(frame)
    assert result.measured_magnification == pytest.approx(2.05, rel=5e-4)
    assert result.rotation_deg == pytest.approx(-178.6, abs=0.02)
    assert (result.orientation, result.squares_matched) == (180, 15)


def test_three_planes_register_like_a_mosaic() -> None:
    pose = Pose()
    mosaic = shoot(pose)
    scene = 2000 * (1 - 0.94 * coverage(pose, FIELD))
    planes = replace(
        mosaic,
        pixels=np.repeat(scene[:, :, np.newaxis], 3, axis=2).astype(np.float32),
        pattern=np.zeros((0, 0), np.int8),
    )
    check(register(planes), pose, edge_px=0.4)


def test_a_chart_from_behind_is_told() -> None:
    assert "orientation mark" in reason(shoot(Pose(mirrored=True)))


@pytest.mark.parametrize("turn", [3.0, 93.0, 183.0])
def test_a_missing_orientation_mark_is_told(turn: float) -> None:
    blank = replace(FIELD, marks=tuple(m for m in FIELD.marks if m.role != "orientation"))
    assert "orientation mark" in reason(shoot(Pose(turn_deg=turn), field=blank))


def test_too_few_squares_are_counted() -> None:
    few = replace(FIELD, squares=FIELD.squares[:3])
    assert reason(shoot(Pose(), field=few)).startswith("only 3 of 15 squares were found")


def test_a_turn_far_from_upright_is_told() -> None:
    assert "do not fit the chart for 2x" in reason(shoot(Pose(turn_deg=40.0)))


def test_another_magnification_is_told() -> None:
    assert "of 15 squares" in reason(shoot(Pose(magnification=1.2)))


def test_a_flat_frame_is_told() -> None:
    flat = replace(FIELD, squares=(), marks=())
    assert "no dark squares" in reason(shoot(Pose(), field=flat, shading=0.0))


def test_bad_input() -> None:
    frame = shoot(Pose())
    for magnification, pitch in ((0.0, 4.35), (np.nan, 4.35), (2.0, -1.0)):
        with pytest.raises(ValueError, match="must be > 0"):
            register_field(frame, FIELD, magnification=magnification, pixel_pitch_um=pitch)
    for broken in (replace(FIELD, squares=FIELD.squares[:3]), replace(FIELD, marks=())):
        with pytest.raises(ValueError, match="a field needs"):
            register_field(frame, broken, magnification=2.0, pixel_pitch_um=4.35)
