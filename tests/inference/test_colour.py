"""Lateral colour from the places of edges in three colours."""

from __future__ import annotations

import math

import numpy as np
import pytest

from lab.inference.colour import lateral_colour
from lab.session.records import EdgeRecord

HALF = 1000.0  # half diagonal, px


def edges(
    stretch_px: float, shift: tuple[float, float], noise: float, rng: np.random.Generator
) -> list[EdgeRecord]:
    """Four sides of five squares in green and red; red displaced."""
    out = []
    for square, (x, y) in enumerate([(0, 0), (-0.7, -0.4), (0.7, -0.4), (-0.7, 0.4), (0.7, 0.4)]):
        for k in range(4):
            angle = 90.0 * k + 6.0
            normal = (math.cos(math.radians(angle)), math.sin(math.radians(angle)))
            outwards = x * normal[0] + y * normal[1]
            moved = shift[0] * normal[0] + shift[1] * normal[1] + stretch_px * outwards
            for channel, place in (("green", 0.3), ("red", 0.3 + moved + noise * rng.normal())):
                out.append(
                    EdgeRecord(
                        name=str(k),
                        square=str(square),
                        channel=channel,
                        direction="horizontal" if k % 2 else "vertical",
                        field_x=x,
                        field_y=y,
                        centre_row=0.0,
                        centre_col=0.0,
                        angle_deg=angle,
                        status="measured",
                        position_px=place,
                    )
                )
    return out


@pytest.mark.parametrize("stretch", [0.9, -0.35])
def test_stretch_is_told_from_a_shift(stretch: float) -> None:
    rng = np.random.default_rng(1)
    frames = [edges(stretch, (0.4, -0.7), 0.0, rng), edges(stretch, (-1.1, 0.2), 0.0, rng)]
    found = lateral_colour(frames, "red", HALF)
    assert found is not None
    assert found.corner_px == pytest.approx(stretch, abs=1e-9)
    assert found.edges == 40


def test_its_uncertainty_covers_the_truth() -> None:
    rng = np.random.default_rng(2)
    hits = 0
    for _ in range(200):
        found = lateral_colour([edges(0.5, (0.2, 0.1), 0.05, rng)], "red", HALF)
        assert found is not None
        # 17 freedoms: Student's t of 0.975 is 2.110 (tables).
        hits += abs(found.corner_px - 0.5) < 2.110 * found.corner_std_px
    assert 0.90 <= hits / 200 <= 0.99  # binomial, 99.9 %


def test_too_few_edges_say_nothing() -> None:
    rng = np.random.default_rng(3)
    centre = [e for e in edges(0.5, (0.0, 0.0), 0.0, rng) if e.square == "0"]
    assert lateral_colour([centre], "red", HALF) is None
    assert lateral_colour([edges(0.5, (0.0, 0.0), 0.0, rng)], "blue", HALF) is None


def test_half_diagonal_must_be_positive() -> None:
    with pytest.raises(ValueError, match="half_diagonal_px"):
        lateral_colour([], "red", 0.0)
