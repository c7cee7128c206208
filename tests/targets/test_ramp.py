"""Ramps: depth of every tick, numbers, the wedge's slope as folded, the page, bad input."""

from __future__ import annotations

import json
import math
import re
import subprocess
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from targets import PAPERS_MM, Field, Mark, Page, TargetError, write_pdf
from targets.numerals import number_polygons
from targets.ramp import RampLayout, ramp_layout, ramp_pages, write_ramp_layout
from targets.ramp_field import Ramp, RampWish
from tests.targets.sheet_checks import clashes

Boxes = npt.NDArray[np.float64]  # (n, 4): left, top, right, bottom
SENSORS_MM = [(36.0, 24.0), (23.5, 15.6)]


def wish(magnification: float, step_um: float = 100.0, resolution_um: float = 4.0) -> RampWish:
    return RampWish(magnification=magnification, depth_step_um=step_um, resolution_um=resolution_um)


def layout_of(
    *wishes: RampWish,
    sensor_mm: tuple[float, float] = (36.0, 24.0),
    line_mm: float = 0.02,
    slope_deg: float = 45.0,
) -> RampLayout:
    return ramp_layout(
        wishes,
        sensor_width_mm=sensor_mm[0],
        sensor_height_mm=sensor_mm[1],
        smallest_line_mm=line_mm,
        slope_deg=slope_deg,
        name="club",
    )


def paper_wishes(line_mm: float, slope_deg: float) -> list[RampWish]:
    """What paper can show at 1x to 5x: steps that its lines allow."""
    step_um = 2000 * line_mm * math.sin(math.radians(slope_deg))
    return [wish(m, max(step_um, 200 / m), 6 / m) for m in (1, 2, 3, 4, 5)]


def boxes(field: Field, role: str) -> Boxes:
    marks = [mark for mark in field.marks if mark.role == role]
    return np.array([[*np.min(m.polygon_mm, axis=0), *np.max(m.polygon_mm, axis=0)] for m in marks])


def ladders(field: Field, ramp: Ramp) -> tuple[Boxes, Boxes, Boxes]:
    """Ticks of the upper and the lower ladder and bars, each from the near end on."""
    lines = boxes(field, "scale")
    lines = lines[np.argsort(lines[:, 0])]
    bars = (lines[:, 1] < 0) & (lines[:, 3] > 0)
    return lines[lines[:, 3] < 0], lines[lines[:, 1] > 0], lines[bars]


@pytest.mark.parametrize("slope_deg", [7.0, 30.0, 45.0, 63.0])
@pytest.mark.parametrize("magnification", [1.3, 4.0])
def test_every_tick_lies_at_its_depth(slope_deg: float, magnification: float) -> None:
    """Exact: along the ramp x sin(slope), to 0.1 um, for ticks as drawn and as recorded."""
    layout = layout_of(wish(magnification, 130), slope_deg=slope_deg, line_mm=0.005)
    (ramp,), (field,) = layout.ramps, layout.sheet.fields
    along_mm, depth_um = np.array(ramp.ticks).T
    assert ramp.depth_step_um == 200
    assert np.diff(depth_um) == pytest.approx(200)
    assert depth_um[len(depth_um) // 2] == along_mm[len(along_mm) // 2] == 0
    assert depth_um == pytest.approx(1000 * along_mm * math.sin(math.radians(slope_deg)), abs=0.1)
    for ladder in ladders(field, ramp)[:2]:
        middles = 0.5 * (ladder[:, 0] + ladder[:, 2])
        assert middles == pytest.approx(along_mm, abs=1e-5)
        assert ladder[:, 2] - ladder[:, 0] == pytest.approx(ramp.tick_width_mm, abs=3e-6)


def test_depth_reaches_as_far_as_the_frame() -> None:
    """Exact: seen from the lens the field is the frame; ticks end within one of 48 % of it."""
    layout = layout_of(wish(2, 50), slope_deg=30)
    (ramp,), (field,) = layout.ramps, layout.sheet.fields
    assert field.width_mm * math.cos(math.radians(30)) == pytest.approx(18, abs=1e-5)
    assert field.height_mm == 12
    deepest_um = 1000 * 0.48 * 18 * math.tan(math.radians(30))
    assert deepest_um - 100 < ramp.ticks[-1][1] <= deepest_um
    assert ramp.ticks[0][1] == -ramp.ticks[-1][1]


def test_bars_are_even_and_one_stands_on_the_middle_line() -> None:
    """Exact: seen from the lens a pitch of 4 periods, half of it dark."""
    layout = layout_of(wish(2, 50, 9.0), slope_deg=40)
    (ramp,), (field,) = layout.ramps, layout.sheet.fields
    bars = ladders(field, ramp)[2]
    assert len(bars) == 2 * ramp.bars_each_way + 1
    assert ramp.bar_pitch_mm * math.cos(math.radians(40)) == pytest.approx(0.036, abs=1e-6)
    assert np.diff(0.5 * (bars[:, 0] + bars[:, 2])) == pytest.approx(ramp.bar_pitch_mm, abs=3e-6)
    assert bars[:, 2] - bars[:, 0] == pytest.approx(ramp.bar_pitch_mm / 2, abs=3e-6)
    middle = bars[ramp.bars_each_way]
    assert middle[0] == -middle[2]
    assert [middle[1], middle[3]] == [-ramp.band_half_height_mm, ramp.band_half_height_mm]


@pytest.mark.parametrize(
    ("wanted_um", "resolution_um", "step_um"),
    [(37.3, 4.0, 50), (50.0, 4.0, 50), (10.0, 24.9, 50), (10.0, 25.1, 100), (0.7, 0.2, 1)],
)
def test_the_step_is_round_and_shown_by_the_lens(
    wanted_um: float, resolution_um: float, step_um: float
) -> None:
    """Exact: rounded up to 1, 2, 5; at 45 degrees ticks are a step apart, 2 periods at least."""
    one = wish(6, wanted_um, resolution_um)
    layout = layout_of(one, sensor_mm=(23.5, 15.6), line_mm=0.0002)
    assert layout.ramps[0].depth_step_um == step_um


@pytest.mark.parametrize("sensor_mm", SENSORS_MM)
@pytest.mark.parametrize(("line_mm", "slope_deg"), [(0.085, 45), (0.02, 30), (0.001, 65)])
def test_nothing_is_finer_than_can_be_printed(
    sensor_mm: tuple[float, float], line_mm: float, slope_deg: float
) -> None:
    """Exact: lines and the ground between them; nothing overlaps, all lies in the field."""
    wishes = paper_wishes(line_mm, slope_deg)
    layout = layout_of(*wishes, sensor_mm=sensor_mm, line_mm=line_mm, slope_deg=slope_deg)
    for ramp, field in zip(layout.ramps, layout.sheet.fields, strict=True):
        for group in ladders(field, ramp):
            assert (group[:, 2] - group[:, 0]).min() > line_mm - 3e-6
            assert (group[1:, 0] - group[:-1, 2]).min() > line_mm - 3e-6
        digits = boxes(field, "text")
        assert (digits[:, 2:] - digits[:, :2]).min() > line_mm - 3e-6
        every = np.vstack([boxes(field, role) for role in ("scale", "text", "orientation")])
        half = np.array([field.width_mm, field.height_mm]) / 2
        assert (every[:, :2] > -half).all() and (every[:, 2:] < half).all()
        for i, (left, top, right, bottom) in enumerate(every):
            rest = every[i + 1 :]
            shared_x = np.minimum(right, rest[:, 2]) - np.maximum(left, rest[:, 0])
            shared_y = np.minimum(bottom, rest[:, 3]) - np.maximum(top, rest[:, 1])
            assert not ((shared_x > 3e-6) & (shared_y > 3e-6)).any()


@pytest.mark.parametrize(
    ("step_um", "slope_deg", "resolution_um"), [(100, 45, 4), (20, 30, 4), (5, 50, 1)]
)
def test_numbers_say_the_depth_of_their_tick(
    step_um: float, slope_deg: float, resolution_um: float
) -> None:
    """Every number stands over a tick, is the depth there, and looks unstretched to the lens."""
    one = wish(4, step_um, resolution_um)
    layout = layout_of(one, slope_deg=slope_deg, line_mm=0.001)
    (ramp,), (field,) = layout.ramps, layout.sheet.fields
    texts = boxes(field, "text")
    upper = texts[texts[:, 3] < -0.2 * field.height_mm]
    top, bottom = upper[:, 1].min(), upper[:, 3].max()
    stroke = (bottom - top) / 7
    stretch = 1 / math.cos(math.radians(slope_deg))
    unit_um = {"mm": 1000.0, "um": 1.0}[ramp.unit]
    expected = []
    for along_mm, depth_um in ramp.ticks:
        text = f"{depth_um / unit_um:.9g}"
        of_step = depth_um / ramp.number_step_um
        if abs(of_step - round(of_step)) > 1e-9:
            continue
        centre = along_mm, 0.5 * (top + bottom)
        drawn = np.array(number_polygons(text, centre_mm=centre, stroke_mm=stroke, stretch=stretch))
        if np.abs(drawn[..., 0]).max() > stretch * 0.48 * 9:
            continue  # beyond what the frame surely shows
        expected += [[*p.min(0), *p.max(0)] for p in drawn]
    assert len(expected) == len(upper) > 6
    assert upper == pytest.approx(np.array(expected), abs=1e-5)
    # the lower row is the same, without being turned over
    lower = texts[texts[:, 1] > 0.2 * field.height_mm]
    shift = lower[:, 1].min() - top
    assert lower - [0, shift, 0, shift] == pytest.approx(upper, abs=1e-5)


def test_numbered_ticks_are_the_longest() -> None:
    layout = layout_of(wish(3, 50), line_mm=0.01)
    (ramp,), (field,) = layout.ramps, layout.sheet.fields
    upper, lower, _ = ladders(field, ramp)
    depth_um = np.array(ramp.ticks)[:, 1]
    for ladder in (upper, lower):
        lengths = (ladder[:, 3] - ladder[:, 1]) / field.height_mm
        numbered = depth_um % ramp.number_step_um == 0
        assert lengths[numbered] == pytest.approx(0.105, abs=1e-5)
        fifth = ~numbered & (depth_um % 250 == 0)
        assert fifth.any()
        assert lengths[fifth] == pytest.approx(0.065, abs=1e-5)
        assert lengths[~numbered & ~fifth] == pytest.approx(0.045, abs=1e-5)


def test_minus_the_triangle_and_the_words_are_at_the_end_nearer_the_lens() -> None:
    layout = layout_of(wish(1.5))
    (field,) = layout.sheet.fields
    triangle = next(np.array(m.polygon_mm) for m in field.marks if m.role == "orientation")
    assert triangle[:, 0].max() < -0.4 * field.width_mm
    assert np.argmin(triangle[:, 0]) == 0 and triangle[0, 1] == 0  # its tip is the near end
    assert layout.ramps[0].ticks[0][1] < 0
    (page,) = ramp_pages(layout)
    near = next(t for t in page.texts if t.text == "nearer the lens")
    far = next(t for t in page.texts if t.text == "farther")
    folds = panel_folds(page, layout)
    assert folds[1] < near.at_mm[0] < far.at_mm[0] < folds[2]
    # the end nearer the lens is the one at the riser, which stands on the base
    assert folds[1] - folds[0] == pytest.approx(layout.riser_mm)


def dashes(page: Page) -> Boxes:
    """Pieces of the dashed lines: the only shapes 0.25 mm wide and 1 to 3 mm high."""
    alone = [np.array(group[0]) for group in page.shapes_mm if len(group) == 1]
    found = np.array([[*p.min(0), *p.max(0)] for p in alone])
    width, height = (found[:, 2:] - found[:, :2]).T
    return found[(np.abs(width - 0.25) < 1e-6) & (height > 1) & (height < 3)]


def panel_folds(page: Page, layout: RampLayout) -> list[float]:
    """Where the dashed lines run, from the left; each from border to border."""
    pieces = dashes(page)
    middles = np.round(pieces[:, [0, 2]].mean(1), 6)
    for x in set(middles):
        line = pieces[middles == x]
        assert line[:, 3].max() - line[:, 1].min() == pytest.approx(layout.sheet.sheet_height_mm)
    return sorted({float(x) for x in middles})


def outline_x(page: Page) -> tuple[float, float]:
    """Ends of the strip: middles of the outermost vertical cut lines."""
    cuts = [
        0.5 * (np.min(g[0], axis=0)[0] + np.max(g[0], axis=0)[0])
        for g in page.shapes_mm
        if len(g) == 1 and np.ptp(g[0], axis=0)[0] == pytest.approx(0.35)
    ]
    return min(cuts), max(cuts)


@pytest.mark.parametrize("slope_deg", [5.0, 20.0, 45.0, 60.0, 71.3])
def test_the_strip_as_drawn_folds_up_to_the_slope(slope_deg: float) -> None:
    """Exact: three sides give the triangle; the base is square to the riser; 0.001 degree."""
    layout = layout_of(wish(2), wish(3.1, 50), slope_deg=slope_deg, line_mm=0.005)
    (page,) = ramp_pages(layout)
    folds = panel_folds(page, layout)
    assert len(folds) == 3
    riser, ramp = np.diff(folds)
    base = outline_x(page)[1] - folds[2]
    law = (base**2 + ramp**2 - riser**2) / (2 * base * ramp)
    assert math.degrees(math.acos(law)) == pytest.approx(slope_deg, abs=0.001)
    right = (base**2 + riser**2 - ramp**2) / (2 * base * riser)
    assert math.degrees(math.acos(right)) == pytest.approx(90, abs=0.001)
    assert (base, ramp, riser) == pytest.approx(
        (layout.base_mm, layout.ramp_mm, layout.riser_mm), abs=1e-5
    )
    assert folds[0] - outline_x(page)[0] == pytest.approx(10)  # the flap


def test_all_zeros_stand_on_the_line_between_the_two_marks() -> None:
    layout = layout_of(wish(1), wish(2), wish(5, 100))
    origins_x = [x for x, _ in layout.sheet.sheet_origins_mm]
    assert origins_x == pytest.approx([layout.ramp_mm / 2] * 3, abs=1e-6)
    (page,) = ramp_pages(layout)
    folds = panel_folds(page, layout)
    middle = 0.5 * (folds[1] + folds[2])
    marks = [
        g[0]
        for g in page.shapes_mm
        if len(g) == 1 and np.ptp(g[0], axis=0) == pytest.approx([0.15, 2.15])
    ]
    assert [np.mean(mark, axis=0)[0] for mark in marks] == pytest.approx([middle, middle])


@pytest.mark.parametrize("paper", PAPERS_MM)
@pytest.mark.parametrize("sensor_mm", SENSORS_MM)
@pytest.mark.parametrize(("line_mm", "slope_deg"), [(0.1, 45), (0.04, 20), (0.06, 68)])
def test_pages_keep_margins_and_words_clear(
    paper: str, sensor_mm: tuple[float, float], line_mm: float, slope_deg: float
) -> None:
    wishes = paper_wishes(line_mm, slope_deg)
    layout = layout_of(*wishes, sensor_mm=sensor_mm, line_mm=line_mm, slope_deg=slope_deg)
    (page,) = ramp_pages(layout, paper=paper)
    assert {page.width_mm, page.height_mm} == set(PAPERS_MM[paper])
    assert clashes(page) == []
    said = " ".join(text.text for text in page.texts)
    assert f"slope of {slope_deg:g} degrees" in said
    for words in ("actual size", "sharpest tick is the focus position", "local rules"):
        assert words in said
    for ramp in layout.ramps:
        head = f"{ramp.magnification:g}x: one tick {ramp.depth_step_um:g} um"
        assert f"{head}, numbers in {ramp.unit}" in said


def test_a_long_strip_turns_the_paper() -> None:
    (upright,) = ramp_pages(layout_of(wish(1), slope_deg=45))
    (turned,) = ramp_pages(layout_of(wish(1), slope_deg=60))
    assert upright.width_mm < upright.height_mm
    assert turned.width_mm > turned.height_mm


def test_what_a_degree_of_slope_costs_is_said() -> None:
    """Exact: sin 31 over sin 30."""
    (page,) = ramp_pages(layout_of(wish(2), slope_deg=30))
    said = " ".join(text.text for text in page.texts)
    assert "one degree steeper makes depths 3.0 % larger" in said


def test_ticks_as_rendered(tmp_path: Path) -> None:
    """Recovery: a scan along the ladder of a rendered page meets the ticks where they belong."""
    layout = layout_of(wish(2, 100))
    (page,) = ramp_pages(layout)
    (ramp,), (field,) = layout.ramps, layout.sheet.fields
    write_pdf([page], tmp_path / "ramp.pdf")
    folds = panel_folds(page, layout)
    (_, y), top = layout.sheet.sheet_origins_mm[0], dashes(page)[:, 1].min()
    at_y = top + y - (0.125 + 0.022) * field.height_mm
    left = 0.5 * (folds[1] + folds[2]) - 0.5 * field.width_mm
    dpi = 5080  # 5 um pixels
    cut = [round(v / 25.4 * dpi) for v in (left, at_y, field.width_mm)]
    command = ["pdftoppm", "-gray", "-r", str(dpi), "-x", str(cut[0]), "-y", str(cut[1])]
    command += ["-W", str(cut[2]), "-H", "1", str(tmp_path / "ramp.pdf")]
    pgm = subprocess.run(command, check=True, capture_output=True).stdout
    header = re.match(rb"P5\n(\d+) (\d+)\n255\n", pgm)
    assert header is not None
    dark = 1 - np.frombuffer(pgm[header.end() :], np.uint8) / 255
    starts = np.flatnonzero((dark[1:] > 0.5) & (dark[:-1] <= 0.5))
    ends = np.flatnonzero((dark[1:] <= 0.5) & (dark[:-1] > 0.5))
    found_mm = (0.5 * (starts + ends) + 1) * 0.005 - 0.5 * field.width_mm
    along_mm = np.array(ramp.ticks)[:, 0]
    assert found_mm == pytest.approx(along_mm, abs=0.008)


def test_the_record_holds_the_geometry(tmp_path: Path) -> None:
    """Exact: read back as plain JSON, all lengths to 0.1 um."""
    layout = layout_of(wish(1.5), wish(4, 30), slope_deg=35)
    write_ramp_layout(layout, tmp_path / "ramp.json")
    record = json.loads((tmp_path / "ramp.json").read_text("utf-8"))
    assert (record["kind"], record["version"], record["slope_deg"]) == ("focus ramp", 1, 35)
    assert [record[f"{side}_mm"] for side in ("ramp", "base", "riser")] == pytest.approx(
        [layout.ramp_mm, layout.base_mm, layout.riser_mm], abs=1e-4
    )
    for there, ramp in zip(record["ramps"], layout.ramps, strict=True):
        assert np.array(there["ticks"]) == pytest.approx(np.array(ramp.ticks), abs=1e-4)
        assert there["bar_pitch_mm"] == pytest.approx(ramp.bar_pitch_mm, abs=1e-4)
    for there, field in zip(record["sheet"]["fields"], layout.sheet.fields, strict=True):
        outlines = [np.array(mark["polygon_mm"]) for mark in there["marks"]]
        for outline, mark in zip(outlines, field.marks, strict=True):
            assert outline == pytest.approx(np.array(mark.polygon_mm), abs=1e-4)
    with pytest.raises(TargetError, match="cannot be written"):
        write_ramp_layout(layout, tmp_path / "absent" / "ramp.json")


def test_larger_fields_come_first() -> None:
    layout = layout_of(wish(3), wish(1.2), wish(2))
    assert [ramp.magnification for ramp in layout.ramps] == [1.2, 2, 3]
    tops = [
        y - f.height_mm / 2
        for f, (_, y) in zip(layout.sheet.fields, layout.sheet.sheet_origins_mm, strict=True)
    ]
    ends = [
        y + f.height_mm / 2
        for f, (_, y) in zip(layout.sheet.fields, layout.sheet.sheet_origins_mm, strict=True)
    ]
    assert all(end + 5 < top for end, top in zip(ends, tops[1:], strict=False))
    assert ends[-1] < layout.sheet.sheet_height_mm


@pytest.mark.parametrize("slope_deg", [4.9, 80.1, -45.0, math.nan, math.inf])
def test_a_slope_out_of_range(slope_deg: float) -> None:
    with pytest.raises(TargetError, match="Choose 5 to 80 degrees"):
        layout_of(wish(2), slope_deg=slope_deg)


def test_ticks_finer_than_the_printer() -> None:
    """Lines of 0.1 mm at 45 degrees take 141 um of depth with the ground beside them."""
    with pytest.raises(TargetError, match=r"depth step of 100 um at 1x.*Ask for 200 um or more"):
        layout_of(wish(1, 100), line_mm=0.1)
    assert layout_of(wish(1, 200), line_mm=0.1).ramps[0].depth_step_um == 200


@pytest.mark.parametrize(
    ("one", "line_mm", "words"),
    [
        (wish(5, 500), 0.2, "smallest digits, drawn with strokes of 200 um"),
        (wish(5, 5000), 0.02, "holds no number but zero"),
        (wish(9, 100, 150.0), 0.001, "show nothing finer: leave this magnification out"),
        (wish(9, 100, 42.0), 0.001, "too small for 9 bars"),
        (wish(2, 0.01, 0.001), 0.000001, "the limit is 40000"),
    ],
)
def test_a_field_too_small_for_what_must_be_in_it(
    one: RampWish, line_mm: float, words: str
) -> None:
    with pytest.raises(TargetError, match=words):
        layout_of(one, line_mm=line_mm)


def test_more_than_a_paper_holds() -> None:
    with pytest.raises(TargetError, match="Choose a higher magnification, or a flatter slope"):
        ramp_pages(layout_of(wish(1), slope_deg=79, line_mm=0.01))
    many = [wish(1 + 0.1 * i, 500, 20) for i in range(9)]
    with pytest.raises(TargetError, match="Ask for fewer magnifications"):
        ramp_pages(layout_of(*many))


def test_wrong_arguments() -> None:
    with pytest.raises(ValueError, match="at least one wish"):
        layout_of()
    with pytest.raises(ValueError, match="different magnifications"):
        layout_of(wish(2), wish(2, 50))
    with pytest.raises(ValueError, match="numbers > 0"):
        layout_of(wish(2), line_mm=0.0)
    with pytest.raises(ValueError, match="numbers > 0"):
        layout_of(wish(2), sensor_mm=(math.nan, 24))
    for bad in (0.0, -1.0, math.nan, math.inf):
        for values in ((bad, 100, 4), (2, bad, 4), (2, 100, bad)):
            with pytest.raises(ValueError, match="numbers > 0"):
                wish(*values)
    with pytest.raises(ValueError, match="paper must be one of"):
        ramp_pages(layout_of(wish(2)), paper="A3")


def test_marks_are_of_known_roles() -> None:
    """Writers and readers of records know these roles alone."""
    (field,) = layout_of(wish(2)).sheet.fields
    roles = {mark.role for mark in field.marks}
    assert roles == {"scale", "text", "orientation"}
    assert all(isinstance(mark, Mark) and len(mark.polygon_mm) >= 3 for mark in field.marks)
