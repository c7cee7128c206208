"""Slates: their text, the size of their codes, and what is printed where.

Printed pages are rendered by poppler's ``pdftoppm`` at a printer's dots and read by
the library that reads frames.
"""

from __future__ import annotations

import json
import re
import subprocess
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import segno
import zxingcpp
from segno import consts

from targets import TargetError, write_pdf
from targets.code import code_bars, code_modules, quiet_modules
from targets.page import PAPERS_MM, text_width_mm
from targets.slate_sheet import slate_pages, slates_record
from targets.slates import (
    ALPHABET,
    BLUR_LIMIT,
    FIELD_SHARE,
    Slate,
    SlateCard,
    parse_slate,
    slate_card,
    slate_text,
    slate_words,
)

FULL = (35.9, 23.9)
SMALL = (23.5, 15.6)

ODD_NAMES = [
    "tripod",
    "LED A",
    "a+b c",
    "50 % $7, *.-",
    "f/5.6: half-open",
    "<b>&amp;\"'",
    "Übergröße №3",
    "石英 💎",
    "M2 N4",
    "%41",
    "$a",
]


def card(slate: Slate, *, sensor_mm: tuple[float, float] = FULL, blur: float = 7.0) -> SlateCard:
    return slate_card(slate, sensor_mm=sensor_mm, blur_sigma_object_um=blur)


def some_cards() -> list[SlateCard]:
    slates = [
        Slate(magnification=m, marked_stop=stop, condition="tripod, LED", rig="Bellows")
        for m in (1, 2.5)
        for stop in (2.8, 4, 5.6, 8, 11, 16)
    ]
    slates += [Slate(magnification=5, marked_stop=stop) for stop in (2.8, 4, 5.6, 8, 11)]
    return [card(slate) for slate in slates]


# The text.


def test_a_slate_reads_as_the_format_says() -> None:
    # Exact: sum of value x place over " M2 N5.6 C$LED+2", place 0 first, worked out by hand:
    # M 22, 2 4, space 108, N 92, 5 25, . 252, 6 42, space 288, C 108, $ 370, L 231, E 168,
    # D 169, + 560, 2 30: 2469 = 57 x 43 + 18, and 18 is I.
    slate = Slate(magnification=2, marked_stop=5.6, condition="Led 2")
    assert slate_text(slate) == "SW1I M2 N5.6 C$LED+2"
    assert parse_slate("SW1I M2 N5.6 C$LED+2") == slate


def test_the_alphabet_is_that_of_the_codes() -> None:
    packed = consts.ALPHANUMERIC_CHARS.decode()
    assert packed.startswith(ALPHABET) and set(packed) - set(ALPHABET) == set("/:")
    slate = Slate(magnification=2.5, marked_stop=11, condition="hand, LED", rig="é")
    assert segno.make(slate_text(slate)).mode == "alphanumeric"


@pytest.mark.parametrize("name", ODD_NAMES)
@pytest.mark.parametrize("key", ["condition", "rig"])
def test_odd_names_come_back(name: str, key: str) -> None:
    slate = Slate(magnification=2.13, **{key: name})  # type: ignore[arg-type]
    assert parse_slate(slate_text(slate)) == slate


def test_any_part_may_be_left_out() -> None:
    for slate in (
        Slate(magnification=0.75),
        Slate(marked_stop=22),
        Slate(condition="b"),
        Slate(marked_stop=3.5, condition="hand"),
        Slate(condition="hand", rig="Q"),
        Slate(magnification=1.4, rig="Q"),
    ):
        assert parse_slate(slate_text(slate)) == slate


def test_common_slates_are_small_codes() -> None:
    def size(slate: Slate) -> int:
        return len(code_modules(slate_text(slate), smallest=True))

    assert size(Slate(magnification=5, marked_stop=5.6)) == 15
    assert size(Slate(magnification=2.5, marked_stop=11, condition="hand")) == 17
    assert size(Slate(magnification=2.5, marked_stop=5.6, condition="tripod")) == 21
    assert size(Slate(magnification=2.5, marked_stop=5.6, condition="tripod", rig="bellows")) == 25


@pytest.mark.parametrize(
    "text",
    [
        "",
        "SW1A 1AA",
        "SW1",
        "SW1Q",
        "stopwise 1 club 2x",
        "https://example.org/SW1Q M2",
        "sw1q m2",
        "SW1é M2",
        "\0\n",
        "SW1Q\nM2",
        " SW1Q M2",
    ],
)
def test_foreign_texts_are_no_slates(text: str) -> None:
    assert parse_slate(text) is None


def test_any_one_wrong_letter_is_noticed() -> None:
    slate = Slate(magnification=2.5, marked_stop=11, condition="hand 2", rig="Q*")
    text = slate_text(slate)
    letters = consts.ALPHANUMERIC_CHARS.decode()
    noticed = foreign = 0
    for i, right in enumerate(text):
        for wrong in set(letters) - {right}:
            try:
                assert parse_slate(text[:i] + wrong + text[i + 1 :]) is None
                foreign += 1
            except TargetError:
                noticed += 1
    # Foreign: another word (2 letters), no version, no check, no space, no key.
    assert foreign == 2 * 44 + 36 + 2 + 44 + 19
    assert noticed == len(text) * 44 - foreign


def test_swapped_neighbours_are_noticed() -> None:
    text = slate_text(Slate(magnification=2.5, marked_stop=11, condition="hand 2", rig="Q*"))
    for i, (a, b) in enumerate(pairwise(text)):
        if a != b and i > 5:  # before, it is no slate any more
            with pytest.raises(TargetError, match="damaged"):
                parse_slate(text[:i] + b + a + text[i + 2 :])


@pytest.mark.parametrize(
    "rest",
    [
        " M02",
        " M2.0",
        " M1e3",
        " M2 M2",
        " N4 M2",
        " M2 X4",
        " M2  N4",
        " M2 N4 ",
        " M2 N",
        " M2 C",
        " M2 C+A",
        " M2 CA%2",
        " M2 CA%FF",
        " M2 C%61",
        " M2 C%c3%a9",
        " M2 Ca",
        " M0.001",
        " M2 N4000",
        " M..",
        " RQ",
        " M" + 3000 * "9",
    ],
)
def test_other_spellings_are_damage(rest: str) -> None:
    # With every check character: what is refused is the spelling.
    for check in consts.ALPHANUMERIC_CHARS.decode():
        if check not in " :":
            with pytest.raises(TargetError, match="damaged"):
                parse_slate(f"SW1{check}{rest}")


def test_a_later_version_is_said_to_be_one() -> None:
    with pytest.raises(TargetError, match=r"version 2.*Update"):
        parse_slate("SW2Q M2 N4")


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        ({}, "says nothing"),
        ({"rig": "Bellows"}, "says nothing"),
        ({"magnification": 0.0}, "magnification 0.0"),
        ({"magnification": float("nan")}, "magnification nan"),
        ({"magnification": -2.0}, "magnification -2.0"),
        ({"marked_stop": float("inf")}, "stop inf"),
        ({"marked_stop": 5.65685425}, "Round it"),
        ({"magnification": 2, "condition": ""}, "condition ''"),
        ({"magnification": 2, "condition": " a"}, "condition ' a'"),
        ({"magnification": 2, "rig": "a\nb"}, "rig"),
        ({"magnification": 2, "rig": "\ud800"}, "rig"),
        ({"magnification": 2, "rig": 41 * "x"}, "short name"),
    ],
)
def test_what_no_slate_can_say_is_refused(parts: dict[str, object], said: str) -> None:
    with pytest.raises(TargetError, match=re.escape(said)):
        Slate(**parts)  # type: ignore[arg-type]


def test_words_say_the_same() -> None:
    assert slate_words(Slate(magnification=2.5, marked_stop=11, condition="hand", rig="Q")) == (
        "2.5x, f/11",
        ("hand", "Rig: Q"),
    )
    assert slate_words(Slate(condition="hand", rig="Q")) == ("hand", ("Rig: Q",))


# The card.


@pytest.mark.parametrize("sensor_mm", [FULL, (15.6, 23.5)])
@pytest.mark.parametrize("m", [0.7, 2.5, 5.0])
def test_a_code_fills_its_share_of_the_field(sensor_mm: tuple[float, float], m: float) -> None:
    made = card(Slate(magnification=m, marked_stop=4, condition="tripod"), sensor_mm=sensor_mm)
    assert made.field_mm == pytest.approx((sensor_mm[0] / m, sensor_mm[1] / m))
    whole = made.module_mm * (len(made.modules) + 2 * quiet_modules(made.modules))
    assert whole == pytest.approx(FIELD_SHARE * min(sensor_mm) / m)
    assert parse_slate(made.text) == made.slate


def test_a_blur_over_the_limit_is_refused() -> None:
    slate = Slate(magnification=5, marked_stop=16)
    limit = 1e3 * BLUR_LIMIT * card(slate).module_mm
    assert card(slate, blur=0.999 * limit).module_min_mm == pytest.approx(
        0.999e-3 * limit / BLUR_LIMIT
    )
    with pytest.raises(TargetError, match=r"blur of \d+ um.*stop"):
        card(slate, blur=1.001 * limit)


def test_bad_cards_are_refused() -> None:
    with pytest.raises(TargetError, match="magnification"):
        card(Slate(marked_stop=4))
    with pytest.raises(TargetError, match="Shorten"):
        card(Slate(magnification=2, condition=30 * "x", rig="y z y z y"))
    for bad in ({"sensor_mm": (36.0, 0.0)}, {"blur": -1.0}, {"blur": float("nan")}):
        with pytest.raises(ValueError, match="must be"):
            card(Slate(magnification=2), **bad)  # type: ignore[arg-type]


# The sheet.


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_printed_cards_are_read_in_their_order(paper: str, tmp_path: Path) -> None:
    cards = some_cards()
    pages = slate_pages(cards, name="Micromounts", paper=paper)
    write_pdf(pages, tmp_path / "slates.pdf")
    command = ["pdftoppm", "-r", "600", "-gray", tmp_path / "slates.pdf", tmp_path / "page"]
    subprocess.run(command, check=True)
    record = slates_record(cards, name="Micromounts", paper=paper)
    files = sorted(tmp_path.glob("page*.pgm"))
    assert len(files) == len(pages) == record["cards"][-1]["page"]
    images = []
    for file in files:
        data = file.read_bytes()
        header = re.match(rb"P5\n(\d+) (\d+)\n255\n", data)
        assert header is not None
        pixels = np.frombuffer(data[header.end() :], np.uint8)
        images.append(pixels.reshape(int(header[2]), int(header[1])))
    dot = 25.4 / 600
    for made, entry in zip(cards, record["cards"], strict=True):
        x, y = (round(at / dot) for at in entry["centre_mm"])
        dots = entry["module_mm"] / dot
        assert dots == pytest.approx(round(dots)) and dots >= 3
        clear = quiet_modules(made.modules)
        half = round((entry["modules_across"] / 2 + clear) * dots)
        cut = images[entry["page"] - 1][y - half - 1 : y + half + 1, x - half - 1 : x + half + 1]
        # All modules are equally large, wherever the page's corner lies between two dots.
        light = np.kron(1 - np.pad(np.array(made.modules, int), clear), np.ones([round(dots)] * 2))
        n = len(light)
        assert any(
            np.array_equal(cut[i : i + n, j : j + n] > 127, light > 0)
            for i in range(3)
            for j in range(3)
        )
        [code] = zxingcpp.read_barcodes(np.ascontiguousarray(cut))
        assert code.text == entry["code_text"] == made.text
        assert parse_slate(code.text) == made.slate


@pytest.mark.parametrize("paper", PAPERS_MM)
@pytest.mark.parametrize("name", ["club", "A long evening of " + 9 * "many words "])
def test_nothing_is_cut_off_or_overlaps(paper: str, name: str) -> None:
    cards = some_cards()
    pages = slate_pages(cards, name=name, paper=paper)
    record = slates_record(cards, name=name, paper=paper)["cards"]
    placed = zip(cards, record, strict=True)
    boxes: dict[int, list[tuple[float, float, float, float]]] = {}
    for made, entry in placed:
        (x, y), (width, height) = entry["centre_mm"], made.field_mm
        box = (x - width / 2, y - height / 2, x + width / 2, y + height / 2)
        boxes.setdefault(entry["page"], []).append(box)
    for number, page in enumerate(pages, start=1):
        lines = [
            (t.at_mm[0], t.at_mm[1] - t.size_mm, t.at_mm[0] + text_width_mm(t.text, t.size_mm))
            for t in page.texts
        ]
        points = [point for group in page.shapes_mm for polygon in group for point in polygon]
        points += [(x, t.at_mm[1]) for t, (x, _, _) in zip(page.texts, lines, strict=True)]
        points += [(right, top) for _, top, right in lines]
        for x, y in points:
            assert 9.9 <= x <= page.width_mm - 9.9 and 9.9 <= y <= page.height_mm - 9.9
        # What a camera sees of a card is its code alone: no words, no lines.
        for left, top, right, bottom in boxes[number]:
            assert not any(
                x < right and end > left and y < bottom and t.at_mm[1] + 0.3 * t.size_mm > top
                for t, (x, y, end) in zip(page.texts, lines, strict=True)
            )
            seen = [
                group
                for group in page.shapes_mm
                if any(left < x < right and top < y < bottom for p in group for x, y in p)
            ]
            assert len(seen) == 1 and len(seen[0]) > 30
        for i, (t, (x, y, end)) in enumerate(zip(page.texts, lines, strict=True)):
            for u, (v, w, stop) in list(zip(page.texts, lines, strict=True))[i + 1 :]:
                assert end <= v or stop <= x or t.at_mm[1] <= w or u.at_mm[1] <= y


def test_the_line_to_check_has_its_length() -> None:
    [page] = slate_pages(some_cards()[:1], name="club")
    [said] = [t for t in page.texts if "mm long" in t.text]
    length = float(said.text.split()[3])
    line = page.shapes_mm[1][0]
    assert max(x for x, _ in line) - min(x for x, _ in line) == pytest.approx(length)
    assert max(y for _, y in line) == pytest.approx(said.at_mm[1], abs=1.2)


def test_the_record_is_json_and_says_what_is_printed() -> None:
    cards = some_cards()
    record = json.loads(json.dumps(slates_record(cards, name="club", paper="Letter")))
    assert (record["page_width_mm"], record["page_height_mm"]) == PAPERS_MM["Letter"]
    assert [entry["magnification"] for entry in record["cards"]] == [
        made.slate.magnification for made in cards
    ]
    pages = slate_pages(cards, name="club", paper="Letter")
    for made, entry in zip(cards, record["cards"], strict=True):
        x, y = entry["centre_mm"]
        width = entry["module_mm"] * entry["modules_across"]
        bars = code_bars(made.modules, centre_mm=(x, y), width_mm=width)
        assert bars in pages[entry["page"] - 1].shapes_mm


def test_a_printer_too_coarse_for_a_code_is_refused() -> None:
    tiny = card(Slate(magnification=5, marked_stop=4, condition="tripod"), sensor_mm=SMALL)
    with pytest.raises(TargetError, match=r"600 dots.*phone"):
        slate_pages([tiny], name="club")
    with pytest.raises(TargetError, match=r"600 dots.*phone"):
        slates_record([tiny], name="club")
    [entry] = slates_record([tiny], name="club", printer_dpi=1200)["cards"]
    assert entry["module_mm"] * 1200 / 25.4 == pytest.approx(
        round(1200 / 25.4 * tiny.module_mm - 0.5)
    )
    # The blur's limit holds for what is printed, not only for what would fit.
    blurred = card(tiny.slate, sensor_mm=SMALL, blur=1e3 * BLUR_LIMIT * tiny.module_mm * 0.999)
    with pytest.raises(TargetError, match="reading asks for"):
        slate_pages([blurred], name="club", printer_dpi=1200)


def test_bad_sheets_are_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        slate_pages([], name="club")
    with pytest.raises(ValueError, match="paper"):
        slate_pages(some_cards(), name="club", paper="A5")
    with pytest.raises(ValueError, match="printer_dpi"):
        slate_pages(some_cards(), name="club", printer_dpi=0)
    with pytest.raises(TargetError, match="does not fit"):
        slate_pages([card(Slate(magnification=0.1))], name="club")
