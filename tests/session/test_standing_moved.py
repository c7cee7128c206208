"""A frame that moved in a bracket, and its words: exact, on made-up looks."""

from __future__ import annotations

from dataclasses import replace

import pytest

from lab.cli.big_letters import big
from lab.cli.watch_page import main_html
from lab.cli.watch_screen import look_line, screen, screen_line
from lab.cli.watch_text import Scale, Words, _square, words
from lab.edges.loss import Cause
from lab.frames import FrameMetadata
from lab.session.quick_look import QuickLook
from lab.session.standing import Sides, Standing, standing

MOVED = Cause(
    name="movement",
    loss=0.3,
    evidence=("soft",),
    mend="Flash, a remote release, a longer delay, a stiffer stand.",
    otherwise="astigmatism",
    movement_px=3.5,
)
FOCUS = Cause(name="focus", loss=0.5, evidence=("wide",), mend="Focus again.")


def frame(i: int, vertical: float, horizontal: float, *losses: Cause) -> QuickLook:
    return QuickLook(
        file=f"IMG_{i}.dng",
        status="measured",
        mtf50_cyc_per_px=(vertical + horizontal) / 2,
        mtf50_std=2e-4,
        by_direction={"vertical": vertical, "horizontal": horizontal},
        losses=losses,
        metadata=FrameMetadata(captured_at=f"2024:05:01 10:00:{i:02d}"),
    )


def stand(*looks: QuickLook) -> Standing:
    by_file = {look.file: look for look in looks}
    return standing(
        by_file,
        dict.fromkeys(by_file, 1),
        config=None,
        rows={},
        marks=frozenset(),
        loss=0.1,
    )


def said(now: Standing, trouble: str = "") -> Words:
    return words(
        now,
        folder="session",
        scale=Scale(pixel_pitch_um=4.35),
        loss=0.1,
        waiting=0,
        focus_step_um=25.0,
        of_diffraction=None,
        trouble=trouble,
    )


SOUND = frame(1, 0.16, 0.161)
SHAKEN = frame(2, 0.11, 0.157, MOVED)


def test_frame_that_moved_is_said_to_have_moved_and_does_not_tell_focus() -> None:
    now = stand(SOUND, SHAKEN)
    assert now.trend.name == "moved"
    spoken = said(now)
    assert (spoken.sharpness, spoken.trend) == ("MOVED", "moved sideways, not out of focus")
    assert "30 % softer that way. Shoot it again." in spoken.advice
    assert "30.7 cycles per mm" in spoken.advice  # 0.1335 / 4.35 um
    assert "astigmatism" not in spoken.advice
    # The frame after it is set against the one before it.
    after = stand(SOUND, SHAKEN, frame(3, 0.17, 0.171))
    assert after.trend.name == "rising"
    assert after.trend.change == pytest.approx(0.341 / 0.321 - 1)


def test_movement_the_other_way_is_up_and_down() -> None:
    assert said(stand(SOUND, frame(2, 0.157, 0.11, MOVED))).trend.startswith("moved up and down")


def test_first_frame_may_be_astigmatism() -> None:
    assert said(stand(SHAKEN)).advice.endswith(
        "Or astigmatism, if the next is alike. MTF50 30.7 cycles per mm."
    )


def test_two_frames_alike_are_not_two_movements() -> None:
    now = stand(SOUND, replace(SHAKEN, file="IMG_3.dng"), frame(4, 0.10, 0.15, MOVED))
    assert now.trend.name == "falling"
    assert not any(f.is_moved for f in now.bracket)
    assert said(now).advice.endswith(
        "Softer sideways by 30 %, frame after frame: astigmatism or movement."
    )


def test_movement_that_takes_less_than_focus_leaves_the_trend() -> None:
    now = stand(SOUND, frame(2, 0.08, 0.1, FOCUS, MOVED))
    assert now.trend.name == "falling"
    assert said(now).advice.endswith("Softer sideways by 30 %: it moved too.")


def test_moved_fits_terminal_and_page() -> None:
    spoken = said(stand(SOUND, SHAKEN))
    lines = screen(spoken, url="http://127.0.0.1:1/x/", keys="n", columns=80, rows=24).split("\n")
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 79
    assert big("\N{LEFT RIGHT ARROW} MOVED  BEST 36.9")[1] in lines
    assert "a stiffer stand." in " ".join(lines)
    html = main_html(spoken)
    assert 'class="huge long"' in html
    assert "moved sideways, not out of focus" in html
    assert "moved sideways, not out of focus: 30 % softer" in screen_line(spoken)
    # Plain text where large letters do not fit.
    small = screen(spoken, url="", keys="", columns=60, rows=20)
    assert "MOVED: moved sideways" in small


def test_chart_at_another_scale_is_not_blamed_on_focus() -> None:
    lost = QuickLook(
        file="IMG_2.dng",
        status="lost",
        magnification=1.412,
        reason="the chart measures 1.41x in this frame, but session.toml says 2x or 3x. Mend it.",
        metadata=FrameMetadata(captured_at="2024:05:01 10:00:02"),
    )
    spoken = said(stand(SOUND, lost))
    assert (spoken.sharpness, spoken.trend) == ("LOST", "wrong scale")
    assert "focus" not in spoken.advice
    text = screen(spoken, url="u", keys="k", columns=80, rows=24)
    assert "session.toml says 2x or 3x. Mend it." in " ".join(text.split())


def test_line_of_a_look_parts_status_and_reason() -> None:
    empty = QuickLook(file="A.dng", status="unreadable", reason="is empty (0 bytes). Copy it.")
    assert look_line(empty) == "A.dng: unreadable: is empty (0 bytes). Copy it."
    assert look_line(SOUND) == "IMG_1.dng: measured 0.1605"


@pytest.mark.parametrize(
    ("right", "bottom", "far"), [(1.2, 0.1, "right"), (-1.2, 0.1, "left"), (0.2, 0.9, "lower")]
)
def test_not_square_says_which_side_to_bring_nearer(right: float, bottom: float, far: str) -> None:
    now = replace(
        stand(SOUND),
        sides=Sides(softer="", share=0.0, right_lag_frames=right, bottom_lag_frames=bottom),
    )
    spoken = said(now)
    assert spoken.square.large == "NOT SQUARE"
    near = f"Bring the target's {far} side nearer to the lens (moving in: the opposite)."
    assert spoken.square.detail.startswith(near)
    text = screen(spoken, url="u", keys="k", columns=80, rows=24)
    assert near in text.split("\n")
    assert f"Bring the target's {far}".lower() in screen_line(spoken).lower()


def test_trouble_with_the_table_is_shown_and_escaped() -> None:
    spoken = said(stand(SOUND), trouble="frames.csv is wrong: row 3, <b>: mend\x1b it")
    text = screen(spoken, url="u", keys="k", columns=80, rows=24)
    assert "frames.csv is wrong: row 3" in text
    assert "\x1b" not in text
    assert len(text.split("\n")) <= 24
    assert "row 3, &lt;b&gt;: mend" in main_html(spoken)


@pytest.mark.parametrize(
    ("right", "bottom", "said"),
    [
        (0.04, -0.02, "All sides are sharpest in the same frame."),
        (-0.3, 0.1, "Left is sharpest 0.3 frames after right."),
    ],
)
def test_a_square_target_has_no_side_that_comes_later(
    right: float, bottom: float, said: str
) -> None:
    sides = Sides(softer="", share=0.01, right_lag_frames=right, bottom_lag_frames=bottom)
    answer = _square(sides, 0.0)
    assert (answer.large, answer.detail) == ("square", said)
