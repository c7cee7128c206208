"""The figures: SVG that parses, words that match the record, odd brackets."""

from __future__ import annotations

import dataclasses
import math
import re
from xml.etree import ElementTree

import matplotlib
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Annotation, Text

from lab.inference.results import SeriesResult
from reports import draw_focus, draw_mtf, draw_stops, drawing

SVG = "{http://www.w3.org/2000/svg}"
DRAW = (draw_stops, draw_mtf, draw_focus)


def texts(svg: str) -> list[str]:
    return [
        "".join(node.itertext()).strip() for node in ElementTree.fromstring(svg).iter(f"{SVG}text")
    ]


def interval(series: SeriesResult, stop: float) -> str:
    (point,) = [p for p in series.points if p.marked_stop == stop]
    return (
        f"{point.mtf50_image_cyc_per_mm:.1f} cycles/mm (95 % interval {point.mtf50_low95:.1f} to "
        f"{point.mtf50_high95:.1f})"
    )


@pytest.mark.parametrize("draw", DRAW)
def test_svg_parses_and_repeats(series: SeriesResult, draw) -> None:
    drawing = draw(series, name="one")
    root = ElementTree.fromstring(drawing.svg)
    assert root.tag == f"{SVG}svg"
    assert root.get("aria-label") == drawing.alternative
    assert draw(series, name="one") == drawing
    ids = {node.get("id") for node in root.iter()} - {None}
    assert ids
    assert all(re.fullmatch(r"one-\d+", i) for i in ids)
    assert not re.search(r"\d\.\d{3}", re.sub(r'aria-label="[^"]*"', "", drawing.svg))


@pytest.mark.parametrize("draw", DRAW)
def test_user_settings_of_matplotlib_change_nothing(series: SeriesResult, draw) -> None:
    before = draw(series)
    with matplotlib.rc_context({"lines.linewidth": 9, "axes.grid": True, "font.size": 30}):
        assert draw(series) == before


@pytest.mark.parametrize("draw", DRAW)
def test_caption_states_value_and_interval(series: SeriesResult, draw) -> None:
    # The optimum is f/4.5, so f/4 is the nearest stop measured.
    assert interval(series, 4.0) in draw(series).caption


@pytest.mark.parametrize("draw", DRAW)
def test_alternative_lists_every_stop(series: SeriesResult, draw) -> None:
    for point in series.points:
        assert interval(series, point.marked_stop) in draw(series).alternative


def test_stops_figure_states_the_optimum(series: SeriesResult) -> None:
    drawing = draw_stops(series)
    span = f"f/{round(series.optimum_low95, 1):g} to f/{round(series.optimum_high95, 1):g}"
    best = f"f/{round(series.optimum_stop, 1):g}"
    assert f"sharpness peaks at {best} (95 % interval {span})" in drawing.caption
    shown = texts(drawing.svg)
    assert f"optimum {best} (95 %: {span})" in shown
    assert f"deepest sharp stop f/{series.deepest_sharp_stop:g}" in shown
    for stop in ("2.8", "4", "5.6", "8", "11", "16"):
        assert stop in shown


def test_object_axis_is_the_image_axis_times_the_magnification(series: SeriesResult) -> None:
    # Tick labels and heights: both axes start at 0 and stand in proportion 2 to 1.
    root = ElementTree.fromstring(draw_stops(series).svg)
    rows = [
        (float(node.get("x")), float(node.get("y")), float(node.text))
        for node in root.iter(f"{SVG}text")
        if node.text and re.fullmatch(r"\d+", node.text.strip()) and node.get("x")
    ]
    left = min(x for x, _, _ in rows)
    right = max(x for x, _, _ in rows)
    slopes = []
    for side in (left, right):
        ticks = sorted((y, value) for x, y, value in rows if abs(x - side) < 1)
        (y0, v0), (y1, v1) = ticks[0], ticks[-1]
        slopes.append((v1 - v0) / (y1 - y0))
    assert slopes[1] / slopes[0] == pytest.approx(2.0, rel=2e-3)  # coordinates hold 0.01 pt


def test_unknown_positions_are_drawn_in_order_of_file(unplaced_series: SeriesResult) -> None:
    drawing = draw_focus(unplaced_series)
    assert "frame, in order of file" in texts(drawing.svg)
    assert "Focus positions are unknown at f/2.8, f/4" in drawing.caption
    assert "fitted curve" not in drawing.caption
    assert "best focus position unknown" in drawing.alternative


def test_one_missing_position_puts_that_bracket_in_order_of_file(series: SeriesResult) -> None:
    first = series.points[0]
    lost = dataclasses.replace(first.focus_samples[2], focus_position_um=None)
    samples = (*first.focus_samples[:2], lost, *first.focus_samples[3:])
    mixed = dataclasses.replace(
        series, points=(dataclasses.replace(first, focus_samples=samples), *series.points[1:])
    )
    drawing = draw_focus(mixed)
    assert "Focus positions are unknown at f/2.8: those frames" in drawing.caption
    assert texts(drawing.svg).count("by order of file") == 1


def test_stops_without_a_curve_are_named(series: SeriesResult) -> None:
    bare = dataclasses.replace(
        series.points[1], mtf=(), mtf_std=(), frequency_image_cyc_per_mm=(), diffraction_mtf=()
    )
    gap = dataclasses.replace(series, points=(series.points[0], bare, *series.points[2:]))
    drawing = draw_mtf(gap)
    assert "No curve is stored for f/4." in drawing.caption
    assert "f/4" not in texts(drawing.svg)


def test_nothing_to_draw_is_none(series: SeriesResult) -> None:
    empty = dataclasses.replace(series, points=())
    assert [draw(empty) for draw in DRAW] == [None, None, None]


def test_unbracketed_optimum_is_said(series: SeriesResult) -> None:
    open_ended = dataclasses.replace(
        series, optimum_stop=None, optimum_low95=None, optimum_high95=None, deepest_sharp_stop=None
    )
    drawing = draw_stops(open_ended)
    assert "the sharpest measured stop f/4 gives " + interval(series, 4.0) in drawing.caption
    assert "the optimum may lie beyond the stops measured" in drawing.caption
    assert not any("optimum" in text for text in texts(drawing.svg))
    at_the_end = dataclasses.replace(
        series,
        optimum_stop=series.points[2].exact_stop,  # f/5.66, engraved as 5.6
        optimum_low95=None,
        optimum_high95=None,
        flags=("optimum-not-bracketed",),
    )
    drawing = draw_stops(at_the_end)
    assert "the sharpest measured stop f/5.6 gives " + interval(series, 5.6) in drawing.caption
    assert "sharpest measured stop f/5.6; optimum may lie beyond" in texts(drawing.svg)
    for said in (drawing.caption, drawing.alternative):
        assert "peaks" not in said
        assert "unknown" not in said
    half_open = dataclasses.replace(series, optimum_high95=math.inf)
    assert "no upper end found" in draw_stops(half_open).caption


def test_third_stops_keep_their_ticks_apart(series: SeriesResult) -> None:
    point = series.points[0]
    marks = [round(2 * 2 ** (k / 6), 1) for k in range(19)]
    crowd = tuple(
        dataclasses.replace(point, marked_stop=mark, exact_stop=2 * 2 ** (k / 6))
        for k, mark in enumerate(marks)
    )
    thirds = dataclasses.replace(series, points=crowd)
    drawing = draw_stops(thirds)
    ticks = [text for text in texts(drawing.svg) if text in {f"{mark:g}" for mark in marks}]
    assert 4 <= len(ticks) <= 12
    assert draw_mtf(thirds) is not None


def test_deepest_stop_is_captioned_with_its_interval(series: SeriesResult) -> None:
    span = f"f/{round(series.deepest_low95, 1):g} to f/{round(series.deepest_high95, 1):g}"
    said = f"eepest sharp stop f/{series.deepest_sharp_stop:g} (95 % interval {span})."
    assert said in draw_stops(series).caption
    assert said in draw_stops(series).alternative
    beyond = dataclasses.replace(
        series,
        deepest_sharp_stop=series.points[-1].exact_stop,
        deepest_low95=13.21,
        flags=("deepest-beyond-range",),
    )
    caption = draw_stops(beyond).caption
    assert "Deepest sharp stop at least f/16 (95 % interval from f/13)." in caption
    assert "deepest sharp stop f/16 or beyond" in texts(draw_stops(beyond).svg)


def replaced(series: SeriesResult, which: tuple[int, ...], **figures: float) -> SeriesResult:
    points = tuple(
        dataclasses.replace(p, **figures) if k in which else p for k, p in enumerate(series.points)
    )
    return dataclasses.replace(series, points=points)


def scaled(series: SeriesResult, factor: float) -> SeriesResult:
    names = ("mtf50_image_cyc_per_mm", "mtf50_low95", "mtf50_high95")
    points = tuple(
        dataclasses.replace(p, **{n: factor * getattr(p, n) for n in names}) for p in series.points
    )
    curve = tuple(factor * v for v in series.curve_mtf50_image_cyc_per_mm)
    return dataclasses.replace(series, points=points, curve_mtf50_image_cyc_per_mm=curve)


ABSURD = {"mtf50_low95": -3000.0, "mtf50_high95": 3000.0}


@pytest.fixture
def figures(monkeypatch: pytest.MonkeyPatch) -> list[Figure]:
    """The figures as drawn, before they become text."""
    kept: list[Figure] = []
    make = drawing.figure

    def keep(*size: float) -> Figure:
        kept.append(make(*size))
        return kept[-1]

    monkeypatch.setattr(drawing, "figure", keep)
    return kept


@pytest.mark.parametrize("which", [(2,), (0, 1, 2, 3, 4, 5)])
def test_absurd_bars_leave_the_axis_to_the_values(
    series: SeriesResult, figures: list[Figure], which: tuple[int, ...]
) -> None:
    highest = max(p.mtf50_image_cyc_per_mm for p in series.points)
    svg = draw_stops(replaced(series, which, **ABSURD)).svg
    assert highest < figures[0].axes[0].get_ylim()[1] < 3 * highest
    root = ElementTree.fromstring(svg)
    width, height = (float(v) for v in root.get("viewBox").split()[2:])
    for path in root.iter(f"{SVG}path"):
        for x, y in re.findall(r"[ML] (-?[\d.]+) (-?[\d.]+)", path.get("d", "")):
            assert abs(float(x)) <= 2 * width
            assert abs(float(y)) <= 2 * height


def labels(axes: Axes) -> list[Text]:
    notes = [child for child in axes.get_children() if isinstance(child, Annotation)]
    top = axes.get_ylim()[1]  # ticks past it are kept but not drawn
    heights = [label for label in axes.get_yticklabels() if label.get_position()[1] <= top]
    return [*notes, *axes.get_xticklabels(), *heights, axes.yaxis.label]


@pytest.mark.parametrize(
    "case", ["plain", "one bar", "all bars", "huge", "sharper", "blurred", "first", "last", "one"]
)
def test_labels_keep_apart(series: SeriesResult, figures: list[Figure], case: str) -> None:
    first, last = series.points[0], series.points[-1]
    end = {"optimum_low95": None, "optimum_high95": None, "flags": ("optimum-not-bracketed",)}
    beyond = {**end, "flags": ("optimum-not-bracketed", "deepest-beyond-range")}
    alone = {"points": (first,), "curve_stop": (), "deepest_sharp_stop": 2.8}
    changed = {
        "plain": series,
        "one bar": replaced(series, (2,), **ABSURD),
        "all bars": replaced(series, tuple(range(6)), **ABSURD),
        "huge": replaced(series, (1,), mtf50_image_cyc_per_mm=1500.0, **ABSURD),
        "sharper": scaled(series, 10),
        "blurred": scaled(series, 0.05),
        "first": dataclasses.replace(series, optimum_stop=first.exact_stop, **end),
        "last": dataclasses.replace(
            series, optimum_stop=last.exact_stop, deepest_sharp_stop=last.exact_stop, **beyond
        ),
        "one": dataclasses.replace(series, optimum_stop=None, **end, **alone),
    }[case]
    draw_stops(changed)
    (figure,) = figures
    shown = [label for label in labels(figure.axes[0]) if label.get_text()]
    boxes = [label.get_window_extent() for label in shown]
    for k, box in enumerate(boxes):
        assert figure.bbox.x0 <= box.x0 and box.x1 <= figure.bbox.x1, shown[k]
        assert figure.bbox.y0 <= box.y0 and box.y1 <= figure.bbox.y1, shown[k]
        for j in range(k):
            assert not box.overlaps(boxes[j]), (shown[k], shown[j])
    if case in ("plain", "one bar", "first", "last"):
        assert len([label for label in shown if isinstance(label, Annotation)]) == 4


def test_through_focus_caption_says_why_a_frame_is_open(
    series: SeriesResult, unplaced_series: SeriesResult
) -> None:
    flank, less = "too far down the flank to shape the peak", "less sharp than the frame used"
    assert flank in draw_focus(series).caption
    assert less not in draw_focus(series).caption
    assert less in draw_focus(unplaced_series).caption
    assert flank not in draw_focus(unplaced_series).caption
    all_used = tuple(
        dataclasses.replace(
            p, focus_samples=tuple(dataclasses.replace(s, used=True) for s in p.focus_samples)
        )
        for p in series.points
    )
    assert "open" not in draw_focus(dataclasses.replace(series, points=all_used)).caption


def test_absurd_uncertainty_leaves_the_focus_axis_to_the_values(
    series: SeriesResult, figures: list[Figure]
) -> None:
    first = series.points[0]
    wild = dataclasses.replace(first.focus_samples[0], mtf50_std=3000.0)
    point = dataclasses.replace(first, focus_samples=(wild, *first.focus_samples[1:]))
    draw_focus(dataclasses.replace(series, points=(point, *series.points[1:])))
    assert figures[0].axes[0].get_ylim()[1] < 100
