"""How does sharpness run from the centre of the field to its corners? One figure, as SVG text.

A panel a stop, every place of the chart at its way from centre to corner: what it keeps of the
centre's MTF50, for contrast along the radius and along the circle. Each place is at its own
best focus: what a curved field or a tilted target adds is not in it. Nothing is measured here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from lab.inference.results import FieldPoint, LensSeries, LensStop
from reports import drawing, words
from reports.drawing import PALETTE, Drawing
from reports.field_words import place_words, radius_percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_field"]

_HALF95 = 1.96  # standard uncertainties
_LEAST_SPAN = 24.0  # percent, about the middle: smaller differences look as small as they are
_MOST_SPAN = 150.0  # percent: an absurd bar runs out of its panel
_FOOT = 0.28  # of a panel's height, for its words
_APART = 1.1  # percent of the way, by which each direction stands off the place: both show
_WAYS = ("radial", "tangential")
_SHIFTS = {"radial": -_APART, "tangential": _APART}
_NAMES = {"radial": "along the radius", "tangential": "along the circle"}
_MARKS: dict[str, dict[str, Any]] = {
    "radial": {"marker": "o", "markersize": 2.4, "color": PALETTE["measured"]},
    "tangential": {
        **{"marker": "s", "markersize": 3.0, "color": PALETTE["ink"]},
        **{"markerfacecolor": PALETTE["paper"], "markeredgewidth": 0.7},
    },
}


@dataclass(frozen=True)
class _Mark:
    """What one place keeps along one direction, with its standard uncertainty. [%]."""

    point: FieldPoint
    way: str
    kept: float
    std: float

    @property
    def ends(self) -> tuple[float, float]:
        return self.kept - _HALF95 * self.std, self.kept + _HALF95 * self.std


def draw_field(series: LensSeries, *, name: str = "field") -> Drawing | None:
    """MTF50 of every place against its way from the centre, one panel a stop.

    Parameters
    ----------
    series : LensSeries
        One magnification.
    name : str
        Prefix of the identifiers in the SVG; distinct within one page.

    Returns
    -------
    Drawing or None
        None where no stop has both a place and the centre.
    """
    from matplotlib.ticker import MaxNLocator

    marks = {one: list(_marks(series, one)) for one in series.stops}
    marks = {stop: found for stop, found in marks.items() if found}
    if not marks:
        return None
    low, high = _span([end for found in marks.values() for mark in found for end in mark.ends])
    ticks = MaxNLocator(4, steps=[1, 2, 5, 10]).tick_values(low, high)
    nearest = _nearest(series, list(marks))
    with drawing.style():
        figure, panels = drawing.panels(
            len(marks), "way from the centre to the corner, %", "MTF50, % of the centre's"
        )
        for axes, (stop, found) in zip(panels, marks.items(), strict=True):
            _plot_stop(axes, stop, found)
            axes.set_xlim(-4, 104)
            axes.set_ylim(low - _FOOT / (1 - _FOOT) * (high - low), high)
            axes.set_xticks([0, 25, 50, 75, 100])
            axes.set_yticks([tick for tick in ticks if low <= tick <= high])
            is_best = stop is nearest and series.optimum_stop is not None
            label = words.marked_stop(stop.marked_stop) + ", nearest the optimum" * is_best
            colour = PALETTE["optimum" if is_best else "ink"]
            axes.text(0.03, 0.16, label, transform=axes.transAxes, weight="bold", color=colour)
            level = f"centre {words.number(stop.mtf50_image_cyc_per_mm)} cycles/mm"
            axes.text(0.03, 0.04, level, transform=axes.transAxes, color=PALETTE["quiet"])
        _key(figure)
        return drawing.drawing(figure, name, *_field_words(series, marks, nearest))


def _marks(series: LensSeries, stop: LensStop) -> Iterator[_Mark]:
    """Every place and direction at a stop, against the centre."""
    level, level_std = stop.mtf50_image_cyc_per_mm, stop.mtf50_std
    if not level > 0:
        return
    for point in series.field:
        for one in point.stops:
            if not math.isclose(one.marked_stop, stop.marked_stop):
                continue
            for way in _WAYS:
                value = getattr(one, f"mtf50_{way}_cyc_per_mm")
                std = getattr(one, f"mtf50_{way}_std")
                # Taken as independent: what both share would make the interval narrower.
                share_std = math.hypot(std, value / level * level_std) / level
                yield _Mark(point, way, 100 * value / level, 100 * share_std)


def _span(ends: Sequence[float]) -> tuple[float, float]:
    """Ends of the axis: all bars and the centre's level, within reason."""
    low, high = min(*ends, 100.0), max(*ends, 100.0)
    high = min(high, 100 + _MOST_SPAN)
    spare = max(0.0, _LEAST_SPAN - (high - low)) / 2
    low, high = max(0.0, low - spare), high + spare
    return low, high + 0.08 * (high - low)


def _nearest(series: LensSeries, stops: Sequence[LensStop]) -> LensStop:
    """The stop nearest to the optimum, without one the sharpest."""
    optimum = series.optimum_stop
    if optimum is None:
        return max(stops, key=lambda one: one.mtf50_image_cyc_per_mm)
    return min(stops, key=lambda one: abs(math.log(one.marked_stop / optimum)))


def _plot_stop(axes: Axes, stop: LensStop, marks: Sequence[_Mark]) -> None:
    half = 100 * _HALF95 * stop.mtf50_std / stop.mtf50_image_cyc_per_mm
    axes.axhspan(100 - half, 100 + half, color=PALETTE["faint"], linewidth=0)
    axes.axhline(100, color=PALETTE["quiet"], linewidth=0.9, dashes=(5, 3), zorder=1.5)
    for way in reversed(_WAYS):
        some = [mark for mark in marks if mark.way == way]
        x = [radius_percent(mark.point) + _SHIFTS[way] for mark in some]
        low, high = zip(*(mark.ends for mark in some), strict=True)
        axes.vlines(x, low, high, color=_MARKS[way]["color"], linewidth=1.0, zorder=2)
        axes.plot(x, [mark.kept for mark in some], linestyle="", **_MARKS[way])


def _key(figure: Figure) -> None:
    """The marks in words, in one line above the panels."""
    height_pt = 72 * figure.get_figheight()
    figure.subplots_adjust(top=1 - 24 / height_pt)
    head = figure.add_axes((0.12, 1 - 20 / height_pt, 0.86, 18 / height_pt))
    head.set_axis_off()
    head.set_xlim(0, 1)
    head.set_ylim(-1, 1)
    for x, way in zip((0.03, 0.41), _WAYS, strict=True):
        head.plot([x], [0], **_MARKS[way])
        head.text(x + 0.03, 0, _NAMES[way], va="center_baseline", color=_MARKS[way]["color"])
    head.plot([0.77, 0.83], [0, 0], color=PALETTE["quiet"], linewidth=0.9, dashes=(5, 3))
    head.text(0.85, 0, "centre", va="center_baseline", color=PALETTE["quiet"])


def _field_words(
    series: LensSeries, marks: dict[LensStop, list[_Mark]], nearest: LensStop
) -> tuple[str, str]:
    where = words.magnification_words(series.magnification)
    weakest = min(marks[nearest], key=lambda mark: mark.kept)
    finding = (
        f"Least of the centre's MTF50 that a place keeps at {where} and "
        f"{words.marked_stop(nearest.marked_stop)}: {_where(weakest)} of the way to the corner."
    )
    ways = [radius_percent(point) for point in series.field]
    first, last = words.number(min(ways), 0), words.number(max(ways), 0)
    key = (
        f" Places lie {first if first == last else f'{first} to {last}'} % of the way to the "
        "corner, each at its own best focus, with 95 % bars: dots, contrast along the radius; "
        "squares, along the circle; grey dashes: the centre by the model of the lens, with its "
        "95 % band."
    )
    listed = " ".join(
        f"{words.marked_stop(stop.marked_stop)}: centre by the model "
        f"{words.number(stop.mtf50_image_cyc_per_mm)} cycles/mm; least kept "
        f"{_where(min(found, key=lambda mark: mark.kept))}."
        for stop, found in marks.items()
    )
    alternative = (
        f"{len(marks)} graphs, one for each stop, of the share of the centre's MTF50 that "
        f"{len(series.field)} places of the field keep at {where}, against their way from the "
        f"centre to the corner. {listed}"
    )
    return finding + key, alternative


def _where(mark: _Mark) -> str:
    span = words.interval_words(*mark.ends, 1)
    return (
        f"{words.number(mark.kept, 1)} % (95 % interval {span}) {_NAMES[mark.way]} at "
        f"{place_words(mark.point)}"
    )
