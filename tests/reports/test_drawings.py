"""A report draws each figure once, and shows it in several places under other identifiers."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from lab.inference.results import SeriesResult
from reports.drawing import Drawing, Drawings
from reports.report_files import write_report_files
from reports.stops_figure import draw_stops
from tests.reports.conftest import make_series, make_session
from tests.reports.test_lens_section import LENS
from tests.reports.test_trial_section import make_trial


def test_a_figure_is_drawn_once_for_equal_records(series: SeriesResult) -> None:
    calls = []

    def draw(record: SeriesResult, /, *, name: str) -> Drawing | None:
        calls.append(name)
        return draw_stops(record, name=name)

    drawings = Drawings()
    first = drawings.of(draw, series, "stops-1")
    other = drawings.of(draw, replace(series), "stops-2x")  # equal, not the same
    assert calls == ["stops-1"]
    assert first is not None
    assert other is not None
    assert other.picture is first.picture
    assert other == draw_stops(series, name="stops-2x")
    assert drawings.of(draw, replace(series, points=()), "none") is None
    assert drawings.of(draw, replace(series, points=()), "none") is None
    assert calls == ["stops-1", "none"]


def test_a_new_name_changes_identifiers_and_no_words(series: SeriesResult) -> None:
    drawn = draw_stops(series, name="a")
    assert drawn is not None
    evil = drawn.svg.replace("marked stop", "href=#a-0) url(#a-1) marked stop")
    renamed = replace(drawn, svg=evil).named("b.1")
    assert "href=#a-0) url(#a-1) marked stop" in renamed.svg
    ids = re.findall(r' id="([^"]+)"', renamed.svg)
    assert ids == [f"b.1{one[1:]}" for one in re.findall(r' id="([^"]+)"', drawn.svg)]
    used = set(re.findall(r'(?:href="#|url\(#)([^")]+)["\)]', re.sub(">[^<]*<", "><", renamed.svg)))
    assert used == set(ids)


def test_page_paper_and_files_share_their_figures(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[str] = []

    def counted(picture: object, name: str, caption: str, alternative: str) -> Drawing:
        drawn.append(name)
        return draw(picture, name, caption, alternative)

    from reports import drawing

    draw = drawing.drawing
    monkeypatch.setattr(drawing, "drawing", counted)
    series = make_series()
    few = replace(series, points=series.points[1:2])
    session = replace(make_session((few,)), lens=LENS, name="Long " * 30)  # short on paper
    write_report_files(session, (make_trial(),), tmp_path)
    assert len(drawn) == len(set(drawn)) == len(list((tmp_path / "figures").glob("*.svg")))
    page = (tmp_path / "index.html").read_text("utf-8")
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))
