"""The page for a phone: safe whatever the names, and its codes read from a screenshot."""

from __future__ import annotations

import json
import re
import shutil
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from lab.frames import Frame, read_frame
from lab.frames.codes import read_slate
from targets.slate_page import slate_page
from targets.slates import Slate, SlateCard, slate_card
from tests.browser import run_chromium

HOSTILE = "</script><script>document.title=1</script><img src=x onerror=alert(1)>"
GUESS_PX_PER_MM = 3.78 * 3  # the page's guess for a screen with a mouse, in screen pixels
CHROMIUM = shutil.which("chromium")


def cards(**names: str) -> list[SlateCard]:
    return [
        slate_card(
            Slate(magnification=m, marked_stop=stop, **names),  # type: ignore[arg-type]
            sensor_mm=(35.9, 23.9),
            blur_sigma_object_um=6.0,
        )
        for m, stop in ((1.0, 4.0), (2.5, 11.0), (5.0, 2.8))
    ]


class Parts(HTMLParser):
    """Tags, attributes and texts of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.texts: dict[str, list[str]] = {}
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in {"meta", "input"}:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open:
            self.texts.setdefault(self.open[-1], []).append(data)


def data(html: str) -> dict[str, object]:
    [text] = re.findall(r'<script type="application/json" id="data">(.*?)</script>', html)
    found: dict[str, object] = json.loads(text)
    return found


def chromium(page: Path, *options: str) -> bytes:
    """Run headless at a phone's size, three pixels of the screen to a CSS pixel."""
    return run_chromium(
        page.parent, "--window-size=390,844", "--force-device-scale-factor=3", *options
    )


def test_the_page_holds_all_slates_in_order() -> None:
    made = cards(condition="tripod")
    page = slate_page(made, name="First light")
    assert page == slate_page(made, name="First light")
    found = data(page)
    assert found["name"] == "First light"
    slates = found["slates"]
    assert isinstance(slates, list)
    for slate, card in zip(slates, made, strict=True):
        assert slate["rows"] == ["".join("01"[dark] for dark in row) for row in card.modules]
        assert slate["module_mm"] == card.module_mm
        assert slate["headline"].startswith(f"{card.slate.magnification:g}x")
        assert slate["names"] == ["tripod"]
    with pytest.raises(ValueError, match="at least one"):
        slate_page([], name="First light")


def test_the_page_asks_nothing_of_any_network() -> None:
    page = slate_page(cards(), name="First light")
    assert "//" not in re.sub(r"// .*", "", page)  # no address; comments of the script aside
    parts = Parts(page)
    assert parts.open == []
    assert not any({"src", "href", "action"} & set(attrs) for _, attrs in parts.tags)
    [policy] = [attrs["content"] for _, attrs in parts.tags if "http-equiv" in attrs]
    assert policy.startswith("default-src 'none'") and "unsafe" not in policy


def test_controls_have_names() -> None:
    parts = Parts(slate_page(cards(), name="First light"))
    labelled = {attrs["for"] for tag, attrs in parts.tags if tag == "label" and "for" in attrs}
    inputs = {attrs["id"] for tag, attrs in parts.tags if tag == "input"}
    assert inputs - labelled == {"short"}  # stands inside its label
    assert [tag for tag, _ in parts.tags if re.fullmatch("h[1-6]", tag)] == ["h1", "h2"]
    assert all(text.strip() for text in parts.texts["button"])
    assert ("html", {"lang": "en"}) in parts.tags


def test_names_with_markup_stay_text() -> None:
    made = cards(condition="</b><i>", rig="<!--")
    page = slate_page(made, name=HOSTILE)
    parts = Parts(page)
    assert parts.open == []
    assert [tag for tag, _ in parts.tags if tag in {"img", "b"}] == []
    assert [tag for tag, _ in parts.tags].count("script") == 2
    assert "".join(parts.texts["title"]) == f"Slates: {HOSTILE}"
    assert data(page)["name"] == HOSTILE


def _contrast(one: str, other: str) -> float:
    """Ratio of relative luminances (WCAG 2.1; from memory)."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_text_has_contrast_in_light_and_dark() -> None:
    schemes = re.findall(r":root\{([^}]*)\}", slate_page(cards(), name="First light"))
    assert len(schemes) == 2
    for scheme in schemes:
        colours = dict(re.findall(r"--(\w+):(#\w{6})", scheme))
        for front, back in (
            ("ink", "ground"),
            ("ink", "paper"),
            ("ink", "warn"),
            ("quiet", "ground"),
        ):
            assert _contrast(colours[front], colours[back]) >= 4.5
        for front, back in (("act", "ground"), ("act", "paper"), ("line", "paper")):
            assert _contrast(colours[front], colours[back]) >= 2.8


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium to draw the page")
def test_a_lens_sees_a_code_that_is_read(tmp_path: Path) -> None:
    made = cards(condition="<i>hand")
    page, shot = tmp_path / "slates.html", tmp_path / "shot.png"
    page.write_text(slate_page(made, name=HOSTILE), encoding="utf-8")
    dark = "--blink-settings=preferredColorScheme=0"
    chromium(page, dark, f"--screenshot={shot}", f"{page.as_uri()}#2")
    screen = read_frame(shot)
    assert screen.shape == (2532, 1170)
    white = (screen.pixels > 0.99 * screen.pixels.max()).all(axis=2)
    assert white.mean() < 0.3  # the scheme is dark, only the plate is white
    # The code stands in the middle of the plate; a camera sees its field around there.
    plate = np.flatnonzero(white.mean(axis=1) > 0.5)
    middle = (plate[0] + plate[-1]) // 2, screen.shape[1] // 2
    height, width = (round(side * GUESS_PX_PER_MM / 2) for side in made[1].field_mm[::-1])
    seen = screen.pixels[
        middle[0] - height : middle[0] + height, middle[1] - width : middle[1] + width, 1
    ]
    # Black, white and nothing between: modules are whole pixels of the screen.
    assert ((seen < 0.01 * seen.max()) | (seen > 0.99 * seen.max())).all()
    frame = Frame(
        path=Path("IMG_0001.dng"),
        pixels=np.kron(seen, np.ones((20, 20), np.float32)),
        pattern=np.array([[0, 1], [1, 2]], np.int8),
        saturated=np.zeros((20 * seen.shape[0], 20 * seen.shape[1]), bool),
        white_dn=255.0,
    )
    assert read_slate(frame) == made[1].slate


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium to draw the page")
def test_the_script_runs_and_names_stay_text_in_a_browser(tmp_path: Path) -> None:
    page = tmp_path / "slates.html"
    page.write_text(slate_page(cards(condition="<i>hand"), name=HOSTILE), encoding="utf-8")
    dom = chromium(page, "--dump-dom", f"{page.as_uri()}#2").decode()
    parts = Parts(dom)
    assert "".join(parts.texts["title"]) == f"Slates: {HOSTILE}"
    assert "".join(parts.texts["h1"]) == f"Slates: {HOSTILE}"
    assert "".join(parts.texts["h2"]) == "2.5x, f/11"
    assert not any(tag in {"img", "i"} for tag, _ in parts.tags)
    listed = [attrs for tag, attrs in parts.tags if tag == "button"][2:5]
    assert ["aria-current" in attrs for attrs in listed] == [False, True, False]
    [canvas] = [attrs for tag, attrs in parts.tags if tag == "canvas"]
    assert canvas["aria-label"] == "Code of the slate 2.5x, f/11"
    # Of whole pixels, and a guess until the user says how large they are.
    card = cards(condition="<i>hand")[1]
    module_px = int(card.module_mm * GUESS_PX_PER_MM)
    assert int(canvas["width"]) == module_px * len(card.modules)
    assert "This size is a guess" in " ".join(parts.texts["p"])
