"""The values of a mosaic read in parts are those of the whole computed at once."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from lab.frames.linear import LinearMosaic
from lab.frames.raw import with_neighbours

STORED = np.random.default_rng(5).integers(0, 16384, (37, 53), dtype=np.uint16)
PATTERNS = {
    "2 x 2": np.array([[512.0, 509.25], [513.5, 511.0]], dtype=np.float32),
    "3 x 2": np.array([[64.0, 65.5], [66.0, 60.25], [61.0, 63.75]], dtype=np.float32),
    "1 x 1": np.array([[256.5]], dtype=np.float32),
}
WINDOWS = [
    (slice(3, 20), slice(5, 50)),
    (slice(None), slice(None)),
    (slice(1, None, 2), slice(4, 41, 3)),
    (slice(30, 2, -3), slice(None, None, -1)),
    (slice(7, 7), slice(0, 9)),
    slice(5, 11),
    11,
    (12, 31),
    (-1, -2),
    (slice(2, 30), 4),
    (5, slice(9, 2, -2)),
    (np.array([[3], [8], [-4]]), np.array([[1, 2, 52]])),
    np.ix_(np.arange(2, 30, 3), np.arange(1, 50, 7)),
    (np.array([1, 2, 3]), slice(2, 9)),
    STORED > 9000,
]


def whole(black_dn: Any) -> Any:
    n_row, n_col = STORED.shape
    p, q = black_dn.shape
    level = black_dn[np.arange(n_row)[:, None] % p, np.arange(n_col) % q]
    return STORED.astype(np.float32) - level


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("window", WINDOWS, ids=str)
def test_exact_any_part_is_that_of_the_whole(pattern: str, window: Any) -> None:
    black_dn = PATTERNS[pattern]
    part = LinearMosaic(STORED, black_dn)[window]
    expected = whole(black_dn)[window]
    np.testing.assert_array_equal(part, expected)
    assert part.dtype == np.float32
    assert np.shape(part) == np.shape(expected)


def test_exact_arithmetic_is_that_of_the_whole() -> None:
    black_dn = PATTERNS["3 x 2"]
    mosaic, expected = LinearMosaic(STORED, black_dn), whole(black_dn)
    assert (mosaic.shape, mosaic.ndim, mosaic.size, len(mosaic)) == ((37, 53), 2, 37 * 53, 37)
    np.testing.assert_array_equal(mosaic + 512, expected + 512)
    np.testing.assert_array_equal(1 / (mosaic * mosaic + 1), 1 / (expected * expected + 1))
    np.testing.assert_array_equal(np.roll(mosaic, 3, axis=1), np.roll(expected, 3, axis=1))
    np.testing.assert_array_equal(mosaic.copy(), expected)
    assert np.asarray(mosaic, dtype=np.float64).dtype == np.float64
    for beyond in (37, (0, 53), (np.array([40]), np.array([0]))):
        with pytest.raises(IndexError):
            _ = mosaic[beyond]


@pytest.mark.parametrize("n_row", [1, 63, 64, 65, 129])
def test_exact_a_mask_grows_by_one_pixel_each_way_across_strips(n_row: int) -> None:
    mask = np.random.default_rng(n_row).random((n_row, 30)) < 0.02
    padded = np.pad(mask, 1)
    expected = np.zeros_like(mask)
    for row in range(3):
        for col in range(3):
            expected |= padded[row : row + n_row, col : col + 30]
    np.testing.assert_array_equal(with_neighbours(mask), expected)
