"""The watch page in a real browser: updates, keyboard, both schemes, a phone, no script."""

from __future__ import annotations

import re
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.cli.watched import Watched, empty_session
from tests.conftest import SimulatedSession
from tests.live_browser import LiveBrowser

pytestmark = pytest.mark.skipif(
    shutil.which("chromium") is None, reason="no chromium to show the page"
)

_SIZES = """
(() => {
  const wide = document.documentElement.scrollWidth - window.innerWidth;
  const cut = [...document.querySelectorAll('main *')].filter(
    (e) => e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== 'inline'
      && e.clientWidth > 0).map((e) => e.className || e.tagName);
  return {wide, cut};
})()
"""
# Contrast of every text against the nearest opaque ground, WCAG 2.1 (formula from memory).
_CONTRAST = """
(() => {
  const parts = (c) => (c.match(/[0-9.]+/g) || []).map(Number);
  const light = (c) => {
    const [r, g, b] = parts(c).map((v) => v / 255).map(
      (v) => v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ground = (e) => {
    for (; e; e = e.parentElement) {
      const c = getComputedStyle(e).backgroundColor;
      if (parts(c)[3] !== 0) return c;
    }
    return 'rgb(255, 255, 255)';
  };
  let least = 99;
  for (const e of document.querySelectorAll('body *')) {
    if (![...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim())) continue;
    if (['SCRIPT', 'STYLE'].includes(e.tagName) || e.closest('.aloud')) continue;
    const a = light(getComputedStyle(e).color), b = light(ground(e));
    least = Math.min(least, (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05));
  }
  return least;
})()
"""


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveBrowser]:
    with LiveBrowser(tmp_path_factory.mktemp("browser")) as one:
        yield one


def seen(browser: LiveBrowser) -> str:
    text = browser.evaluate("document.getElementById('now').innerText")
    return re.sub(r"\s+", " ", text)


def test_page_follows_the_shoot(
    tiny: SimulatedSession, tmp_path: Path, browser: LiveBrowser
) -> None:
    folder = tmp_path / "session"
    frames = empty_session(tiny.folder, folder)
    place = folder / "frames" / "2x"
    browser.events.clear()
    with Watched(folder) as watched:
        browser.open(watched.url)
        assert "no frame yet" in seen(browser)
        assert "At 2x, set f/4." in seen(browser)
        sharp = []
        for path in frames[:2]:
            shutil.copy(path, place)
            sharp.append(watched.document()["mtf50_cyc_per_px"])
            browser.wait_for(f"document.body.textContent.includes('{path.name}')")
        shown = seen(browser)
        assert "2x, f/4, frame 2 of 3" in shown
        assert "not clipped" in shown
        assert "Next shot f/4 3/3" in shown
        assert "f/4: 2 of 3 (next)" in shown
        assert re.search(r"[↑↓→] [0-9]+\.[0-9]", shown)
        assert re.search(r"Keepers [12] of 2", shown)
        spoken = browser.evaluate("document.getElementById('aloud').textContent")
        assert spoken.startswith("2x, f/4, frame 2 of 3: ")
        assert "[" not in browser.evaluate("document.title")

        for width, height in ((1280, 800), (390, 844), (320, 600), (2200, 1200)):
            for scheme in ("light", "dark"):
                browser.resize(width, height, scheme)
                sizes = browser.evaluate(_SIZES)
                assert sizes["wide"] <= 0, (width, sizes)
                assert sizes["cut"] == [], (width, sizes)
                assert browser.evaluate(_CONTRAST) >= 4.5, (width, scheme)
            bars = browser.evaluate(
                "[...document.querySelectorAll('.bars i')].map((e) => e.offsetHeight)"
            )
            assert bars[0] / bars[1] == pytest.approx(sharp[0] / sharp[1], abs=0.04), width
        dark = browser.evaluate("getComputedStyle(document.body).backgroundColor")
        browser.resize(1280, 800, "light")
        assert dark != browser.evaluate("getComputedStyle(document.body).backgroundColor")
        # Large enough for two metres: a two-hundredth of the distance is 10 mm, and a 14-inch
        # screen of 1280 px has 4.1 px per mm. Capitals are 0.7 of the size (from memory).
        for kind in (".large", ".huge"):
            size = browser.evaluate(
                f"parseFloat(getComputedStyle(document.querySelector('{kind}')).fontSize)"
            )
            assert 0.7 * size / 4.1 >= 9.5, kind

        browser.press("n")
        browser.wait_for("document.body.textContent.includes('At 2x, set f/8')")
        assert browser.evaluate("document.activeElement.dataset.key") == "n"
        browser.press("Tab")
        assert browser.evaluate("document.activeElement.dataset.key") == "u"
        browser.press("Enter")
        browser.wait_for("!document.body.textContent.includes('At 2x, set f/8')")
        assert browser.evaluate("document.activeElement.dataset.key") == "u"  # focus is kept

        (place / frames[0].name).unlink()
        browser.wait_for("document.body.textContent.includes('1 frame,')")

        assert browser.evaluate("document.getElementById('gone').hidden") is True
        assert watched.stop() == 0
        browser.wait_for("document.getElementById('gone').hidden === false")
    outside = [url for url in browser.requests() if not url.startswith((watched.url, "data:"))]
    assert outside == []
    assert len(browser.requests()) >= 4  # page, events, two presses: they are seen at all
    assert browser.complaints() == []


def test_page_without_script_is_whole_and_loads_itself_again(
    tiny: SimulatedSession, tmp_path: Path, browser: LiveBrowser
) -> None:
    frame = next((tiny.folder / "frames").rglob("*.dng"))
    with Watched(tmp_path) as watched:
        shutil.copy(frame, tmp_path)
        watched.document()
        time.sleep(0.3)
        browser.call("Emulation.setScriptExecutionDisabled", value=True)
        try:
            browser.events.clear()
            browser.call("Page.navigate", url=watched.url)
            time.sleep(3.5)  # the page loads itself again every two seconds
            root = browser.call("DOM.getDocument", depth=0)["root"]["nodeId"]
            html = browser.call("DOM.getOuterHTML", nodeId=root)["outerHTML"]
            assert "frame 1 of this bracket" in html
            assert frame.name in html
            assert browser.requests().count(watched.url) >= 2
            assert f"{watched.url}events" not in browser.requests()
        finally:
            browser.call("Page.navigate", url="about:blank")
            browser.call("Emulation.setScriptExecutionDisabled", value=False)
        assert watched.stop() == 0


def test_loose_folder_and_hostile_names_that_stay_text(
    tiny: SimulatedSession, tmp_path: Path, browser: LiveBrowser
) -> None:
    frame = next((tiny.folder / "frames").rglob("*.dng"))
    name = "<script>window.hit=1<·script><img src=x onerror='window.hit=1'>\u202e\x1b\n&quot;.dng"
    browser.events.clear()
    with Watched(tmp_path, "-m", "2", "--stop", "4", "--pitch", "4.35") as watched:
        browser.open(watched.url)
        shutil.copy(frame, tmp_path / name)
        document = watched.document()
        assert (document["file"], document["next_shot"]) == (name, None)
        browser.wait_for("document.body.textContent.includes('onerror')")
        assert "\x1b" not in browser.evaluate("document.documentElement.outerHTML")
        assert re.search(r"[0-9]+ % of diffraction's limit", seen(browser))
        assert browser.evaluate("window.hit") is None
        for width in (1280, 390):  # long names fit as well
            browser.resize(width, 800, "light")
            assert browser.evaluate(_SIZES) == {"wide": 0, "cut": []}
        assert browser.evaluate("document.querySelectorAll('main img, main script').length") == 0
        assert watched.stop() == 0
    assert [u for u in browser.requests() if not u.startswith((watched.url, "data:"))] == []
    assert browser.complaints() == []
