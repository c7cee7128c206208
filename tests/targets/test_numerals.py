"""Digits of bars: which bars are dark, none overlap, size and stretch, bad texts."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from targets.numerals import HEIGHT_STROKES, number_polygons, number_strokes

# Middles of the seven bars, in strokes from a digit's upper left corner, and which of
# them each digit shows: the usual reading, clockwise from the top, then the middle one.
BAR_AT = {"a": (2, 0.5), "b": (3.5, 2), "c": (3.5, 5), "d": (2, 6.5), "e": (0.5, 5)}
BAR_AT |= {"f": (0.5, 2), "g": (2, 3.5)}
BARS = {
    **{"0": "abcdef", "2": "abged", "3": "abgcd", "4": "fgbc", "5": "afgcd"},
    **{"6": "afgedc", "7": "abc", "8": "abcdefg", "9": "abcdfg"},
}


def is_dark(text: str, at: tuple[float, float]) -> bool:
    """Whether a point, in strokes from the text's upper left corner, lies in a rectangle."""
    centre = 0.5 * number_strokes(text), 0.5 * HEIGHT_STROKES
    boxes = [np.array(p) for p in number_polygons(text, centre_mm=centre, stroke_mm=1.0)]
    return any((box.min(0) < at).all() and (at < box.max(0)).all() for box in boxes)


def rectangles(text: str, stroke_mm: float = 0.3, stretch: float = 1.0) -> list[tuple[float, ...]]:
    polygons = number_polygons(text, centre_mm=(2.0, -7.0), stroke_mm=stroke_mm, stretch=stretch)
    return [(*np.min(p, axis=0), *np.max(p, axis=0)) for p in polygons]


@pytest.mark.parametrize("digit", sorted(BARS))
def test_each_digit_shows_its_bars_and_no_other(digit: str) -> None:
    dark = {bar for bar, at in BAR_AT.items() if is_dark(digit, at)}
    assert dark == set(BARS[digit])


def test_the_one_is_two_bars_on_top_of_each_other() -> None:
    assert number_strokes("1") == 1
    assert all(is_dark("1", (0.5, y)) for y in (0.2, 2, 3.5, 5, 6.8))


def test_all_digits_differ() -> None:
    shapes = {tuple(np.round(rectangles(digit), 9).ravel()) for digit in "0123456789"}
    assert len(shapes) == 10


@pytest.mark.parametrize("digit", sorted(BARS))
def test_the_ground_inside_a_digit_is_two_strokes_wide(digit: str) -> None:
    """Both places between the level bars are clear, from bar to bar."""
    for x, y in itertools.product((1.05, 2, 2.95), (1.05, 2, 2.95, 4.05, 5, 5.95)):
        assert not is_dark(digit, (x, y))


def test_minus_point_and_letters() -> None:
    assert is_dark("-", (2, 3.5)) and not is_dark("-", (2, 0.5))
    assert is_dark(".", (0.5, 6.5)) and not is_dark(".", (0.5, 4.5))
    # three legs under one bar; two legs on one bar
    assert [is_dark("m", (x, 5.5)) for x in (0.5, 1.5, 2.5, 3.5, 4.5)] == [1, 0, 1, 0, 1]
    assert [is_dark("m", (x, 3.5)) for x in (0.5, 1.5, 2.5, 3.5, 4.5)] == [1, 1, 1, 1, 1]
    assert [is_dark("u", (x, 4.5)) for x in (0.5, 1.5, 2.5)] == [1, 0, 1]
    assert [is_dark("u", (x, 6.5)) for x in (0.5, 1.5, 2.5)] == [1, 1, 1]


@pytest.mark.parametrize("text", ["-380", "12.57", "4690", "um", "mm"])
def test_rectangles_never_overlap_and_leave_no_seam(text: str) -> None:
    """Exact: the area covered, counted on a fine grid, is the sum of the rectangles' areas."""
    centre = 0.5 * number_strokes(text), 0.5 * HEIGHT_STROKES
    boxes = [np.array(p) for p in number_polygons(text, centre_mm=centre, stroke_mm=1.0)]
    x = np.arange(0, number_strokes(text), 0.125) + 0.0625
    y = np.arange(0, HEIGHT_STROKES, 0.125) + 0.0625
    times = sum(
        ((box.min(0)[0] < x) & (x < box.max(0)[0]))[:, None]
        * ((box.min(0)[1] < y) & (y < box.max(0)[1])).astype(int)
        for box in boxes
    )
    assert np.max(times) == 1
    area = sum(np.prod(np.ptp(box, axis=0)) for box in boxes)
    assert np.sum(times) * 0.125**2 == pytest.approx(area)


def test_size_centre_and_stretch() -> None:
    """Exact: widths grow by the stretch, heights do not, the centre stays."""
    plain, wide = np.array(rectangles("-27.5")), np.array(rectangles("-27.5", stretch=1.7))
    low, high = plain[:, :2].min(0), plain[:, 2:].max(0)
    # minus and three digits of 4 strokes, a point of 1, four gaps of 1.5
    assert number_strokes("-27.5") == 4 * 4 + 1 + 4 * 1.5
    assert high[0] - low[0] == pytest.approx(0.3 * 23)
    assert high[1] - low[1] == pytest.approx(0.3 * 7)
    assert (low + high) / 2 == pytest.approx([2.0, -7.0])
    assert wide[:, ::2] - 2.0 == pytest.approx(1.7 * (plain[:, ::2] - 2.0))
    assert wide[:, 1::2] == pytest.approx(plain[:, 1::2])


@pytest.mark.parametrize("text", ["", "1,5", "x", "−3", " 4"])
def test_what_has_no_bars_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is not made of"):
        number_strokes(text)
    with pytest.raises(ValueError, match="is not made of"):
        number_polygons(text, centre_mm=(0, 0), stroke_mm=1.0)
