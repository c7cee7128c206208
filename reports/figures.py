"""What does a series look like? Three figures, as SVG text.

``draw_stops``: MTF50 against the marked stop over predicted diffraction.
``draw_mtf``: the MTF curve of each stop. ``draw_focus``: each stop's
through-focus bracket. Each comes with a caption that states the finding and its
uncertainty and with a text alternative; a figure with nothing to show is None.

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

__all__ = ["draw_focus", "draw_mtf", "draw_stops"]


def draw_stops(series: SeriesResult, *, name: str = "stops") -> Drawing | None:
    """MTF50 against the marked stop, with the optimum and predicted diffraction.

    Stops sit at their exact values on a log2 axis, so one stop is one step.

    Parameters
    ----------
    series : SeriesResult
        One magnification.
    name : str
        Prefix of the identifiers in the SVG; distinct within one page.

    Returns
    -------
    Drawing or None
        None when no stop holds an MTF50.
    """
    points = [p for p in series.points if words.has_mtf50(p)]
    if not points:
        return None
    with drawing.style():
        figure = drawing.figure(drawing.WIDTH_IN, 3.5)
        axes = figure.add_axes((0.125, 0.14, 0.74, 0.76))
        _plot_stops(axes, series, points)
        return drawing.drawing(figure, name, *_stops_words(series, points))


def draw_mtf(series: SeriesResult, *, name: str = "mtf") -> Drawing | None:
    """The MTF curve of each stop beside predicted diffraction, one panel a stop.

    Parameters and return as for `draw_stops`.
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
    Parameters and return as for `draw_stops`.
    """
    points = [
        p
        for p in series.points
        if any(words.is_known(s.mtf50_image_cyc_per_mm) for s in p.focus_samples)
    ]
    if not points:
        return None
    placed = [_has_positions(p) for p in points]
    top = 1.12 * max(
        s.mtf50_image_cyc_per_mm + (s.mtf50_std if words.is_known(s.mtf50_std) else 0.0)
        for p in points
        for s in p.focus_samples
        if words.is_known(s.mtf50_image_cyc_per_mm)
    )
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


def _plot_stops(axes: Axes, series: SeriesResult, points: Sequence[StopPoint]) -> None:
    x = np.log2([p.exact_stop for p in points])
    y = np.array([p.mtf50_image_cyc_per_mm for p in points])
    low95 = np.array([p.mtf50_low95 for p in points])
    high95 = np.array([p.mtf50_high95 for p in points])
    x_low, x_high = x.min() - 0.3, x.max() + 0.3
    y_top = 1.1 * float(np.nanmax(np.fmax(y, high95)))
    curve_x = np.log2(series.curve_stop) if series.curve_stop else x
    diffraction = (
        np.array(series.curve_diffraction_mtf50_image_cyc_per_mm)
        if series.curve_stop
        else np.array([p.diffraction_mtf50_image_cyc_per_mm for p in points])
    )
    # Wide open, diffraction soars out of reach: keep the measured points large.
    y_top = max(y_top, min(1.08 * float(np.nan_to_num(diffraction).max()), 1.7 * y_top))
    axes.set_xlim(x_low, x_high)
    axes.set_ylim(0, y_top)

    optimum = series.optimum_stop
    if optimum is not None and math.isfinite(optimum):
        _plot_optimum(axes, series, math.log2(optimum))
    axes.plot(
        curve_x,
        diffraction,
        color=PALETTE["quiet"],
        linewidth=1.1,
        dashes=(5, 3),
        marker="_" if len(curve_x) == 1 else "",
        markersize=14,
    )
    if series.curve_stop:
        axes.plot(
            curve_x, series.curve_mtf50_image_cyc_per_mm, color=PALETTE["measured"], linewidth=1.4
        )
    axes.vlines(x, low95, high95, color=PALETTE["measured"], linewidth=1.4)
    axes.plot(x, y, "o", color=PALETTE["measured"], markersize=4, clip_on=False)
    _plot_deepest(axes, series, points)

    at = _label_index(series, curve_x, diffraction / y_top, room=0.45 * (x_high - x_low))
    axes.annotate(
        "predicted diffraction\nwith the pixel",
        (curve_x[at], min(diffraction[at], y_top)),
        xytext=(9, 3),
        textcoords="offset points",
        color=PALETTE["quiet"],
        va="bottom",
        linespacing=1.15,
    )
    _label_measured(axes, series, x, np.fmin(y, low95))
    ticks = _spaced(list(x), 0.09 * (x_high - x_low))
    axes.set_xticks(x[ticks], [f"{points[i].marked_stop:g}" for i in ticks])
    axes.set_xlabel("marked stop")
    axes.set_ylabel("image-side MTF50, cycles/mm")
    _object_axis(axes, points)


def _label_measured(axes: Axes, series: SeriesResult, x: FloatArray, low95: FloatArray) -> None:
    """Name the points in the free place under them, clear of the optimum's band."""
    left, right = axes.get_xlim()
    room = 0.27 * (right - left)
    low, high = series.optimum_low95, series.optimum_high95
    if low is None or not math.isfinite(low) or math.log2(low) - left > room:
        at, side, shift = 0, "left", -8
    else:
        past = math.log2(high) if high is not None and math.isfinite(high) else left
        fits = np.flatnonzero(x - past > room)
        at, side, shift = (int(fits[0]) if fits.size else len(x) - 1), "right", 2
    axes.annotate(
        "measured,\n95 % bars",
        (x[at], low95[at]),
        xytext=(shift, -7),
        textcoords="offset points",
        color=PALETTE["measured"],
        ha=side,
        va="top",
        linespacing=1.15,
    )


def _label_index(series: SeriesResult, x: FloatArray, height: FloatArray, *, room: float) -> int:
    """Where on the diffraction curve its label starts.

    The curve falls to the right, so the place above it is free: take the first
    sample well inside the panel, past the optimum's band if ``room`` is left.
    """
    high95 = series.optimum_high95
    past = math.log2(high95) if high95 is not None and math.isfinite(high95) else -math.inf
    inside = np.flatnonzero(height < 0.85)
    clear = inside[(x[inside] > past) & (x[inside] < x[-1] - room)]
    for candidates in (clear, inside):
        if candidates.size:
            return int(candidates[0])
    return len(x) - 1


def _plot_optimum(axes: Axes, series: SeriesResult, x: float) -> None:
    low95, high95 = series.optimum_low95, series.optimum_high95
    left, right = axes.get_xlim()
    if words.is_known(low95) or words.is_known(high95):
        band_left = math.log2(low95) if low95 is not None and math.isfinite(low95) else left
        band_right = math.log2(high95) if high95 is not None and math.isfinite(high95) else right
        axes.axvspan(
            max(band_left, left), min(band_right, right), color=PALETTE["band"], linewidth=0
        )
    axes.axvline(x, ymin=0.1, color=PALETTE["optimum"], linewidth=1.0)
    share = (x - left) / (right - left)
    axes.annotate(
        f"optimum {words.estimated_stop(series.optimum_stop)} (95 %: {words.stop_span(series)})",
        (min(max(share, 0.3), 0.7), 1.0),
        xycoords="axes fraction",
        xytext=(0, 5),
        textcoords="offset points",
        ha="center",
        color=PALETTE["optimum"],
    )


def _plot_deepest(axes: Axes, series: SeriesResult, points: Sequence[StopPoint]) -> None:
    stop = series.deepest_sharp_stop
    if stop is None or not math.isfinite(stop):
        return
    exact = [p.exact_stop for p in points if math.isclose(p.marked_stop, stop, rel_tol=1e-6)]
    x = math.log2(exact[0] if exact else stop)
    axes.plot(
        [x],
        [0],
        marker=6,  # caret up, its tip on the axis
        color=PALETTE["ink"],
        markersize=7,
        clip_on=False,
        zorder=5,
    )
    left, right = axes.get_xlim()
    flip = (x - left) / (right - left) > 0.55
    axes.annotate(
        f"deepest sharp stop {words.stop_words(series, stop)}",
        (x, 0),
        xytext=(-7 if flip else 7, 4),
        textcoords="offset points",
        ha="right" if flip else "left",
        va="bottom",
    )


def _object_axis(axes: Axes, points: Sequence[StopPoint]) -> None:
    """Right axis, object side: the records' own ratio of object to image side."""
    ratio = points[0].mtf50_object_cyc_per_mm / points[0].mtf50_image_cyc_per_mm
    if not (math.isfinite(ratio) and ratio > 0):
        return
    right = axes.secondary_yaxis(
        "right", functions=(lambda y: np.multiply(y, ratio), lambda y: np.divide(y, ratio))
    )
    right.set_ylabel("object-side MTF50, cycles/mm")
    right.spines["right"].set_visible(True)


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


def _stops_words(series: SeriesResult, points: Sequence[StopPoint]) -> tuple[str, str]:
    where = words.magnification_words(series.magnification)
    best = words.recommended_point(series)
    assert best is not None
    if words.is_known(series.optimum_stop):
        finding = (
            f"At {where} sharpness peaks at {words.estimated_stop(series.optimum_stop)} "
            f"(95 % interval {words.stop_span(series)}); {words.marked_stop(best.marked_stop)}, "
            f"the nearest stop measured, gives {_mtf50_words(best)}."
        )
    else:
        finding = (
            f"At {where} the peak is not bracketed by the stops measured; the sharpest of them, "
            f"{words.marked_stop(best.marked_stop)}, gives {_mtf50_words(best)}."
        )
    curve = ", and the smooth curve through them" if series.curve_stop else ""
    band = "; ochre: optimum and its interval" if words.is_known(series.optimum_stop) else ""
    key = (
        f" Points: peak of each stop's focus bracket, with 95 % bars{curve}; grey dashes: "
        f"predicted diffraction with the pixel{band}."
    )
    listed = "; ".join(
        f"{words.marked_stop(p.marked_stop)}: {_mtf50_words(p)}, diffraction "
        f"{words.number(p.diffraction_mtf50_image_cyc_per_mm)}"
        for p in points
    )
    deepest = words.stop_words(series, series.deepest_sharp_stop)
    alternative = (
        f"Graph of MTF50 on the sensor against the marked stop. {listed}. Optimum "
        f"{words.estimated_stop(series.optimum_stop)}, 95 % interval {words.stop_span(series)}; "
        f"deepest sharp stop {deepest}."
    )
    return finding + key, alternative


def _mtf_words(series: SeriesResult, points: Sequence[StopPoint], top: float) -> tuple[str, str]:
    best = words.recommended_point(series)
    shown = best if best in points else points[0]
    assert shown is not None
    finding = (
        f"At {words.magnification_words(series.magnification)} and "
        f"{words.marked_stop(shown.marked_stop)} the MTF of lens and pixel together falls to one "
        f"half at {_mtf50_words(shown)}, {words.number(shown.percent_of_diffraction, 0)} % of "
        "predicted diffraction."
    )
    key = (
        " Blue: measured at best focus, with a band of ± 1 standard uncertainty; grey dashes: "
        "predicted diffraction with the pixel; ochre mark: MTF50."
    )
    left_out = [words.marked_stop(p.marked_stop) for p in series.points if not p.mtf]
    gap = f" No curve is stored for {', '.join(left_out)}." if left_out else ""
    listed = "; ".join(
        f"{words.marked_stop(p.marked_stop)}: MTF50 {_mtf50_words(p)}" for p in points
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
        f"{words.marked_stop(shown.marked_stop)} the bracket peaks at {_mtf50_words(shown)}"
    )
    if words.is_known(shown.best_focus_um):
        finding += f", with best focus at {words.number(shown.best_focus_um, 0)} µm"
    key = ". Filled: used, open: left out, bars ± 1 standard uncertainty"
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
        f"{sum(s.used for s in p.focus_samples)} used, peak {_mtf50_words(p)}, best focus "
        + (
            f"{words.number(p.best_focus_um, 0)} µm"
            if words.is_known(p.best_focus_um)
            else "position unknown"
        )
        for p in points
    )
    return finding + key + ".", f"{len(points)} graphs of MTF50 through focus. {listed}."


def _mtf50_words(point: StopPoint) -> str:
    digits = words.decimals([point.mtf50_std])
    return (
        f"{words.number(point.mtf50_image_cyc_per_mm, digits)} cycles/mm (95 % interval "
        f"{words.interval_words(point.mtf50_low95, point.mtf50_high95, digits)})"
    )


def _has_positions(point: StopPoint) -> bool:
    return all(words.is_known(s.focus_position_um) for s in point.focus_samples)


def _spaced(positions: Sequence[float], gap: float) -> list[int]:
    """Indices whose positions stand at least ``gap`` apart, from the first."""
    kept = [0]
    for index in range(1, len(positions)):
        if positions[index] - positions[kept[-1]] >= gap:
            kept.append(index)
    return kept
