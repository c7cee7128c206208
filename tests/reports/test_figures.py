"""The figures: SVG that parses, words that match the record, odd brackets."""

from __future__ import annotations

import dataclasses
import math
import re
from xml.etree import ElementTree

import matplotlib
import pytest

from lab.inference.results import SeriesResult
from reports import draw_focus, draw_mtf, draw_stops

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
    span = f"f/{series.optimum_low95:.1f} to f/{series.optimum_high95:.1f}"
    best = f"f/{series.optimum_stop:.1f}"
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
    assert "the peak is not bracketed by the stops measured" in drawing.caption
    assert not any("optimum" in text for text in texts(drawing.svg))
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
