"""Tilt, curvature and asymmetry from field points made without optics."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from lab.inference.field_shape import field_shape
from lab.inference.results import FieldPoint

HALF_DIAGONAL_MM = 14.4
GRID = [(0.7 * x, 0.45 * y) for y in (-1, 0, 1) for x in (-1, 0, 1) if x or y]
CORNERS = [place for place in GRID if 0 not in place]
TILT_DEG, CORNER_UM = (0.13, -0.08), 37.0


def made(
    places: list[tuple[float, float]],
    *,
    tilt_deg: tuple[float, float] = TILT_DEG,
    corner_um: float = CORNER_UM,
    lean: tuple[float, float] = (0.0, 0.0),
    own_std: float = 0.8,
    scale_std: float = 0.02,
    rng: np.random.Generator | None = None,
) -> list[FieldPoint]:
    """Points of a plane and a bowl, with errors of their own and a scale that all share.

    ``lean`` adds to coma squared and astigmatism what is linear in the field.
    """
    magnification = 2.0
    points = []
    scale = 0.0 if rng is None else scale_std * rng.normal()
    for number, (x, y) in enumerate(places):
        own, coma, astigmatism = np.zeros(3) if rng is None else rng.normal(size=3)
        x_mm, y_mm = x * HALF_DIAGONAL_MM / magnification, y * HALF_DIAGONAL_MM / magnification
        slope_x, slope_y = (1e3 * math.tan(math.radians(t)) for t in tilt_deg)
        radius2 = x * x + y * y
        offset = slope_x * x_mm + slope_y * y_mm + corner_um * radius2
        shared = scale_std * offset
        points.append(
            FieldPoint(
                square=str(number),
                magnification=magnification,
                field_x=x,
                field_y=y,
                x_object_mm=x_mm,
                y_object_mm=y_mm,
                focus_offset_image_um=0.0,
                focus_offset_image_std_um=0.0,
                focus_offset_object_um=offset * (1 + scale) + own_std * own,
                focus_offset_object_std_um=math.hypot(own_std, shared),
                focus_shared_object_um=(shared,),
                astigmatism_um=120 * radius2 + 90 * (lean[0] * x + lean[1] * y) + 6 * astigmatism,
                astigmatism_std_um=6.0,
                coma2_um2=0.1 * radius2 + 0.2 * (lean[0] * x + lean[1] * y) + 0.008 * coma,
                coma2_std_um2=0.008,
                stops=(),
                chi_square=1.0,
                frames_used=12,
            )
        )
    return points


# Exact


@pytest.mark.parametrize("places", [GRID, CORNERS, [(0.1, 0.6), *CORNERS]])
def test_plane_and_bowl_come_back(places: list[tuple[float, float]]) -> None:
    shape = field_shape(made(places))
    assert shape.tilt_x_deg == pytest.approx(TILT_DEG[0], abs=1e-9)
    assert shape.tilt_y_deg == pytest.approx(TILT_DEG[1], abs=1e-9)
    assert shape.curvature_corner_um == pytest.approx(CORNER_UM, abs=1e-6)
    assert shape.points_used == len(places)
    assert shape.flags == ()


def test_tilt_and_curvature_are_told_apart() -> None:
    flat = field_shape(made(GRID, corner_um=0.0))
    assert flat.curvature_corner_um == pytest.approx(0, abs=1e-6)
    assert flat.tilt_x_deg == pytest.approx(TILT_DEG[0], abs=1e-9)
    square = field_shape(made(GRID, tilt_deg=(0.0, 0.0)))
    assert square.curvature_corner_um == pytest.approx(CORNER_UM, abs=1e-6)
    assert (square.tilt_x_deg, square.tilt_y_deg) == (pytest.approx(0), pytest.approx(0))


def test_uncertainty_of_corners_alone() -> None:
    # Without shared errors and at even weights: slopes by sum of squares, bowl by sum of r**4.
    shape = field_shape(made(CORNERS, scale_std=0.0, own_std=0.8))
    x_um = 1e3 * np.array([p.x_object_mm for p in made(CORNERS)])
    expected_deg = math.degrees(0.8 / math.sqrt(np.sum(x_um**2)))
    assert shape.tilt_x_std_deg == pytest.approx(expected_deg, rel=1e-4)
    radius2 = 0.7**2 + 0.45**2
    assert shape.curvature_corner_std_um == pytest.approx(0.8 / (2 * radius2), rel=1e-4)


def test_a_shared_scale_widens_what_it_scales() -> None:
    shape = field_shape(made(GRID, scale_std=0.1, own_std=0.01))
    assert shape.tilt_x_std_deg == pytest.approx(0.1 * TILT_DEG[0], rel=0.02)
    assert shape.curvature_corner_std_um == pytest.approx(0.1 * CORNER_UM, rel=0.02)


def test_the_worse_side() -> None:
    lean = (0.3, -0.4)
    shape = field_shape(made(GRID, lean=lean))
    assert shape.asymmetry_chance < 1e-6
    assert shape.asymmetry_azimuth_deg == pytest.approx(math.degrees(math.atan2(-0.4, 0.3)), abs=1)
    assert field_shape(made(GRID)).asymmetry_chance == pytest.approx(1)


# Recovery


@pytest.mark.parametrize("places", [GRID, CORNERS])
def test_intervals_hold_the_truth(places: list[tuple[float, float]]) -> None:
    rng = np.random.default_rng(31)
    held, unlikely, n = np.zeros(3), 0, 400
    for _ in range(n):
        s = field_shape(made(places, rng=rng))
        held += [
            abs(s.tilt_x_deg - TILT_DEG[0]) < 1.96 * s.tilt_x_std_deg,
            abs(s.tilt_y_deg - TILT_DEG[1]) < 1.96 * s.tilt_y_std_deg,
            abs(s.curvature_corner_um - CORNER_UM) < 1.96 * s.curvature_corner_std_um,
        ]
        unlikely += s.asymmetry_chance < 0.05
    # 400 runs of a true 95 % give 92.7 to 97; a misfit only ever widens them.
    assert np.all(held / n > 0.927), held / n
    assert unlikely / n < 0.075


# What cannot be told, bad input


def test_too_few_points() -> None:
    shape = field_shape(made(GRID[:3]))
    assert (shape.tilt_x_deg, shape.curvature_corner_um, shape.asymmetry_chance) == (None,) * 3
    assert shape.flags == ("too-few-points",)


def test_points_in_a_line() -> None:
    shape = field_shape(made([(0.3 * k, 0.2 * k) for k in (-2, -1, 1, 2, 3)]))
    assert shape.tilt_y_deg is None
    assert shape.flags == ("points-in-a-line",)
    along_x = field_shape(made([(0.3 * k, 0.0) for k in (-2, -1, 1, 2)]))
    assert along_x.flags == ("points-in-a-line",)


def test_points_without_positions_are_passed_over() -> None:
    points = made(GRID)
    points[2] = replace(points[2], focus_offset_object_um=400.0, flags=("positions-unknown",))
    shape = field_shape(points)
    assert shape.points_used == 7
    assert shape.flags == ("positions-unknown",)
    assert shape.tilt_x_deg == pytest.approx(TILT_DEG[0], abs=1e-9)


def test_a_bent_target_is_no_plane_and_bowl() -> None:
    points = made(GRID)
    saddle = [
        replace(p, focus_offset_object_um=p.focus_offset_object_um + 60 * p.field_x * p.field_y)
        for p in points
    ]
    shape = field_shape(saddle)
    assert shape.flags == ("shape-does-not-fit",)
    assert shape.tilt_x_std_deg > 3 * field_shape(points).tilt_x_std_deg


def test_doubtful_points_are_named_and_do_not_speak_of_symmetry() -> None:
    points = [replace(p, flags=("model-does-not-fit",)) for p in made(GRID, lean=(0.3, 0.2))]
    shape = field_shape(points)
    assert shape.flags == ("model-does-not-fit",)
    assert shape.tilt_x_deg == pytest.approx(TILT_DEG[0], abs=1e-9)
    assert shape.asymmetry_chance is None


def test_astigmatism_of_open_sign_does_not_speak_of_symmetry() -> None:
    points = [
        replace(p, astigmatism_um=-p.astigmatism_um, flags=("astigmatism-sign-open",))
        if p.field_x > 0
        else p
        for p in made(GRID)
    ]
    assert field_shape(points).asymmetry_chance == pytest.approx(1)


def test_one_magnification_at_a_time() -> None:
    points = made(GRID)
    with pytest.raises(ValueError, match="one magnification"):
        field_shape([*points, replace(points[0], magnification=3.0)])
    with pytest.raises(ValueError, match="at least one"):
        field_shape([])
