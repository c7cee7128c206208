"""How does MTF50 run over the stops of one magnification? One figure, as SVG text.

Stops sit at their exact values on a log2 axis, so one stop is one step. The axes
follow the values: an absurd interval runs out of the panel instead of flattening
it. A label that finds no free place is left out; the caption explains every mark.
Nothing is measured here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from lab.inference.results import SeriesResult, StopPoint
from reports import drawing, words
from reports.drawing import PALETTE, Drawing

FloatArray = npt.NDArray[np.float64]

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.transforms import Bbox

    from reports.drawing import Place

__all__ = ["draw_stops"]

_TALLEST_BAR = 1.5  # of the highest value: as much of the bars as the axis makes room for


def draw_stops(series: SeriesResult, *, name: str = "stops") -> Drawing | None:
    """MTF50 against the marked stop, with the optimum and predicted diffraction.

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


def _plot_stops(axes: Axes, series: SeriesResult, points: Sequence[StopPoint]) -> None:
    x = np.log2([p.exact_stop for p in points])
    y = np.array([p.mtf50_image_cyc_per_mm for p in points])
    low95 = np.array([p.mtf50_low95 for p in points])
    high95 = np.array([p.mtf50_high95 for p in points])
    x_low, x_high = x.min() - 0.3, x.max() + 0.3
    y_top = 1.1 * float(np.fmax(y, np.fmin(high95, _TALLEST_BAR * y.max())).max())
    curve_x = np.log2(series.curve_stop) if series.curve_stop else x
    diffraction = (
        np.array(series.curve_diffraction_mtf50_image_cyc_per_mm)
        if series.curve_stop
        else np.array([p.diffraction_mtf50_image_cyc_per_mm for p in points])
    )
    # Wide open, diffraction soars out of reach: keep the measured points large.
    y_top = max(y_top, min(1.08 * float(np.nan_to_num(diffraction).max()), 1.7 * y_top))
    low95, high95 = np.clip(low95, 0, y_top), np.clip(high95, 0, y_top)
    axes.set_xlim(x_low, x_high)
    axes.set_ylim(0, y_top)
    if y_top * max(1, _object_ratio(points) or 1) >= 1000:  # room for four digits on either side
        axes.set_position((0.155, 0.14, 0.685, 0.76))

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
    if series.interpolated_curve_mtf50_image_cyc_per_mm:
        axes.plot(
            curve_x,
            series.interpolated_curve_mtf50_image_cyc_per_mm,
            color=PALETTE["measured"],
            linewidth=0.9,
            dashes=(1, 2),
        )
    axes.vlines(x, low95, high95, color=PALETTE["measured"], linewidth=1.4)
    axes.plot(x, y, "o", color=PALETTE["measured"], markersize=4, clip_on=False)

    low, high = np.fmin(y, low95), np.fmax(y, high95)
    taken = drawing.boxes(axes, x, low, high, 3)
    taken += drawing.boxes(axes, curve_x, diffraction, diffraction, 1)
    if series.curve_stop:
        curve = np.array(series.curve_mtf50_image_cyc_per_mm)
        taken += drawing.boxes(axes, curve_x, curve, curve, 1)
    if optimum is not None and math.isfinite(optimum):
        taken += drawing.boxes(
            axes, np.log2([optimum]), np.array([0.1 * y_top]), np.array([y_top]), 1
        )
    _plot_deepest(axes, series, points, taken)
    room = 0.45 * (x_high - x_low)
    drawing.write_label(
        axes,
        "predicted diffraction\n"
        + ("lies above" if diffraction.min() > y_top else "with the pixel"),
        _diffraction_places(series, curve_x, diffraction / y_top, y_top, room),
        taken,
        color=PALETTE["quiet"],
    )
    drawing.write_label(
        axes,
        "measured,\n95 % bars",
        _measured_places(axes, series, x, low, high),
        taken,
        color=PALETTE["measured"],
    )
    ticks = _spaced(list(x), 0.09 * (x_high - x_low))
    axes.set_xticks(x[ticks], [f"{points[i].marked_stop:g}" for i in ticks])
    axes.set_xlabel("marked stop")
    axes.set_ylabel("image-side MTF50, cycles/mm")
    _object_axis(axes, points)


def _measured_places(
    axes: Axes, series: SeriesResult, x: FloatArray, low: FloatArray, high: FloatArray
) -> Iterable[Place]:
    """Under the points, clear of the optimum's band if there is room; else under or over any."""
    left, right = axes.get_xlim()
    room = 0.27 * (right - left)
    low95, high95 = series.optimum_low95, series.optimum_high95
    if low95 is None or not math.isfinite(low95) or math.log2(low95) - left > room:
        yield (x[0], low[0]), (-8, -7), "left", "top"
    else:
        past = math.log2(high95) if high95 is not None and math.isfinite(high95) else left
        fits = np.flatnonzero(x - past > room)
        at = int(fits[0]) if fits.size else len(x) - 1
        yield (x[at], low[at]), (2, -7), "right", "top"
    for at in range(len(x)):
        for side, shift in (("left", -8), ("right", 8)):
            yield (x[at], low[at]), (shift, -7), side, "top"
            yield (x[at], high[at]), (shift, 7), side, "bottom"
    for at in range(len(x)):
        middle = (low[at] + high[at]) / 2
        yield (x[at], middle), (7, 0), "left", "center"
        yield (x[at], middle), (-7, 0), "right", "center"


def _diffraction_places(
    series: SeriesResult, x: FloatArray, height: FloatArray, y_top: float, room: float
) -> Iterable[Place]:
    """Along the curve: it falls to the right, so the place above it is free.

    First the first sample well inside the panel, past the optimum's band if
    ``room`` is left; ``height`` is a share of the panel.
    """
    high95 = series.optimum_high95
    past = math.log2(high95) if high95 is not None and math.isfinite(high95) else -math.inf
    if height.min() > 1:  # all of the curve is out of reach
        yield from (((at, y_top), (0, -2), "center", "top") for at in x[:: max(1, len(x) // 12)])
    inside = np.flatnonzero(height < 0.85)
    clear = inside[(x[inside] > past) & (x[inside] < x[-1] - room)]
    for k in (*clear[:1], *inside[:: max(1, len(inside) // 12)]):
        yield (x[k], y_top * height[k]), (9, 3), "left", "bottom"
    for k in inside[:: max(1, len(inside) // 12)]:
        yield (x[k], y_top * height[k]), (0, 5), "right", "bottom"
        yield (x[k], y_top * height[k]), (-9, -3), "right", "top"


def _plot_optimum(axes: Axes, series: SeriesResult, x: float) -> None:
    low95, high95 = series.optimum_low95, series.optimum_high95
    left, right = axes.get_xlim()
    if words.is_bracketed(series):
        label = (
            f"optimum {words.estimated_stop(series.optimum_stop)} "
            f"(95 %: {words.stop_span(low95, high95)})"
        )
        if words.is_known(low95) or words.is_known(high95):
            start = math.log2(low95) if low95 is not None and math.isfinite(low95) else left
            end = math.log2(high95) if high95 is not None and math.isfinite(high95) else right
            axes.axvspan(max(start, left), min(end, right), color=PALETTE["band"], linewidth=0)
    else:
        label = f"{words.end_words(series)}; optimum may lie beyond"
    axes.axvline(x, ymin=0.1, color=PALETTE["optimum"], linewidth=1.0)
    share = (x - left) / (right - left) if words.is_bracketed(series) else 0.5
    axes.annotate(
        label,
        (min(max(share, 0.3), 0.7), 1.0),
        xycoords="axes fraction",
        xytext=(0, 5),
        textcoords="offset points",
        ha="center",
        color=PALETTE["optimum"],
    )


def _plot_deepest(
    axes: Axes, series: SeriesResult, points: Sequence[StopPoint], taken: list[Bbox]
) -> None:
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
    sides = [("left", 7), ("right", -7)]
    if (x - left) / (right - left) > 0.55:
        sides.reverse()
    beyond = " or beyond" if words.is_deepest_beyond(series) else ""
    places: list[Place] = [
        ((x, 0), (shift, height), side, "bottom") for height in (4, 16, 28) for side, shift in sides
    ]
    drawing.write_label(
        axes, f"deepest sharp stop {words.stop_words(series, stop)}{beyond}", places, taken
    )


def _object_axis(axes: Axes, points: Sequence[StopPoint]) -> None:
    """Right axis, object side: the records' own ratio of object to image side."""
    ratio = _object_ratio(points)
    if ratio is None:
        return
    right = axes.secondary_yaxis(
        "right", functions=(lambda y: np.multiply(y, ratio), lambda y: np.divide(y, ratio))
    )
    right.set_ylabel("object-side MTF50, cycles/mm")
    right.spines["right"].set_visible(True)


def _object_ratio(points: Sequence[StopPoint]) -> float | None:
    ratio = points[0].mtf50_object_cyc_per_mm / points[0].mtf50_image_cyc_per_mm
    return ratio if math.isfinite(ratio) and ratio > 0 else None


def _stops_words(series: SeriesResult, points: Sequence[StopPoint]) -> tuple[str, str]:
    where = words.magnification_words(series.magnification)
    best = words.recommended_point(series)
    assert best is not None
    if words.is_bracketed(series):
        span = words.stop_span(series.optimum_low95, series.optimum_high95)
        peak = words.estimated_stop(series.optimum_stop)
        finding = (
            f"At {where} sharpness peaks at {peak} (95 % interval {span}); "
            f"{words.marked_stop(best.marked_stop)}, the nearest stop measured, gives "
            f"{words.mtf50_words(best)}."
        )
        optimum = f"Optimum {peak}, 95 % interval {span}"
        band = "; ochre: optimum and its interval"
    else:
        optimum = f"{words.capital(words.end_words(series))}, optimum not bracketed"
        finding = (
            f"At {where} the {words.end_words(series)} gives {words.mtf50_words(best)}; the "
            "optimum may lie beyond the stops measured."
        )
        band = "; ochre: that stop" if words.is_known(series.optimum_stop) else ""
    deepest = f"deepest sharp stop {words.deepest_stop_words(series)}"
    curve = ", and the smooth curve through them" if series.curve_stop else ""
    if series.interpolated_curve_mtf50_image_cyc_per_mm:
        curve = "; line: the model of the lens; dotted: interpolated between the points"
    key = (
        f" Points: peak of each stop's focus bracket, with 95 % bars{curve}; grey dashes: "
        f"predicted diffraction with the pixel{band}."
    )
    listed = "; ".join(
        f"{words.marked_stop(p.marked_stop)}: {words.mtf50_words(p)}, diffraction "
        f"{words.number(p.diffraction_mtf50_image_cyc_per_mm)}"
        for p in points
    )
    alternative = (
        f"Graph of MTF50 on the sensor against the marked stop. {listed}. {optimum}; {deepest}."
    )
    return f"{finding} {words.capital(deepest)}.{key}", alternative


def _spaced(positions: Sequence[float], gap: float) -> list[int]:
    """Indices whose positions stand at least ``gap`` apart, from the first."""
    kept = [0]
    for index in range(1, len(positions)):
        if positions[index] - positions[kept[-1]] >= gap:
            kept.append(index)
    return kept
