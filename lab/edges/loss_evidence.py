"""What the edges of one frame say together: a common movement, the shape of the blur.

Numbers only; ``lab.edges.loss`` judges them. Movement is an even one along a line: along
an edge's normal at ``angle`` it multiplies the transfer by ``sinc(f L cos(axis -
angle))``. What is softer in one direction than the sharpest direction of its place is
turned into the square of such a length, and one movement is fitted to all places at
once; what follows the radius and grows from the centre is the lens's and fitted beside
it. The shape is that of the lens alone, the pixel divided out, against a clear pupil
out of focus and a clear pupil with a Gaussian blur.

Lengths are px, frequencies cycles per px along the edge's normal.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import NamedTuple

import numpy as np
from scipy.special import fdtrc

from lab.edges.combine import combine, mean_of_directions
from lab.edges.types import FloatArray
from lab.optics.pupil import aberrated_otf, clear_pupil_mtf
from lab.optics.sensor import pixel_mtf
from targets.fidelity import gaussian_mtf, gaussian_product

__all__ = [
    "BlurShape",
    "EdgeFigures",
    "Movement",
    "Place",
    "blur_shape",
    "common_movement",
    "places_of",
]

_COLUMNS = ("left", "", "right")
_ROWS = ("top", "", "bottom")
_LOWEST_MTF = 0.15  # the part of a curve that an edge shows well
_FEWEST_POINTS = 6  # of a curve, to tell its shape
_WAVES = np.concatenate([np.arange(0, 1.5, 0.05), np.arange(1.5, 4.01, 0.125)])
_PERFECT_MTF50 = 0.403973  # of a clear pupil, over its cut-off; a test solves it
# Judged by us: shapes that differ by less, rms of contrast, look alike; defocus is named
# where it leaves that much less than a Gaussian does.
_LEAST_MISFIT, _BETTER = 0.004, 0.6


@dataclass(frozen=True, kw_only=True, eq=False)
class EdgeFigures:
    """One measured edge of a frame.

    ``field_x``, ``field_y`` run from -1 to 1 over the frame's width (right) and height
    (down). ``direction`` is the way the edge line runs, ``angle_deg`` that of its normal.
    ``mtf`` and ``mtf_std`` are the system's, lens and pixel, at
    ``frequency_cyc_per_px``; ``raggedness_px`` is None where unknown.
    """

    field_x: float
    field_y: float
    direction: str
    angle_deg: float
    mtf50_cyc_per_px: float
    mtf50_std: float
    frequency_cyc_per_px: FloatArray
    mtf: FloatArray
    mtf_std: FloatArray
    raggedness_px: float | None = None
    flags: tuple[str, ...] = ()

    @property
    def place(self) -> str:
        """Ninth of the frame that the edge lies in."""
        row, column = (min(int((v + 1) * 1.5), 2) for v in (self.field_y, self.field_x))
        return f"{_ROWS[row]} {_COLUMNS[column]}".strip() or "centre"


@dataclass(frozen=True, kw_only=True)
class Place:
    """Edges of one ninth of the frame together.

    ``by_direction`` holds MTF50 and its standard uncertainty of each edge direction,
    ``mtf50_cyc_per_px`` their mean. [cycles per px]
    """

    name: str
    edges: int
    mtf50_cyc_per_px: float
    mtf50_std: float
    by_direction: Mapping[str, tuple[float, float]]


@dataclass(frozen=True, kw_only=True)
class Movement:
    """A movement common to a frame's edges.

    Attributes
    ----------
    axis_deg : float
        Of the line it runs along, 0 along the rows, 90 along the columns. [deg], (-90, 90]
    length_px : float
        From end to end. [px]
    is_axis_known : bool
        False where edges run in two directions only: then the axis is the softer one's
        normal, the true one within 45 degrees of it, and the true length at least
        ``length_px``.
    p_noise : float
        Chance of such a difference by noise and scatter alone (F test). [-]
    """

    axis_deg: float
    length_px: float
    is_axis_known: bool
    p_noise: float


@dataclass(frozen=True, kw_only=True)
class BlurShape:
    """Which blur a transfer function looks like.

    Attributes
    ----------
    defocus_waves : float
        Of the best fit with defocus, at the pupil's rim; the sign stays open. [waves]
    loss : float
        Share of MTF50 below that of the best fit's pupil in focus, of the lens alone. [-]
    short : float or None
        Share of MTF50 below that of the stated pupil, of the lens alone; None where it
        was not stated. [-], negative where sharper
    focused_misfit, defocus_misfit, even_misfit : float
        What is left over (rms) of the best fit in focus, with defocus, and with an even
        (Gaussian) blur. [-], contrast
    is_focused : bool
        A clear pupil in focus fits.
    is_defocus : bool
        Neither that nor even blur fits, and defocus leaves clearly less.
    """

    defocus_waves: float
    loss: float
    short: float | None
    focused_misfit: float
    defocus_misfit: float
    even_misfit: float
    is_focused: bool
    is_defocus: bool


class _Fit(NamedTuple):
    """Ordered by the misfit; ``amount`` counts the model's curves."""

    misfit: float
    amount: int
    scale: float


def places_of(edges: Sequence[EdgeFigures]) -> tuple[Place, ...]:
    """Gather edges by ninths of the frame that hold some: the centre, then from the top left.

    Parameters
    ----------
    edges : sequence of EdgeFigures
    """
    names = ["centre", *(f"{r} {c}".strip() for r in _ROWS for c in _COLUMNS if r or c)]
    places = []
    for name in names:
        here = [e for e in edges if e.place == name]
        if here:
            value, std = mean_of_directions(
                [e.mtf50_cyc_per_px for e in here],
                [e.mtf50_std for e in here],
                [e.direction for e in here],
            )
            places.append(
                Place(
                    name=name,
                    edges=len(here),
                    mtf50_cyc_per_px=value,
                    mtf50_std=std,
                    by_direction={
                        way: combine(
                            [e.mtf50_cyc_per_px for e in here if e.direction == way],
                            [e.mtf50_std for e in here if e.direction == way],
                        )
                        for way in sorted({e.direction for e in here})
                    },
                )
            )
    return tuple(places)


def common_movement(edges: Sequence[EdgeFigures]) -> Movement | None:
    """Fit one movement to all edges.

    Parameters
    ----------
    edges : sequence of EdgeFigures
        Of one frame and one raw colour; n >= 1

    Returns
    -------
    Movement or None
        None where no place has edges of two directions.
    """
    rows, values, stds, groups = [], [], [], []
    for k, name in enumerate(dict.fromkeys(e.place for e in edges)):
        here = [e for e in edges if e.place == name]
        f, base, _ = _lens_curve(_sharpest(here))
        for e in here:
            at = e.mtf50_cyc_per_px * np.array([1.0, 0.999, 1.001])
            spread = _spread_px2(e, at, f, base)
            twice, radius = math.radians(2 * e.angle_deg), math.hypot(e.field_x, e.field_y)
            out = 2 * math.atan2(e.field_y, e.field_x)
            rows.append([math.cos(twice), math.sin(twice), radius**2 * math.cos(twice - out)])
            values.append(float(spread[0]))
            slope = abs(spread[2] - spread[1]) / (0.002 * e.mtf50_cyc_per_px)
            stds.append(float(slope) * e.mtf50_std)
            groups.append(k)
    return _common_direction(np.array(rows), np.array(values), np.array(stds), np.array(groups))


def _sharpest(edges: Sequence[EdgeFigures]) -> list[EdgeFigures]:
    """Edges of the direction that is the sharper on the mean."""
    ways = sorted({e.direction for e in edges})
    groups = [[e for e in edges if e.direction == way] for way in ways]
    return max(groups, key=lambda group: float(np.mean([e.mtf50_cyc_per_px for e in group])))


@lru_cache(maxsize=1)
def _log_sinc() -> tuple[FloatArray, FloatArray]:
    """Table of ln sinc(sqrt q) against q, rising; for q < 0 its continuation, sinh."""
    q = np.linspace(-4.0, 0.95, 2000)
    x = np.pi * np.sqrt(np.abs(q)) + 1e-12
    return np.log(np.where(q > 0, np.sin(x), np.sinh(x)) / x)[::-1], q[::-1]


def _spread_px2(edge: EdgeFigures, f50: FloatArray, f: FloatArray, base: FloatArray) -> FloatArray:
    """Square of the movement along the normal that takes the base curve to this MTF50."""
    lens = np.interp(f50, f, base) * pixel_mtf(f50, edge.angle_deg)
    return np.asarray(np.interp(np.log(0.5 / lens), *_log_sinc()) / f50**2)


def _lens_curve(edges: Sequence[EdgeFigures]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Frequency, mean MTF of the lens alone and its typical noise, where it shows well."""
    f = edges[0].frequency_cyc_per_px
    pixel = np.array([np.abs(pixel_mtf(f, e.angle_deg)) for e in edges])
    pixel = np.maximum(pixel, 0.05)
    curve = np.mean(np.array([e.mtf for e in edges]) / pixel, axis=0)
    std = np.sqrt(np.mean((np.array([e.mtf_std for e in edges]) / pixel) ** 2, axis=0))
    low = np.flatnonzero(np.array(edges[0].mtf) < _LOWEST_MTF)
    end = max(int(low[0]) if low.size else f.size, 4)
    return f[:end], curve[:end], std[:end]


def _common_direction(
    rows: FloatArray, value: FloatArray, std: FloatArray, group: FloatArray
) -> Movement | None:
    """Weighted fit of the movement's two components, a free level for each place.

    ``value = place + (length**2 / 2) cos 2 (axis - angle)``, plus a part that grows from
    the centre and follows the radius, which is the lens's.
    """
    weight = 1 / np.maximum(std, 1e-9) ** 2
    free = np.column_stack([rows, value])
    for k in np.unique(group):
        here = group == k
        free[here] -= np.average(free[here], axis=0, weights=weight[here])
    design, y = free[:, :3], free[:, 3]
    scale, turn = np.linalg.eigh((design[:, :2].T * weight) @ design[:, :2])
    if not scale[1] > 1e-6 * weight.sum():
        return None
    is_free = bool(scale[0] > 0.03 * scale[1])
    columns = design[:, :2] if is_free else design[:, :2] @ turn[:, 1:]
    n = columns.shape[1]
    freedom = y.size - np.unique(group).size - n
    root = np.sqrt(weight)[:, None]
    radial = design[:, 2:]
    left = root * radial - root * columns @ np.linalg.lstsq(root * columns, root * radial)[0]
    if freedom > 2 and np.sum(left**2) > 0.2 * np.sum((root * radial) ** 2) > 0:
        columns, freedom = np.column_stack([columns, radial]), freedom - 1
    covariance = np.linalg.inv((columns.T * weight) @ columns)
    fitted = covariance @ (columns.T * weight) @ y
    chi_square = float(weight @ (y - columns @ fitted) ** 2)
    widening = max(1.0, chi_square / freedom) if freedom > 0 else 1.0
    part = fitted[:n]
    statistic = float(part @ np.linalg.solve(covariance[:n, :n], part)) / n / widening
    # Without a freedom left the scatter is unknown: as if one edge more had shown it.
    p_noise = float(fdtrc(n, max(freedom, 1), statistic))
    vector = part if is_free else turn[:, 1] * part[0]
    axis = math.degrees(math.atan2(vector[1], vector[0])) / 2
    return Movement(
        axis_deg=axis,
        length_px=math.sqrt(2 * float(np.hypot(*vector))),
        is_axis_known=is_free,
        p_noise=p_noise,
    )


def blur_shape(
    edges: Sequence[EdgeFigures],
    diffraction_px: float | None = None,
    diffraction_std: float = 0.0,
) -> BlurShape | None:
    """Compare the mean transfer of edges at one place with defocus and even blur.

    Of the sharper direction, so that movement counts for least.

    Parameters
    ----------
    edges : sequence of EdgeFigures
        n >= 1
    diffraction_px : float, optional
        Wavelength times effective f-number. [px], > 0; None: any that fits
    diffraction_std : float
        Its relative standard uncertainty. [-], >= 0

    Returns
    -------
    BlurShape or None
        None where the blur is so wide that too little of the curve is there.
    """
    f, curve, std = _lens_curve(_sharpest(edges))
    if f.size < _FEWEST_POINTS:
        return None
    half = _half(f, curve)
    scales = _scales(half, diffraction_px, diffraction_std)
    even_px = np.linspace(0, 1.2, 121) * (gaussian_product(0.5) / half)
    defocus = _best(f, curve, scales, _defocus_curves)
    even = _best(f, curve, scales, partial(_even_curves, std_px=even_px))
    focused = _best(f, curve, scales, partial(_even_curves, std_px=even_px[:1]))
    least = max(_LEAST_MISFIT, 2 * float(np.sqrt(np.mean(std**2))))
    return BlurShape(
        defocus_waves=float(_WAVES[defocus.amount]),
        loss=max(0.0, 1 - half * defocus.scale / _PERFECT_MTF50),
        short=None if diffraction_px is None else 1 - half * diffraction_px / _PERFECT_MTF50,
        focused_misfit=focused.misfit,
        defocus_misfit=defocus.misfit,
        even_misfit=even.misfit,
        is_focused=focused.misfit <= least,
        is_defocus=focused.misfit > least < even.misfit and defocus.misfit < _BETTER * even.misfit,
    )


@lru_cache(maxsize=1)
def _defocused() -> tuple[FloatArray, FloatArray]:
    """Transfer against s = f over cut-off, a row for each amount of defocus."""
    s = np.linspace(0, 1, 301)
    return s, aberrated_otf(s, _WAVES[:, None])


Model = Callable[[FloatArray, float], FloatArray]  # curves (n_amount, n_f) at a scale


def _defocus_curves(f: FloatArray, diffraction_px: float) -> FloatArray:
    """|OTF| for each of `_WAVES`."""
    s, table = _defocused()
    at = np.minimum(f * diffraction_px, 1.0) * (s.size - 1)
    i = np.minimum(at.astype(np.intp), s.size - 2)
    return np.abs(table[:, i] + (at - i) * (table[:, i + 1] - table[:, i]))


def _even_curves(f: FloatArray, diffraction_px: float, std_px: FloatArray) -> FloatArray:
    return clear_pupil_mtf(f * diffraction_px) * gaussian_mtf(std_px[:, None] * f, 1.0)


def _best(f: FloatArray, curve: FloatArray, scales: FloatArray, model: Model) -> _Fit:
    """Least misfit over scales and amounts; between the scales it is looked for again."""

    def least(among: FloatArray) -> _Fit:
        fits = []
        for scale in among:
            misfit = np.sqrt(np.mean((model(f, float(scale)) - curve) ** 2, axis=1))
            k = int(np.argmin(misfit))
            fits.append(_Fit(float(misfit[k]), k, float(scale)))
        return min(fits)

    first = least(scales)
    if scales.size == 1:
        return first
    step = scales[1] / scales[0] - 1
    return min(first, least(first.scale * (1 + step * np.linspace(-0.9, 0.9, 13))))


def _half(f: FloatArray, curve: FloatArray) -> float:
    """Where a falling curve is one half."""
    return float(np.interp(-0.5, -curve, f))


def _scales(f50: float, diffraction_px: float | None, diffraction_std: float) -> FloatArray:
    """Wavelength times f-number [px] that the lens may have."""
    if diffraction_px is None:  # up to what would make this curve in focus
        return np.geomspace(0.04, 0.42, 100) / f50
    if diffraction_std == 0:
        return np.array([diffraction_px])
    return diffraction_px * (1 + diffraction_std * np.linspace(-2, 2, 17))
