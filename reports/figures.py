"""What does each stop of a series look like? Two figures of panels, as SVG text.

``draw_mtf``: the MTF curve of each stop. ``draw_focus``: each stop's
through-focus bracket. Each comes with a caption that states the finding and its
uncertainty and with a text alternative; a figure with nothing to show is None.
MTF50 against the stops is in ``reports.stops_figure``.

Colours are those of ``PALETTE``, each with one meaning, so a page can map them to
its dark scheme. Nothing is measured here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from lab.inference.results import SeriesResult, StopPoint
from reports import drawing, words
from reports.drawing import PALETTE, Drawing

FloatArray = npt.NDArray[np.float64]

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_focus", "draw_mtf"]


def draw_mtf(series: SeriesResult, *, name: str = "mtf") -> Drawing | None:
    """The MTF curve of each stop beside predicted diffraction, one panel a stop.

    Parameters
    ----------
    series : SeriesResult
        One magnification.
    name : str
        Prefix of the identifiers in the SVG; distinct within one page.

    Returns
    -------
    Drawing or None
        None when no stop holds a curve.
    """
    points = [p for p in series.points if p.mtf]
    if not points:
        return None
    top = max(max(p.frequency_image_cyc_per_mm) for p in points)
    with drawing.style():
        figure, panels = drawing.panels(len(points), "image-side frequency, cycles/mm", "MTF")
        for index, (axes, point) in enumerate(zip(panels, points, strict=True)):
            # The last panel closes down furthest, which leaves room for the labels.
            _plot_mtf(axes, point, labelled=index == len(points) - 1)
            axes.set_xlim(0, top)
        return drawing.drawing(figure, name, *_mtf_words(series, points, top))


def draw_focus(series: SeriesResult, *, name: str = "focus") -> Drawing | None:
    """The through-focus bracket of each stop, one panel a stop.

    A bracket in which any frame lacks a position is drawn in order of file.
    Parameters and return as for `draw_mtf`.
    """
    points = [
        p
        for p in series.points
        if any(words.is_known(s.mtf50_image_cyc_per_mm) for s in p.focus_samples)
    ]
    if not points:
        return None
    placed = [_has_positions(p) for p in points]
    known = [
        (s.mtf50_image_cyc_per_mm, s.mtf50_std if words.is_known(s.mtf50_std) else 0.0)
        for p in points
        for s in p.focus_samples
        if words.is_known(s.mtf50_image_cyc_per_mm)
    ]
    # The axis follows the values: an absurd bar runs out of its panel.
    highest = max(value for value, _ in known)
    top = 1.12 * max(min(value + std, 1.5 * highest) for value, std in known)
    x_label = {
        (True,): "object-side focus position, µm",
        (False,): "frame, in order of file",
        (False, True): "object-side focus position, µm; or frame, in order of file",
    }[tuple(sorted(set(placed)))]
    with drawing.style():
        figure, panels = drawing.panels(
            len(points), x_label, "image-side MTF50, cycles/mm", share=False
        )
        for axes, point in zip(panels, points, strict=True):
            _plot_focus(axes, point, ticks=3 if len(points) <= 8 else 2)
            axes.set_ylim(0, top)
            if any(placed) and not _has_positions(point):
                axes.text(0.03, 0.95, "by order of file", transform=axes.transAxes, va="top")
        return drawing.drawing(figure, name, *_focus_words(series, points, placed))


def _plot_mtf(axes: Axes, point: StopPoint, *, labelled: bool) -> None:
    frequency = np.array(point.frequency_image_cyc_per_mm)
    mtf = np.array(point.mtf)
    if point.mtf_std:
        std = np.array(point.mtf_std)
        axes.fill_between(frequency, mtf - std, mtf + std, color=PALETTE["spread"], linewidth=0)
    axes.plot(frequency, point.diffraction_mtf, color=PALETTE["quiet"], lw=1.0, dashes=(5, 3))
    axes.plot(frequency, mtf, color=PALETTE["measured"], linewidth=1.3)
    if words.is_known(point.mtf50_image_cyc_per_mm):
        axes.vlines(point.mtf50_image_cyc_per_mm, 0, 0.5, color=PALETTE["optimum"], linewidth=1.0)
    axes.set_ylim(0, 1.05)
    axes.set_yticks([0, 0.5, 1], ["0", "0.5", "1"])
    heading = f"{words.marked_stop(point.marked_stop)}"
    axes.text(0.97, 0.93, heading, transform=axes.transAxes, ha="right", va="top", weight="bold")
    if labelled:
        rows = (("measured", "measured"), ("diffraction", "quiet"), ("MTF50", "optimum"))
        for row, (label, colour) in enumerate(rows):
            axes.text(
                0.97,
                0.76 - 0.13 * row,
                label,
                transform=axes.transAxes,
                ha="right",
                va="top",
                color=PALETTE[colour],
            )


def _plot_focus(axes: Axes, point: StopPoint, *, ticks: int) -> None:
    samples = point.focus_samples
    placed = _has_positions(point)
    x = np.array(
        [
            s.focus_position_um if placed and s.focus_position_um is not None else rank
            for rank, s in enumerate(samples, start=1)
        ],
        dtype=float,
    )
    y = np.array([s.mtf50_image_cyc_per_mm for s in samples])
    std = np.nan_to_num(np.array([s.mtf50_std for s in samples]))
    used = np.array([s.used for s in samples])
    if placed and point.focus_curve_um:
        axes.plot(
            point.focus_curve_um, point.focus_curve_mtf50, color=PALETTE["measured"], linewidth=1.2
        )
    if placed and point.best_focus_um is not None and math.isfinite(point.best_focus_um):
        axes.axvline(point.best_focus_um, ymax=0.1, color=PALETTE["optimum"], linewidth=1.6)
    for chosen, face in ((used, PALETTE["measured"]), (~used, PALETTE["paper"])):
        axes.vlines(
            x[chosen],
            (y - std)[chosen],
            (y + std)[chosen],
            color=PALETTE["measured"],
            linewidth=1.0,
        )
        axes.plot(
            x[chosen],
            y[chosen],
            "o",
            markersize=3.4,
            markerfacecolor=face,
            markeredgecolor=PALETTE["measured"],
            markeredgewidth=0.9,
        )
    axes.margins(x=0.08)
    axes.locator_params(axis="x", nbins=ticks, integer=not placed, steps=[1, 2, 5, 10])
    axes.locator_params(axis="y", nbins=4)
    axes.text(
        0.97,
        0.99,
        words.marked_stop(point.marked_stop),
        transform=axes.transAxes,
        ha="right",
        va="top",
        weight="bold",
    )


def _mtf_words(series: SeriesResult, points: Sequence[StopPoint], top: float) -> tuple[str, str]:
    best = words.recommended_point(series)
    shown = best if best in points else points[0]
    assert shown is not None
    finding = (
        f"At {words.magnification_words(series.magnification)} and "
        f"{words.marked_stop(shown.marked_stop)} the MTF of lens and pixel together falls to one "
        f"half at {words.mtf50_words(shown)}, {words.number(shown.percent_of_diffraction, 0)} % of "
        "predicted diffraction."
    )
    key = (
        " Blue: measured at best focus, with a band of ± 1 standard uncertainty; grey dashes: "
        "predicted diffraction with the pixel; ochre mark: MTF50."
    )
    left_out = [words.marked_stop(p.marked_stop) for p in series.points if not p.mtf]
    gap = f" No curve is stored for {', '.join(left_out)}." if left_out else ""
    listed = "; ".join(
        f"{words.marked_stop(p.marked_stop)}: MTF50 {words.mtf50_words(p)}" for p in points
    )
    alternative = (
        f"{len(points)} graphs of MTF against frequency up to {top:.0f} cycles/mm, one for each "
        f"stop, all falling from 1. {listed}."
    )
    return finding + key + gap, alternative


def _focus_words(
    series: SeriesResult, points: Sequence[StopPoint], placed: Sequence[bool]
) -> tuple[str, str]:
    best = words.recommended_point(series)
    shown = best if best in points else points[0]
    assert shown is not None
    finding = (
        f"At {words.magnification_words(series.magnification)} and "
        f"{words.marked_stop(shown.marked_stop)} the bracket peaks at {words.mtf50_words(shown)}"
    )
    if words.is_known(shown.best_focus_um):
        finding += f", with best focus at {words.number(shown.best_focus_um, 0)} µm"
    key = ". Filled: used; " + "".join(
        f"{reason}; "
        for fitted, reason in (
            (True, "open: too far down the flank to shape the peak"),
            (False, "open where no curve was fitted: less sharp than the frame used"),
        )
        if any(
            bool(p.focus_curve_um) == fitted and not all(s.used for s in p.focus_samples)
            for p in points
        )
    )
    key += "bars ± 1 standard uncertainty"
    if any(placed):
        key += "; line: fitted curve; ochre tick: best focus"
    unplaced = [
        words.marked_stop(p.marked_stop)
        for p, known in zip(points, placed, strict=True)
        if not known
    ]
    if unplaced:
        key += (
            f". Focus positions are unknown at {', '.join(unplaced)}: "
            "those frames stand in order of file, not of focus"
        )
    listed = "; ".join(
        f"{words.marked_stop(p.marked_stop)}: {len(p.focus_samples)} frames, "
        f"{sum(s.used for s in p.focus_samples)} used, peak {words.mtf50_words(p)}, best focus "
        + (
            f"{words.number(p.best_focus_um, 0)} µm"
            if words.is_known(p.best_focus_um)
            else "position unknown"
        )
        for p in points
    )
    return finding + key + ".", f"{len(points)} graphs of MTF50 through focus. {listed}."


def _has_positions(point: StopPoint) -> bool:
    return all(words.is_known(s.focus_position_um) for s in point.focus_samples)
