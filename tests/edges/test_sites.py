"""Which sites of a window are used: against a count over every pixel of the frame."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lab.edges.sites import frame_sites, window_sites
from lab.edges.types import EdgeRegion
from lab.edges.window import region_window
from lab.frames.frame import Frame

PATTERNS = {
    "two by two": [[0, 1], [1, 2]],
    "six by six": [
        [1, 2, 0, 1, 0, 2],
        [0, 1, 1, 2, 1, 1],
        [2, 1, 1, 0, 1, 1],
        [1, 0, 2, 1, 2, 0],
        [2, 1, 1, 0, 1, 1],
        [0, 1, 1, 2, 1, 1],
    ],
    "planes": [],
}


def region(**changes: float) -> EdgeRegion:
    made = EdgeRegion(
        name="edge",
        centre_row=83.3,
        centre_col=101.7,
        angle_deg=-97.0,
        length_px=90.0,
        half_width_px=31.0,
    )
    return replace(made, **changes)


def frame(pattern: str, shape: tuple[int, int] = (180, 230)) -> Frame:
    rng = np.random.default_rng(3)
    planes = (3,) if pattern == "planes" else ()
    return Frame(
        path=Path("frame"),
        pixels=rng.normal(500, 100, (*shape, *planes)).astype(np.float32),
        pattern=np.array(PATTERNS[pattern] or np.empty((0, 0)), dtype=np.int8),
        saturated=rng.random(shape) < 0.03,
        white_dn=4000.0,
    )


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("channel", ["red", "green", "blue"])
@pytest.mark.parametrize("angle", [-97.0, 12.0, 133.0])
def test_a_strip_holds_exactly_the_channels_unsaturated_sites_near_the_line(
    pattern: str, channel: str, angle: float
) -> None:
    shot, where = frame(pattern), region(angle_deg=angle)
    line, offset, reach = np.radians(angle + 2.0), 3.7, 9.2
    found = frame_sites(shot, channel, where).strip(line, offset, reach)
    rows, cols, inside = region_window(where, shot.shape)
    value, clean = shot.region(channel, rows, cols)
    row, col = np.nonzero(inside & clean)
    up, across = row - (inside.shape[0] - 1) / 2, col - (inside.shape[1] - 1) / 2
    near = np.abs(across * np.cos(line) + up * np.sin(line) - offset) <= reach
    expected = sorted(zip(up[near], across[near], value[row, col][near], strict=True))
    assert len(expected) > 50
    np.testing.assert_allclose(
        sorted(zip(found.row, found.col, found.value, strict=True)), expected
    )


@pytest.mark.parametrize("pattern", PATTERNS)
def test_a_small_window_is_looked_at_whole(pattern: str) -> None:
    shot, where = frame(pattern), region()
    rows, cols, inside = region_window(where, shot.shape)
    _, clean = shot.region("green", rows, cols)
    found = frame_sites(shot, "green", where).thinned(largest_gap_px=20)
    assert found.value.size == np.count_nonzero(inside & clean)


def test_of_a_large_window_some_rows_are_looked_at_at_many_phases() -> None:
    large = np.zeros((900, 900))
    found = window_sites(large, np.ones(large.shape, dtype=bool)).thinned(largest_gap_px=66)
    rows = np.unique(found.row)
    assert 20_000 < found.value.size < 40_000
    assert np.diff(rows).max() < 66
    # An edge that moves by a tenth of a pixel a row meets the grid at nearly all tenths.
    assert np.unique(np.round(rows * 0.1 % 1, 3)).size >= 8


def test_rows_stay_close_enough_to_fill_every_cell() -> None:
    large = np.zeros((900, 900))
    found = window_sites(large, np.ones(large.shape, dtype=bool)).thinned(largest_gap_px=8)
    assert np.diff(np.unique(found.row)).max() < 8


def test_the_share_of_clipped_sites_is_the_channels_own() -> None:
    shot = frame("two by two")
    clipped = shot.saturated.copy()
    clipped[:] = False
    clipped[::2, 1::2] = True  # half of green's sites, none of the others'
    shot = replace(shot, saturated=clipped)
    window = frame_sites(shot, "green", region())
    assert window.share_left_out == pytest.approx(0.5, abs=0.02)
    assert frame_sites(shot, "red", region()).share_left_out == 0


def test_clipped_sites_outside_the_rectangle_do_not_count() -> None:
    shot, where = frame("two by two"), region(angle_deg=-120.0)
    rows, cols, inside = region_window(where, shot.shape)
    clipped = np.zeros_like(shot.saturated)
    clipped[rows, cols] = ~inside
    assert frame_sites(replace(shot, saturated=clipped), "green", where).share_left_out == 0


def test_a_pixel_without_a_number_is_found_wherever_it_is_used() -> None:
    large = np.zeros((400, 400))
    use = np.ones(large.shape, dtype=bool)
    use[:, :7] = False
    large[317, 90], large[5, 3] = np.nan, np.inf
    window = window_sites(large, use)
    assert window.without_number == (1, use.sum())
    assert np.isfinite(window.thinned(largest_gap_px=30).value).all()  # it looks at some rows
    large[317, 90] = 0.0
    assert window.without_number == (0, use.sum())


def test_a_region_off_the_frame_is_an_error_and_a_strip_off_the_region_is_empty() -> None:
    with pytest.raises(ValueError, match="outside the frame"):
        frame_sites(frame("two by two"), "red", region(centre_row=-90.0))
    window = frame_sites(frame("two by two"), "red", region())
    assert window.strip(0.3, 400.0, 5.0).value.size == 0
