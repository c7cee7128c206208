"""Codes and slates read from frames: recovery from simulated ones, and what is no slate."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from lab.errors import FrameError
from lab.frames import Frame
from lab.frames.codes import read_codes, read_slate
from targets.code import code_modules
from targets.slates import BLUR_LIMIT, Slate, slate_text
from tests.bench.slate_study import (
    RGGB,
    SAMPLES,
    TYPICAL_PX,
    blurred,
    blurred_is_read,
    drawn,
    on_screen,
    printed_is_read,
    seen,
    shown_is_read,
)

XTRANS_LIKE = np.array(
    [
        [1, 0, 1, 1, 2, 1],
        [2, 1, 2, 0, 1, 0],
        [1, 0, 1, 1, 2, 1],
        [1, 2, 1, 1, 0, 1],
        [0, 1, 0, 2, 1, 2],
        [1, 2, 1, 1, 0, 1],
    ],
    np.int8,
)
SLATE = Slate(magnification=2.5, marked_stop=11, condition="hand", rig="Q")


def light(text: str) -> npt.NDArray[np.float64]:
    """A drawing with a fifth of a module of blur."""
    return blurred(drawn(code_modules(text, smallest=True)), 0.2)


def photographed(drawing: npt.NDArray[np.float64]) -> Frame:
    return seen(
        drawing,
        module_samples=SAMPLES,
        module_px=12.0,
        turn_deg=3.0,
        noise=0.02,
        rng=np.random.default_rng(8),
    )


def frame(pixels: npt.NDArray[np.floating], pattern: npt.NDArray[np.int8] = RGGB) -> Frame:
    return Frame(
        path=Path("IMG_0001.dng"),
        pixels=pixels.astype(np.float32),
        pattern=pattern if pixels.ndim == 2 else np.empty((0, 0), np.int8),
        saturated=np.zeros(pixels.shape[:2], bool),
        white_dn=15000.0,
    )


@pytest.mark.parametrize("kind", TYPICAL_PX)
@pytest.mark.parametrize("disc", [False, True])
def test_every_slate_at_the_limit_of_blur_is_read(kind: str, disc: bool) -> None:
    turns = (0.0, 3.0, 20.0, 45.0, 90.0)
    for i in range(13):
        assert blurred_is_read(
            kind,
            BLUR_LIMIT,
            np.random.default_rng(i),
            turn_deg=turns[i % 5],
            noise=0.02,
            disc=disc,
        )


def test_far_over_the_limit_none_is_read() -> None:
    # The study's tables can fail: at 0.6 modules nothing comes back.
    assert not any(blurred_is_read("QR", 0.6, np.random.default_rng(i)) for i in range(5))


@pytest.mark.parametrize("kind", TYPICAL_PX)
def test_prints_of_three_dots_and_screens_of_two_pixels_to_a_module_are_read(kind: str) -> None:
    assert printed_is_read(kind, 3, np.random.default_rng(6), spread=0.5)
    assert shown_is_read(kind, 2, np.random.default_rng(7), module_px=24)


def test_full_planes_and_other_patterns_are_read() -> None:
    mosaic = photographed(light(slate_text(SLATE)))
    assert read_slate(mosaic) == SLATE
    planes = np.stack([mosaic.pixels[1::2, ::2]] * 3, axis=2) * (0.4, 1.0, 0.7)
    assert read_slate(frame(planes.repeat(2, axis=0).repeat(2, axis=1))) == SLATE
    # Each site of a pattern of six by six sees the green sites' light through its own filter.
    big = np.kron(mosaic.pixels[::2, 1::2], np.ones((6, 6)))
    gains = np.tile(np.array([0.4, 1.0, 0.7])[XTRANS_LIKE], [n // 6 for n in big.shape])
    assert read_slate(frame(big * gains, XTRANS_LIKE)) == SLATE


def test_a_code_in_a_corner_of_a_large_white_frame_is_read() -> None:
    code = photographed(light(slate_text(SLATE))).pixels
    pixels = np.full((1800, 2700), np.percentile(code, 95), np.float32)
    pixels *= np.array([[0.5, 1.0], [1.0, 0.6]])[np.ix_(np.arange(1800) % 2, np.arange(2700) % 2)]
    pixels += np.random.default_rng(3).normal(0, 40, pixels.shape).astype(np.float32)
    pixels[40 : 40 + len(code), 100 : 100 + len(code)] = code
    assert read_slate(frame(pixels)) == SLATE


def test_an_overexposed_slate_is_read() -> None:
    pixels = photographed(light(slate_text(SLATE))).pixels
    assert read_slate(frame(np.minimum(pixels * 4, 3000))) == SLATE


def test_a_screen_is_read_at_every_scale() -> None:
    slate = Slate(magnification=5, marked_stop=4)
    light_of_pixels = on_screen(code_modules(slate_text(slate), smallest=True), 3)
    for module_px in (15.0, 50.0):
        shown = seen(
            light_of_pixels,
            module_samples=36,
            module_px=module_px,
            turn_deg=20.0,
            noise=0.02,
            rng=np.random.default_rng(4),
        )
        assert read_slate(shown) == slate


def test_foreign_codes_are_texts_but_no_slates() -> None:
    for text in ("https://example.org", "stopwise 1 club 2x", "SW1A 1AA"):
        shown = photographed(light(text))
        assert read_codes(shown) == (text,)
        assert read_slate(shown) is None


def test_a_damaged_slate_and_one_of_a_later_version_are_told() -> None:
    text = slate_text(SLATE)
    with pytest.raises(FrameError, match=r"slate\.dng.*damaged.*again"):
        read_slate(photographed(light(text.replace("11", "16"))))
    with pytest.raises(FrameError, match="version 2"):
        read_slate(photographed(light("SW2" + text[3:])))


def test_two_slates_in_one_frame_are_told() -> None:
    other = Slate(magnification=2.5, marked_stop=16, condition="hand", rig="Q")
    pair = np.hstack([light(slate_text(one)) for one in (SLATE, other)])
    square = np.vstack([pair, np.ones_like(pair)])
    with pytest.raises(FrameError, match=r"2 different slates.*frames\.csv"):
        read_slate(photographed(square))
    twice = np.vstack([np.hstack([light(slate_text(SLATE))] * 2), np.ones_like(pair)])
    assert read_slate(photographed(twice)) == SLATE


@pytest.mark.parametrize(
    "pixels",
    [
        np.zeros((400, 600)),
        np.full((400, 600), 900.0),
        np.full((400, 600), -5.0),
        np.full((400, 600), np.nan),
        np.full((400, 600), np.inf),
        np.ones((3, 5)),
        np.ones((1, 900)),
        np.ones((401, 603, 3)),
        np.random.default_rng(1).normal(0, 1e30, (400, 600)),
        np.random.default_rng(2).poisson(3, (1000, 1500)),
        np.kron(np.random.default_rng(3).integers(0, 2, (60, 90)), np.ones((10, 10))) * 9000,
    ],
    ids=["black", "grey", "negative", "nan", "inf", "tiny", "row", "planes", "huge", "dim", "maze"],
)
def test_frames_without_a_code_give_none(pixels: npt.NDArray[np.float64]) -> None:
    assert read_codes(frame(pixels)) == ()
    assert read_slate(frame(pixels)) is None
