"""The chart for a range of magnifications: what each frame of it holds, and its clear zones."""

from __future__ import annotations

import math

import numpy as np
import pytest

from targets import Field, TargetError, nested_field
from targets.layout import Square

SENSORS = {"full": (36.0, 24.0), "half": (23.5, 15.6), "four-thirds": (17.3, 13.0)}


@pytest.fixture(scope="module", params=SENSORS)
def sensor(request: pytest.FixtureRequest) -> tuple[float, float]:
    return SENSORS[request.param]


@pytest.fixture(scope="module")
def chart(sensor: tuple[float, float]) -> Field:
    return nested_field(
        magnification_low=1,
        magnification_high=5,
        sensor_width_mm=sensor[0],
        sensor_height_mm=sensor[1],
    )


def inside(square: Square, frame: tuple[float, float]) -> bool:
    return all(abs(x) < frame[0] / 2 and abs(y) < frame[1] / 2 for x, y in square.corners_mm())


@pytest.mark.parametrize("m", np.geomspace(1, 5, 14).tolist())
@pytest.mark.parametrize("upright", [False, True])
def test_every_frame_holds_all_directions_centre_and_corners(
    chart: Field, sensor: tuple[float, float], m: float, upright: bool
) -> None:
    """Exact: at least 8 edges a direction, edges at the centre and in each corner."""
    frame = (sensor[0] / m, sensor[1] / m)
    if upright:
        frame = frame[::-1]
    counts = dict.fromkeys(("horizontal", "vertical", "radial", "tangential"), 0)
    corners: set[tuple[bool, bool, bool]] = set()
    for square in chart.squares:
        # Squares of less than a twentieth of the short side are for higher magnifications.
        if not inside(square, frame) or square.side_mm < 0.02 * min(frame):
            continue
        x, y = square.centre_mm
        turn = abs(square.rotation_deg + 45) % 90 - 45  # from the axes
        oblique = abs(turn) > 15
        for kind in ("radial", "tangential") if oblique else ("horizontal", "vertical"):
            counts[kind] += 2
        if abs(x) > 0.2 * frame[0] and abs(y) > 0.2 * frame[1]:
            corners.add((x > 0, y > 0, oblique))
    assert min(counts.values()) >= 8
    assert len(corners) == 8  # upright and radial ones in each of the four
    assert any(s.centre_mm == (0, 0) for s in chart.squares)


@pytest.mark.parametrize("m", np.geomspace(1, 5, 9).tolist())
def test_every_frame_holds_a_disc_and_a_code(
    chart: Field, sensor: tuple[float, float], m: float
) -> None:
    for frame in ((sensor[0] / m, sensor[1] / m), (sensor[1] / m, sensor[0] / m)):
        seen = {
            mark.role
            for mark in chart.marks
            if all(abs(x) < frame[0] / 2 and abs(y) < frame[1] / 2 for x, y in mark.polygon_mm)
        }
        assert {"orientation", "code", "scale"} <= seen


def test_the_zone_beside_every_edge_is_clear(chart: Field) -> None:
    """Exact: as long as the edge and half a side wide, no other shape's corner lies in it."""
    shapes = [(s.name, np.array(s.corners_mm())) for s in chart.squares]
    shapes += [("mark", np.array(mark.polygon_mm)) for mark in chart.marks]
    for square in chart.squares:
        for edge in square.edges():
            middle = (np.array(edge.start_mm) + edge.end_mm) / 2
            normal = np.array(edge.normal)
            along = np.array([-normal[1], normal[0]])
            for name, corners in shapes:
                if name == square.name:
                    continue
                away = (corners - middle) / square.side_mm
                out, side = away @ normal, away @ along
                assert not np.any((out > 0) & (out < 0.5) & (np.abs(side) < 0.5)), (
                    square.name,
                    name,
                )


def test_angles_stay_off_simple_slopes(chart: Field) -> None:
    """Exact: no edge within 0.3 degrees of a slope p/q with q below 5."""
    simple = [math.degrees(math.atan2(p, q)) for q in range(1, 5) for p in range(q + 1)]
    for square in chart.squares:
        turn = abs(square.rotation_deg) % 90
        for angle in simple:
            assert min(abs(turn - angle), abs(90 - turn - angle)) > 0.3


@pytest.mark.parametrize(
    ("low", "high", "width"), [(1, 25, 36), (0.01, 1, 36), (0.05, 1, 36), (5, 20, 0.01)]
)
def test_impossible_charts_are_refused(low: float, high: float, width: float) -> None:
    with pytest.raises(TargetError, match=r"[.]"):
        nested_field(
            magnification_low=low,
            magnification_high=high,
            sensor_width_mm=width,
            sensor_height_mm=width / 1.5,
        )


@pytest.mark.parametrize("bad", [0, -1, math.nan, math.inf])
def test_numbers_must_be_numbers(bad: float) -> None:
    with pytest.raises(ValueError, match="numbers > 0"):
        nested_field(
            magnification_low=1, magnification_high=5, sensor_width_mm=bad, sensor_height_mm=24
        )
