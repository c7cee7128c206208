"""Exact tests: what a region covers and what a reduced frame shows."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from lab.edges.types import EdgeRegion
from lab.edges.window import reduce_frame, region_corners, region_inside, region_window
from lab.frames.frame import Frame


def region(**changes: float) -> EdgeRegion:
    values = {
        "centre_row": 40.0,
        "centre_col": 60.0,
        "angle_deg": 30.0,
        "length_px": 30.0,
        "half_width_px": 8.0,
        **changes,
    }
    return EdgeRegion(name="test", **values)


def frame(pixels: np.ndarray, pattern: list[list[int]]) -> Frame:
    return Frame(
        path=Path("invented.dng"),
        pixels=pixels.astype(np.float32),
        pattern=np.array(pattern, np.int8).reshape((-1, 2) if pattern else (0, 0)),
        saturated=np.zeros(pixels.shape[:2], np.bool_),
        white_dn=1000.0,
    )


def test_an_upright_window_is_counted_by_hand() -> None:
    rows, cols, inside = region_window(
        region(angle_deg=0.0, length_px=10.0, half_width_px=3.5), (100, 100)
    )
    # Normal along the columns: 60 +- 3.5 by 40 +- 5.
    assert (rows, cols) == (slice(35, 46), slice(57, 64))
    assert inside.shape == (11, 7)
    assert inside.all()


@pytest.mark.parametrize("angle", [-170.0, -90.0, 17.0, 63.0, 151.0])
def test_a_turned_window_has_the_area_and_the_centre_of_its_rectangle(angle: float) -> None:
    turned = region(angle_deg=angle, length_px=40.4, half_width_px=8.3)
    rows, cols, inside = region_window(turned, (100, 120))
    # A pixel counts whole or not at all: a quarter of a pixel along the perimeter of 114.
    assert inside.sum() == pytest.approx(40.4 * 16.6, abs=28)
    r, c = np.nonzero(inside)
    assert (r.mean() + rows.start, c.mean() + cols.start) == pytest.approx((40, 60), abs=0.3)


def test_the_long_side_runs_across_the_normal() -> None:
    _, _, inside = region_window(region(angle_deg=90.0), (100, 120))
    assert inside.shape == (17, 31)  # normal along the rows: half width 8, length 30


def test_corners_lie_half_a_diagonal_from_the_centre() -> None:
    away = region_corners(region()) - (40, 60)
    assert np.hypot(*away.T) == pytest.approx(17.0)  # hypot(15, 8)


def test_a_window_over_the_border_is_clipped_and_told_apart() -> None:
    near = region(centre_row=3.0)
    rows, cols, inside = region_window(near, (100, 120))
    assert rows.start == 0
    assert inside.shape == (rows.stop - rows.start, cols.stop - cols.start)
    assert not region_inside(near, (100, 120))
    assert region_inside(region(), (100, 120))
    with pytest.raises(ValueError, match="outside the frame"):
        region_window(region(centre_row=-50.0), (100, 120))


def test_whole_periods_are_averaged_and_the_mosaic_vanishes() -> None:
    rows, cols = np.indices((90, 130))
    mosaic = 100.0 + 50 * (rows % 2) + 20 * (cols % 2)
    reduced = reduce_frame(frame(mosaic, [[0, 1], [1, 2]]), longest=33)
    # 130 / 33 needs bins of 4, a multiple of the period; two rows and columns are left over.
    assert reduced.bin_px == 4
    assert reduced.image.shape == (22, 32)
    assert reduced.image == pytest.approx(135.0)


def test_planes_are_averaged_together_where_they_are() -> None:
    rows, cols = np.indices((60, 80))
    planes = np.stack([rows, cols, rows + cols], axis=2)
    reduced = reduce_frame(frame(planes, []), longest=27)
    assert reduced.bin_px == 3
    r, c = np.indices(reduced.image.shape)
    expected = 2 * (reduced.to_frame(r) + reduced.to_frame(c)) / 3
    assert reduced.image == pytest.approx(expected, rel=1e-6)


def test_positions_go_there_and_back() -> None:
    reduced = reduce_frame(frame(np.zeros((60, 80)), [[0, 1], [1, 2]]), longest=20)
    assert reduced.to_frame(0.0) == pytest.approx(1.5)  # centre of the first bin of 4
    assert reduced.from_frame(reduced.to_frame(7.3)) == pytest.approx(7.3)


def test_bad_input() -> None:
    with pytest.raises(ValueError, match="longest"):
        reduce_frame(frame(np.zeros((60, 80)), [[0, 1], [1, 2]]), longest=0)
    with pytest.raises(ValueError, match="smaller than one bin"):
        reduce_frame(frame(np.zeros((3, 80)), [[0, 1], [1, 2]]), longest=10)
