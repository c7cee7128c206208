"""How do the sessions' curves lie to each other, and their differences? As SVG text.

``draw_size``: object-side MTF50 against the effective f-number, all sessions of one
magnification over each other; past six, a panel each over the range of all; past 24, each
one's optimum by rank.
``draw_differences``: every pair at its own optimum, with 95 % bars.

Sessions differ by marker and dash as well as by colour, and carry their letter, so that
neither colour nor a legend is needed. Nothing is measured here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from lab.inference.compare_records import (
    ComparedCurve,
    ComparedSession,
    Comparison,
    MagnificationComparison,
)
from reports import compare_words, drawing, words
from reports.drawing import PALETTE, Drawing

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["MOST_OVERLAID", "draw_differences", "draw_size"]

MOST_OVERLAID = 6
_MOST_PANELS = 24
_LOOKS: tuple[tuple[str, str, str, str], ...] = (  # colour, dash, marker, face
    ("measured", "-", "o", "measured"),
    ("optimum", "--", "s", "paper"),
    ("ink", "-.", "^", "ink"),
    ("measured", ":", "D", "paper"),
    ("optimum", "-", "v", "optimum"),
    ("ink", "--", "P", "paper"),
)
_MARKER_WORDS = (
    "filled circles",
    "open squares",
    "filled triangles",
    "open diamonds",
    "filled triangles, point down",
    "open crosses",
)


def draw_size(
    size: MagnificationComparison,
    sessions: Sequence[ComparedSession],
    *,
    name: str = "curves",
) -> Drawing:
    """MTF50 of every session of one magnification against the effective f-number, or by rank.

    Parameters
    ----------
    size : MagnificationComparison
    sessions : sequence of ComparedSession
        All of the comparison.
    name : str
        Prefix of the identifiers in the SVG; distinct within one page.
    """
    with drawing.style():
        if len(size.curves) > _MOST_PANELS:
            figure = drawing.figure(drawing.WIDTH_IN, 3.4)
            _plot_ranks(figure.add_axes((0.135, 0.14, 0.83, 0.83)), size, sessions)
            return drawing.drawing(figure, name, *_ranks_words(size, sessions))
        if len(size.curves) > MOST_OVERLAID:
            figure, panels = drawing.panels(
                len(size.curves), "effective f-number", "object-side MTF50, cycles/mm"
            )
            for axes, curve in zip(panels, size.curves, strict=True):
                _plot_one(axes, size, curve, sessions[curve.session].letter)
        else:
            figure = drawing.figure(drawing.WIDTH_IN, 3.6)
            axes = figure.add_axes((0.135, 0.14, 0.79, 0.83))
            _plot_all(axes, size, sessions)
        return drawing.drawing(figure, name, *_curves_words(size, sessions))


def draw_differences(comparison: Comparison, *, name: str = "differences") -> Drawing | None:
    """Every pair's difference at its own optimum; None where there are too many pairs."""
    pairs = [(size, pair) for size in comparison.magnifications for pair in size.optimum.pairs]
    count = sum(size.optimum.pair_count for size in comparison.magnifications)
    if not pairs or count > 3 * math.comb(MOST_OVERLAID, 2):
        return None
    with drawing.style():
        height_in = 0.75 + 0.21 * len(pairs)
        figure = drawing.figure(drawing.WIDTH_IN, height_in)
        axes = figure.add_axes((0.27, 0.5 / height_in, 0.7, 1 - 0.6 / height_in))
        labels = []
        for row, (size, pair) in enumerate(pairs):
            one, other = (comparison.sessions[k].letter for k in (pair.first, pair.second))
            labels.append(
                f"{words.magnification_words(round(size.magnification, 2))}  {one} over {other}"
            )
            colour = PALETTE["measured" if pair.told_apart else "quiet"]
            axes.hlines(row, pair.low95, pair.high95, color=colour, linewidth=1.4)
            face = colour if pair.told_apart else PALETTE["paper"]
            axes.plot(
                [pair.percent],
                [row],
                "o",
                markersize=4.5,
                markerfacecolor=face,
                markeredgecolor=colour,
            )
        reach = 1.15 * max(abs(end) for _, p in pairs for end in (p.low95, p.high95, 0.5))
        axes.axvline(0, color=PALETTE["ink"], linewidth=0.8)
        axes.set_xlim(-min(reach, 120.0), min(reach, 300.0))
        axes.set_ylim(len(pairs) - 0.5, -0.5)
        axes.set_yticks(range(len(pairs)), labels)
        axes.tick_params(axis="y", length=0)
        axes.set_xlabel("difference of MTF50 at the own optimum, %")
        told = [
            compare_words.pair_words(size.optimum, pair, comparison.sessions)
            for size, pair in pairs
            if pair.told_apart
        ]
        caption = (
            f"{len(told)} of {len(pairs)} pairs are told apart at their own optima. Filled: told "
            "apart; open: not. Bars: 95 %, of each pair alone."
        )
        listed = "; ".join(
            f"{label}: {compare_words.difference_words(pair)}"
            for label, (_, pair) in zip(labels, pairs, strict=True)
        )
        return drawing.drawing(
            figure, name, caption, f"Differences of object-side MTF50 in percent. {listed}."
        )


def _plot_ranks(
    axes: Axes, size: MagnificationComparison, sessions: Sequence[ComparedSession]
) -> None:
    """Every optimum with its bar, the highest first; filled where nobody is told ahead."""
    ranked = sorted(size.optimum.values, key=lambda one: -one.value)
    leading = _leading(size)
    x = np.arange(1, len(ranked) + 1)
    value, low, high = (np.array([getattr(v, n) for v in ranked]) for n in _BARS)
    is_ahead = np.array([v.session in leading for v in ranked])
    for chosen, colour in ((is_ahead, "measured"), (~is_ahead, "quiet")):
        axes.vlines(
            x[chosen], low[chosen], high[chosen], color=PALETTE[colour], linewidth=0.8, alpha=0.6
        )
        axes.plot(x[chosen], value[chosen], "o", markersize=2.2, color=PALETTE[colour])
    for k in (0, len(ranked) - 1):
        axes.annotate(
            sessions[ranked[k].session].letter,
            (x[k], high[k]),
            xytext=(0, 4),
            textcoords="offset points",
            ha="center",
            weight="bold",
        )
    room = 0.05 * len(ranked)  # for the letters
    axes.set_xlim(1 - room, len(ranked) + room)
    axes.set_ylim(0, 1.12 * float(high.max()))
    axes.set_xlabel("rank by MTF50 at the own optimum")
    axes.set_ylabel("object-side MTF50, cycles/mm")


_BARS = ("value", "low95", "high95")


def _leading(size: MagnificationComparison) -> set[int]:
    """Sessions of the first place."""
    return {one.session for one in size.optimum.places if one.place == 1}


def _ranks_words(
    size: MagnificationComparison, sessions: Sequence[ComparedSession]
) -> tuple[str, str]:
    at = words.magnification_words(round(size.magnification, 2))
    best, *_, worst = sorted(size.optimum.values, key=lambda one: -one.value)
    first = len(_leading(size))
    span = (
        f"from {words.number(best.value)} ({sessions[best.session].letter}) to "
        f"{words.number(worst.value)} cycles/mm ({sessions[worst.session].letter})"
    )
    return (
        f"At {at}, each at its own optimum: {len(size.optimum.values)} sessions {span}. Blue: "
        f"the {first} that none is told to be ahead of; grey: the others. Bars: 95 %, of each "
        "figure alone.",
        f"Object-side MTF50 at the own optimum by rank, at {at}: {span}; {first} share the first "
        "place.",
    )


def _plot_all(
    axes: Axes, size: MagnificationComparison, sessions: Sequence[ComparedSession]
) -> None:
    ends = []
    for k, curve in enumerate(size.curves):
        colour, dash, marker, face = _LOOKS[k]
        x, y = np.log2(curve.effective_f_number), np.array(curve.mtf50_object_cyc_per_mm)
        axes.fill_between(
            x, curve.low95, curve.high95, color=PALETTE[colour], alpha=0.16, linewidth=0
        )
        look: dict[str, Any] = {"color": PALETTE[colour], "linestyle": dash, "linewidth": 1.2}
        axes.plot(x, y, **look)
        _plot_marks(axes, curve, PALETTE[colour], marker, PALETTE[face])
        ends.append((float(x[-1]), float(y[-1]), sessions[curve.session].letter, PALETTE[colour]))
    _limits(axes, size)
    _label_ends(axes, ends)
    _ticks(axes, 0.085)
    axes.set_xlabel("effective f-number")
    axes.set_ylabel("object-side MTF50, cycles/mm")


def _plot_marks(axes: Axes, curve: ComparedCurve, colour: str, marker: str, face: str) -> None:
    x = np.log2([m.effective_f_number for m in curve.marks])
    axes.vlines(
        x,
        [m.low95 for m in curve.marks],
        [m.high95 for m in curve.marks],
        color=colour,
        linewidth=1.0,
    )
    axes.plot(
        x,
        [m.mtf50_object_cyc_per_mm for m in curve.marks],
        linestyle="",
        marker=marker,
        markersize=5,
        markerfacecolor=face,
        markeredgecolor=colour,
        markeredgewidth=1.0,
    )


def _label_ends(axes: Axes, ends: Sequence[tuple[float, float, str, str]]) -> None:
    """Letters beside the curves' right ends, moved apart where they would meet."""
    left, right = axes.get_xlim()
    top = axes.get_ylim()[1]
    gap = 0.06 * top
    ordered = sorted(ends, key=lambda one: one[1])
    heights: list[float] = []
    for _, y, _, _ in ordered:
        heights.append(max(y, heights[-1] + gap) if heights else max(y, 0.3 * gap))
    # Centred about where they belong, as far as the axis leaves room.
    down = min(max(0.0, (heights[-1] - ordered[-1][1]) / 2), heights[0] - 0.3 * gap)
    for (x, y, letter, colour), height in zip(ordered, heights, strict=True):
        axes.annotate(
            letter,
            (x, y),
            xytext=(right + 0.02 * (right - left), height - down),
            textcoords="data",
            va="center",
            weight="bold",
            color=colour,
            annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.6, "shrinkB": 3},
        )


def _plot_one(axes: Axes, size: MagnificationComparison, curve: ComparedCurve, letter: str) -> None:
    grid = np.linspace(*_reach(size), 61)
    every = [
        np.interp(
            grid,
            np.log2(one.effective_f_number),
            one.mtf50_object_cyc_per_mm,
            left=np.nan,
            right=np.nan,
        )
        for one in size.curves
    ]
    stacked = np.array(every)
    covered = ~np.isnan(stacked).all(axis=0)
    low, high = np.nanmin(stacked[:, covered], axis=0), np.nanmax(stacked[:, covered], axis=0)
    axes.fill_between(grid[covered], low, high, color=PALETTE["faint"], linewidth=0)
    x = np.log2(curve.effective_f_number)
    axes.plot(x, curve.mtf50_object_cyc_per_mm, color=PALETTE["measured"], linewidth=1.3)
    _limits(axes, size)
    _ticks(axes, 0.3)
    axes.text(0.96, 0.94, letter, transform=axes.transAxes, ha="right", va="top", weight="bold")


def _reach(size: MagnificationComparison) -> tuple[float, float]:
    at = np.log2(
        [n for one in size.curves for n in (one.effective_f_number[0], one.effective_f_number[-1])]
    )
    return float(at.min()), float(at.max())


def _limits(axes: Axes, size: MagnificationComparison) -> None:
    low, high = _reach(size)
    top = max(max(one.mtf50_object_cyc_per_mm) for one in size.curves)
    bars = [m.high95 for one in size.curves for m in one.marks if m.high95 < 1.5 * top]
    axes.set_xlim(low - 0.3, high + 0.3)
    axes.set_ylim(0, 1.08 * max(top, *bars, 0.0))


def _ticks(axes: Axes, gap: float) -> None:
    """Whole stops, as many as have room."""
    low, high = axes.get_xlim()
    whole = [k / 2 for k in range(math.ceil(2 * low), math.floor(2 * high) + 1)]
    step = max(1, math.ceil(2 * gap * (high - low)))
    ticks = whole[::step] if whole else [(low + high) / 2]
    axes.set_xticks(ticks, [_whole_stop(2**x) for x in ticks])


def _whole_stop(stop: float) -> str:
    """As lenses write whole stops: 5.6, 11, 22, 45."""
    text = words.estimated_stop(stop).removeprefix("f/")
    return {"5.7": "5.6", "23": "22", "91": "90"}.get(text, text)


def _curves_words(
    size: MagnificationComparison, sessions: Sequence[ComparedSession]
) -> tuple[str, str]:
    at = words.magnification_words(round(size.magnification, 2))
    places = compare_words.place_words(size.optimum, sessions)
    finding = f"At {at}, each at its own optimum: {places}."
    if len(size.curves) > MOST_OVERLAID:
        key = " Blue: the session of the panel; grey: the range of all sessions."
    else:
        key = (
            " "
            + "; ".join(
                f"{sessions[curve.session].letter}: {_MARKER_WORDS[k]}"
                for k, curve in enumerate(size.curves)
            )
            + ". Points: measured stops with 95 % bars; lines and bands: the lens's model (or the "
            "interpolation) with its 95 % band."
        )
    best = {value.session: value for value in size.optimum.values}
    listed = "; ".join(
        f"{sessions[curve.session].letter}: highest {words.number(best[curve.session].value)} "
        f"cycles/mm at effective f/{words.number(best[curve.session].effective_f_number)}, "
        f"measured from f/{words.number(curve.effective_f_number[0])} to "
        f"f/{words.number(curve.effective_f_number[-1])}"
        for curve in size.curves
    )
    return (
        finding + key,
        f"Curves of object-side MTF50 against the effective f-number at {at}. {listed}.",
    )
