"""Shot lists: every frame has its box, every code is read back from the rendered page."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from targets.page import PAPERS_MM, Page
from targets.pdf import write_pdf
from targets.shot_list import BOX_MM, Shot, ShotSeries, shot_list_pages
from targets.slates import Slate, slate_card
from tests.targets.sheet_checks import clashes

FULL = (35.9, 23.9)
STOPS = (2.8, 4, 5.6, 8, 11, 16)
NOTES = ("Print at actual size.", "Mind flash and bright LEDs at eye distance.")


def shot(m: float, stop: float, *, frames: int = 7, blur: float = 5.0) -> Shot:
    return Shot(
        card=slate_card(
            Slate(magnification=m, marked_stop=stop), sensor_mm=FULL, blur_sigma_object_um=blur
        ),
        stop=f"f/{stop:g}",
        effective_f_number=stop * (1 + m),
        focus_step_um=12.5,
        frames=frames,
        added_stops=3.17,
    )


def series(m: float, *, frames: int = 7, stops: tuple[float, ...] = STOPS) -> ShotSeries:
    return ShotSeries(
        heading=f"{m:g}x, frames to frames/{m:g}x",
        setting=("Bellows out 150 mm.",),
        shots=tuple(shot(m, stop, frames=frames) for stop in stops),
    )


def texts(pages: tuple[Page, ...]) -> list[str]:
    return [text.text for page in pages for text in page.texts]


def boxes(pages: tuple[Page, ...]) -> int:
    """Strokes as tall as a box, four sides to each."""
    sides = 0
    for page in pages:
        for group in page.shapes_mm:
            if len(group) == 1:
                size = np.ptp(np.array(group[0]), axis=0)
                sides += bool(abs(size.max() - BOX_MM) < 1e-6)
    assert sides % 4 == 0
    return sides // 4


# Exact


@pytest.mark.parametrize("paper", PAPERS_MM)
@pytest.mark.parametrize("frames", [7, 25])
def test_every_frame_has_a_box_and_nothing_clashes(paper: str, frames: int) -> None:
    blocks = [series(m, frames=frames) for m in (1.0, 2.0, 3.0, 5.0)]
    pages = shot_list_pages(blocks, name="Bench", notes=NOTES, paper=paper)
    assert [(p.width_mm, p.height_mm) for p in pages] == [PAPERS_MM[paper]] * len(pages)
    assert len(pages) == 2
    assert boxes(pages) == 24 * frames
    for page in pages:
        assert clashes(page) == []
    found = texts(pages)
    assert [t for t in found if t.startswith("SW1")] == [
        one.card.text for block in blocks for one in block.shots
    ]
    assert found.count("12.5 um") == 24
    assert NOTES[0] in found
    assert sum(t.endswith("continued") for t in found) <= 1
    assert "1 of 2" in found


def test_many_frames_are_a_number_with_one_box() -> None:
    pages = shot_list_pages([series(2.0, frames=61, stops=(4,))], name="Bench")
    assert boxes(pages) == 1
    assert "61 frames" in texts(pages)
    assert len(pages) == 1
    assert not any(re.search(r"\d of \d", t) for t in texts(pages))


def test_code_that_cannot_be_printed_is_left_to_the_phone() -> None:
    one = ShotSeries(heading="20x", setting=(), shots=(shot(20.0, 4, blur=0.5),))
    (page,) = shot_list_pages([one], name="Bench")
    assert any(t.endswith("(on the phone)") for t in texts((page,)))
    assert not any(len(group) > 1 for group in page.shapes_mm)
    (fine,) = shot_list_pages([one], name="Bench", printer_dpi=2400)
    assert any(len(group) > 1 for group in fine.shapes_mm)


def test_objective_without_a_ring_adds_no_light() -> None:
    plain = shot(4.0, 4)
    fixed = Shot(**{**vars(plain), "stop": "fixed", "added_stops": None})
    pages = shot_list_pages([ShotSeries(heading="4x", setting=(), shots=(fixed,))], name="Bench")
    assert {"fixed", "-"} <= set(texts(pages))


# Recovery


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs pdftoppm")
def test_codes_on_the_page_are_read(tmp_path: Path) -> None:
    import zxingcpp

    blocks = [series(1.0, stops=(2.8, 16)), series(3.0, stops=(5.6,)), series(5.0, stops=(4,))]
    pages = shot_list_pages(blocks, name="Bench", notes=NOTES)
    write_pdf(pages, tmp_path / "list.pdf")
    subprocess.run(
        ["pdftoppm", "-r", "600", "-gray", "-aa", "no", tmp_path / "list.pdf", tmp_path / "page"],
        check=True,
    )
    (image,) = tmp_path.glob("page*.pgm")
    content = image.read_bytes()
    head = re.match(rb"P5\s+(\d+)\s+(\d+)\s+255\s", content)
    assert head is not None
    width, height = int(head[1]), int(head[2])
    pixels = np.frombuffer(content, np.uint8, offset=head.end()).reshape(height, width)
    # As a camera sees them: one row's code, large in the frame.
    found = []
    for text in pages[0].texts:
        if text.text.startswith("SW1"):
            x, y = (round(v / 25.4 * 600) for v in (text.at_mm[0] - 8.0, text.at_mm[1] - 3.9))
            part = np.kron(pixels[y - 128 : y + 128, x - 128 : x + 128], np.ones((3, 3), np.uint8))
            found += [code.text for code in zxingcpp.read_barcodes(part)]
    assert found == [one.card.text for block in blocks for one in block.shots]


# Bad input


def test_bad_input() -> None:
    one = [series(1.0)]
    with pytest.raises(ValueError, match="at least one series"):
        shot_list_pages([], name="Bench")
    with pytest.raises(ValueError, match="at least one series"):
        shot_list_pages([ShotSeries(heading="1x", setting=(), shots=())], name="Bench")
    with pytest.raises(ValueError, match="paper"):
        shot_list_pages(one, name="Bench", paper="A3")
    with pytest.raises(ValueError, match="printer_dpi"):
        shot_list_pages(one, name="Bench", printer_dpi=0)
    with pytest.raises(ValueError, match="notes fill the page"):
        shot_list_pages(one, name="Bench", notes=["Mind this."] * 80)
