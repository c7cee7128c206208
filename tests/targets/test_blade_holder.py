"""Blade holder: angle and place of the edge, window, outlines, words, bad input."""

from __future__ import annotations

import itertools
import json
import math
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from targets import PAPERS_MM, Page, TargetError
from targets.blade_holder import (
    BladeHolder,
    blade_holder_pages,
    blade_holder_record,
    write_blade_holder,
)
from tests.targets.sheet_checks import clashes

Points = npt.NDArray[np.float64]
SENSORS_MM = [(36.0, 24.0), (23.5, 15.6)]
NOTES = (
    "The diffuser stands 40 mm or more behind the blade (invented), opal glass or drafting film.",
    "Paper cannot serve at this magnification; a blade does.",
)
# 1 / (11 + 1 - g), g the golden section 0.618: 5.021 degrees.
ANGLE_DEG = math.degrees(math.atan(1 / (12 - 0.5 * (math.sqrt(5) - 1))))
BRIGHT = np.array([math.cos(math.radians(ANGLE_DEG)), math.sin(math.radians(ANGLE_DEG))])


def holder_of(magnification: float, sensor_mm: tuple[float, float] = (36.0, 24.0)) -> BladeHolder:
    return blade_holder_record(
        magnification_low=magnification, sensor_width_mm=sensor_mm[0], sensor_height_mm=sensor_mm[1]
    )


def drawn_lines(page: Page, width_mm: float) -> list[tuple[Points, Points]]:
    """Ends of the middle lines of all strokes of a width."""
    found = []
    for group in page.shapes_mm:
        if len(group) == 1 and len(group[0]) == 4:
            a, b, c, d = np.array(group[0])
            if np.hypot(*(d - a)) == pytest.approx(width_mm, abs=1e-6):
                found.append((0.5 * (a + d), 0.5 * (b + c)))
    return found


def middle_of(page: Page) -> Points:
    """Where the cross is drawn: the middles of two strokes of 6 mm agree there."""
    lines = [np.mean(ends, axis=0) for ends in drawn_lines(page, 0.15)]
    pairs = [a for a, b in itertools.combinations(lines, 2) if np.abs(a - b).max() < 1e-6]
    assert len(pairs) >= 1
    return pairs[0]


def test_the_edge_leans_by_a_golden_slope() -> None:
    """Exact: 0.001 degree, in the record and as drawn, through the middle of the window."""
    holder = holder_of(1.4)
    assert holder.edge_angle_deg == pytest.approx(ANGLE_DEG, abs=1e-6)
    (x0, y0), (x1, y1) = holder.edge_line_mm
    assert math.degrees(math.atan2(x0 - x1, y1 - y0)) == pytest.approx(ANGLE_DEG, abs=0.001)
    assert (x0 + x1, y0 + y1) == pytest.approx((0, 0), abs=1e-6)
    assert (y0, y1) == pytest.approx((-55, 55), abs=1e-5)
    (page,) = blade_holder_pages(holder)
    start, end = max(
        drawn_lines(page, 0.15), key=lambda ends: float(np.hypot(*(ends[1] - ends[0])))
    )
    along = start - end
    assert math.degrees(math.atan2(along[0], -along[1])) == pytest.approx(ANGLE_DEG, abs=0.001)
    assert 0.5 * (start + end) == pytest.approx(middle_of(page), abs=1e-5)


def test_a_quarter_turn_makes_the_near_vertical_edge_near_horizontal() -> None:
    """Exact: window, field and flaps serve both positions; the angle grows by 90."""
    holder = holder_of(1.4)
    turned = np.array(holder.edge_line_mm) @ np.array([[0, 1], [-1, 0]])
    rise = math.degrees(math.atan2(turned[0, 1] - turned[1, 1], turned[0, 0] - turned[1, 0]))
    assert rise == pytest.approx(ANGLE_DEG, abs=0.001)
    window = np.array(holder.window_mm)
    for width, height in ((36 / 1.4, 24 / 1.4), (24 / 1.4, 36 / 1.4)):
        # the bright half of the frame, in either position, sees window alone
        corners = np.array(
            list(itertools.product((-width / 2, width / 2), (-height / 2, height / 2)))
        )
        for corner in corners[corners @ BRIGHT > 0]:
            assert (np.abs(corner) < window.max(0)).all()


def inside(polygon: Points, point: Points) -> bool:
    along = np.roll(polygon, -1, axis=0) - polygon
    to = point - polygon
    return bool((along[:, 0] * to[:, 1] - along[:, 1] * to[:, 0] > 0).all())


@pytest.mark.parametrize("sensor_mm", SENSORS_MM)
@pytest.mark.parametrize("magnification", [0.7, 1.0, 2.0, 5.0])
def test_the_edge_stands_free_over_the_window_and_the_back_on_card(
    sensor_mm: tuple[float, float], magnification: float
) -> None:
    """Exact: the window's border runs 3 mm behind the edge and parallel to it."""
    holder = holder_of(magnification, sensor_mm)
    window = np.array(holder.window_mm)
    assert (window @ BRIGHT).min() == pytest.approx(-3, abs=1e-5)
    assert np.sum(np.abs(window @ BRIGHT + 3) < 1e-5) == 2
    size = max(20, 1.3 * max(sensor_mm) / magnification)
    assert np.ptp(window[:, 1]) == pytest.approx(size, abs=1e-5)
    assert window[:, 0].max() == pytest.approx(size / 2, abs=1e-5)
    assert inside(window, np.zeros(2)) and inside(window, -2.9 * BRIGHT)
    assert not inside(window, -3.1 * BRIGHT)
    assert (np.abs(window) <= 40).all()  # 15 mm of card all around


def test_outlines_lie_with_their_edge_on_the_line() -> None:
    """Exact: sizes of blades and film, all behind the edge and centred on it."""
    holder = holder_of(1)
    sizes = {}
    for outline in holder.outlines:
        points = np.array(outline.polygon_mm)
        sides = np.hypot(*(np.roll(points, -1, axis=0) - points).T)
        sizes[outline.name] = (round(sides[0], 4), round(sides[1], 4))
        assert points[:2] @ BRIGHT == pytest.approx([0, 0], abs=1e-5)
        assert points[2:] @ BRIGHT == pytest.approx([-sides[1]] * 2, abs=1e-5)
        assert points[:2].mean(0) == pytest.approx([0, 0], abs=1e-5)
        assert (np.abs(points) < 50).all()
    assert sizes == {
        "single-edge blade": (38, 19),
        "double-edge blade": (43, 22),
        "strip of cut film": (35, 45),
    }


def test_the_page_draws_the_record() -> None:
    """Exact: every side of the window as a cut line, every side of an outline as a fine one."""
    holder = holder_of(2, (23.5, 15.6))
    (page,) = blade_holder_pages(holder)
    middle = middle_of(page)
    for width_mm, outlines in (
        (0.35, [holder.window_mm]),
        (0.15, [outline.polygon_mm for outline in holder.outlines]),
    ):
        drawn = drawn_lines(page, width_mm)
        for outline in outlines:
            points = np.array(outline) + middle
            for a, b in zip(points, np.roll(points, -1, axis=0), strict=True):
                longer = (b - a) / np.hypot(*(b - a)) * width_mm / 2
                wanted = np.array([a - longer, b + longer])
                assert any(np.abs(np.array(ends) - wanted).max() < 1e-5 for ends in drawn)


def test_two_flaps_fold_along_the_card() -> None:
    """Exact: dashes along the card's right and lower side, from corner to corner."""
    (page,) = blade_holder_pages(holder_of(1))
    dashes = np.array(drawn_lines(page, 0.25)) - middle_of(page)
    right = dashes[np.abs(dashes[:, :, 0] - 55).max(1) < 1e-6]
    below = dashes[np.abs(dashes[:, :, 1] - 55).max(1) < 1e-6]
    assert len(right) + len(below) == len(dashes)
    assert (right[..., 1].min(), right[..., 1].max()) == pytest.approx((-55, 55))
    assert (below[..., 0].min(), below[..., 0].max()) == pytest.approx((-55, 55))


@pytest.mark.parametrize("paper", PAPERS_MM)
@pytest.mark.parametrize("sensor_mm", SENSORS_MM)
@pytest.mark.parametrize("magnification", [0.6, 1, 2, 3.5, 5])
def test_pages_keep_margins_and_words_clear(
    paper: str, sensor_mm: tuple[float, float], magnification: float
) -> None:
    holder = holder_of(magnification, sensor_mm)
    (page,) = blade_holder_pages(holder, notes=NOTES, paper=paper)
    assert (page.width_mm, page.height_mm) == PAPERS_MM[paper]
    assert clashes(page) == []


def test_cautions_and_notes_are_on_the_sheet() -> None:
    (page,) = blade_holder_pages(holder_of(1.5), notes=NOTES)
    said = " ".join(text.text for text in page.texts)
    for words in (
        *("Local rules", "razor edge cuts", "sharps bin", "dazzle", "Lamps get hot"),
        *("This line is 10 mm long", "actual size", *NOTES),
        "the field of 24 x 16 mm at 1.5x",
    ):
        assert words in said


def test_long_notes_get_a_page_of_their_own() -> None:
    notes = [f"Note {i} says how far behind the card the diffuser stands." for i in range(30)]
    first, second = blade_holder_pages(holder_of(1), notes=notes, paper="Letter")
    assert "Note" not in " ".join(text.text for text in first.texts)
    said = " ".join(text.text for text in second.texts)
    assert all(note in said for note in notes)
    assert (second.width_mm, second.height_mm) == PAPERS_MM["Letter"]
    assert clashes(first) == clashes(second) == []


def test_the_record_is_plain_json(tmp_path: Path) -> None:
    """Exact: lengths to 0.1 um."""
    holder = holder_of(1.3)
    write_blade_holder(holder, tmp_path / "blade.json")
    record = json.loads((tmp_path / "blade.json").read_text("utf-8"))
    assert (record["kind"], record["version"]) == ("blade holder", 1)
    assert record["edge_angle_deg"] == pytest.approx(ANGLE_DEG, abs=1e-6)
    assert np.array(record["window_mm"]) == pytest.approx(np.array(holder.window_mm), abs=1e-4)
    assert [record["field_width_mm"], record["field_height_mm"]] == pytest.approx(
        [36 / 1.3, 24 / 1.3], abs=1e-4
    )
    for there, outline in zip(record["outlines"], holder.outlines, strict=True):
        assert there["name"] == outline.name
        assert np.array(there["polygon_mm"]) == pytest.approx(
            np.array(outline.polygon_mm), abs=1e-4
        )
    with pytest.raises(TargetError, match="cannot be written"):
        write_blade_holder(holder, tmp_path / "absent" / "blade.json")


def test_a_field_too_large_for_the_card() -> None:
    """1.3 x 36 mm / 80 mm = 0.585: the next hundredth that fits is said, and fits."""
    with pytest.raises(TargetError, match=r"takes a window of 94 mm.*Take it from 0\.59x upwards"):
        holder_of(0.5)
    holder_of(0.59)


def test_wrong_arguments() -> None:
    for bad in (0.0, -2.0, math.nan, math.inf):
        with pytest.raises(ValueError, match="numbers > 0"):
            holder_of(bad)
        with pytest.raises(ValueError, match="numbers > 0"):
            holder_of(1, (36, bad))
    with pytest.raises(ValueError, match="paper must be one of"):
        blade_holder_pages(holder_of(1), paper="A5")
    with pytest.raises(ValueError, match="longer than a page"):
        blade_holder_pages(holder_of(1), notes=["Too many words."] * 80)
