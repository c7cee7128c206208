"""Order sheets: every frame has its box, every round its place, nothing clashes."""

from __future__ import annotations

import numpy as np
import pytest

from targets.order_sheet import BOX_MM, MOST_BOXES, NUMBER_MM, ROUND_LINE_MM, Run, order_pages
from targets.page import PAPERS_MM, Page
from targets.pdf import pdf_bytes
from tests.targets.sheet_checks import clashes

NOTES = ("Photograph the slate first.", "Mind flash and bright LEDs at eye distance.")
NAMES = ("stand", "by hand, 1/200 s", "WIDE WORDS MAKE LONG LINES, MM WW MM WW")


def runs(rounds: int, frames: int = 5) -> list[Run]:
    return [
        Run(round_number=r, slate_number=k, condition=NAMES[k - 1], frames=frames)
        for r in range(1, rounds + 1)
        for k in (2, 3, 1)
    ]


def boxes(pages: tuple[Page, ...]) -> int:
    """Strokes as long as a box, four sides to each."""
    sides = sum(
        abs(np.ptp(np.array(group[0]), axis=0).max() - BOX_MM) < 1e-6
        for page in pages
        for group in page.shapes_mm
    )
    assert sides % 4 == 0
    return int(sides) // 4


def rounds_of(page: Page) -> list[int]:
    """Numbers at the left margin, from the top downwards."""
    left = [t for t in page.texts if t.at_mm[0] == 10.0 and t.size_mm == NUMBER_MM]
    return [int(t.text) for t in sorted(left, key=lambda t: t.at_mm[1])]


# Exact


@pytest.mark.parametrize("paper", PAPERS_MM)
@pytest.mark.parametrize("frames", [1, 5, 12])
def test_every_frame_has_a_box_and_nothing_clashes(paper: str, frames: int) -> None:
    pages = order_pages(runs(7, frames), name="Hands", notes=NOTES, paper=paper)
    assert [(p.width_mm, p.height_mm) for p in pages] == [PAPERS_MM[paper]] * len(pages)
    assert boxes(pages) == 7 * 3 * (frames + 1)  # and one for the slate
    assert [clashes(page) for page in pages] == [[]] * len(pages)
    # Each round stands whole on one page.
    assert [r for page in pages for r in rounds_of(page)] == list(range(1, 8))
    found = [t.text for t in pages[0].texts]
    assert f"1 of {len(pages)}" in found and len(pages) > 1
    assert [n in found for n in NOTES] == [True, True]
    assert NOTES[0] not in [t.text for t in pages[1].texts]


def test_rows_are_in_the_order_given() -> None:
    (page,) = order_pages(runs(2), name="Hands")
    rows = sorted((t for t in page.texts if t.text in NAMES[:2]), key=lambda t: t.at_mm[1])
    assert [t.text for t in rows] == [NAMES[1], NAMES[0]] * 2
    heavy = {
        round(group[0][0][1], 3)
        for group in page.shapes_mm
        if abs(np.ptp(np.array(group[0]), axis=0).min() - ROUND_LINE_MM) < 1e-6
    }
    assert len(heavy) == 3  # above either round and below the last


def test_a_round_longer_than_a_page_is_named_again() -> None:
    long = [Run(round_number=4, slate_number=k, condition="stand", frames=20) for k in range(1, 13)]
    pages = order_pages(long, name="Hands")
    assert len(pages) == 2 and boxes(pages) == 12 * 21
    assert [rounds_of(page) for page in pages] == [[4], [4]]
    assert [clashes(page) for page in pages] == [[], []]


def test_very_many_frames_are_a_number_with_one_box() -> None:
    (page,) = order_pages(runs(1, MOST_BOXES + 1), name="Hands")
    assert boxes((page,)) == 3 * 2
    assert [t.text for t in page.texts].count(str(MOST_BOXES + 1)) == 3
    assert clashes(page) == []


def test_largest_numbers_have_room() -> None:
    last = Run(round_number=9999, slate_number=12, condition="W" * 40, frames=999)
    (page,) = order_pages([last], name="Hands " * 16)
    assert clashes(page) == []
    assert pdf_bytes((page,)).startswith(b"%PDF")


# Bad input


def test_bad_input() -> None:
    with pytest.raises(ValueError, match="at least one run"):
        order_pages([], name="Hands")
    with pytest.raises(ValueError, match="paper"):
        order_pages(runs(1), name="Hands", paper="A3")
    with pytest.raises(ValueError, match="from 1 to"):
        order_pages(runs(1, 0), name="Hands")
    with pytest.raises(ValueError, match="notes fill the page"):
        order_pages(runs(1), name="Hands", notes=["Mind this."] * 80)
