"""How much MTF50 is kept at each shutter time? One figure, and how its times are written.

Shutter times sit on a log2 axis, so one stop of light is one step. Each line is one
speed, or one speed with flash; its dot is the slowest safe time. A label that finds no
free place is left out; the alternative says all of them. Nothing is computed here.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Sequence
from itertools import product
from textwrap import fill
from typing import TYPE_CHECKING, Protocol

import numpy as np
import numpy.typing as npt

from reports import drawing
from reports.drawing import PALETTE, Drawing

FloatArray = npt.NDArray[np.float64]

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from reports.drawing import Place

__all__ = ["FORMATS", "ShutterCurve", "draw_shutter", "safe_words", "shutter_file"]

FORMATS = ("svg", "pdf", "png")

_TICKS_S = (1 / 8000, 1 / 2000, 1 / 500, 1 / 125, 1 / 30, 1 / 8, 1 / 2)
_FAST_S, _SLOW_S = 1 / 8000, 1.0
_FRACTION_S = 0.3  # below it times are written as on a shutter
_LOOKS: tuple[tuple[str, tuple[float, ...] | None], ...] = (  # differ in colour and dashes
    ("measured", None),
    ("optimum", (5, 2)),
    ("ink", (6, 2, 1, 2)),
    ("quiet", (1, 1.5)),
)
_LABEL_WIDTHS = (22, 12, 8)  # letters, of a name in the figure; narrower where it must be
_FLAT_PERCENT = 10  # less fall over the slower half leaves a line without a side
_PNG_DPI = 220


class ShutterCurve(Protocol):
    """One line: its name, MTF50 kept over shutter times, and the slowest safe time."""

    @property
    def label(self) -> str:
        """What the line is called."""
        ...

    @property
    def time_s(self) -> tuple[float, ...]:
        """Shutter times. [s], rising."""
        ...

    @property
    def of_sharp(self) -> tuple[float, ...]:
        """Share of the still image's MTF50 at each. [-]."""
        ...

    @property
    def slowest_safe_s(self) -> float | None:
        """Longest time within the loss; 0: none is, None: every time is. [s]."""
        ...


def safe_words(seconds: float | None) -> str:
    """A slowest safe time in two digits, rounded to the safe side.

    Parameters
    ----------
    seconds : float or None
        [s], >= 0; 0 where no time is safe, None where every time is.

    Examples
    --------
    >>> safe_words(1 / 253), safe_words(1 / 4000), safe_words(1.37), safe_words(None)
    ('1/260 s', '1/4000 s', '1.3 s', 'any')
    """
    if seconds is None:
        return "any"
    if seconds == 0:
        return "none"
    value = seconds if seconds >= _FRACTION_S else 1 / seconds
    unit = 10.0 ** (math.floor(math.log10(value)) - 1)
    if seconds >= _FRACTION_S:
        return f"{math.floor(value / unit + 1e-9) * unit:.4g} s"
    return f"1/{math.ceil(value / unit - 1e-9) * unit:.6g} s"


def draw_shutter(
    curves: Sequence[ShutterCurve], *, setting: str, loss_percent: float, name: str = "shutter"
) -> Drawing | None:
    """MTF50 kept against the shutter time, from 1/8000 s to 1 s.

    Parameters
    ----------
    curves : sequence of ShutterCurve
    setting : str
        Magnification and stop in words, above the figure.
    loss_percent : float
        Loss of MTF50 that the slowest safe times stand for. [%]
    name : str
        Prefix of the identifiers in the SVG; distinct within one page.

    Returns
    -------
    Drawing or None
        None where there is no curve.
    """
    if not curves:
        return None
    with drawing.style():
        picture = _picture(curves, setting, loss_percent)
        return drawing.drawing(picture, name, *_words(curves, setting, loss_percent))


def shutter_file(
    curves: Sequence[ShutterCurve], *, setting: str, loss_percent: float, file_format: str
) -> bytes:
    """The same figure as a file's content; the same figure gives the same bytes.

    Parameters
    ----------
    curves, setting, loss_percent
        As for ``draw_shutter``; one curve or more.
    file_format : str
        One of ``FORMATS``.

    Raises
    ------
    ValueError
        If there is no curve, or no such format.
    """
    if file_format not in FORMATS:
        raise ValueError(f"file_format must be one of {FORMATS}")
    drawn = draw_shutter(curves, setting=setting, loss_percent=loss_percent)
    if drawn is None:
        raise ValueError("curves must hold one curve or more")
    if file_format == "svg":
        return drawn.svg.encode()
    content = io.BytesIO()
    with drawing.style():
        nothing = {"CreationDate": None} if file_format == "pdf" else {}
        _picture(curves, setting, loss_percent).savefig(
            content, format=file_format, dpi=_PNG_DPI, metadata={**nothing, "Title": drawn.caption}
        )
    return content.getvalue()


def _picture(curves: Sequence[ShutterCurve], setting: str, loss_percent: float) -> Figure:
    picture = drawing.figure(drawing.WIDTH_IN, 3.5)
    axes = picture.add_axes((0.125, 0.15, 0.845, 0.755))
    axes.set_xlim(math.log2(_FAST_S), math.log2(_SLOW_S))
    axes.set_ylim(0, 113)  # room for a name of two lines over a line near 100
    limit = 100 - loss_percent
    axes.axhline(limit, color=PALETTE["quiet"], linewidth=0.8)
    lines, taken = [], []
    for index, curve in enumerate(curves):
        colour, dashes = _LOOKS[index % len(_LOOKS)]
        x, y = np.log2(curve.time_s), 100 * np.array(curve.of_sharp)
        (line,) = axes.plot(x, y, color=PALETTE[colour], linewidth=1.6)
        if dashes is not None:
            line.set_dashes(dashes)
        dense_x = np.linspace(x[0], x[-1], 300)
        dense_y = np.interp(dense_x, x, y)
        lines.append((dense_x, dense_y, PALETTE[colour]))
        taken += drawing.boxes(axes, dense_x[:-1], dense_y[:-1], dense_y[1:], 1.5)
    left, right = axes.get_xlim()
    across, level = np.linspace(left, right, 40), np.full(40, limit)
    taken += drawing.boxes(axes, across, level, level, 2)
    timed = [curve.label for curve in curves]
    for index, (curve, (_, _, colour)) in enumerate(zip(curves, lines, strict=True)):
        safe = curve.slowest_safe_s
        if safe is not None and _FAST_S <= safe <= _SLOW_S:
            at = (math.log2(safe), limit)
            axes.plot(*at, "o", color=colour, markersize=5.5, zorder=4)
            taken += drawing.boxes(axes, np.array([at[0]]), level[:1], level[:1], 4)
            places: list[Place] = [
                (at, (-6, -6), "right", "top"),
                (at, (5, 2.5), "left", "bottom"),
                (at, (-5, 2.5), "right", "bottom"),
                (at, (9, -6), "left", "top"),
            ]
            before = len(taken)
            drawing.write_label(axes, safe_words(safe), places, taken, color=colour, weight="bold")
            if len(taken) == before:  # no place: it goes with the name
                timed[index] += f" {safe_words(safe)}"
    drawing.write_label(
        axes, f"{loss_percent:g} % lost", _limit_places(axes, limit), taken, color=PALETTE["quiet"]
    )
    named = zip(timed, curves, lines, strict=True)
    for name, curve, (x, y, colour) in sorted(named, key=lambda one: float(one[2][1].sum())):
        for text, width in product(dict.fromkeys((name, curve.label)), _LABEL_WIDTHS):
            label, before = fill(text, width, break_long_words=False), len(taken)
            drawing.write_label(axes, label, _line_places(x, y), taken, color=colour)
            if len(taken) > before:
                break
    axes.set_yticks(range(0, 101, 20))
    axes.set_xticks(np.log2(_TICKS_S), [_tick(time) for time in _TICKS_S])
    axes.set_xlabel("shutter time, s")
    axes.set_ylabel("MTF50 kept, % of the still image's")
    axes.set_title(setting, loc="left", fontsize=9.5, color=PALETTE["ink"])
    return picture


def _tick(time_s: float) -> str:
    return f"1/{1 / time_s:.0f}"


def _limit_places(axes: Axes, limit: float) -> Iterable[Place]:
    left, right = axes.get_xlim()
    for edge, rise in (("top", -4), ("bottom", 2.5)):
        yield (left, limit), (5, rise), "left", edge
        yield (right, limit), (-3, rise), "right", edge
    for x in np.linspace(left, right, 14)[1:-1]:
        yield (x, limit), (0, -4), "left", "top"


def _line_places(x: FloatArray, y: FloatArray) -> Iterable[Place]:
    """Beside the fall of a line, else over or under its flat end."""
    for share in (55, 45, 65, 35, 75, 25, 15):
        falls = np.flatnonzero(y < share)
        if falls.size and falls[0] > 0:
            at = (x[falls[0]], y[falls[0]])
            for gap in (7, 13):
                yield at, (gap, 0), "left", "center"
                yield at, (-gap, 0), "right", "center"
    half = x.size // 2
    if y[-1] < y[half] - _FLAT_PERCENT:
        return
    for k in range(x.size - 1, half, -x.size // 8):
        yield (x[k], y[k]), (-3, 6), "right", "bottom"
        yield (x[k], y[k]), (-3, 3), "right", "bottom"
        yield (x[k], y[k]), (-3, -7), "right", "top"
    for k in (x.size // 15, x.size // 5):
        yield (x[k], y[k]), (0, -7), "left", "top"


def _words(curves: Sequence[ShutterCurve], setting: str, loss_percent: float) -> tuple[str, str]:
    """Caption and alternative."""
    said = "; ".join(f"{curve.label}: {_safe(curve.slowest_safe_s)}" for curve in curves)
    caption = (
        f"{setting}. Slowest shutter time that costs no more than {loss_percent:g} % of MTF50: "
        f"{said}. Lines: what is kept of the still image's MTF50; dots: those times."
    )
    return caption, f"Graph of the MTF50 kept against the shutter time. {caption}"


def _safe(seconds: float | None) -> str:
    if seconds is None:
        return "any time will do"
    return safe_words(seconds) if seconds > 0 else "none, the flash itself is too slow"
