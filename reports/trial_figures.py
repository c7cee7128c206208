"""How sharp were a trial's frames, and how many are keepers? Two figures, as SVG text.

``draw_sharpness``: every frame a point, by condition. ``draw_keepers``: the share of
keepers with its interval. A row a condition, its name above it, so that long names find
room. The two about movement are in ``reports.trial_movement``. Nothing is measured here.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from lab.inference.trial_records import TrialCondition, TrialFrame, TrialResult
from reports import drawing, trial_words, words
from reports.drawing import PALETTE, Drawing

FloatArray = npt.NDArray[np.float64]

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["any_script", "draw_keepers", "draw_sharpness", "place_dots"]

_PT = 72.0  # points in an inch
_SHARP_ROW_PT = 57.0
_KEEPER_ROW_PT = 33.0
_DOT_PT = 4.0
_GAP_PT = 5.0  # between the centres of dots that stand side by side
_BAND_PT = 15.0  # to either side of a row's middle that its dots may take
_OVER = {"facecolor": PALETTE["paper"], "edgecolor": "none", "pad": 0.8}  # hides what it crosses
_LANE = 0.13  # width of the lane of frames too blurred to measure, of the sharpest frame


def draw_sharpness(result: TrialResult, *, name: str = "sharpness") -> Drawing:
    """Every frame's MTF50, a row a condition, with median, its interval and the limit.

    Parameters
    ----------
    result : TrialResult
    name : str
        Prefix of the identifiers in the SVG; distinct within one page.
    """
    rows = result.conditions
    of = {c.name: [f for f in result.frames if f.condition == c.name] for c in rows}
    known = [v for f in result.frames if (v := f.mtf50_image_cyc_per_mm) is not None]
    limit = result.limit_mtf50_image_cyc_per_mm
    top = 1.06 * max([*known, limit])
    has_lane = any(f.mtf50_image_cyc_per_mm is None for some in of.values() for f in some)
    lane = _LANE * top if has_lane else 0.02 * top
    with drawing.style(), any_script():
        height_pt = _SHARP_ROW_PT * len(rows)
        picture, axes = _rows(height_pt, 17.0, 44.0 if has_lane else 34.0)
        axes.set_xlim(-lane, top)
        width_pt = _PT * drawing.WIDTH_IN * axes.get_position().width
        per_unit = width_pt / (top + lane)
        _plot_limit(axes, limit, top)
        for index, condition in enumerate(rows):
            y = _SHARP_ROW_PT * index
            _heading(axes, y + 13, condition.name)
            _plot_dots(axes, of[condition.name], y + 33, per_unit, lane)
            _plot_median(axes, condition, y + 33, y + 13)
        if has_lane:
            axes.axvline(0, color=PALETTE["quiet"], linewidth=0.8)
            axes.annotate(
                "too blurred\nto measure",
                (0.0, 0.0),
                xycoords="axes fraction",
                xytext=(0, -17),
                textcoords="offset points",
                va="top",
                linespacing=1.1,
            )
        axes.spines["bottom"].set_bounds(0, top)
        axes.set_xlabel("image-side MTF50, cycles/mm", loc="right")
        axes.set_xticks([t for t in axes.get_xticks() if 0 <= t <= top])
        return drawing.drawing(picture, name, *_sharpness_words(result, rows))


def draw_keepers(result: TrialResult, *, name: str = "keepers") -> Drawing:
    """Share of keepers with its 95 % interval, and the frames needed for one.

    Parameters as for `draw_sharpness`.
    """
    rows = result.conditions
    with drawing.style(), any_script():
        picture, axes = _rows(_KEEPER_ROW_PT * len(rows), 17.0, 34.0, right=0.69)
        axes.set_xlim(0, 100)
        axes.annotate(
            "frames for one keeper",
            (0.995, 1.0),
            xycoords=("figure fraction", "axes fraction"),
            xytext=(0, 5),
            textcoords="offset points",
            ha="right",
            color=PALETTE["quiet"],
        )
        for index, c in enumerate(rows):
            y = _KEEPER_ROW_PT * index
            _heading(axes, y + 13, c.name)
            share = 100 * c.share
            axes.barh(y + 24, share, height=9, color=PALETTE["spread"], linewidth=0)
            ends = [100 * c.share_low95, 100 * c.share_high95]
            axes.plot(ends, [y + 24] * 2, color=PALETTE["measured"], linewidth=1.6)
            axes.plot([share], [y + 24], "o", color=PALETTE["measured"], ms=5, clip_on=False)
            axes.annotate(
                trial_words.frames_for_one_words(c),
                (0.995, y + 24),
                xycoords=("figure fraction", "data"),
                ha="right",
                va="center_baseline",
            )
        axes.set_xlabel("keepers, % of frames")
        return drawing.drawing(picture, name, *_keeper_words(result, rows))


def place_dots(x_pt: FloatArray, *, gap_pt: float, band_pt: float) -> FloatArray:
    """Heights that keep dots from hiding each other: the same dots, the same heights.

    Parameters
    ----------
    x_pt : ndarray, (n,)
        Where they stand. [pt]
    gap_pt : float
        Least distance of two centres, as long as the band has room. [pt], > 0
    band_pt : float
        Most that a dot may stand off the middle. [pt], > 0

    Returns
    -------
    ndarray, (n,)
        Off the middle, the least that is free; where none is, the place furthest from
        the others. [pt], -band_pt to band_pt
    """
    steps = np.arange(0, band_pt + 1e-9, gap_pt / 2)
    choices = np.unique(np.concatenate([steps, -steps]))
    choices = choices[np.lexsort((choices < 0, np.abs(choices)))]  # nearest first
    heights = np.zeros(len(x_pt))
    placed: list[int] = []
    for k in np.argsort(x_pt, kind="stable"):
        if placed:
            across = x_pt[placed] - x_pt[k]
            up = heights[placed] - choices[:, np.newaxis]
            nearest = np.min(np.hypot(across, up), axis=1)
            free = np.flatnonzero(nearest >= gap_pt - 1e-9)
            heights[k] = choices[free[0] if free.size else int(np.argmax(nearest))]
        placed.append(int(k))
    return heights


@contextmanager
def any_script() -> Iterator[None]:
    """Lets a name hold letters that the layout's font lacks: the reader's font has them."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing from font")
        yield


def _rows(
    height_pt: float, above_pt: float, below_pt: float, *, right: float = 0.97
) -> tuple[Figure, Axes]:
    """A panel whose vertical unit is the point, counted downwards from its top."""
    whole_pt = above_pt + height_pt + below_pt
    picture = drawing.figure(drawing.WIDTH_IN, whole_pt / _PT)
    axes = picture.add_axes((0.025, below_pt / whole_pt, right - 0.025, height_pt / whole_pt))
    axes.set_ylim(height_pt, 0)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    return picture, axes


def _plot_limit(axes: Axes, limit: float, top: float) -> None:
    axes.axvline(limit, color=PALETTE["optimum"], linewidth=1.1, dashes=(5, 3))
    axes.annotate(
        f"keepers from {words.number(limit)}",
        (limit, 0),
        xytext=(0, 4),
        textcoords="offset points",
        ha="right" if limit > 0.6 * top else "center",
        color=PALETTE["optimum"],
    )


def _heading(axes: Axes, y: float, name: str) -> None:
    axes.annotate(
        name,
        (0.0, y),
        xycoords=("axes fraction", "data"),
        weight="bold",
        va="baseline",
        parse_math=False,
        bbox=_OVER,
    )


def _plot_dots(
    axes: Axes, frames: Sequence[TrialFrame], y: float, per_unit: float, lane: float
) -> None:
    x = np.array([v for f in frames if (v := f.mtf50_image_cyc_per_mm) is not None])
    keeps = np.array([f.is_keeper for f in frames if f.mtf50_image_cyc_per_mm is not None], bool)
    off = place_dots(x * per_unit, gap_pt=_GAP_PT, band_pt=_BAND_PT)
    for chosen, face in ((keeps, PALETTE["measured"]), (~keeps, PALETTE["paper"])):
        axes.plot(
            x[chosen],
            y + off[chosen],
            "o",
            markersize=_DOT_PT,
            markerfacecolor=face,
            markeredgecolor=PALETTE["measured"],
            markeredgewidth=0.9,
            clip_on=False,
        )
    lost = len(frames) - len(x)
    if lost:
        places = np.full(lost, -lane / 2)
        rows = int(2 * _BAND_PT // _GAP_PT) + 1
        column, row = np.divmod(np.arange(lost), rows)
        columns = int(column.max()) + 1
        step = min(_GAP_PT / per_unit, 0.9 * lane / columns)
        axes.plot(
            places + (column - (columns - 1) / 2) * step,
            y + (row - (min(lost, rows) - 1) / 2) * _GAP_PT,
            "x",
            markersize=_DOT_PT,
            markeredgewidth=1.0,
            color=PALETTE["ink"],
            clip_on=False,
        )


def _plot_median(axes: Axes, c: TrialCondition, y: float, label_y: float) -> None:
    median = c.median_mtf50_image_cyc_per_mm
    if median is None:
        return
    foot = y + _BAND_PT + 5
    axes.annotate(
        f"median {words.number(median)}",
        (1.0, label_y),
        xycoords=("axes fraction", "data"),
        ha="right",
        va="baseline",
        bbox=_OVER,
    )
    axes.plot([median] * 2, [y - _BAND_PT, foot], color=PALETTE["ink"], linewidth=1.4, zorder=1)
    if c.median_high95 is not None:
        low = c.median_low95 or 0.0  # unknown: among the frames too blurred to be measured
        axes.plot([low, c.median_high95], [foot] * 2, color=PALETTE["ink"], linewidth=2.4)


def _sharpness_words(result: TrialResult, rows: Sequence[TrialCondition]) -> tuple[str, str]:
    known = [c for c in rows if c.median_mtf50_image_cyc_per_mm is not None]
    best = max(known, key=lambda c: c.median_mtf50_image_cyc_per_mm or 0.0, default=None)
    finding = (
        ""
        if best is None
        else f"Sharpest: {best.name}, {trial_words.median_words(best)} cycles/mm. "
    )
    lost = sum(c.frames - c.measured for c in rows)
    caption = (
        f"{finding}A point for each frame, filled where it is a keeper; ink: median, and below "
        "the points its 95 % interval; ochre dashes: the least that a keeper shows."
    )
    if lost:
        caption += f" Crosses at the foot of the scale: {lost} too blurred to be measured."
    listed = "; ".join(
        f"{c.name}: {c.measured} of {c.frames} frames measured, {trial_words.median_words(c)}"
        for c in rows
    )
    limit = words.number(result.limit_mtf50_image_cyc_per_mm)
    return caption, (
        f"Dots of MTF50 on the sensor, in cycles/mm, for {len(rows)} conditions, with the keepers' "
        f"limit at {limit}. {listed}."
    )


def _keeper_words(result: TrialResult, rows: Sequence[TrialCondition]) -> tuple[str, str]:
    most = max(rows, key=lambda c: c.share)
    finding = trial_words.keeper_sentences(result)[result.conditions.index(most)]
    caption = (
        f"{words.capital(finding)} Bars and points: share of keepers, with its 95 % interval as a "
        "line; figures: how many frames to shoot to be 95 % sure of one keeper, and what that is "
        "at the ends of the interval."
    )
    listed = " ".join(trial_words.keeper_sentences(result))
    return caption, f"Bars of the share of keepers for {len(rows)} conditions. {listed}"
