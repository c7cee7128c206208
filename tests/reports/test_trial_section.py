"""A trial on the page: its figures and sentences against the record, odd and missing values.

The club, its trial and every figure are invented.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from itertools import combinations
from xml.etree import ElementTree

import numpy as np
import pytest
from scipy.stats import binomtest, fisher_exact, mannwhitneyu

from lab.inference.trial_records import (
    ShutterCurve,
    TrialCondition,
    TrialDifference,
    TrialFrame,
    TrialResult,
)
from reports import trial_formats, trial_words
from reports.drawing import Drawing
from reports.trial_comparison import verdict_words
from reports.trial_figures import draw_keepers, draw_sharpness, place_dots
from reports.trial_movement import draw_directions, draw_shutter
from reports.trial_section import trial_section

SVG = "{http://www.w3.org/2000/svg}"
MAGNIFICATION, PITCH_UM, LOSS_PERCENT = 2.0, 4.35, 10.0
SHARP = 61.0  # MTF50 of a still frame, cycles/mm on the sensor
LIMIT = 0.9 * SHARP
# Name, shutter time, flash t0.1, ambient share, frames, kinds, blur in px, axis in degrees,
# predicted share of MTF50.
SHOT = (
    ("stand with flash", 1 / 200, 1 / 2000, 0.02, 20, {"sharp": 19, "focus": 1}, 0.3, 0, None),
    (
        *("by hand, 1/200 s", 1 / 200, None, None, 20),
        {"sharp": 6, "focus": 3, "linear": 9, "oscillating": 2},
        *(3.0, 20.0, 0.71),
    ),
    (
        *("by hand, 1/60 s", 1 / 60, None, None, 20),
        {"sharp": 1, "focus": 1, "linear": 12, "oscillating": 4},
        *(7.5, 75.0, None),
    ),
    (
        *("by hand with flash", 1 / 200, 1 / 2000, 0.08, 20),
        {"sharp": 13, "focus": 4, "pulse": 3},
        *(1.6, -40.0, 0.96),
    ),
    (
        *("elbows braced on the bench, 1/60 s", 1 / 60, None, None, 16),
        {"sharp": 7, "focus": 1, "linear": 4, "oscillating": 4},
        *(2.6, 85.0, 0.52),
    ),
)
DRAW = (draw_sharpness, draw_keepers, draw_directions, draw_shutter)
Draw = Callable[..., Drawing | None]


def make_frames(rng: np.random.Generator, shot: tuple) -> list[TrialFrame]:
    name, exposure, flash, _, n, kinds, blur, axis, _ = shot
    frames = []
    for k in range(n):
        kind = [one for one, count in kinds.items() for _ in range(count)][k : k + 1]
        moved = bool(kind) and kind[0] in trial_words.MOVEMENT
        length = blur * rng.lognormal(0, 0.35) if moved else 0.25 * rng.random()
        loss = 1 + (length / 4.5) ** 2 + (0.35 * rng.random() if kind == ["focus"] else 0)
        value = SHARP * (1 + 0.02 * rng.normal()) / loss if kind else None
        other = {"linear": "oscillating", "oscillating": "linear"}.get(*kind or [""], "focus")
        doubt = 0.5 * math.exp(-length / 3) if moved else 0.03
        object_um = length * PITCH_UM / MAGNIFICATION
        frames.append(
            TrialFrame(
                file=f"{name[:7]}/{k:03d}.dng",
                condition=name,
                status="measured" if kind else "rejected",
                reason="" if kind else "no square shows edges of two directions",
                best_edge_mtf50_image_cyc_per_mm=1.05 * value if value else None,
                mtf50_image_cyc_per_mm=value,
                mtf50_std=0.02 * value if value else None,
                of_reference=value / SHARP if value else None,
                is_keeper=value is not None and value >= LIMIT,
                kind=kind[0] if kind else None,
                probability={kind[0]: 1 - doubt, other: doubt} if kind else {},
                axis_deg=(axis + 12 * rng.normal() + 90) % 180 - 90 if kind else None,
                length_px=length if kind else None,
                length_std_px=0.2 if kind else None,
                length_image_um=length * PITCH_UM if kind else None,
                length_object_um=object_um if kind else None,
                speed_object_um_per_s=object_um / (flash or exposure) if kind else None,
                defocus_waves=0.1 * rng.normal() if kind else None,
                flags=(),
            )
        )
    return frames


def frames_for(share: float) -> int | None:
    if share <= 0:
        return None
    return 1 if share >= 1 else max(1, math.ceil(math.log(0.05) / math.log(1 - share)))


def values(frames: list[TrialFrame]) -> np.ndarray:
    return np.array([f.mtf50_image_cyc_per_mm or 0.0 for f in frames])


def make_condition(shot: tuple, frames: list[TrialFrame]) -> TrialCondition:
    name, exposure, flash, ambient, n, _, _, _, predicted = shot
    kept = sum(f.is_keeper for f in frames)
    low, high = binomtest(kept, n).proportion_ci(method="wilson")
    ordered = np.sort(values(frames))
    median = float(np.median(ordered))
    speeds = [f.speed_object_um_per_s for f in frames if f.speed_object_um_per_s is not None]
    return TrialCondition(
        name=name,
        frames=n,
        measured=sum(f.status == "measured" for f in frames),
        keepers=kept,
        share=kept / n,
        share_low95=low,
        share_high95=high,
        median_mtf50_image_cyc_per_mm=median,
        median_low95=float(ordered[5 if n == 20 else 3]),
        median_high95=float(ordered[14 if n == 20 else 12]),
        frames_for_one=frames_for(kept / n),
        frames_for_one_low95=frames_for(high),
        frames_for_one_high95=frames_for(low),
        kinds=dict(Counter(f.kind for f in frames if f.kind)),
        exposure_s=exposure,
        flash_t01_s=flash,
        ambient_share=ambient,
        speed_median_um_per_s=float(np.median(speeds)),
        speed_p90_um_per_s=float(np.quantile(speeds, 0.9)),
        predicted_of_reference=predicted,
        measured_of_reference=median / SHARP,
    )


def make_difference(
    a: TrialCondition, b: TrialCondition, of: dict[str, list[TrialFrame]]
) -> TrialDifference:
    one, other = a.keepers / a.frames, b.keepers / b.frames
    half = 1.96 * math.sqrt(one * (1 - one) / a.frames + other * (1 - other) / b.frames)
    counts = [[c.keepers, c.frames - c.keepers] for c in (a, b)]
    share_p = float(fisher_exact(counts).pvalue)
    median_p = float(mannwhitneyu(values(of[a.name]), values(of[b.name])).pvalue)
    corrected = [min(1.0, 12 * p) for p in (share_p, median_p)]
    apart = (a.median_mtf50_image_cyc_per_mm or 0) - (b.median_mtf50_image_cyc_per_mm or 0)
    is_told = min(corrected) < 0.05
    return TrialDifference(
        one=a.name,
        other=b.name,
        share_difference=one - other,
        share_low95=max(-1.0, one - other - half),
        share_high95=min(1.0, one - other + half),
        share_p=share_p,
        share_p_corrected=corrected[0],
        median_difference_image_cyc_per_mm=apart,
        median_low95=apart - 4,
        median_high95=apart + 5,
        median_p=median_p,
        median_p_corrected=corrected[1],
        is_told=is_told,
        more_frames=None if is_told else 40,
    )


def make_curve(label: str, speed: float, safe: float | None, least: float = 0.0) -> ShutterCurve:
    time = np.geomspace(1 / 8000, 1, 60)
    kept = least + (1 - least) / np.sqrt(1 + (MAGNIFICATION * speed * time / 9.3) ** 2)
    return ShutterCurve(
        label=label,
        speed_um_per_s=speed,
        time_s=tuple(time.tolist()),
        of_sharp=tuple(kept.tolist()),
        slowest_safe_s=safe,
    )


def make_trial() -> TrialResult:
    rng = np.random.default_rng(7)
    of = {shot[0]: make_frames(rng, shot) for shot in SHOT}
    conditions = tuple(make_condition(shot, of[shot[0]]) for shot in SHOT)
    slow = "by hand, 1/60 s"
    return TrialResult(
        name="Micromount evening",
        magnification=MAGNIFICATION,
        marked_stop=5.6,
        effective_f_number=16.9,
        pixel_pitch_um=PITCH_UM,
        reference="stand with flash",
        loss_percent=LOSS_PERCENT,
        limit_mtf50_image_cyc_per_mm=LIMIT,
        frames=tuple(f for some in of.values() for f in some),
        conditions=conditions,
        differences=tuple(make_difference(a, b, of) for a, b in combinations(conditions, 2)),
        curves=(
            make_curve(f"half of the frames ({slow})", 960.0, 1 / 248),
            make_curve(f"nine in ten frames ({slow})", 1530.0, 1 / 395.2),
            make_curve("half of the frames, stand with flash", 960.0, None, 0.95),
            make_curve("half of the frames, by hand with flash", 960.0, 1 / 31, 0.8),
        ),
        notes=(),
    )


@pytest.fixture(scope="module")
def trial() -> TrialResult:
    return make_trial()


@pytest.fixture(scope="module")
def html(trial: TrialResult) -> str:
    return trial_section(trial, name="evening")


@pytest.fixture(scope="module")
def drawn(trial: TrialResult) -> dict[Draw, Drawing]:
    return {draw: found for draw in DRAW if (found := draw(trial, name="one")) is not None}


def condition(trial: TrialResult, name: str) -> TrialCondition:
    (found,) = [c for c in trial.conditions if c.name == name]
    return found


def with_condition(trial: TrialResult, which: str, **changes: object) -> TrialResult:
    return replace(
        trial,
        conditions=tuple(replace(c, **changes) if c.name == which else c for c in trial.conditions),
    )


def marks(svg: str, fill: str | None = None) -> np.ndarray:
    """Where marks stand, (n, 2) in pt from the upper left; of one fill if that is given."""
    found = [
        (float(node.get("x", "")), float(node.get("y", "")))
        for node in ElementTree.fromstring(svg).iter(f"{SVG}use")
        if "stroke: #17557f" in node.get("style", "") or "stroke: #8a5a00" in node.get("style", "")
        if fill is None or f"fill: {fill}" in node.get("style", "")
    ]
    return np.array(found).reshape(-1, 2)


def texts(svg: str) -> list[str]:
    return [
        "".join(node.itertext()).strip() for node in ElementTree.fromstring(svg).iter(f"{SVG}text")
    ]


def seen(html: str) -> str:
    """Text as read, tags left out."""
    spaced = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html)).replace("\xa0", " ")
    return spaced.replace("&lt;", "<").replace("\N{MINUS SIGN}", "-")


# The figures.


@pytest.mark.parametrize("draw", DRAW)
def test_svg_parses_and_carries_its_words(drawn: dict[Draw, Drawing], draw: Draw) -> None:
    picture = drawn[draw]
    root = ElementTree.fromstring(picture.svg)
    assert root.get("aria-label") == picture.alternative
    assert len(picture.alternative) > 80
    ids = [node.get("id") for node in root.iter() if node.get("id")]
    assert len(ids) == len(set(ids))
    assert all(re.fullmatch(r"one-\d+", i) for i in ids)


@pytest.mark.parametrize("draw", [draw_keepers, draw_directions])
def test_the_same_trial_gives_the_same_bytes(
    trial: TrialResult, drawn: dict[Draw, Drawing], draw: Draw
) -> None:
    assert draw(trial, name="one") == drawn[draw]


def test_every_measured_frame_is_a_dot_at_its_sharpness(
    trial: TrialResult, drawn: dict[Draw, Drawing]
) -> None:
    svg = drawn[draw_sharpness].svg
    for is_keeper, fill in ((True, "#17557f"), (False, "#fcfcfa")):
        shown = np.sort(marks(svg, fill)[:, 0])
        true = np.sort(
            [
                f.mtf50_image_cyc_per_mm
                for f in trial.frames
                if f.mtf50_image_cyc_per_mm is not None and f.is_keeper == is_keeper
            ]
        )
        assert len(shown) == len(true)
        slope, start = np.polyfit(true, shown, 1)
        assert slope > 1  # pt per cycles/mm
        assert np.abs(shown - start - slope * true).max() < 0.02  # coordinates hold 0.01 pt


def test_frames_too_blurred_stand_at_the_foot(
    trial: TrialResult, drawn: dict[Draw, Drawing]
) -> None:
    with_lost = drawn[draw_sharpness]
    assert "Crosses at the foot of the scale: 2 too blurred" in with_lost.caption
    assert "too blurred" in " ".join(texts(with_lost.svg))
    whole = replace(
        trial,
        frames=tuple(f for f in trial.frames if f.status == "measured"),
        conditions=tuple(replace(c, frames=c.measured) for c in trial.conditions),
    )
    without = draw_sharpness(whole)
    assert "Crosses" not in without.caption
    assert "too blurred" not in " ".join(texts(without.svg))


def test_keepers_stand_at_their_share_beside_the_frames_needed(
    trial: TrialResult, drawn: dict[Draw, Drawing]
) -> None:
    svg = drawn[draw_keepers].svg
    at = marks(svg)
    shares = np.array([c.share for c in trial.conditions], dtype=float)
    at = at[np.argsort(at[:, 1])]  # conditions from the top
    slope, start = np.polyfit(shares, at[:, 0], 1)
    assert np.abs(at[:, 0] - start - slope * shares).max() < 0.02
    for c in trial.conditions:
        assert c.name in texts(svg)
        assert trial_words.frames_for_one_words(c) in texts(svg)


def test_a_movement_stands_at_both_ends_of_its_line_as_the_frame_shows_it(
    trial: TrialResult,
) -> None:
    name = "by hand, 1/200 s"
    one = next(f for f in trial.frames if f.condition == name and f.kind == "linear")
    pair = tuple(
        replace(one, axis_deg=axis, length_px=length) for axis, length in ((20.0, 9.0), (-60.0, 3))
    )
    drawing = draw_directions(replace(trial, frames=pair))
    assert drawing is not None
    at = marks(drawing.svg, "#17557f")
    at = at[at[:, 1] < at[:, 1].max() - 20]  # the key's mark lies at the foot
    assert len(at) == 4
    (left, right), (down, up) = sorted(at[:2].tolist()), at[2:][np.argsort(-at[2:, 1])]
    far, near = np.subtract(right, left), np.subtract(up, down)
    # Both lines share their middle; down the page is down the frame.
    assert np.add(right, left) == pytest.approx(np.add(up, down), abs=0.04)
    assert math.degrees(math.atan2(far[1], far[0])) == pytest.approx(20, abs=0.1)
    assert math.degrees(math.atan2(near[1], near[0])) == pytest.approx(-60, abs=0.1)
    assert math.hypot(*far) / math.hypot(*near) == pytest.approx(3, rel=2e-3)


def test_directions_are_those_of_moved_frames_only(
    trial: TrialResult, drawn: dict[Draw, Drawing]
) -> None:
    moved = [f for f in trial.frames if f.kind in trial_words.MOVEMENT]
    kinds = {f.kind for f in moved}
    assert kinds == set(trial_words.MOVEMENT)
    assert len(marks(drawn[draw_directions].svg)) == 2 * len(moved) + len(kinds)  # and the key
    assert "stand with flash" not in texts(drawn[draw_directions].svg)


def test_shutter_figure_numbers_the_conditions(
    trial: TrialResult, drawn: dict[Draw, Drawing]
) -> None:
    shown = [line.replace("\xa0", " ") for line in texts(drawn[draw_shutter].svg)]
    two = condition(trial, "by hand, 1/200 s")
    kept = f"{100 * (two.measured_of_reference or 0):.0f}"
    assert f"by hand, 1/200 s: measured {kept} %, predicted 71 %" in shown
    assert "predicted for nine in ten frames (by hand, 1/60 s)" in shown
    assert "1, 4" in shown  # two that coincide share their label
    assert {"1/500", "1/60", "1/15"} <= set(shown)


def test_a_trial_without_movement_or_curves_has_neither_figure(trial: TrialResult) -> None:
    still = replace(trial, frames=tuple(replace(f, kind="focus") for f in trial.frames), curves=())
    assert draw_directions(still) is None
    assert draw_shutter(still) is None
    page = trial_section(still)
    assert page.count("<figure>") == 2
    assert "Which shutter time is safe" not in page


def test_a_median_among_the_frames_too_blurred_has_no_figure(trial: TrialResult) -> None:
    name = "by hand, 1/60 s"
    known = condition(trial, name)
    said = trial_words.median_words
    assert said(replace(known, median_low95=12.3, median_high95=24.5)).endswith(
        "(95 % interval 12.3 to 24.5)"
    )
    assert said(replace(known, median_low95=None, median_high95=24.5)).endswith("up to 24.5)")
    assert said(replace(known, median_low95=None, median_high95=None)).endswith("(no interval)")
    lost = {"median_mtf50_image_cyc_per_mm": None, "measured_of_reference": None}
    drawing = draw_sharpness(with_condition(trial, name, **lost, median_low95=None))
    assert f"{name}: 18 of 20 frames measured, median too blurred" in drawing.alternative
    assert len(re.findall("median [0-9]", " ".join(texts(drawing.svg)))) == 4  # of five


def test_any_letters_and_twelve_long_names_can_be_drawn(trial: TrialResult) -> None:
    names = [f"$x_{k}^2$ Ständer <b>&amp; 架台 {'m' * 20}" for k in range(12)]
    base = condition(trial, "by hand, 1/60 s")
    frames = [f for f in trial.frames if f.condition == base.name]
    many = replace(
        trial,
        reference=names[0],
        conditions=tuple(replace(base, name=name) for name in names),
        frames=tuple(replace(f, condition=name) for name in names for f in frames),
        differences=(),
    )
    for draw in (draw_sharpness, draw_directions):
        drawing = draw(many)
        assert drawing is not None
        root = ElementTree.fromstring(drawing.svg)
        assert names[11] in (root.get("aria-label") or "")
        assert "$x_0^2$" in "".join(root.itertext())


def test_dots_keep_apart_while_there_is_room() -> None:
    x = np.random.default_rng(3).normal(70, 9, 40)
    heights = place_dots(x, gap_pt=5.0, band_pt=60.0)
    apart = np.hypot(x[:, np.newaxis] - x, heights[:, np.newaxis] - heights)
    assert apart[~np.eye(40, dtype=bool)].min() >= 5 - 1e-9
    assert np.abs(heights).max() <= 60
    assert heights[np.argmin(x)] == 0  # the first has all room
    crowded = place_dots(np.zeros(40), gap_pt=5.0, band_pt=15.0)
    assert np.abs(crowded).max() <= 15
    assert place_dots(np.zeros(0), gap_pt=5.0, band_pt=15.0).size == 0


# The words.


@pytest.mark.parametrize(
    ("seconds", "said", "safe"),
    [
        (0.005, "1/200 s", "1/200 s"),
        (1 / 4000, "1/4000 s", "1/4000 s"),
        (1 / 248, "1/248 s", "1/250 s"),  # a limit is rounded to the short side
        (1 / 251, "1/251 s", "1/260 s"),
        (1 / 6.2, "1/6 s", "1/6.2 s"),
        (0.4, "0.4 s", "0.4 s"),
        (1.78, "1.8 s", "1.7 s"),
    ],
)
def test_shutter_times(seconds: float, said: str, safe: str) -> None:
    assert trial_formats.exposure_words(seconds) == said
    assert trial_formats.safe_time_words(seconds) == safe


@pytest.mark.parametrize(
    ("axis_deg", "said"),
    [
        (-10.0, "sideways"),
        (171.0, "sideways"),
        (89.0, "up and down"),
        (-70.0, "up and down"),
        (40.0, "slanting down to the right"),
        (-140.0, "slanting down to the right"),
        (-35.0, "slanting up to the right"),
    ],
)
def test_axes_are_lines_as_the_frame_shows_them(axis_deg: float, said: str) -> None:
    assert trial_formats.axis_words(axis_deg) == said


def test_speeds_have_two_digits() -> None:
    assert [trial_formats.speed_words(v) for v in (37.4, 964, 1534)] == [
        "37 µm/s",
        "960 µm/s",
        "1.5 mm/s",
    ]


def test_keepers_are_told_with_interval_and_frames_to_shoot(trial: TrialResult) -> None:
    c = replace(
        condition(trial, "by hand, 1/200 s"),
        keepers=8,
        share=0.4,
        share_low95=0.219,
        share_high95=0.613,
        frames_for_one=6,
        frames_for_one_low95=4,
        frames_for_one_high95=13,
    )

    def said(**changes: object) -> str:
        return trial_words.keeper_sentences(replace(trial, conditions=(replace(c, **changes),)))[0]

    assert said() == (
        "by hand, 1/200 s: 8 of 20 (share 40 %, 95 % interval 22 to 61 %). Shoot 6 frames to be "
        "95 % sure of one keeper, 13 to be safe by the interval."
    )
    assert trial_words.frames_for_one_words(c) == "6 (4 to 13)"
    none = {"keepers": 0, "share": 0.0, "share_low95": 0.0, "frames_for_one": None}
    none["frames_for_one_low95"], none["frames_for_one_high95"] = 18, None
    assert "No keeper seen: at least 18 frames for one" in said(**none)
    assert trial_words.frames_for_one_words(replace(c, **none)) == "18 or more"
    assert "sets no upper limit" in said(frames_for_one_high95=None)


def test_the_headline_names_what_is_not_told_from_the_best(trial: TrialResult) -> None:
    said = trial_words.headline(trial)
    assert said.startswith("Most keepers: stand with flash, 19 of 20 (share 95 %")
    alike = [d.other for d in trial.differences if d.one == "stand with flash" and not d.is_told]
    assert alike  # both of these sharp enough
    assert said.endswith(f"tell it apart from: {'; '.join(alike)}.")
    assert "do not tell" not in trial_words.headline(replace(trial, differences=()))
    nothing = replace(
        trial, conditions=tuple(replace(c, keepers=0, share=0.0) for c in trial.conditions)
    )
    assert trial_words.headline(nothing) == "No condition gave a keeper."


def test_what_blurred_is_counted_with_lengths_and_directions(trial: TrialResult) -> None:
    name = "by hand, 1/60 s"
    (said,) = [s for s in trial_words.blur_sentences(trial) if s.startswith(name)]
    assert "1 sharp, 1 out of focus, 12 even movement, 4 vibration, 2 too blurred" in said
    moved = trial_words.moved_frames(trial, name)
    lengths = [f.length_px or 0 for f in moved]
    assert f"Movement blurred {min(lengths):.1f} to {max(lengths):.1f} px" in said
    upright = sum(abs(abs(f.axis_deg or 0) - 90) <= 22.5 for f in moved)
    assert f"{upright} up and down" in said


DIFFERENCE = TrialDifference(
    one="braced",
    other="free",
    share_difference=-0.3,
    share_low95=-0.55,
    share_high95=-0.02,
    share_p=0.001,
    share_p_corrected=0.004,
    median_difference_image_cyc_per_mm=5.0,
    median_low95=1.0,
    median_high95=9.0,
    median_p=0.02,
    median_p_corrected=0.04,
    is_told=True,
    more_frames=None,
)


@pytest.mark.parametrize(
    ("changes", "said", "verdict"),
    [
        (
            {},
            "free does better than braced (30 points more keepers, 95 % interval 2 to 55).",
            "yes",
        ),
        (
            {"share_p_corrected": 0.2},
            "braced does better than free (5.0 cycles/mm more in median, "
            "95 % interval 1.0 to 9.0).",
            "yes",
        ),
        (
            {"share_p_corrected": 0.2, "median_difference_image_cyc_per_mm": None},
            "told apart by sharpness; most frames of one were too blurred",
            "yes",
        ),
        (
            {"is_told": False, "more_frames": 36},
            "free and braced are not told apart (30 points more keepers, 95 % interval 2 to 55). "
            "36 more frames of each would, four times in five.",
            "no; 36 more of each",
        ),
        ({"is_told": False, "more_frames": 0}, "repeat it", "no; repeat it"),
        ({"is_told": False}, "No number of frames tells", "no; too alike"),
    ],
)
def test_differences(trial: TrialResult, changes: dict, said: str, verdict: str) -> None:
    one = replace(DIFFERENCE, **changes)
    first, second = trial_words.difference_sentences(replace(trial, differences=(one,)))
    assert first.startswith("1 of 1 pair" if one.is_told else "0 of 1 pair")
    assert said in second
    assert verdict_words(one) == verdict


def test_safe_shutter_times(trial: TrialResult) -> None:
    half, nine, still, flash = trial_words.shutter_sentences(trial)
    assert half == (
        "Half of the frames (by hand, 1/60 s), at 960 µm/s: 1/250 s or shorter costs no more than "
        "10 % of MTF50."
    )
    assert "at 1.5 mm/s: 1/400 s or shorter" in nine
    assert "no shutter time costs more than 10 %" in still
    assert "1/31 s or shorter" in flash
    slow = replace(trial.curves[0], slowest_safe_s=0.0)
    assert (
        "even the shortest shutter time costs more"
        in trial_words.shutter_sentences(replace(trial, curves=(slow,)))[0]
    )


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"predicted_of_reference": 0.7}, "(95 % interval 60 to 90 %): as predicted."),
        ({"predicted_of_reference": 0.5}, "steadier than predicted."),
        ({"predicted_of_reference": 0.95}, "softer than predicted."),
        ({"median_low95": None}, "measured 75 % of the reference's median (no interval)."),
        (
            {"median_mtf50_image_cyc_per_mm": None, "measured_of_reference": None},
            "most frames were too blurred to be measured",
        ),
    ],
)
def test_predictions_stand_beside_what_was_measured(
    trial: TrialResult, changes: dict, said: str
) -> None:
    name = "by hand, 1/200 s"
    known = {"median_mtf50_image_cyc_per_mm": 50.0, "median_low95": 40.0, "median_high95": 60.0}
    changed = with_condition(trial, name, **({"measured_of_reference": 0.75, **known} | changes))
    assert said in trial_words.prediction_sentences(changed)[0]


def test_a_speed_that_most_frames_do_not_show_is_an_upper_limit(trial: TrialResult) -> None:
    said = {s.split(":")[0]: s for s in trial_words.speed_sentences(trial)}
    assert "stand with flash" not in said  # nothing moved
    assert "upper limit" in said["by hand with flash"]
    assert "upper limit" not in said["by hand, 1/60 s"]


def test_caveats_are_those_of_this_result(trial: TrialResult) -> None:
    said = " ".join(trial_words.caveats(replace(trial, notes=("Noted.",))))
    moved = [f for f in trial.frames if f.kind in ("linear", "oscillating")]
    doubtful = sum(min(f.probability.values()) >= 0.1 for f in moved)
    assert 0 < doubtful < len(moved)
    assert f"in {doubtful} of {len(moved)} such frames" in said
    for words in ("Noted.", "Astigmatism", "lens axis"):
        assert words in said
    assert "taken as none" not in said
    unstated = with_condition(trial, "by hand with flash", ambient_share=None, frames=5)
    said = " ".join(trial_words.caveats(unstated))
    assert "beside the flash is taken as none: by hand with flash." in said
    assert "Fewer than 6 frames give no interval of the median: by hand with flash." in said
    still = replace(
        trial,
        frames=tuple(f for f in trial.frames if f.condition == "stand with flash"),
        curves=(),
    )
    assert trial_words.caveats(still) == ()


# The section.


def test_headings_captions_and_identifiers(html: str) -> None:
    assert re.findall(r"<h(\d)", html) == ["2"] + ["3"] * 8
    assert '<h2 id="evening">' in html
    assert html.count("<figure>") == html.count("<figcaption>") == 4
    assert html.count("<table") == html.count("<caption>") == 3
    ids = re.findall(r' id="([^"]+)"', html)
    assert len(ids) == len(set(ids))
    assert all(i.startswith("evening") for i in ids)
    ElementTree.fromstring(f"<main>{html}</main>")  # every tag closes in order


def test_tables_hold_the_records(trial: TrialResult, html: str) -> None:
    page = seen(html)
    assert "by hand, 1/60 s 20 1 1 12 4 0 2" in re.sub(r" +", " ", page)  # kinds, then unknown
    c = condition(trial, "by hand with flash")
    assert f"{c.keepers} of 20" in page
    assert f"{c.median_mtf50_image_cyc_per_mm:.1f} ({c.median_low95:.1f} to" in page
    assert "1/2000 s" in page
    d = trial.differences[1]
    assert f"+{100 * d.share_difference:.0f} ({100 * d.share_low95:.0f} to" in page
    assert "< 0.001" in page


def test_names_are_shown_as_written(trial: TrialResult) -> None:
    odd = "<b>stand</b> & $x$"
    renamed = replace(
        with_condition(trial, "stand with flash", name=odd),
        reference=odd,
        name="<i>evening</i>",
        curves=(),
        frames=tuple(
            replace(f, condition=odd) if f.condition == "stand with flash" else f
            for f in trial.frames
        ),
    )
    html = trial_section(renamed)
    assert "<b>stand" not in html
    assert "<i>evening" not in html
    assert "&lt;b&gt;stand&lt;/b&gt; &amp; $x$" in html
    assert "Which shutter time is safe" not in html
