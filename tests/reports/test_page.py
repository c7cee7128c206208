"""The page: its structure, its figures against the record, hostile and missing values."""

from __future__ import annotations

import dataclasses
import math
import re
import shutil
from base64 import b64encode
from collections import Counter
from hashlib import sha256
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from lab.inference.results import SIMULATED, RuleResult, SeriesResult, SessionResult
from reports import SimulatedTruth, markup, render_page, write_page
from reports.first_screen import rule_answers
from reports.page_controls import parts_of
from reports.page_script import SCRIPT
from reports.stops_figure import draw_stops
from reports.tables import colour_table, plot_attributes, stop_table, with_effective_stops
from reports.words import flag_words
from targets.fidelity import DEFAULT_LOSS
from tests.browser import run_chromium
from tests.reports.test_lens_section import LENS
from tests.reports.test_trial_section import make_trial

VOID = {"meta", "br", "path", "use", "rect", "input"}
PER_STOP_COLUMNS = 10


class Page(HTMLParser):
    """A strict reader: every tag must close in order; keeps what the tests ask for."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.references: list[str] = []
        self.headings: list[tuple[int, str]] = []
        self.tables: list[dict[str, object]] = []
        self.svg_labels: list[str] = []
        self.captions = 0
        self.figures = 0
        self.text = ""
        self.attributes: list[tuple[str, str, str]] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = {name: value or "" for name, value in attrs}
        self.attributes += [(tag, name, value) for name, value in values.items()]
        if "id" in values:
            self.ids.append(values["id"])
        self.references += re.findall(r"#([\w-]+)", values.get("href", ""))
        self.references += re.findall(r"url\(#([\w-]+)\)", values.get("clip-path", ""))
        if tag not in VOID:
            self.open.append(tag)
        if re.fullmatch("h[1-6]", tag):
            self.headings.append((int(tag[1]), ""))
        elif tag == "table":
            self.tables.append({"caption": "", "rows": [], "scopes": []})
        elif tag == "tr":
            self._rows().append([])
        elif tag in ("td", "th"):
            self._rows()[-1].append("")
            if tag == "th":
                self.tables[-1]["scopes"].append(values.get("scope"))
        elif tag == "svg":
            assert values["role"] == "img"
            self.svg_labels.append(values["aria-label"])
        elif tag == "figure":
            self.figures += 1
        elif tag == "figcaption":
            self.captions += 1

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if {"style", "svg", "script"} & set(self.open):
            return
        self.text += data
        if any(re.fullmatch("h[1-6]", tag) for tag in self.open):
            level, words = self.headings[-1]
            self.headings[-1] = (level, words + data)
        if "caption" in self.open:
            self.tables[-1]["caption"] += data
        elif "td" in self.open or "th" in self.open:
            self._rows()[-1][-1] += data

    def _rows(self) -> list[list[str]]:
        return self.tables[-1]["rows"]


def plain(text: str) -> str:
    return text.replace("\xa0", " ").replace("\N{MINUS SIGN}", "-")


def numbers(text: str) -> list[str]:
    return re.findall(r"-?\d+(?:\.\d+)?", plain(text))


def agrees(printed: str, value: float) -> bool:
    """The printed number is the value, rounded to the digits printed."""
    digits = len(printed.partition(".")[2])
    return abs(float(printed) - value) <= 0.5 * 10**-digits + 1e-9


def with_series(session: SessionResult, *series: SeriesResult) -> SessionResult:
    return dataclasses.replace(session, series=series)


@pytest.fixture(scope="module")
def html(session: SessionResult) -> str:
    return render_page(session)


@pytest.fixture(scope="module")
def page(html: str) -> Page:
    return Page(html)


def test_headings_stand_in_order_under_one_title(page: Page) -> None:
    levels = [level for level, _ in page.headings]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    titles = [title for _, title in page.headings]
    assert all(titles)
    for wanted in ("Which stop to use", "How this was measured", "What to doubt"):
        assert wanted in titles


def test_identifiers_are_unique_and_every_reference_has_its_target(page: Page) -> None:
    assert len(page.ids) == len(set(page.ids))
    assert page.references
    assert set(page.references) <= set(page.ids)


def test_every_figure_has_caption_and_text_alternative(page: Page) -> None:
    assert page.figures == page.captions == len(page.svg_labels) == 12
    assert all(len(label) > 80 for label in page.svg_labels)


def test_every_table_has_a_caption_and_scoped_headers(page: Page) -> None:
    assert len(page.tables) >= 7
    for table in page.tables:
        assert table["caption"].strip()
        columns = len(table["rows"][0])
        assert table["scopes"] == ["col"] * columns + ["row"] * (len(table["rows"]) - 1)
        assert {len(row) for row in table["rows"]} == {columns}


def test_stop_tables_print_the_record(page: Page, session: SessionResult) -> None:
    tables = [t for t in page.tables if len(t["rows"][0]) == PER_STOP_COLUMNS]
    assert len(tables) == len(session.series)
    for table, series in zip(tables, session.series, strict=True):
        for row, point in zip(table["rows"][1:], series.points, strict=True):
            expected = [
                (point.marked_stop,),
                (point.effective_f_number,),
                (point.mtf50_image_cyc_per_mm, point.mtf50_std),
                (point.mtf50_low95, point.mtf50_high95),
                (point.mtf50_object_cyc_per_mm,),
                (point.diffraction_mtf50_image_cyc_per_mm,),
                (point.percent_of_diffraction,),
                (point.best_focus_um,) if point.best_focus_um is not None else (),
                (point.frames_used, point.frames_measured),
            ]
            for cell, values in zip(row, expected, strict=False):
                printed = numbers(cell)
                assert len(printed) == len(values), cell
                assert all(map(agrees, printed, values)), (cell, values)
            if point.best_focus_um is None:
                assert row[7] == "unknown"
            assert row[9] == (", ".join(flag_words(f) for f in point.flags) or "none")


def colour_tables(page: Page) -> list[list[list[str]]]:
    return [t["rows"] for t in page.tables if t["caption"].startswith("Colour at")]


def test_colour_tables_print_the_record(page: Page, session: SessionResult) -> None:
    captions = [t["caption"] for t in page.tables if t["caption"].startswith("Colour at")]
    assert [c.split(":")[0] for c in captions] == [
        f"Colour at {s.magnification:g}\N{MULTIPLICATION SIGN}, f/4" for s in session.series
    ]
    assert all("outwards is positive" in c for c in captions)
    for (_, *rows), series in zip(colour_tables(page), session.series, strict=True):
        assert [row[0] for row in rows] == ["red", "blue"]
        for row, colour in zip(rows, series.colours, strict=True):
            expected = [
                (colour.lateral_corner_px, colour.lateral_corner_std_px),
                (colour.lateral_corner_image_um,),
                (colour.lateral_corner_object_um,),
                (colour.focus_difference_um, colour.focus_difference_std_um),
            ]
            for cell, values in zip(row[1:], expected, strict=True):
                printed = numbers(cell)
                assert len(printed) == len(values), cell
                assert all(map(agrees, printed, values)), (cell, values)
                # Digits enough to tell the figure from nothing, and its sign always.
                assert float(printed[0]) != 0
                assert cell.startswith("+" if values[0] > 0 else "\N{MINUS SIGN}")


def test_colour_that_was_not_measured_is_said_or_left_out(
    session: SessionResult, series: SeriesResult
) -> None:
    red, blue = series.colours
    nothing = {f.name: None for f in dataclasses.fields(red)[2:]}
    part = dataclasses.replace(
        blue, lateral_corner_std_px=None, focus_difference_um=None, focus_difference_std_um=None
    )
    missing = dataclasses.replace(series, colours=(dataclasses.replace(red, **nothing), part))
    (rows,) = colour_tables(Page(render_page(with_series(session, missing))))
    assert rows[1] == ["red", *["not measured"] * 4]
    assert plain(rows[2][1]) == "-0.4 (uncertainty unknown)"
    assert rows[2][4] == "not measured"
    without = render_page(with_series(session, dataclasses.replace(series, colours=())))
    assert colour_tables(Page(without)) == []
    assert "olour at" not in without


def test_answers_come_first_and_print_the_record(page: Page, session: SessionResult) -> None:
    assert "Simulated session" not in page.text
    assert page.headings[1] == (2, "Which stop to use")
    text = plain(page.text)
    for series in session.series:
        assert (
            f"f/{round(series.optimum_stop, 1):g}, 95 % interval "
            f"f/{round(series.optimum_low95, 1):g} to "
            f"f/{round(series.optimum_high95, 1):g}."
        ) in text
        assert (
            f"f/{series.deepest_sharp_stop:g} (95 % interval "
            f"f/{round(series.deepest_low95, 1):g} to "
            f"f/{round(series.deepest_high95, 1):g}), the last within 20 % of the peak"
        ) in text
    # 2x: optimum f/4.5, so f/4 is advised; f/5.6 is one stop further.
    four, five = session.series[1].points[1:3]
    ratio = five.mtf50_image_cyc_per_mm / four.mtf50_image_cyc_per_mm
    spread = ratio * math.hypot(
        four.mtf50_std / four.mtf50_image_cyc_per_mm, five.mtf50_std / five.mtf50_image_cyc_per_mm
    )
    assert f"f/5.6 costs {100 * (1 - ratio):.0f} % of MTF50 (± {196 * spread:.0f} at 95 %)" in text


def test_page_asks_nothing_of_the_network(html: str, page: Page) -> None:
    assert "http:" not in html
    assert "https:" not in html
    # One script, our own, and a policy that lets no other run.
    (script,) = re.findall(r"<script>(.*?)</script>", html, re.DOTALL)
    assert html.count("<script") == 1
    assert script == SCRIPT
    assert len(script.encode()) < 10_000
    digest = b64encode(sha256(script.encode()).digest()).decode()
    policies = [v for tag, name, v in page.attributes if tag == "meta" and name == "content"]
    assert (
        "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
        f"form-action 'none'; script-src 'sha256-{digest}'"
    ) in policies
    links = [value for _, name, value in page.attributes if name in ("href", "src")]
    assert all(link.startswith("#") for link in links)
    assert "@import" not in html
    assert set(re.findall(r"url\(([^)]*)", html)) <= {f"#{i}" for i in page.ids}


def test_same_result_same_bytes_and_small(
    session: SessionResult, html: str, tmp_path: Path
) -> None:
    path = tmp_path / "index.html"
    write_page(session, path)
    written = path.read_bytes()
    assert written == html.encode("utf-8")
    assert len(written) < 2_000_000


def test_hostile_names_stay_text(session: SessionResult, series: SeriesResult) -> None:
    evil = '<script>alert("1")</script>&\'\u202egnp\x00\udcff'
    point = dataclasses.replace(series.points[0], flags=(evil,))
    colour = dataclasses.replace(series.colours[0], channel=evil)
    hostile = dataclasses.replace(
        session,
        name=evil,
        body_name=evil,
        lens_name=evil + "x" * 3000,
        pupil_ratio_source=evil,
        channel=evil,
        light_source=evil,
        cautions=(evil,),
        provenance={evil: evil},
        frames_by_status={evil: 1},
        flags=(evil,),
        series=(
            dataclasses.replace(
                series, points=(point, *series.points[1:]), colours=(colour,), flags=(evil,)
            ),
        ),
    )
    html = render_page(hostile)
    html.encode("utf-8")
    assert html.count("<script") == 1  # our own
    assert "\x00" not in html
    page = Page(html)
    seen = evil.replace("\x00", "\ufffd").replace("\udcff", "\ufffd")
    assert page.headings[0] == (1, seen)
    assert page.text.count(seen) >= 13
    assert colour_tables(page)[0][1][0] == seen
    # Every reversal mark is shut in an element that isolates it; a title cannot hold one.
    body = html.split("</head>")[1]
    isolated = re.findall(r"<bdi>[^<]*</bdi>", body)
    assert sum(part.count("\u202e") for part in isolated) == body.count("\u202e") > 0


def test_missing_values_are_said_in_words(session: SessionResult, series: SeriesResult) -> None:
    nan = math.nan
    blank = dataclasses.replace(
        series.points[0],
        mtf50_std=nan,
        mtf50_low95=nan,
        mtf50_high95=nan,
        diffraction_mtf50_image_cyc_per_mm=nan,
        percent_of_diffraction=nan,
        best_focus_um=None,
        focus_curve_um=(),
        focus_curve_mtf50=(),
        focus_samples=(),
        frequency_image_cyc_per_mm=(),
        mtf=(),
        mtf_std=(),
        diffraction_mtf=(),
    )
    bare = dataclasses.replace(
        series,
        measured_magnification=None,
        measured_magnification_std=None,
        points=(blank,),
        optimum_stop=None,
        optimum_low95=None,
        optimum_high95=None,
        optimum_mtf50_image_cyc_per_mm=None,
        deepest_sharp_stop=None,
        curve_stop=(),
        curve_mtf50_image_cyc_per_mm=(),
        curve_diffraction_mtf50_image_cyc_per_mm=(),
    )
    empty = dataclasses.replace(bare, magnification=3.0, points=())
    result = dataclasses.replace(
        session,
        focal_length_mm=None,
        series=(bare, empty),
        cautions=(),
        provenance={},
        frames_by_status={},
    )
    html = render_page(result)
    assert not re.search(r"\b(nan|None|inf)\b", Page(html).text + html.split("</style>")[1])
    text = plain(Page(html).text)
    for said in (
        "Sharpest measured stop f/2.8; the optimum may lie beyond the stops measured.",
        "Unknown: no stop was measured.",
        "Magnification as stated, not measured",
        "(uncertainty unknown)",
        "not stated",
        "No stop of this series could be measured",
        "No caution was recorded",
        "No provenance was recorded",
        "Unknown: no stop near f/4 was measured",
    ):
        assert said in text, said
    nothing = render_page(dataclasses.replace(result, series=()))
    assert "No magnification of this session was measured" in nothing


def test_cost_is_read_off_the_curve_where_no_stop_was_measured(
    session: SessionResult, series: SeriesResult
) -> None:
    # f/4 is advised and f/5.6 is missing: the cost comes from the curve at f/4 and f/5.66.
    thinned = dataclasses.replace(
        series, points=tuple(p for p in series.points if p.marked_stop != 5.6)
    )
    curve = (np.log2(series.curve_stop), series.curve_mtf50_image_cyc_per_mm)
    here, there = np.interp(2, *curve), np.interp(2.5, *curve)
    text = plain(Page(render_page(with_series(session, thinned))).text)
    assert f"f/5.7 costs {100 * (1 - there / here):.0f} % of MTF50, read off the curve" in text


def test_flags_are_explained_and_unknown_ones_shown_as_they_are(
    session: SessionResult, series: SeriesResult
) -> None:
    flagged = dataclasses.replace(
        series, flags=("peak-not-bracketed", "changed-focal-length", "odd-flag_7")
    )
    page = Page(render_page(with_series(session, flagged)))
    (table,) = [t for t in page.tables if t["caption"].startswith("Flags")]
    rows = {row[0]: row[1:] for row in table["rows"][1:]}
    assert "the figure is a lower limit" in rows["peak not bracketed"][0]
    assert "focal length" in rows["changed focal length"][0]
    assert rows["odd-flag_7"] == [
        "No explanation is kept for this flag.",
        "2\N{MULTIPLICATION SIGN}: the series",
    ]
    # f/4 itself carries the flag too; every bracket has one specked frame of seven.
    assert rows["specks left out"][1].startswith(
        "2\N{MULTIPLICATION SIGN}: f/2.8 (1 of 7 frames), f/4 (1 of 7 frames)"
    )


def test_a_simulated_session_says_so_without_its_truth(session: SessionResult) -> None:
    assert 'class="simulated"' not in render_page(session)
    marked = dataclasses.replace(session, provenance={**session.provenance, **dict([SIMULATED])})
    page = render_page(marked)
    assert page.count('class="simulated"') == 1
    assert "#truth" not in page


def test_frames_of_trials_are_counted_beside_those_of_the_stops(session: SessionResult) -> None:
    trial = make_trial()
    page = render_page(session, trials=(trial,))
    _, _, rows = page.partition("Frames by what became of them.")
    head = rows[: rows.index("</thead>")]
    assert "Frames of trials" in head
    statuses = Counter(frame.status for frame in trial.frames)
    for status, count in statuses.items():
        own = session.frames_by_status.get(status, 0)
        wanted = f"<bdi>{status}</bdi></th><td>{own}</td><td>{count}</td>"
        assert wanted in rows


def test_simulated_truth_stands_beside_the_result(session: SessionResult) -> None:
    two = session.series[1]
    inside, outside = two.points[0], two.points[1]
    truth = SimulatedTruth(
        points=(
            (2.0, 2.8, inside.mtf50_image_cyc_per_mm + inside.mtf50_std),
            (2.0, 4.0, outside.mtf50_image_cyc_per_mm / 1.1),
            (2.0, 22.0, 11.0),
        ),
        optimum_stops=((2.0, two.optimum_stop * 2**0.25), (7.0, 4.0)),
    )
    html = render_page(with_series(session, two), truth=truth)
    page = Page(html)
    text = plain(page.text)
    assert text.index("Simulated session.") < text.index("Which stop to use")
    points, optima = (t for t in page.tables if t["caption"].startswith("True and measured"))
    assert points["rows"][1][4] == "yes"
    assert plain(points["rows"][2][3]) == "+10.0 %"
    assert points["rows"][2][4] == "no"
    assert points["rows"][3][2:] == ["not measured", "unknown", "unknown"]
    # A quarter power of two is half a stop.
    assert plain(optima["rows"][1][4]) == "-0.50 stops"
    # Differences carry two decimals, so the stops do.
    assert optima["rows"][1][1:4] == [
        f"f/{two.optimum_stop * 2**0.25:.2f}",
        f"f/{two.optimum_stop:.2f}",
        f"f/{two.optimum_low95:.2f} to f/{two.optimum_high95:.2f}",
    ]
    assert optima["rows"][1][5] == "no"
    assert optima["rows"][2][5] == "unknown"
    assert "holds the truth at 1 of 2 stops; that of the optimum at 0 of 1 magnifications" in text
    assert "The largest difference is 10.0 %" in text


def test_differences_of_nothing_have_one_form(session: SessionResult) -> None:
    two = session.series[1]
    shares = (0.9996, 1.0004, 1.0)  # differences of +0.04, -0.04 and 0 %
    truth = SimulatedTruth(
        points=tuple(
            (2.0, p.marked_stop, p.mtf50_image_cyc_per_mm * share)
            for p, share in zip(two.points, shares, strict=False)
        ),
        optimum_stops=((2.0, two.optimum_stop * 1.0001), (1.0, session.series[0].optimum_stop)),
    )
    ones = dataclasses.replace(session.series[0], points=())
    page = Page(render_page(with_series(session, ones, two), truth=truth))
    points, optima = (t for t in page.tables if t["caption"].startswith("True and measured"))
    assert [plain(row[3]) for row in points["rows"][1:]] == ["0.0 %"] * 3
    assert [plain(row[4]) for row in optima["rows"][1:]] == ["0.00 stops"] * 2


def test_end_stops_are_said_to_be_ends(session: SessionResult, series: SeriesResult) -> None:
    ends = dataclasses.replace(
        series,
        optimum_stop=series.points[2].exact_stop,  # f/5.66, engraved as 5.6
        optimum_low95=None,
        optimum_high95=None,
        deepest_sharp_stop=series.points[4].exact_stop,  # f/11.3, engraved as 11
        deepest_low95=9.14,
        deepest_high95=series.points[4].exact_stop,
        points=series.points[2:5],
        loss_percent=10.0,
        flags=("optimum-not-bracketed", "deepest-beyond-range"),
    )
    text = plain(Page(render_page(with_series(session, ends))).text)
    assert "Sharpest measured stop f/5.6; the optimum may lie beyond the stops measured." in text
    assert (
        "At least f/11 (95 % interval from f/9.1): the narrowest stop measured is still within "
        "10 % of the peak."
    ) in text
    assert "unknown" not in text[text.index("Which stop to use") : text.index("Measured at")]


def test_title_is_the_session_and_the_program(session: SessionResult) -> None:
    html = render_page(dataclasses.replace(session, name="Bellows: which stop?", series=()))
    assert "<title>Bellows: which stop? | stopwise</title>" in html


@pytest.mark.parametrize(
    "flag",
    [
        *("sharper-than-diffraction", "magnification-off", "frame-size-off", "focus-fit-failed"),
        "target-limited",
    ],
)
def test_flags_of_doubtful_input_are_explained(
    flag: str, session: SessionResult, series: SeriesResult
) -> None:
    flagged = dataclasses.replace(series, flags=(flag,))
    text = Page(render_page(with_series(session, flagged))).text
    assert flag.replace("-", " ") in text
    assert "No explanation is kept" not in text


def test_a_target_that_limits_some_frames_is_a_doubt(
    session: SessionResult, series: SeriesResult
) -> None:
    point = series.points[1]
    samples = tuple(
        dataclasses.replace(sample, flags=("target-limited",) if i in (2, 4) else ())
        for i, sample in enumerate(point.focus_samples)
    )
    points = (series.points[0], dataclasses.replace(point, focus_samples=samples, flags=()))
    page = Page(render_page(with_series(session, dataclasses.replace(series, points=points))))
    (table,) = [t for t in page.tables if t["caption"].startswith("Flags")]
    (row,) = [row for row in table["rows"] if row[0] == "target limited"]
    assert f"more than {100 * DEFAULT_LOSS:g} % of the contrast at MTF50" in row[1]
    assert row[2] == f"2\N{MULTIPLICATION SIGN}: f/{point.marked_stop:g} (2 of 7 frames)"


def _luminance(colour: str) -> float:
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_text_contrast_is_at_least_4_5(html: str, scheme: int) -> None:
    # WCAG 2.2, success criterion 1.4.3 (AA): 4.5 to 1; relative luminance as defined there.
    rules = re.findall(r":root\{(?:color-scheme:[a-z ]+;)?(--[^}]*)\}", html)
    colours = dict(re.findall(r"--(\w+):(#[0-9a-f]{6})", rules[scheme]))
    pairs = [(t, g) for t in ("ink", "quiet", "measured", "optimum") for g in ("paper", "ground")]
    for front, back in [*pairs, ("ink", "band"), ("measured", "band"), ("quiet", "band")]:
        low, high = sorted((_luminance(colours[front]), _luminance(colours[back])))
        assert (high + 0.05) / (low + 0.05) >= 4.5, (front, back)


RULE = RuleResult(
    rule="2x: f/8",
    verdict="too bold",
    reason="",
    probability=0.937,
    limit_stop=8.0,
    loss_percent=41.3,
    loss_low95=39.0,
    loss_high95=43.0,
    depth_given_away=None,
)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            {},
            "No, too bold. “2x: f/8” ends at f/8 here, where 41 % of MTF50 is lost "
            "(probability 94 %).",
        ),
        (
            {"verdict": "holds", "probability": 0.9999, "limit_stop": 2**2.5, "loss_percent": 7.6},
            "Yes. “2x: f/8” ends at f/5.6 here, where 8 % of MTF50 is lost "
            "(probability over 99 %).",
        ),
        (
            {"verdict": "too cautious", "limit_stop": 3.78, "loss_percent": None},
            "No, too cautious. “2x: f/8” ends at f/3.8 here: one may stop down further "
            "(probability 94 %).",
        ),
        (
            {"verdict": "cannot tell", "reason": "half a stop <off>"},
            "Cannot tell. “2x: f/8” ends at f/8 here: half a stop &lt;off&gt;.",
        ),
        ({"loss_percent": None}, "No, too bold. “2x: f/8” ends at f/8 here (probability 94 %)."),
    ],
    ids=["bold", "holds", "cautious", "cannot-tell", "loss-unknown"],
)
def test_the_first_screen_says_whether_a_rule_holds(
    session: SessionResult, series: SeriesResult, change: dict, said: str
) -> None:
    rules = (dataclasses.replace(RULE, **change), RULE)
    lens = dataclasses.replace(LENS, series=(dataclasses.replace(LENS.series[0], rules=rules),))
    with_lens = dataclasses.replace(session, lens=lens)
    answers = rule_answers(with_lens, series)
    assert len(answers) == 2
    assert plain(re.sub(r"</?(strong|bdi)>", "", answers[0])) == said
    # The lens of the fixture was seen at 2x alone.
    assert rule_answers(with_lens, session.series[0]) == ("No rule was put to the test here.",)
    assert rule_answers(session, series) == ("No rule was put to the test here.",)


def test_each_card_answers_the_four_questions(page: Page, session: SessionResult) -> None:
    start, end = page.text.index("Which stop to use"), page.text.index("Measured at 1")
    for question in (
        *("How sure?", "What does one stop further cost?", "Does a rule of thumb hold?"),
        "Deepest sharp stop",
    ):
        assert page.text[start:end].count(question) == len(session.series), question


def test_lens_and_trials_are_sections_with_links_and_no_file_is_named(
    session: SessionResult, series: SeriesResult
) -> None:
    trials = (make_trial(), dataclasses.replace(make_trial(), name="Braced <i>"))
    whole = dataclasses.replace(with_series(session, series), lens=LENS)
    html = render_page(whole, trials=trials)
    page = Page(html)
    titles = [title for level, title in page.headings if level == 2]
    assert titles[2:5] == [
        "The lens, from all frames together",
        f"Trial: {trials[0].name}",
        "Trial: Braced <i>",
    ]
    assert {"lens", "trial-1", "trial-2"} <= set(page.references)
    assert set(page.references) <= set(page.ids)
    assert len(page.ids) == len(set(page.ids))
    names = {s.file for p in series.points for s in p.focus_samples}
    names |= {frame.file for trial in trials for frame in trial.frames}
    names |= set(LENS.frames_in_doubt) | {r.file for r in LENS.series[0].residuals}
    assert len(names) > 60
    for name in names:
        assert name not in html
        assert name.rpartition("/")[2] not in page.text
    assert "Frames that do not fit: 1 of 167." in page.text
    neutral = dataclasses.replace(LENS, frames_in_doubt=("frame-0007", "frame-0012"))
    html = render_page(dataclasses.replace(session, series=(), lens=neutral))
    assert "frame-0007, frame-0012" in html


def test_switched_stop_table_prints_the_record_on_the_other_side(series: SeriesResult) -> None:
    html = stop_table(series, name="here")
    heads, *rows = re.findall(r"<tr>(.*?)</tr>", html)
    assert re.findall(r'data-\w+="([^"]*)"', plain(heads)) == [
        *(
            "Effective f\N{NON-BREAKING HYPHEN}number",
            "Marked stop",
            "MTF50, object side",
            "MTF50, image side",
        ),
        "Predicted diffraction, object side",
    ]
    for row, point in zip(rows, series.points, strict=True):
        there = [plain(value) for value in re.findall(r'data-object="([^"]*)"', row)]
        m = point.mtf50_object_cyc_per_mm / point.mtf50_image_cyc_per_mm
        assert m == pytest.approx(2.0)
        expected = [
            (point.mtf50_object_cyc_per_mm, m * point.mtf50_std),
            (m * point.mtf50_low95, m * point.mtf50_high95),
            (point.mtf50_image_cyc_per_mm,),
            (m * point.diffraction_mtf50_image_cyc_per_mm,),
        ]
        for said, values in zip(there, expected, strict=True):
            assert all(map(agrees, numbers(said), values)), (said, values)
            assert len(numbers(said)) == len(values)
        assert re.findall(r'data-effective="([^"]*)"', row) == [
            f"{point.effective_f_number:.1f}",
            f"f/{point.marked_stop:g}",
        ]


def test_points_of_the_figure_are_tied_to_rows_where_they_are_drawn(series: SeriesResult) -> None:
    blank = dataclasses.replace(series.points[1], mtf50_image_cyc_per_mm=math.nan)
    gap = dataclasses.replace(series, points=(series.points[0], blank, *series.points[2:]))
    drawn = draw_stops(gap)
    assert drawn is not None
    said = plot_attributes(gap, drawn, table_name="t-3")
    assert 'data-table="t-3"' in said
    listed = re.search(r'data-points="\[(.*)\]"', said)
    assert listed is not None
    places = [tuple(map(float, one.split(","))) for one in re.findall(r"\[([^[\]]+)\]", listed[1])]
    assert [row for row, _, _ in places] == [0, 2, 3, 4, 5]
    # Stops a factor apart lie at their logarithm; higher MTF50 lies higher, to one scale.
    points = [gap.points[int(row)] for row, _, _ in places]
    x = np.log2([p.exact_stop for p in points])
    y = [p.mtf50_image_cyc_per_mm for p in points]
    for value, k in ((x, 1), (y, 2)):
        drawn_at = [one[k] for one in places]
        slope, offset = np.polyfit(value, drawn_at, 1)
        assert np.sign(slope) == (1 if k == 1 else -1)
        np.testing.assert_allclose(drawn_at, slope * np.array(value) + offset, atol=0.02)
    other = with_effective_stops(gap, drawn)
    assert re.findall(r'data-effective="([\d.]+)">([\d.]+)<', other.svg) == [
        (f"{p.effective_f_number:.1f}", f"{p.marked_stop:g}") for p in points
    ]
    # No figure of these points: nothing is tied, and no axis holds two scales.
    fewer = dataclasses.replace(series, points=series.points[:4])
    assert plot_attributes(fewer, drawn, table_name="t") == ""
    assert with_effective_stops(fewer, drawn) == drawn


def test_parts_never_carry_a_name_from_the_records(
    session: SessionResult, series: SeriesResult
) -> None:
    evil = '"] , * , ["'
    colours = tuple(dataclasses.replace(one, channel=evil) for one in series.colours[:1])
    parts = parts_of(with_series(session, dataclasses.replace(series, colours=colours)))
    assert parts.colours == (("colour-1", evil),)
    words = [part for group in (parts.series, parts.figures, parts.colours) for part, _ in group]
    assert all(re.fullmatch(r"[a-z0-9-]+", word) for word in words)
    html = colour_table(series, parts=("colour-1", "colour-2"))
    assert re.findall(r'<tr data-part="([^"]*)">', html) == ["colour-1", "colour-2"]


def test_tables_have_names_and_empty_heads_are_no_headers() -> None:
    html = markup.table("Marks & <stops>. In millimetres.", ("What", ""), [("a", "b")])
    assert 'aria-label="Table: Marks &amp; &lt;stops&gt;"' in html
    assert '<th scope="col">What</th><td></td>' in html


def test_a_value_follows_one_switch() -> None:
    assert markup.switched("<", object_side='"') == '<span data-object="&quot;">&lt;</span>'
    assert markup.switched("4") == "4"
    with pytest.raises(ValueError, match="one switch"):
        markup.switched("4", object_side="8", effective="12")


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no chromium to draw the page")
def test_browser_draws_the_page(session: SessionResult, tmp_path: Path) -> None:
    from matplotlib.image import imread

    write_page(session, tmp_path / "index.html")
    picture = tmp_path / "page.png"
    run_chromium(
        tmp_path,
        "--window-size=1280,1600",
        f"--screenshot={picture}",
        (tmp_path / "index.html").as_uri(),
    )
    drawn = np.round(255 * imread(picture)[..., :3]).astype(int)
    assert drawn.shape == (1600, 1280, 3)
    # The first figure is in view: its optimum band and its measured points carry our colours.
    for colour, least in (("f5e6bf", 2000), ("17557f", 500)):
        wanted = [int(colour[i : i + 2], 16) for i in (0, 2, 4)]
        assert (np.abs(drawn[700:] - wanted).max(axis=2) <= 3).sum() > least
    # Nothing reaches past the right margin.
    ground = drawn[:, -1:, :]
    assert (np.abs(drawn[:, -60:] - ground).max() <= 1).all()
