"""The page in a browser: alone, with and without its script, by keyboard, in print.

One page with hostile names in it serves all checks. Every name and figure is invented.
"""

from __future__ import annotations

import dataclasses
import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from lab.inference.results import SeriesResult, SessionResult
from reports import write_page
from tests.browser import press_named, shut_off
from tests.live_browser import LiveBrowser
from tests.reports.test_lens_section import LENS
from tests.reports.test_trial_section import make_trial

pytestmark = pytest.mark.skipif(shutil.which("chromium") is None, reason="no chromium")

EVIL = (
    "</script><script>window.ran=1</script><img src=x onerror='window.ran=2'>"
    "<!--<script>\"'`${window.ran=3} \u202eright to left \N{BEETLE}\N{MICROSCOPE} "
)
LONG = EVIL + "long" * 2500
FIRST_TABLE = "stop-table-1"


@pytest.fixture(scope="module")
def shown(session: SessionResult, series: SeriesResult) -> SessionResult:
    colours = tuple(
        dataclasses.replace(one, channel=name)
        for one, name in zip(series.colours, (EVIL, "blue"), strict=True)
    )
    point = dataclasses.replace(series.points[3], flags=(EVIL,))
    points = (*series.points[:3], point, *series.points[4:])
    rules = (
        LENS.series[0].rules[0],
        dataclasses.replace(LENS.series[0].rules[0], rule=EVIL, verdict="cannot tell", reason=EVIL),
    )
    return dataclasses.replace(
        session,
        name=LONG,
        body_name=EVIL,
        lens_name=LONG,
        channel=EVIL,
        light_source=EVIL,
        cautions=(LONG,),
        provenance={EVIL: LONG},
        flags=(EVIL,),
        series=(
            dataclasses.replace(series, colours=colours, points=points, flags=(LONG,)),
            session.series[3],
        ),
        lens=dataclasses.replace(
            LENS, series=(dataclasses.replace(LENS.series[0], rules=rules),), cannot_say=(EVIL,)
        ),
    )


@pytest.fixture(scope="module")
def address(shown: SessionResult, tmp_path_factory: pytest.TempPathFactory) -> str:
    path: Path = tmp_path_factory.mktemp("page") / "index.html"
    write_page(shown, path, trials=(dataclasses.replace(make_trial(), name=EVIL),))
    assert path.stat().st_size < 2_000_000
    return path.as_uri()


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveBrowser]:
    with LiveBrowser(tmp_path_factory.mktemp("browser")) as live:
        shut_off(live)
        yield live


@pytest.fixture
def page(browser: LiveBrowser, address: str) -> LiveBrowser:
    """The page freshly loaded; whatever is said and asked for from here on is recorded."""
    browser.events.clear()
    browser.resize(1280, 900, "light")
    browser.open("about:blank")
    browser.events.clear()
    browser.open(address)
    return browser


def cells(page: LiveBrowser, table: str = FIRST_TABLE) -> list[list[str]]:
    """Text of a table, heads included."""
    got: list[list[str]] = page.evaluate(
        f"[...document.querySelectorAll('#{table} tr')].map("
        "(row) => [...row.cells].map((cell) => cell.textContent))"
    )
    return got


def focused(page: LiveBrowser) -> str:
    got: str = page.evaluate(
        "(e => e.getAttribute('aria-label') || e.value || e.textContent)(document.activeElement)"
    )
    return got


def reading(page: LiveBrowser) -> list[str]:
    """Lines of the tips that are open, and those must be seen."""
    got: list[str] = page.evaluate(
        "[...document.querySelectorAll('.tip[role=status] > *')].filter("
        "(line) => line.checkVisibility() && line.getBoundingClientRect().width > 20"
        ").map((line) => line.textContent)"
    )
    return got


def row_in_words(rows: list[list[str]], row: int) -> list[str]:
    """What is to be read of a point: heads and cells of its row."""
    said = [f"{head}: {cell}" for head, cell in zip(rows[0][:7], rows[row][:7], strict=True)]
    return [*said, "Frequencies in cycles/mm."]


def tab_to(page: LiveBrowser, wanted: str) -> list[str]:
    """Tab until something bears that name; the names on the way.

    Raises
    ------
    AssertionError
        If nothing does.
    """
    way: list[str] = []
    while len(way) < 60:
        page.press("Tab")
        way.append(focused(page))
        if way[-1] == wanted:
            return way
    raise AssertionError(f"{wanted!r} is not reached: {way}")


def test_page_asks_for_nothing_and_complains_of_nothing(page: LiveBrowser, address: str) -> None:
    for scheme in ("light", "dark"):
        page.resize(1280, 900, scheme)
    page.evaluate("new Promise((done) => requestAnimationFrame(done))")
    assert page.requests() == [address]
    assert page.complaints() == []
    assert page.evaluate("window.ran") is None
    assert page.evaluate("document.scripts.length") == 1
    assert page.evaluate("document.querySelectorAll('img').length") == 0


def test_policy_lets_no_other_script_run(page: LiveBrowser) -> None:
    # The same check must be able to fail: a script that is not ours is kept out, and said.
    page.evaluate(
        "document.body.append(Object.assign(document.createElement('script'),"
        "{textContent: 'window.ran = 7'}))"
    )
    page.evaluate("document.body.insertAdjacentHTML('beforeend', '<b onclick=\"ran=8\">b</b>')")
    page.evaluate("document.body.lastChild.click()")
    assert page.evaluate("window.ran") is None
    assert any("Content Security Policy" in one for one in page.complaints())


def test_all_is_there_without_the_script(
    browser: LiveBrowser, address: str, shown: SessionResult
) -> None:
    seen = {}
    for off in (True, False):
        browser.call("Emulation.setScriptExecutionDisabled", value=off)
        browser.open("about:blank")
        browser.open(address)
        seen[off] = browser.evaluate(
            "({hidden: document.getElementById('view').hidden,"
            " points: document.querySelectorAll('.point').length,"
            " words: document.querySelector('main').innerText,"
            " figures: [...document.querySelectorAll('figure')].filter("
            "(f) => f.checkVisibility()).length})"
        )
    assert seen[True]["hidden"]
    assert not seen[False]["hidden"]
    assert seen[True]["points"] == 0
    assert seen[False]["points"] == sum(len(one.points) for one in shown.series) == 12
    assert seen[True]["figures"] == seen[False]["figures"] >= 10
    # Word for word the same, the controls and the names of the points apart.
    bare = [line for line in seen[True]["words"].splitlines() if line.strip()]
    full = set(seen[False]["words"].splitlines())
    assert len(bare) > 150
    assert [line for line in bare if line not in full] == []


def test_keyboard_walks_through_controls_and_points(page: LiveBrowser) -> None:
    way = tab_to(page, "Choose what is shown")
    assert way[0] == "Skip to the content"
    assert way[1] == "Measured at 2\N{MULTIPLICATION SIGN}"
    page.press("Enter")
    way = tab_to(page, "image")  # radios follow all boxes
    assert way[:8] == ["at-2", "at-5", "stops", "mtf", "focus", "field", "residuals", "tables"]
    press_named(page, "ArrowRight")
    assert focused(page) == "object"
    assert page.evaluate("document.querySelector('#view [role=status]').textContent") == (
        "Tables of stops and places give object-side frequencies first."
    )
    first = "Measured at 2\N{MULTIPLICATION SIGN}: Marked stop f/2.8"
    tab_to(page, first)
    rows = cells(page)
    assert reading(page) == row_in_words(rows, 1)
    for key, row in (
        *(("ArrowRight", 2), ("ArrowDown", 3), ("ArrowLeft", 2), ("End", 6)),
        *(("ArrowRight", 6), ("Home", 1), ("ArrowUp", 1)),
    ):
        press_named(page, key)
        assert focused(page) == first.replace("f/2.8", rows[row][0]), key
        assert reading(page) == row_in_words(rows, row), key
    press_named(page, "Escape")
    assert reading(page) == []
    press_named(page, "ArrowRight")
    assert reading(page) == row_in_words(rows, 2)
    page.press("Tab")  # all points of a figure are one stop of the keyboard
    assert focused(page).startswith("Measured at 5\N{MULTIPLICATION SIGN}")
    assert reading(page) == row_in_words(cells(page, "stop-table-2"), 1)


def test_pointer_reads_the_nearest_point(page: LiveBrowser) -> None:
    rows = cells(page)
    page.evaluate("document.querySelector('.plot[data-points]').scrollIntoView({block: 'center'})")
    box = page.evaluate(
        "(b => [b.x, b.y, b.width, b.height])("
        "document.querySelectorAll('.point')[4].getBoundingClientRect())"
    )
    x, y = box[0] + box[2] / 2, box[1] + box[3] / 2
    drawn = page.evaluate(
        "[...document.querySelector('.plot[data-points]').querySelectorAll('use')]"
        ".filter((mark) => mark.style.fill === 'var(--measured)')"
        ".map((mark) => mark.getBoundingClientRect()).map((b) => [b.x, b.y, b.width, b.height])"
    )
    assert len(drawn) == len(rows) - 1
    left, top, width, height = drawn[4]
    assert (x, y) == pytest.approx((left + width / 2, top + height / 2), abs=0.6)
    for dx, dy in ((0, 0), (6, -40), (-5, 3)):
        page.call("Input.dispatchMouseEvent", type="mouseMoved", x=x + dx, y=y + dy)
        assert reading(page) == row_in_words(rows, 5)
    page.call("Input.dispatchMouseEvent", type="mouseMoved", x=2, y=2)
    assert reading(page) == []


def test_switches_change_what_tables_axes_and_readings_say(
    page: LiveBrowser, shown: SessionResult
) -> None:
    before = cells(page)
    point = shown.series[0].points[2]
    page.evaluate("document.querySelectorAll('.point')[2].focus()")
    page.evaluate("document.querySelector('input[value=object]').click()")
    page.evaluate("document.querySelector('input[value=effective]').click()")
    after = cells(page)
    assert after[0][:5] == [
        *("Effective f\N{NON-BREAKING HYPHEN}number", "Marked stop", "MTF50, object side"),
        *("95 % interval", "MTF50, image side"),
    ]
    assert after[3][:2] == [f"{point.effective_f_number:.1f}", "f/5.6"]
    assert float(after[3][2].split()[0]) == pytest.approx(point.mtf50_object_cyc_per_mm, abs=0.06)
    assert float(after[3][4]) == pytest.approx(point.mtf50_image_cyc_per_mm, abs=0.06)
    assert reading(page) == row_in_words(after, 3)
    ticks = "[...document.querySelectorAll('svg [data-effective]')].slice(0, 7)"
    assert page.evaluate(f"{ticks}.map((tick) => tick.textContent)") == [
        *(f"{p.effective_f_number:.1f}" for p in shown.series[0].points),
        "effective f\N{NON-BREAKING HYPHEN}number",
    ]
    page.evaluate("document.querySelector('input[value=image]').click()")
    page.evaluate("document.querySelector('input[value=marked]').click()")
    assert cells(page) == before
    assert page.evaluate(f"{ticks}[2].textContent") == "5.6"


def test_choices_hide_and_say_what_is_hidden(page: LiveBrowser) -> None:
    def visible(what: str) -> int:
        count: int = page.evaluate(
            f"[...document.querySelectorAll({json.dumps(what)})]"
            ".filter((e) => e.checkVisibility()).length"
        )
        return count

    def choose(value: str) -> None:
        page.evaluate(f"document.querySelector('input[value={json.dumps(value)}]').click()")

    watched = (".answer", "h2[id^=series]", "figure", "#stop-table-2", "[data-part=colour-1]")
    assert [visible(one) for one in watched[:2]] == [2, 2]
    figures = visible("figure")
    for value, what, left in (
        ("at-5", ".answer", 1),
        ("at-5", "h2[id^=series]", 1),
        ("at-5", "#stop-table-2", 0),
        ("at-2", "#lens ~ [data-part=at-2]", 0),
        ("at-2", "[data-part=lens] tbody [data-part=at-2]", 0),
        ("at-2", "[data-part=field], [data-part=residuals]", 0),
        ("mtf", "figure", figures - 2),
        ("field", "figure", figures - 1),
        ("residuals", "figure", figures - 1),
        ("tables", "[data-part=lens] [data-part=at-2] table", 0),
        ("colour-1", "[data-part=colour-1]", 0),
        ("trial-1", "#trial-1", 0),
        ("lens", "#lens", 0),
    ):
        choose(value)
        assert visible(what) == left, value
        said = page.evaluate("document.querySelector('#view [role=status]').innerText")
        assert said.startswith("Not shown: "), value
        choose(value)
    assert visible("figure") == figures
    assert page.evaluate("document.querySelector('#view [role=status]').textContent") == ""


def test_nothing_reaches_past_the_page_at_any_width(page: LiveBrowser) -> None:
    page.evaluate("document.querySelectorAll('.point')[2].focus()")
    for width in (1280, 768, 390, 320):
        page.resize(width, 800, "light")
        # A tip that is open moves along.
        page.evaluate("new Promise((done) => setTimeout(done, 100))")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, width
        for index in (0, 2, 5):
            page.evaluate(f"document.querySelectorAll('.point')[{index}].focus()")
            assert page.evaluate("document.documentElement.scrollWidth") <= width, (width, index)
            inside = page.evaluate(
                "(b => b.left >= 0 && b.right <= innerWidth && b.width > 100)("
                "document.querySelector('.tip:not(:empty)').getBoundingClientRect())"
            )
            assert inside, (width, index)


def test_print_leaves_the_controls_out_and_keeps_the_rest(page: LiveBrowser) -> None:
    page.evaluate("document.querySelectorAll('.point')[1].focus()")
    page.evaluate("document.querySelector('input[value=focus]').click()")
    page.call("Emulation.setEmulatedMedia", media="print")
    try:
        gone = ".view details, .point, .tip, nav, .skip"
        assert page.evaluate(
            f"[...document.querySelectorAll('{gone}')].every((e) => !e.checkVisibility())"
        )
        assert page.evaluate(
            "[...document.querySelectorAll('table, h2')].every((e) => e.checkVisibility())"
        )
        said = page.evaluate("document.querySelector('#view [role=status]').innerText")
        assert said == "Not shown: Focus brackets."
        # Dark schemes are for screens: paper stays white.
        page.call(
            "Emulation.setEmulatedMedia",
            media="print",
            features=[{"name": "prefers-color-scheme", "value": "dark"}],
        )
        ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
        assert ground == "rgb(255, 255, 255)"
    finally:
        page.call("Emulation.setEmulatedMedia", media="")


def test_nothing_moves_by_itself(page: LiveBrowser) -> None:
    page.evaluate("document.querySelectorAll('.point')[1].focus()")
    assert page.evaluate("document.getAnimations().length") == 0
    assert page.evaluate(
        "[...document.querySelectorAll('*')].every((e) => {const s = getComputedStyle(e);"
        " return s.transitionDuration === '0s' && s.animationName === 'none' &&"
        " s.scrollBehavior === 'auto'})"
    )
