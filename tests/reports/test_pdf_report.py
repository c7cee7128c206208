"""The handout: what stands on it, that nothing is cut off, odd and hostile records.

Pages are read by poppler's programs. The club, its gear and every figure are invented.
"""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import replace
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from lab.inference.results import SeriesResult, SessionResult
from lab.inference.trial_records import TrialResult
from reports import words
from reports.pdf_columns import column_widths
from reports.pdf_drawing import draw_svg, svg_size_pt
from reports.pdf_report import PAPERS, render_pdf_report, write_pdf_report
from reports.pdf_text import fitted, printable, register_fonts, width_pt
from reports.pdf_tree import Node, flat, line_markup, read_html
from reports.short_names import with_short_names
from reports.stops_figure import draw_stops
from reports.trial_words import headline
from tests.reports.conftest import make_series, make_session
from tests.reports.test_lens_section import LENS
from tests.reports.test_trial_section import make_trial

POPPLER = ("pdffonts", "pdfimages", "pdfinfo", "pdftoppm", "pdftotext")
pytestmark = pytest.mark.skipif(
    any(shutil.which(name) is None for name in POPPLER), reason="needs poppler's programs"
)
EDGE_PT = 20.0  # the least of paper left white around all text
HOSTILE = (
    "x" * 10_000,
    "ab " * 3_000 + "end",
    "\u05d0\u05d1\u05d2 \u202e<b>&amp;\u0627\u0644 " * 40,
    "\U0001f52c\U0001f48e\u4e2d\u6587 \ud800\x00\x1b[31m\n\nline\u2028two",
    "</p><para><font size='900'>big</font> &#0; {{}} %s $x^2$ \\frac",
)


def shorter(series: SeriesResult, *which: int) -> SeriesResult:
    """A series with some of its stops alone."""
    return replace(series, points=tuple(series.points[k] for k in which))


def plain(magnification: float) -> SeriesResult:
    """A series with the figure of its stops alone."""
    series = make_series(magnification)
    points = tuple(replace(p, mtf=(), focus_samples=()) for p in series.points[:3])
    return replace(series, points=points)


def named(trial: TrialResult, name: str) -> TrialResult:
    """A trial in which a text stands for each name and in each note."""
    new = {c.name: f"{name} {k}" for k, c in enumerate(trial.conditions)}
    return replace(
        trial,
        name=name,
        reference=new[trial.reference],
        frames=tuple(replace(f, condition=new[f.condition]) for f in trial.frames),
        conditions=tuple(replace(c, name=new[c.name]) for c in trial.conditions),
        differences=tuple(
            replace(d, one=new[d.one], other=new[d.other]) for d in trial.differences
        ),
        curves=tuple(replace(c, label=f"{name} {k}") for k, c in enumerate(trial.curves)),
        notes=(name, name),
    )


def run(*command: str | Path, content: bytes) -> str:
    done = subprocess.run(command, input=content, capture_output=True, check=True, timeout=60)
    return done.stdout.decode("utf-8", "replace")


def text_of(pdf: bytes, *options: str) -> str:
    """Text as read, every gap one space."""
    return " ".join(run("pdftotext", *options, "-", "-", content=pdf).split())


def pages_of(pdf: bytes) -> int:
    found = re.search(r"Pages:\s+(\d+)", run("pdfinfo", "-", content=pdf))
    assert found is not None
    return int(found[1])


def assert_inside(pdf: bytes, paper: str = "A4") -> None:
    """No word outside of the page, nor at its rim."""
    width, height = PAPERS[paper]
    html = run("pdftotext", "-bbox", "-", "-", content=pdf)
    pattern = r'<word xMin="(.*?)" yMin="(.*?)" xMax="(.*?)" yMax="(.*?)">'
    boxes = np.array([[float(v) for v in box] for box in re.findall(pattern, html)])
    assert len(boxes) > 20
    assert boxes[:, :2].min() >= EDGE_PT
    assert boxes[:, 2].max() <= width - EDGE_PT
    assert boxes[:, 3].max() <= height - EDGE_PT


def spaced(sentence: str) -> str:
    return " ".join(sentence.split())


@pytest.fixture(scope="module")
def told() -> SessionResult:
    """Two magnifications, one of them rocked by hand, and the lens."""
    series = (make_series(), shorter(make_series(3.0, placed=False, seed=5), 0, 3))
    return replace(make_session(series), lens=LENS)


@pytest.fixture(scope="module")
def trial() -> TrialResult:
    return make_trial()


@pytest.fixture(scope="module")
def handout(told: SessionResult, trial: TrialResult) -> bytes:
    return render_pdf_report(told, (trial,))


def test_fonts_are_embedded_and_figures_are_vectors(handout: bytes) -> None:
    fonts = run("pdffonts", "-", content=handout).splitlines()[2:]
    assert {line.split()[0].partition("+")[2] for line in fonts} == {
        "DejaVuSans",
        "DejaVuSans-Bold",
    }
    assert all(line.split()[-5:-2] == ["yes", "yes", "yes"] for line in fonts)
    assert run("pdfimages", "-list", "-", content=handout).splitlines()[2:] == []


def test_the_first_page_answers(told: SessionResult, handout: bytes) -> None:
    first = text_of(handout, "-l", "1", "-raw")
    for one in told.series:
        best = words.recommended_point(one)
        assert best is not None
        assert words.marked_stop(best.marked_stop) in first
        for sentence in (words.cost_words(one), words.deepest_words(one)):
            assert spaced(sentence) in first
        assert spaced(words.stop_span(one.optimum_low95, one.optimum_high95)) in first
    assert "2x: f/8" in first
    assert "too bold" in first


def test_every_part_of_the_page_is_printed(
    told: SessionResult, trial: TrialResult, handout: bytes
) -> None:
    said = text_of(handout, "-raw")
    for point in told.series[0].points:
        assert words.interval_words(point.mtf50_low95, point.mtf50_high95, 1) in said
    assert spaced(headline(trial)) in said
    once = ("Rules of thumb (common practice)", "Trial: ", "Every pair: the first less the second")
    assert [said.count(part) for part in once] == [1, 1, 1]
    for part in (
        *("The lens, from all frames together", "Places of the field at 2×", "Colour at 2×"),
        *("How this was measured", "What to doubt", "Care at the rig", "Razor edges cut"),
        *(told.cautions[0], told.provenance["frames sha256"], "image-side MTF50, cycles/mm"),
    ):
        assert part in said


def test_only_what_paper_can_use(handout: bytes) -> None:
    said = text_of(handout, "-raw")
    assert "Skip to" not in said
    assert "On this page" not in said
    assert "asks nothing of any network" not in said


def test_title_language_bookmarks_and_page_numbers(told: SessionResult, handout: bytes) -> None:
    about = run("pdfinfo", "-", content=handout)
    assert re.search(r"Title:\s+" + re.escape(told.name), about)
    assert b"/Lang (en)" in handout
    assert b"/DisplayDocTitle true" in handout
    count = pages_of(handout)
    assert 5 <= count <= 12
    outline = [printable(t) for t in bookmarks(handout)]
    wanted = ["Which stop to use", "Measured at 2×", "Measured at 3×", "How this was measured"]
    assert [one for one in outline if one in wanted] == wanted
    for page in (1, count):
        shown = text_of(handout, "-f", str(page), "-l", str(page), "-raw")
        assert f"{page} of {count}" in shown
    last = text_of(handout, "-f", str(count), "-l", str(count), "-raw")
    assert told.name in last


def bookmarks(pdf: bytes) -> list[str]:
    """Titles of the outline in order of the file: plain, or UTF-16 with its mark."""
    found = re.findall(rb"/Title \(((?:\\.|[^\\)])*)\)", pdf, re.DOTALL)
    out = []
    for raw in found:
        plain = re.sub(
            rb"\\(\d{3}|.)",
            lambda m: bytes([int(m[1], 8)]) if len(m[1]) == 3 else m[1],
            raw,
            flags=re.DOTALL,
        )
        coded = "utf-16" if plain.startswith(b"\xfe\xff") else "latin-1"
        out.append(plain.decode(coded))
    return out


def test_nothing_is_outside_of_the_page(handout: bytes) -> None:
    assert_inside(handout)


def test_same_result_same_bytes(tmp_path: Path) -> None:
    small = make_session((shorter(make_series(), 1),))
    for name in ("a.pdf", "b.pdf"):
        write_pdf_report(small, (), tmp_path / name)
    first = (tmp_path / "a.pdf").read_bytes()
    assert first == (tmp_path / "b.pdf").read_bytes()
    assert b"(D:2000" in first  # the writer's fixed date, not today's


def test_paper(told: SessionResult) -> None:
    small = make_session((shorter(make_series(), 1, 2),))
    letter = render_pdf_report(small, paper="Letter")
    assert "612 x 792 pts (letter)" in run("pdfinfo", "-", content=letter)
    assert_inside(letter, "Letter")
    with pytest.raises(ValueError, match="A4 or Letter"):
        render_pdf_report(told, paper="foolscap")


@pytest.mark.parametrize(
    ("series", "most"),
    [
        ((), 3),
        ((replace(make_series(), points=(), colours=(), optimum_stop=None),), 4),
        ((shorter(make_series(), 2),), 5),
        (tuple(plain(m) for m in (1, 1.5, 2, 3, 4, 5)), 12),
    ],
    ids=["no result", "nothing measured", "one stop", "six magnifications"],
)
def test_any_number_of_results(series: Sequence[SeriesResult], most: int) -> None:
    pdf = render_pdf_report(make_session(tuple(series)))
    assert_inside(pdf)
    assert pages_of(pdf) <= most
    cards = text_of(pdf, "-l", "1", "-raw")
    for one in series:
        assert f"At {words.magnification_words(one.magnification)}" in cards


@pytest.mark.parametrize("name", HOSTILE, ids=["long", "many words", "rtl", "odd", "markup"])
def test_hostile_names(name: str) -> None:
    session = replace(
        make_session(()),
        name=name,
        body_name=name,
        lens_name=name,
        cautions=(name,),
        provenance={name: name},
        flags=(name,),
        frames_by_status={name: 3},
    )
    pdf = render_pdf_report(session)
    assert_inside(pdf)
    assert pages_of(pdf) <= 6


def test_hostile_names_in_a_trial(trial: TrialResult) -> None:
    name = HOSTILE[2][:30] + HOSTILE[1] + HOSTILE[3]
    pdf = render_pdf_report(make_session(()), (named(trial, name),))
    assert_inside(pdf)
    assert pages_of(pdf) <= 12


def test_markup_in_a_name_is_text() -> None:
    session = replace(make_session(()), lens_name="<b>50 & 75</b> <br/> mm")
    assert "<b>50 & 75</b> <br/> mm" in unescape(text_of(render_pdf_report(session), "-raw"))


def test_a_figure_is_drawn_as_matplotlib_draws_it(tmp_path: Path) -> None:
    """A second route to one picture: our vectors by poppler, matplotlib's own dots."""
    from reportlab.pdfgen.canvas import Canvas

    figure = draw_stops(make_series())
    assert figure is not None
    size = svg_size_pt(figure.svg)
    register_fonts()
    canvas = Canvas(str(tmp_path / "figure.pdf"), pagesize=size, invariant=1)
    draw_svg(canvas, figure.svg)
    canvas.save()
    subprocess.run(
        ["pdftoppm", "-r", "300", "-png", "-singlefile", "figure.pdf", "ours"],
        cwd=tmp_path,
        check=True,
        timeout=60,
    )
    ours = Image.open(tmp_path / "ours.png").convert("L")
    theirs = Image.open(io.BytesIO(figure.png_bytes(300))).convert("L")
    assert ours.size == theirs.size
    # Averaged over 12 dots: matplotlib moves lines and letters to whole ones.
    small = (ours.width // 12, ours.height // 12)
    a, b = (np.asarray(im.resize(small, Image.Resampling.BOX), float) for im in (ours, theirs))
    assert np.corrcoef(a.ravel(), b.ravel())[0, 1] > 0.97
    assert np.abs(a - b).mean() < 4.5  # of 255; the paper alone differs by 3
    for axis in (0, 1):  # the test sees a shift of 3 pt
        shifted = np.roll(a, 1, axis=axis)
        assert np.corrcoef(shifted.ravel(), b.ravel())[0, 1] < 0.75


@pytest.mark.parametrize(
    ("inside", "said"),
    [
        ("<circle r='1'/>", "circle"),
        ("<path d='M 0 0 A 1 1 0 0 0 2 2'/>", "'A'"),
        ("<path d='M 0 0 L 1 1' style='opacity: 0.5'/>", "opacity"),
        ("<g transform='skewX(3)'/>", "skewX"),
        ("<text style='font-size: 9px'>a<tspan>b</tspan></text>", "parts"),
    ],
)
def test_what_the_drawer_does_not_know_is_an_error(inside: str, said: str) -> None:
    from reportlab.pdfgen.canvas import Canvas

    svg = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9">{inside}</svg>'
    with pytest.raises(ValueError, match=said):
        draw_svg(Canvas(io.BytesIO()), svg)


def test_text_for_paper() -> None:
    assert printable("rail\u200b at\n2 mm, 4 m of it") == "rail at 2\xa0mm, 4\xa0m of it"
    assert printable("a\x07b") == "a\ufffdb"
    # Letters of a right-to-left word are drawn from the left in reverse; its number is not.
    assert printable("see \u05d0\u05d1 12\u05d2 end") == "see \u05d212 \u05d1\u05d0 end"
    assert printable("\u05d0\u05b0\u05d1") == "\u05d1\u05d0\u05b0"  # the mark follows its letter
    line = fitted("a lens of some length", 50, 8)
    assert line.endswith("…")
    assert width_pt(line, 8) <= 50 < width_pt(line[:-1] + "of so…", 8)
    assert fitted("short", 50, 8) == "short"


def test_tree_of_the_page() -> None:
    html = (
        '<main><div id="part"><h2>One &amp; <bdi>two</bdi></h2></div><nav>no</nav>'
        '<p hidden>no</p><p>a<br>b <strong>c</strong></p><svg viewBox="0 0 1 2">'
        "<clipPath/></svg></main>"
    )
    (main,) = read_html(html).elements()
    heading, paragraph, svg = (one for one in flat(main) if isinstance(one, Node))
    assert heading.attributes["id"] == "part"
    assert heading.text() == "One & two"
    assert line_markup(heading) == "One &amp; two"
    assert line_markup(paragraph) == "a<br/>b <b>c</b>"
    assert svg.text() == '<svg viewBox="0 0 1 2"><clipPath/></svg>'


def test_columns_fit_and_break_no_word() -> None:
    def row(tag: str, *texts: str) -> list[Node]:
        return [Node(tag, children=[text]) for text in texts]

    register_fonts()
    rows = [
        row("th", "Stop", "A header of several words", "Verdict"),
        row("td", "f/8", "3", "w " * 200),
    ]
    widths, size = column_widths(rows, 300)
    assert sum(widths) <= 300
    assert widths[0] > width_pt("Stop", size, bold=True)
    assert widths[1] > width_pt("several", size, bold=True)
    assert widths[2] == max(widths)


def test_names_told_apart_stay_so() -> None:
    trial = make_trial()
    long = {c.name: "same" * 40 + f" {k} " + "same" * 40 for k, c in enumerate(trial.conditions)}
    renamed = replace(
        trial, conditions=tuple(replace(c, name=long[c.name]) for c in trial.conditions)
    )
    session = make_session(())
    same, (short,) = with_short_names(session, (renamed,))
    names = [c.name for c in short.conditions]
    assert len(set(names)) == len(names)
    assert max(map(len, names)) < 75
    assert same == session
