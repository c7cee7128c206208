"""Figures as files: names, pictures, captions, and that no user's text names a file."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest
from PIL import Image

from lab.inference.results import SessionResult
from reports.figure_files import CAPTIONS, session_figures, write_figures
from reports.trial_words import keeper_sentences
from reports.words import capital
from tests.reports.conftest import make_series, make_session
from tests.reports.test_lens_section import LENS
from tests.reports.test_trial_section import make_trial

NAMES = {
    *("stops-2x", "mtf-2x", "focus-2x", "lens-residuals-2x", "field-2x", "stops-2x-2", "mtf-2x-2"),
    *("focus-2x-2", "trial-1-keepers", "trial-1-sharpness", "trial-1-directions"),
    "trial-1-shutter",
}


def told() -> SessionResult:
    """One magnification measured twice, at one stop."""
    series = make_series()
    few = replace(series, points=series.points[1:2])
    return replace(make_session((few, few)), lens=LENS)


def spaced(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("session") / "report" / "figures"
    written = write_figures(told(), (make_trial(),), folder)
    assert set(written) == set(folder.iterdir())
    assert written[-1].name == CAPTIONS
    return folder


def test_two_files_for_each_statement(folder: Path) -> None:
    wanted = {f"{name}.{suffix}" for name in NAMES for suffix in ("svg", "png")}
    assert {path.name for path in folder.iterdir()} == wanted | {CAPTIONS}


def test_pictures_are_as_large_as_their_drawings(folder: Path) -> None:
    for path in folder.glob("*.svg"):
        root = ElementTree.parse(path).getroot()
        width, height = (
            float(root.get(side, "").removesuffix("pt")) for side in ("width", "height")
        )
        with Image.open(path.with_suffix(".png")) as picture:
            picture.load()
            assert picture.info["dpi"] == pytest.approx((200, 200), abs=0.01)
            assert picture.size == pytest.approx((width / 0.36, height / 0.36), abs=1)
            assert len(set(picture.convert("L").resize((60, 60)).tobytes())) > 10  # not blank
            assert "Software" not in picture.info


def test_captions_state_the_finding_of_each_file(folder: Path) -> None:
    said = spaced((folder / CAPTIONS).read_text("utf-8"))
    assert spaced(capital(keeper_sentences(make_trial())[0])) in said
    for name, _, drawing in session_figures(told(), ()):
        assert f"{name}.svg, {name}.png" in said
        assert spaced(drawing.caption) in said
    assert "95 % interval" in said


def test_same_result_same_bytes(tmp_path: Path) -> None:
    small = make_session(told().series[:1])
    for name in ("a", "b"):
        write_figures(small, (), tmp_path / name)
    files = sorted(path.name for path in (tmp_path / "a").iterdir())
    assert len(files) == 7
    for name in files:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_no_text_of_the_records_names_a_file(tmp_path: Path) -> None:
    name = "../\U0001f48e<b>\u05d0" + "x" * 5000
    trial = make_trial()
    one = trial.conditions[0].name
    trial = replace(
        trial,
        name=name,
        conditions=tuple(replace(c, name=name) if c.name == one else c for c in trial.conditions),
        frames=tuple(replace(f, condition=name) if f.condition == one else f for f in trial.frames),
    )
    written = write_figures(replace(make_session(()), name=name), (trial,), tmp_path / "f")
    assert all(re.fullmatch(r"[a-z0-9.-]+", path.name) for path in written)
    assert {path.parent for path in written} == {tmp_path / "f"}
    for path in written:
        if path.suffix == ".png":
            with Image.open(path) as picture:
                assert max(picture.size) < 4000


def test_without_a_result_there_is_nothing_to_draw(tmp_path: Path) -> None:
    (captions,) = write_figures(make_session(()), (), tmp_path)
    assert captions.read_text("utf-8") == ""


def test_png_has_the_dots_it_was_asked_for() -> None:
    _, _, drawing = next(iter(session_figures(told(), ())))
    sizes = [Image.open(io.BytesIO(drawing.png_bytes(dpi))).width for dpi in (50, 150)]
    assert sizes[1] == 3 * sizes[0]
