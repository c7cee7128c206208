"""Which way did a trial's frames move, and which shutter time is safe? Two figures, as SVG text.

``draw_directions``: axis and length of each frame that movement blurred.
``draw_shutter``: sharpness kept against shutter time, with the conditions on it.
Nothing is measured here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np

from lab.inference.trial_records import TrialCondition, TrialFrame, TrialResult
from reports import drawing, trial_comparison, trial_formats, trial_words
from reports.drawing import PALETTE, Drawing
from reports.trial_figures import any_script

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.transforms import Bbox

__all__ = ["draw_directions", "draw_shutter"]

_PT = 72.0
_MARKS: dict[str, dict[str, Any]] = {
    "linear": {"marker": "o", "markerfacecolor": PALETTE["measured"]},
    "oscillating": {"marker": "o", "markerfacecolor": PALETTE["paper"]},
    "pulse": {
        "marker": "s",
        "markerfacecolor": PALETTE["optimum"],
        "markeredgecolor": PALETTE["optimum"],
    },
}
_DOT: dict[str, Any] = {
    "linestyle": "",
    "markersize": 4,
    "markeredgecolor": PALETTE["measured"],
    "markeredgewidth": 0.9,
}
_MOST_LARGE = 4  # panels; past that three stand side by side
_SIDES_IN = (2.6, 2.25, 1.5)  # of a panel, by the number of columns
_LINE_PT = 13.0
_KEY_CHARACTERS = 56
_LIMIT: dict[str, Any] = {"color": PALETTE["quiet"], "linewidth": 0.8}
_DASHES: tuple[tuple[str, tuple[float, ...]], ...] = (
    ("measured", ()),
    ("measured", (5, 2.5)),
    ("optimum", (1.2, 1.6)),
    ("optimum", (6, 2, 1.2, 2)),
    ("quiet", (3, 1.5)),
    ("quiet", ()),
)
_TIMES = (*(1 / n for n in (8000, 4000, 2000, 1000, 500, 250, 125, 60, 30, 15, 8, 4, 2)), 1.0)


def draw_directions(result: TrialResult, *, name: str = "directions") -> Drawing | None:
    """Axis and length of movement of each frame, a panel a condition.

    The radius is the length of the blur; a movement has an axis but no sense, so each
    stands at both ends of its line.

    Parameters
    ----------
    result : TrialResult
    name : str
        Prefix of the identifiers in the SVG; distinct within one page.

    Returns
    -------
    Drawing or None
        None where no frame moved.
    """
    moved = {
        c.name: [f for f in trial_words.moved_frames(result, c.name) if f.axis_deg is not None]
        for c in result.conditions
    }
    moved = {condition: frames for condition, frames in moved.items() if frames}
    if not moved:
        return None
    reach = max(f.length_px or 0.0 for frames in moved.values() for f in frames)
    with drawing.style(), any_script():
        picture, panels = _round_panels(list(moved))
        for axes, frames in zip(panels, moved.values(), strict=True):
            _plot_rose(axes, frames, reach, is_small=len(moved) > _MOST_LARGE)
        _kinds_key(picture, {f.kind for frames in moved.values() for f in frames if f.kind})
        return drawing.drawing(picture, name, *_direction_words(result, moved))


def draw_shutter(result: TrialResult, *, name: str = "shutter") -> Drawing | None:
    """Sharpness kept against shutter time at the measured speeds; conditions as points.

    Parameters as for `draw_directions`; None where no curve could be worked out.
    """
    if not result.curves:
        return None
    shot = [c for c in result.conditions if c.exposure_s and c.measured_of_reference is not None]
    keys = [wrap(f"predicted for {c.label}", _KEY_CHARACTERS) for c in result.curves]
    keys.append([f"{100 - result.loss_percent:g} %: a keeper's least"])
    points = [wrap(f"{c.name}: {_kept(c)}", _KEY_CHARACTERS, subsequent_indent="  ") for c in shot]
    key_pt = _LINE_PT * sum(len(lines) for lines in (*keys, *points)) + 8
    with drawing.style(), any_script():
        height_pt = 8 + 170 + 40 + key_pt
        picture = drawing.figure(drawing.WIDTH_IN, height_pt / _PT)
        axes = picture.add_axes((0.125, (key_pt + 40) / height_pt, 0.845, 170 / height_pt))
        _plot_curves(axes, result)
        _plot_conditions(picture, axes, shot)
        axes.set_xlabel("shutter time, s")
        axes.set_ylabel("MTF50 kept, %")
        _shutter_key(picture, keys, points, key_pt, height_pt)
        return drawing.drawing(picture, name, *_shutter_words(result, shot))


def _round_panels(names: Sequence[str]) -> tuple[Figure, list[Axes]]:
    """Square panels of one scale, each under its name."""
    columns = min(len(names), 2 if len(names) <= _MOST_LARGE else 3)
    side_pt = _PT * _SIDES_IN[columns - 1]
    titles = [wrap(name, 45 // columns + 4) for name in names]
    rows = [titles[k : k + columns] for k in range(0, len(titles), columns)]
    title_pt = [_LINE_PT * max(map(len, row)) + 4 for row in rows]
    height_pt = sum(title_pt) + side_pt * len(rows) + 22
    picture = drawing.figure(drawing.WIDTH_IN, height_pt / _PT)
    width = side_pt / (_PT * drawing.WIDTH_IN)
    panels = []
    top_pt = height_pt
    for row, above_pt in zip(rows, title_pt, strict=True):
        top_pt -= above_pt
        for column, title in enumerate(row):
            middle = (column + 0.5) / columns
            panels.append(
                picture.add_axes(
                    (
                        middle - width / 2,
                        (top_pt - side_pt) / height_pt,
                        width,
                        side_pt / height_pt,
                    )
                )
            )
            picture.text(
                middle,
                top_pt / height_pt,
                "\n".join(title),
                ha="center",
                va="bottom",
                weight="bold",
                linespacing=1.2,
                parse_math=False,
            )
        top_pt -= side_pt
    return picture, panels


def _plot_rose(axes: Axes, frames: Sequence[TrialFrame], reach: float, *, is_small: bool) -> None:
    from matplotlib.ticker import MaxNLocator

    rings = [float(r) for r in MaxNLocator(3).tick_values(0, reach) if r > 0]
    rim = rings[-1]
    axes.set_axis_off()
    axes.set_xlim(-1.28 * rim, 1.28 * rim)
    axes.set_ylim(1.2 * rim, -1.36 * rim)  # rows run down, as in the frame
    turn = np.linspace(0, 2 * np.pi, 73)
    for ring in rings:
        axes.plot(ring * np.cos(turn), ring * np.sin(turn), color=PALETTE["faint"], linewidth=0.9)
    for axis_deg in (0, 45, 90, 135):
        along = rim * np.array([-1, 1])
        a = math.radians(axis_deg)
        axes.plot(along * math.cos(a), along * math.sin(a), color=PALETTE["faint"], linewidth=0.7)
    for f in frames:
        a, length = math.radians(f.axis_deg or 0.0), f.length_px or 0.0
        x, y = length * math.cos(a) * np.array([-1, 1]), length * math.sin(a) * np.array([-1, 1])
        axes.plot(x, y, color=PALETTE["spread"], linewidth=1.0, zorder=1.5)
        axes.plot(x, y, **(_DOT | _MARKS[f.kind or "linear"]))
    for ring in rings[-1:] if is_small else rings:
        a = math.radians(45 if is_small else 22.5)  # clear of the words
        axes.text(
            *(ring * math.cos(a), -ring * math.sin(a), f"{ring:g} px"),
            color=PALETTE["quiet"],
            ha="center",
            va="center",
            fontsize=8,
            bbox={"facecolor": PALETTE["paper"], "edgecolor": "none", "pad": 0.6},
            zorder=4,
        )
    look: dict[str, Any] = {"ha": "center", "va": "center", "color": PALETTE["quiet"]}
    axes.text(0, -1.18 * rim, "up and down", **look)
    axes.text(1.16 * rim, 0, "sideways", rotation=-90, **look)


def _kinds_key(picture: Figure, kinds: set[str]) -> None:
    """A mark and its word for each kind that is drawn, in one line at the foot."""
    present = [kind for kind in trial_words.MOVEMENT if kind in kinds]
    foot = picture.add_axes((0, 0, 1, 16 / (_PT * picture.get_figheight())))
    foot.set_axis_off()
    foot.set_xlim(0, _PT * drawing.WIDTH_IN)
    foot.set_ylim(-1, 1)
    labels = [foot.text(0, 0, trial_words.KINDS[kind], va="center_baseline") for kind in present]
    widths = [label.get_window_extent().width / picture.dpi * _PT for label in labels]
    x = (_PT * drawing.WIDTH_IN - sum(widths) - 11 - 28 * (len(labels) - 1)) / 2
    for kind, label, width in zip(present, labels, widths, strict=True):
        foot.plot([x + 4], [0], **(_DOT | _MARKS[kind]))
        label.set_x(x + 11)
        x += width + 28


def _plot_curves(axes: Axes, result: TrialResult) -> None:
    times = [c.exposure_s for c in result.conditions if c.exposure_s]
    safe = [c.slowest_safe_s for c in result.curves if c.slowest_safe_s]
    around = [*times, *safe] or [1 / 125]
    low = max(min(around) / 2.5, min(min(c.time_s) for c in result.curves))
    high = min(max(around) * 2.5, max(max(c.time_s) for c in result.curves))
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    axes.set_ylim(0, 106)
    axes.axhline(100 - result.loss_percent, **_LIMIT)
    for index, curve in enumerate(result.curves):
        kept = 100 * np.array(curve.of_sharp)
        axes.plot(curve.time_s, kept, **_stroke(index))
    ticks = [t for t in _TIMES if low <= t <= high]
    ticks = ticks[:: math.ceil(len(ticks) / 7)]
    axes.set_xticks(ticks, [f"1/{1 / t:.0f}" if t < 1 else "1" for t in ticks], minor=False)
    axes.minorticks_off()


def _plot_conditions(picture: Figure, axes: Axes, shot: Sequence[TrialCondition]) -> None:
    """Numbered marks; those that nearly coincide share one label."""
    places: list[tuple[float, float, list[int]]] = []
    for number, c in enumerate(shot, start=1):
        time, kept = c.exposure_s or 0.0, 100 * (c.measured_of_reference or 0.0)
        low, high = trial_comparison.measured_interval(c)
        axes.plot(
            [time] * 2,
            [kept if low is None else 100 * low, kept if high is None else 100 * high],
            color=PALETTE["ink"],
            linewidth=1.2,
        )
        if c.predicted_of_reference is not None:
            axes.plot(
                [time],
                [100 * c.predicted_of_reference],
                "D",
                markersize=5,
                markerfacecolor=PALETTE["paper"],
                markeredgecolor=PALETTE["ink"],
                clip_on=False,
            )
        axes.plot([time], [kept], "o", markersize=5, color=PALETTE["ink"], clip_on=False, zorder=3)
        at = axes.transData.transform((time, kept)) / picture.dpi * _PT
        for x, y, numbers in places:
            if abs(at[0] - x) < 14 and abs(at[1] - y) < 11:
                numbers.append(number)
                break
        else:
            places.append((float(at[0]), float(at[1]), [number]))
    taken: list[Bbox] = []
    for _, _, numbers in places:
        first = shot[numbers[0] - 1]
        label = axes.annotate(
            ", ".join(map(str, numbers)),
            (first.exposure_s or 0.0, 100 * (first.measured_of_reference or 0.0)),
            xytext=(6, 1),
            textcoords="offset points",
            weight="bold",
            zorder=5,
        )
        while any(label.get_window_extent().overlaps(other) for other in taken):
            label.set_position((6, label.get_position()[1] - 11))
        taken.append(label.get_window_extent())


def _shutter_key(
    picture: Figure,
    keys: Sequence[Sequence[str]],
    points: Sequence[Sequence[str]],
    key_pt: float,
    height_pt: float,
) -> None:
    """Curves and numbers in words, below the panel."""
    foot = picture.add_axes((0.03, 0, 0.97, key_pt / height_pt))
    foot.set_axis_off()
    foot.set_xlim(0, 0.97 * _PT * drawing.WIDTH_IN)
    foot.set_ylim(key_pt, 0)
    y = 9.0
    for index, lines in enumerate(keys):
        is_curve = index < len(keys) - 1  # the last is the limit
        foot.plot([0, 24], [y, y], **(_stroke(index) if is_curve else _LIMIT))
        y = _text_lines(foot, y, lines)
    for number, lines in enumerate(points, start=1):
        foot.text(24, y, str(number), weight="bold", ha="right", va="center_baseline")
        y = _text_lines(foot, y, lines)


def _text_lines(axes: Axes, y: float, lines: Sequence[str]) -> float:
    for line in lines:
        axes.text(32, y, line, va="center_baseline", parse_math=False)
        y += _LINE_PT
    return y


def _stroke(index: int) -> dict[str, Any]:
    colour, dashes = _DASHES[index % len(_DASHES)]
    return {"color": PALETTE[colour], "dashes": dashes or (None, None), "linewidth": 1.4}


def _kept(c: TrialCondition) -> str:
    said = f"measured {trial_formats.percent(c.measured_of_reference or 0.0)}"
    if c.predicted_of_reference is not None:
        said += f", predicted {trial_formats.percent(c.predicted_of_reference)}"
    return said.replace(" %", "\xa0%")


def _direction_words(result: TrialResult, moved: dict[str, list[TrialFrame]]) -> tuple[str, str]:
    total = sum(map(len, moved.values()))
    ways = [
        trial_formats.axis_words(f.axis_deg)
        for frames in moved.values()
        for f in frames
        if f.axis_deg is not None
    ]
    caption = (
        f"Of {total} frames that movement blurred, {ways.count('sideways')} moved sideways and "
        f"{ways.count('up and down')} up and down. Each frame stands at both ends of its line, as "
        "the frame shows it; from the middle to a point is the length of its blur, in px, on one "
        "scale for all."
    )
    said = zip(result.conditions, trial_words.blur_sentences(result), strict=True)
    listed = " ".join(sentence for c, sentence in said if c.name in moved)
    return caption, f"{len(moved)} roses of the movement, one for each condition. {listed}"


def _shutter_words(result: TrialResult, shot: Sequence[TrialCondition]) -> tuple[str, str]:
    caption = (
        f"{trial_words.shutter_sentences(result)[0]} Curves: MTF50 kept by even movement at "
        "the measured speeds. Numbered dots: median of each condition at its shutter time, with "
        "its 95 % interval"
    )
    if any(c.predicted_of_reference is not None for c in shot):
        caption += "; open diamonds: what another condition's median speed predicts for it"
    listed = "; ".join(
        f"{c.name} at {trial_formats.exposure_words(c.exposure_s or 1.0)}: {_kept(c)}" for c in shot
    )
    safe = " ".join(trial_words.shutter_sentences(result))
    return f"{caption}.", (
        f"Graph of the share of MTF50 kept against shutter time, {len(result.curves)} falling "
        f"curves. {safe}" + (f" Points: {listed}." if listed else "")
    )
