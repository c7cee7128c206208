"""The page, its figures and its table of a comparison: what is said, safe and complete."""

from __future__ import annotations

import csv
import io
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from itertools import pairwise

import pytest

from lab.inference.compare import compare_sessions
from lab.inference.compare_records import Comparison, PairDifference
from reports import compare_words
from reports.compare_figures import draw_differences, draw_size
from reports.compare_page import comparison_csv, render_comparison
from tests.inference.compared import kept, session


@cache
def three() -> Comparison:
    """Three sessions of two lenses at two magnifications, one without a model."""
    return compare_sessions(
        [
            kept(session("Enlarger 75 reversed", sizes=(1.0, 2.0))),
            kept(session("Bellows 60", name="second", sizes=(2.0,), scale=0.96)),
            kept(replace(session("Enlarger 75 reversed", name="third", scale=0.999), lens=None)),
        ]
    )


def pair(**of: object) -> PairDifference:
    given = {
        "first": 0,
        "second": 1,
        "percent": 5.0,
        "low95": 2.0,
        "high95": 8.0,
        "p": 0.001,
        "p_corrected": 0.003,
        "told_apart": True,
    }
    return PairDifference(**(given | of))


def said(one: PairDifference) -> str:
    return compare_words.pair_words(three().magnifications[0].optimum, one, three().sessions)


def test_verdicts_in_words() -> None:
    assert said(pair()) == "A is sharper than B by 5.0 % (95 %: 2.0 to 8.0)"
    # 100 / 80 = 1.25, 100 / 90 = 1.111, 100 / 75 = 1.333
    turned = said(pair(percent=-20.0, low95=-25.0, high95=-10.0))
    assert turned == "B is sharper than A by 25.0 % (95 %: 11.1 to 33.3)"
    tied = said(pair(told_apart=False, low95=-1.0))
    assert tied == "A and B cannot be told apart: +5.0 % (95 %: \N{MINUS SIGN}1.0 to 8.0)"
    assert "all pairs counted" in said(pair(told_apart=False))
    assert said(pair(within_repeatability=True)).endswith("; not beyond repeatability")


def held(crops: tuple[float, float]) -> str:
    question = three().fields[0].held
    first, second = (
        replace(question.values[k], session=k, magnification=2 * crops[k], crop_width=crops[k])
        for k in (0, 1)
    )
    question = replace(question, key="held", values=(first, second))
    return compare_words.pair_words(question, pair(), three().sessions)


def test_a_verdict_on_a_field_says_how_each_shows_it() -> None:
    assert held((1.0, 0.5)).endswith("; A at 2.00×, B cropped from 1.00×")
    assert held((0.52, 0.5)) == "A is sharper than B by 5.0 % (95 %: 2.0 to 8.0)"


def test_the_tied_are_named_in_their_own_order() -> None:
    optimum = three().magnifications[0].optimum
    turned = replace(optimum, places=tuple(replace(p, place=1) for p in optimum.places[::-1]))
    assert compare_words.place_words(turned, three().sessions) == (
        "A, B and C cannot be told apart"
    )


def test_a_magnification_of_some_sessions_is_said() -> None:
    size = replace(three().magnifications[0], magnification=2.5, sessions=(0, 2), missing=(1,))
    said = compare_words.unshared_words(replace(three(), magnifications=(size,), unshared=()))
    assert said == "2.5× is only in A and C."


def test_simulated_sessions_and_own_names_are_said_where_allowed() -> None:
    assert 'class="simulated"' not in render_comparison(three())
    first, *rest = three().sessions
    marked = replace(first, simulated=True, source="box-<7>.zip")
    page = render_comparison(replace(three(), sessions=(marked, *rest)))
    assert "Simulated: A. The frames were computed" in page
    assert page.count("(simulated)") == 1
    assert "box-&lt;7&gt;.zip" in page and "Folder or bundle" in page
    assert "Folder or bundle" not in render_comparison(three())


def test_the_page_answers_each_question_and_no_overall() -> None:
    page = render_comparison(three())
    for wanted in (
        "Sharpest at 2×, each at its own optimum",
        "1: A and C (tied); 3: B",
        "Most depth at 2×",
        "Sharpest over 200 µm of depth on a field 18.0 mm wide",
        "Not shared, so not compared at its own magnification: 1× (A).",
        "no model of the lens describes the session",
        "What to doubt",
        "degrees of freedom: 1",
        "There is no overall order",
    ):
        assert wanted in page.replace("\xa0", " "), wanted
    assert "<script" not in page
    assert page == render_comparison(three())


def test_the_page_is_well_formed_and_its_figures_speak() -> None:
    page = render_comparison(three())
    levels = [int(n) for n in re.findall(r"<h(\d)", page)]
    assert levels[0] == 1 and all(b - a <= 1 for a, b in pairwise(levels))
    labels = re.findall(r'<svg role="img"[^>]*aria-label="([^"]+)"', page)
    assert len(labels) == page.count("<svg") == page.count("<figcaption>") == 2
    assert "A over B" in labels[0] and "A: highest" in labels[1]
    for svg in re.findall(r"<svg.*?</svg>", page, re.DOTALL):
        ET.fromstring(svg)
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize(
    "name", ["<script>alert(1)</script>", "x" * 10_000, "\u202eabc", "🔬" * 50]
)
def test_hostile_names_stay_text(name: str) -> None:
    hostile = replace(
        three(),
        sessions=tuple(
            replace(one, name=name, lens_name=name, body_name=name) for one in three().sessions
        ),
        provenance=({name: name},) * 3,
        warnings=(name,),
    )
    page = render_comparison(hostile)

    seen = set()

    class Tags(HTMLParser):
        def handle_starttag(self, tag: str, attrs: object) -> None:
            seen.add(tag)

    Tags().feed(page)
    assert "svg" in seen and "script" not in seen
    assert len(page) < len(render_comparison(three())) + 60_000
    assert page.count("<bdi>") == page.count("</bdi>")


def test_the_table_has_every_figure_and_no_formula() -> None:
    named = replace(
        three(),
        sessions=tuple(replace(one, lens_name="=1+1\n,@x") for one in three().sessions),
    )
    rows = list(csv.DictReader(io.StringIO(comparison_csv(named))))
    assert all(row["lens"] == "'=1+1 ,@x" for row in rows)
    assert all(None not in row and len(row) == 17 for row in rows)
    at_best = [row for row in rows if row["question"] == "optimum" and row["kind"] == "difference"]
    (first, *_) = three().magnifications[0].optimum.pairs
    assert float(at_best[0]["value"]) == pytest.approx(first.percent, rel=1e-6)
    questions = {row["question"] for row in rows}
    assert questions == {"optimum", "equal-stop", "depth-at-optimum", "held"}


def test_many_sessions_get_a_panel_each_and_fewer_words() -> None:
    many = compare_sessions(
        [kept(session(f"Lens {k}", scale=1 - 0.04 * k, model=False)) for k in range(9)]
    )
    (size,) = many.magnifications
    drawing = draw_size(size, many.sessions)
    assert drawing.alternative.count("highest") == 9
    assert draw_differences(replace(many, magnifications=(size,) * 2)) is None
    page = render_comparison(many)
    assert "28 more pairs are in data.csv" in page
    assert "7: G; then 2 more" in page
    assert "the range of all sessions" in page


def test_of_very_many_sessions_the_page_shows_the_first_and_says_so() -> None:
    many = compare_sessions(
        [kept(session(f"Lens {k}", scale=1 - 0.006 * k, model=False)) for k in range(70)]
    )
    (size,) = many.magnifications
    drawing = draw_size(size, many.sessions)
    assert "70 sessions" in drawing.caption and "by rank" in drawing.alternative
    page = render_comparison(many)
    assert page.count("<tr>") < 260
    assert "The first 30; 40 more are in data.csv." in page
    assert "10 more are in data.csv" in page  # of who is compared
    assert "2403 more pairs: data.csv and --json hold those with the first place" in page
    assert "So many pairs ask for much larger differences" in page
    rows = list(csv.DictReader(io.StringIO(comparison_csv(many))))
    at_best = [row for row in rows if row["question"] == "optimum"]
    assert [row["kind"] for row in at_best].count("figure") == 70
    assert [row["kind"] for row in at_best].count("difference") == 69


def test_nothing_shared_is_said() -> None:
    empty = replace(three(), magnifications=(), fields=(), unshared=((1.0, 0), (2.0, 1)))
    page = render_comparison(empty)
    assert "share no magnification and no field" in page
    assert "1× (A), 2× (B)" in page
