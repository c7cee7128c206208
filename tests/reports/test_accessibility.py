"""The page by axe-core's rules, in light and dark, on a desk and on a phone.

What pictures are drawn of is taken out of the checked copy: each is one image with a name,
its inside is not read, and thousands of strokes make the checker slow. The contrast of
their colours is checked in ``test_page``.
"""

from __future__ import annotations

import dataclasses
import json
import shutil
from collections.abc import Iterator

import pytest

from lab.inference.results import SeriesResult, SessionResult
from reports import SimulatedTruth, write_page
from tests.browser import axe_source, shut_off
from tests.live_browser import LiveBrowser
from tests.reports.test_lens_section import LENS
from tests.reports.test_trial_section import make_trial

AXE = axe_source()
pytestmark = [
    pytest.mark.skipif(shutil.which("chromium") is None, reason="no chromium"),
    pytest.mark.skipif(AXE is None, reason="no axe-core-python"),
]
# WCAG 2.1, levels A and AA, and what axe-core's authors advise beyond them.
RULES = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice")


@pytest.fixture(scope="module")
def page(
    session: SessionResult, series: SeriesResult, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[LiveBrowser]:
    """A page with everything on it, loaded."""
    folder = tmp_path_factory.mktemp("axe")
    truth = SimulatedTruth(points=((2.0, 4.0, 47.0),), optimum_stops=((2.0, 4.2),))
    whole = dataclasses.replace(session, series=(series,), lens=LENS)
    write_page(whole, folder / "index.html", truth=truth, trials=(make_trial(),))
    with LiveBrowser(folder) as live:
        shut_off(live)
        live.open((folder / "index.html").as_uri())
        live.evaluate("document.querySelectorAll('svg').forEach((s) => s.replaceChildren())")
        live.evaluate("document.querySelector('#view details').open = true")
        live.evaluate("document.querySelectorAll('.point')[2].focus()")
        assert AXE is not None
        live.evaluate(f"{AXE};0")
        yield live


def violations(page: LiveBrowser, within: str = "html") -> dict[str, list[str]]:
    """Rules broken in a part of the page, and where."""
    page.evaluate(
        f"window.found = null; axe.run({json.dumps(within)},"
        f" {{runOnly: {json.dumps(RULES)}, preload: false, resultTypes: ['violations']}})"
        ".then((result) => { window.found = result; }); 0"
    )
    page.wait_for("window.found !== null", timeout_s=120)
    assert page.evaluate("found.passes.length") >= 5  # rules that had something to judge
    broken: dict[str, list[str]] = page.evaluate(
        "Object.fromEntries(found.violations.map((one) => [one.id, one.nodes.map("
        "(node) => node.html + ': ' + node.failureSummary)]))"
    )
    return broken


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_no_rule_is_broken(page: LiveBrowser, width: int, scheme: str) -> None:
    page.resize(width, 900, scheme)
    page.evaluate("new Promise((done) => requestAnimationFrame(done))")
    dark = page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")
    assert dark == (scheme == "dark")
    assert violations(page) == {}


def test_the_checker_finds_planted_faults(page: LiveBrowser) -> None:
    page.evaluate(
        "document.querySelector('main').insertAdjacentHTML('beforeend', `<div id=planted>"
        "<p style='color:#999;background:#fff'>too faint</p>"
        "<p>sound</p><button></button><img src='data:,'>"
        "<div role=nothing>no such role</div></div>`)"
    )
    found = violations(page, "#planted")
    page.evaluate("document.getElementById('planted').remove()")
    wanted = {"color-contrast", "button-name", "image-alt", "aria-roles"}
    assert wanted <= set(found)
    assert len(found["color-contrast"]) == 1
