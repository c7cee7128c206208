"""Trend, best, keepers, squareness and the shot list: exact, on made-up looks."""

from __future__ import annotations

import pytest

from lab.frames import FrameMetadata
from lab.session.config import SessionConfig, parse_session
from lab.session.live_order import in_capture_order
from lab.session.quick_look import CornerFigure, QuickLook
from lab.session.slate_looks import SlateLook
from lab.session.standing import Standing, sides_of, standing
from targets.slates import Slate

CONFIG = parse_session(
    """
    session.name = "Bellows rig"
    body = { name = "Club body", pixel_pitch_um = 4.35, sensor_mm = [35.9, 23.9] }
    lens = { name = "Enlarger 75 reversed" }
    target.kind = "blade"
    [[series]]
    magnification = 2.0
    stops = [4, 5.6, 8]
    frames_per_stop = 3
    focus_step_um = 25
    frames = "2x/*.dng"
    [[series]]
    magnification = 3.0
    stops = [4]
    frames_per_stop = 2
    frames = "3x/*.dng"
    """,
    "session.toml",
)


def at(second: int) -> FrameMetadata:
    return FrameMetadata(captured_at=f"2024:05:01 10:{second // 60:02d}:{second % 60:02d}")


def frames(*mtf50: float | None, folder: str = "2x", start: int = 1) -> dict[str, QuickLook]:
    """Frames a second apart; None: no figure."""
    looks = {}
    for i, value in enumerate(mtf50, start=start):
        file = f"{folder}/IMG_{i}.dng"
        looks[file] = QuickLook(
            file=file,
            status="lost" if value is None else "measured",
            reason="no dark squares" if value is None else "",
            mtf50_cyc_per_px=value,
            mtf50_std=None if value is None else 2e-4,
            metadata=at(i),
        )
    return looks


def stand(
    looks: dict[str, QuickLook],
    *,
    config: SessionConfig | None = CONFIG,
    marks: tuple[str, ...] = (),
    loss: float = 0.1,
) -> Standing:
    mtime_ns = {file: i for i, file in enumerate(looks)}
    return standing(looks, mtime_ns, config=config, rows={}, marks=frozenset(marks), loss=loss)


def place(now: Standing) -> tuple[float | None, int] | None:
    return None if now.place is None else (now.place.marked_stop, now.place.number)


def following(now: Standing) -> tuple[float, float | None, int] | None:
    shot = now.order.next_shot
    return None if shot is None else (shot.magnification, shot.marked_stop, shot.number)


@pytest.mark.parametrize(
    ("values", "name"),
    [
        ((0.12,), "first"),
        ((0.12, 0.14), "rising"),
        ((0.12, 0.14, 0.131), "past-peak"),
        ((0.14, 0.131), "falling"),
        ((0.14, 0.131, 0.12), "falling"),
        ((0.14, 0.131, 0.138), "rising"),
        ((0.14, 0.1405), "level"),  # 0.4 %: less than a second frame would repeat
        ((0.12, 0.14, 0.1393), "level"),
        ((0.12, 0.14, 0.11, 0.1104), "level"),
        ((0.12, None, 0.14), "rising"),
        ((0.12, None), "none"),
    ],
)
def test_trend(values: tuple[float | None, ...], name: str) -> None:
    assert stand(frames(*values), config=None).trend.name == name


def test_change_within_noise_is_level() -> None:
    looks = frames(0.12, 0.125)
    for file, look in looks.items():
        looks[file] = QuickLook(
            file=file,
            status="measured",
            mtf50_cyc_per_px=look.mtf50_cyc_per_px,
            mtf50_std=0.003,  # the difference's 95 %: 0.0083
            metadata=look.metadata,
        )
    assert stand(looks, config=None).trend.name == "level"


def test_best_and_keepers_belong_to_the_bracket_in_hand() -> None:
    now = stand(frames(0.19, 0.2, 0.18, 0.12, 0.14))
    assert place(now) == (5.6, 2)
    assert now.best is not None
    assert (now.best.file, now.best.number) == ("2x/IMG_5.dng", 2)
    assert now.keepers == 1  # 0.12 lacks 14 % of 0.14
    assert stand(frames(0.19, 0.2, 0.18, 0.12, 0.14), loss=0.15).keepers == 2


def test_without_a_session_all_frames_are_one_bracket_until_a_mark() -> None:
    looks = frames(0.2, 0.19, 0.12, 0.13)
    assert len(stand(looks, config=None).bracket) == 4
    marked = stand(looks, config=None, marks=("2x/IMG_2.dng",))
    assert [f.file for f in marked.bracket] == ["2x/IMG_3.dng", "2x/IMG_4.dng"]
    assert marked.order.next_shot is None


def test_shot_list_runs_through_stops_and_series() -> None:
    seen = [following(stand({}))]
    for count in (1, 2, 3, 8, 9):
        seen.append(following(stand(frames(*[0.1 + i / 1000 for i in range(count)]))))
    assert seen == [
        (2.0, 4.0, 1),
        (2.0, 4.0, 2),
        (2.0, 4.0, 3),
        (2.0, 5.6, 1),
        (2.0, 8.0, 3),
        (3.0, 4.0, 1),
    ]
    everything = frames(*[0.1] * 9) | frames(0.1, 0.1, folder="3x", start=20)
    assert following(stand(everything)) is None
    assert [(c.have, c.wanted) for c in stand(everything).order.counts] == [(3, 3)] * 3 + [(2, 2)]


def test_mark_ends_a_bracket_early_and_what_is_short_is_asked_for_last() -> None:
    looks = frames(0.1, 0.11, 0.12, 0.13, 0.14)
    before = stand(looks, marks=("2x/IMG_2.dng",))
    assert place(before) == (5.6, 3)
    assert following(stand(frames(0.1, 0.11), marks=("2x/IMG_2.dng",))) == (2.0, 5.6, 1)
    rest = frames(*[0.1] * 8) | frames(0.1, 0.1, folder="3x", start=20)
    assert following(stand(rest, marks=("2x/IMG_2.dng",))) == (2.0, 4.0, 3)


def test_more_frames_than_the_list_have_no_stop() -> None:
    now = stand(frames(*[0.1 + i / 1000 for i in range(10)]))
    assert place(now) == (None, 1)
    assert following(now) == (3.0, 4.0, 1)


def test_slate_tells_the_stop_of_the_frames_after_it() -> None:
    slate = QuickLook(
        file="2x/IMG_0.dng",
        status="slate",
        slate=SlateLook(slate=Slate(magnification=2.0, marked_stop=8.0)),
        metadata=at(0),
    )
    only = stand({slate.file: slate})
    assert only.newest is None
    assert following(only) == (2.0, 8.0, 1)
    now = stand({slate.file: slate} | frames(0.1, 0.12))
    assert place(now) == (8.0, 2)
    assert now.order.slates == 1
    assert [f.number for f in now.bracket] == [1, 2]


def test_waiting_frame_holds_its_place() -> None:
    looks = frames(0.1, 0.12, 0.13, 0.15)
    hidden = looks["2x/IMG_2.dng"]
    looks["2x/IMG_2.dng"] = QuickLook(file=hidden.file, status="waiting", metadata=hidden.metadata)
    now = stand(looks)
    assert place(now) == (5.6, 1)
    looks["2x/IMG_4.dng"] = QuickLook(file="2x/IMG_4.dng", status="waiting", metadata=at(4))
    now = stand(looks)
    assert now.newest is not None and now.newest.file == "2x/IMG_3.dng"
    assert [f.number for f in now.bracket] == [1, 3]
    assert following(now) == (2.0, 5.6, 2)


def test_lost_frame_keeps_its_place_and_says_why() -> None:
    now = stand(frames(0.1, None, 0.12))
    assert now.lost == (("2x/IMG_2.dng", "no dark squares"),)
    assert place(now) == (4.0, 3)
    assert now.keepers == 1


def test_frame_that_no_series_takes_is_named() -> None:
    looks = frames(0.1) | frames(0.1, folder="7x", start=5)
    now = stand(looks)
    assert now.order.homeless == ("7x/IMG_5.dng",)
    assert place(now) == (4.0, 1)


def test_order_is_that_of_capture_not_of_arrival() -> None:
    looks = dict(reversed(frames(0.1, 0.12, 0.13).items()))
    assert in_capture_order(looks, dict.fromkeys(looks, 7)) == [
        "2x/IMG_1.dng",
        "2x/IMG_2.dng",
        "2x/IMG_3.dng",
    ]


def test_order_without_times_that_help_is_that_of_arrival() -> None:
    looks = frames(0.1, 0.12, 0.13)
    looks["2x/IMG_1.dng"] = QuickLook(file="2x/IMG_1.dng", status="lost", metadata=at(50))
    looks["2x/IMG_2.dng"] = QuickLook(file="2x/IMG_2.dng", status="lost")  # no time
    mtime_ns = {"2x/IMG_1.dng": 30, "2x/IMG_2.dng": 10, "2x/IMG_3.dng": 20}
    assert in_capture_order(looks, mtime_ns) == ["2x/IMG_2.dng", "2x/IMG_3.dng", "2x/IMG_1.dng"]


def cornered(left: float, right: float, *, top: float = 1.0, std: float = 2e-4) -> QuickLook:
    figures = {
        "top left": left * top,
        "top right": right * top,
        "bottom left": left,
        "bottom right": right,
    }
    return QuickLook(
        file="A.dng",
        status="measured",
        corners=tuple(
            CornerFigure(corner=name, mtf50_cyc_per_px=value, mtf50_std=std)
            for name, value in figures.items()
        ),
    )


def test_softer_side_and_its_share() -> None:
    sides = sides_of([cornered(0.12, 0.15)])
    assert sides is not None
    assert (sides.softer, sides.share) == ("left", pytest.approx(0.2))
    sides = sides_of([cornered(0.15, 0.147, top=1.25)])
    assert sides is not None
    assert (sides.softer, sides.share) == ("bottom", pytest.approx(0.2))


@pytest.mark.parametrize("std", [2e-4, 0.02])
def test_sides_agree_within_the_limit_or_the_noise(std: float) -> None:
    sides = sides_of([cornered(0.15, 0.145 if std < 0.01 else 0.13, std=std)])
    assert sides is not None
    assert sides.softer == ""


def test_lag_is_that_of_two_parabolas() -> None:
    # Log of MTF50 = -(i - top)^2 / 9: a parabola through three points finds the top exactly.
    from math import exp

    tops = (2.3, 3.1)
    bracket = [cornered(*(0.2 * exp(-((i - top) ** 2) / 9) for top in tops)) for i in range(6)]
    sides = sides_of(bracket)
    assert sides is not None
    assert sides.right_lag_frames == pytest.approx(0.8)
    assert sides.bottom_lag_frames == pytest.approx(0.0)
    early = sides_of(bracket[:3])
    assert early is not None
    assert early.right_lag_frames is None


def test_three_corners_are_not_enough() -> None:
    look = cornered(0.1, 0.2)
    assert sides_of([QuickLook(file="A", status="measured", corners=look.corners[:3])]) is None
    assert sides_of([]) is None


@pytest.mark.parametrize("loss", [0.0, 1.0, float("nan")])
def test_impossible_loss_is_refused(loss: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        stand(frames(0.1), loss=loss)
