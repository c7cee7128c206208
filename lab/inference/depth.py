"""Which stop holds a wanted depth, how deep is sharp, and how many frames does a stack need?

Sharp means MTF50, or the contrast of a wanted detail: lines and gaps of one width. A
stop *holds* over a depth what the worst place in it still shows with focus set best,
so that both ends come out alike. Too wide a stop loses the ends to defocus, too small
a one everything to diffraction: there is one best stop for a depth. Sharpness is on
the object side, so that magnifications compare.

Lenses come as a function from stops to ``LensOptics``, measured or predicted alike;
where figures were fitted, intervals follow from exact derivatives.

Leaves out: the field away from the centre, and how stacking software joins frames.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.inference.drawn_stops import FORM_STD_STOPS, drawn_curves, tops
from lab.inference.lens_model import log2_stop
from lab.inference.lens_optics import LensOptics

__all__ = [
    "BestStop",
    "DepthWithin",
    "HeldCurve",
    "OpticsAt",
    "Sharpness",
    "best_stop",
    "depth_within",
    "held_curve",
    "stack_frames",
]

OpticsAt = Callable[[FloatArray], LensOptics]

_LEVEL = 0.5
_FOCUS_WAVES = 0.003  # half the chord whose middle stands for best focus
_SEATS = np.linspace(-1, 1, 17)  # foci tried before the search closes in
_INSIDE = np.linspace(-1, 1, 9)[1:-1]  # of a depth: may be worse than the ends
_ENDS = np.array([[-1.0], [1.0]])  # of a depth about its middle
_HALVINGS, _ROUNDS = 20, 6
_ROUNDING = 1e-6  # of MTF
_FURTHEST_WAVES = 40.0  # of defocus at a depth's ends: MTF50 is a few thousandths of the cut-off
_GRID_STOPS = 0.25  # between stops of the first search
_ZOOM, _ZOOM_SIZE = 3, 9
_LEAST = 0.01  # of contrast: less drowns in noise, judged by us, and counts as lost
_Z95 = 1.959964


@dataclass(frozen=True, kw_only=True)
class Sharpness:
    """What counts as sharp.

    ``detail_um`` is the width of a line, and of the gap beside it, in the subject: sharp
    is its contrast, the MTF at 1 / (2 detail). None: sharp is MTF50, object side [cycles
    per mm].
    """

    detail_um: float | None = None

    def __post_init__(self) -> None:
        if self.detail_um is not None and not self.detail_um > 0:
            raise ValueError("detail_um must be > 0")

    def frequency(self, optics: LensOptics) -> FloatArray:
        """Image-side frequency of the detail, one a stop, (n,) [cycles per mm]."""
        assert self.detail_um is not None
        return np.full(optics.stop.size, 1e3 / (2 * self.detail_um * optics.magnification))

    def of(self, optics: LensOptics, shift_um: FloatArray) -> FloatArray:
        """Sharpness of each stop with focus off by a shift on the sensor, (..., n)."""
        if self.detail_um is None:
            return optics.crossing(shift_um, _LEVEL) * optics.magnification
        return optics.transfer(self.frequency(optics), shift_um)

    def slopes(
        self, optics: LensOptics, shift_um: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Derivatives of log sharpness, one shift a stop.

        Returns
        -------
        by_shift_um, by_excess, by_parameters : ndarray, (n,), (n,), (n, n_parameter)
        """
        if self.detail_um is None:
            frequency = optics.crossing(shift_um, _LEVEL)
            found = optics.gradient(frequency, shift_um)
            per = -1 / (frequency * found.by_frequency)
            by_excess = np.ones_like(frequency)
        else:
            frequency = self.frequency(optics)
            found = optics.gradient(frequency, shift_um)
            per = np.where(found.mtf > _LEAST, 1 / np.maximum(found.mtf, _LEAST), 0.0)
            by_excess = -frequency * found.by_frequency * per
        return found.by_shift_um * per, by_excess, found.by_parameters * per[:, np.newaxis]


@dataclass(frozen=True, kw_only=True, eq=False)
class HeldCurve:
    """Worst sharpness over a depth against the stop, focus set best.

    Attributes
    ----------
    stop, f_number : ndarray, (n,)
        Ring position and effective f-number.
    held : ndarray, (n,)
        MTF50, object side, or contrast; 0 where the detail is lost, or the ends are so far
        out of focus (40 waves) that nothing is held.
    focus_um : ndarray, (n,)
        Middle of the depth against paraxial focus, image side.
    by_excess, gradient : ndarray, (n,), (n, n_parameter)
        Derivatives of the logarithm of ``held``.
    covariance : ndarray, (n, n)
        Of that logarithm.
    """

    stop: FloatArray
    f_number: FloatArray
    held: FloatArray
    focus_um: FloatArray
    by_excess: FloatArray
    gradient: FloatArray
    covariance: FloatArray

    @property
    def height(self) -> FloatArray:
        """Logarithm of ``held``; a deep floor where the detail is lost."""
        return np.asarray(np.log(np.maximum(self.held, _LEAST)))


@dataclass(frozen=True, kw_only=True, eq=False)
class DepthWithin:
    """Object-side depth in which sharpness stays near that of best focus, (n,) [um].

    0 where the detail is lost even in focus. ``gradient``, (n, n_parameter): its derivatives
    by the fitted figures.
    """

    depth_um: FloatArray
    std_um: FloatArray
    gradient: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class BestStop:
    """The stop that holds most over a depth, as a ring position.

    Interval ends are None for a predicted lens, ``low95`` and ``high95`` of the stop
    also at the end of the stops looked at. ``curve`` is the curve at this stop alone.
    """

    stop: float
    low95: float | None
    high95: float | None
    f_number: float
    held: float
    held_low95: float | None
    held_high95: float | None
    focused: float
    curve: HeldCurve
    flags: tuple[str, ...]


def _middle(optics: LensOptics, sharp: Sharpness, half_um: FloatArray) -> FloatArray:
    """Focus, one a stop, at which sharpness half a depth before and behind is alike."""
    cone, wave_um = optics.cone, optics.wave_um
    if not cone.w040.any() and not cone.w060.any():
        return np.zeros_like(wave_um)  # the same before and behind

    expected = -(cone.w040 + 0.95 * cone.w060) * wave_um
    span = (0.5 + 0.6 * np.abs(cone.w040) + 0.6 * np.abs(cone.w060)) * wave_um
    if sharp.detail_um is None:
        frequency = optics.crossing(expected + half_um * _ENDS, _LEVEL).min(axis=0)
    else:
        frequency = sharp.frequency(optics)

    def ends(middle: FloatArray) -> FloatArray:
        return optics.transfer(frequency, middle + half_um * _ENDS.reshape(2, *[1] * middle.ndim))

    seats = expected + _SEATS[:, np.newaxis] * span
    worse = ends(seats).min(axis=0)
    middle = seats[np.argmax(worse, axis=0), np.arange(wave_um.size)]
    reach = span * (_SEATS[1] - _SEATS[0])
    low, high = middle - reach, middle + reach
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        before, behind = ends(middle)
        low = np.where(behind > before, middle, low)
        high = np.where(behind > before, high, middle)
    if sharp.detail_um is not None:
        return np.asarray(middle)
    for _ in range(_ROUNDS):  # Newton's, for focus and frequency at once
        a, b = (optics.gradient(frequency, end) for end in middle + half_um * _ENDS)
        bend = a.by_frequency * b.by_shift_um - b.by_frequency * a.by_shift_um
        bend = np.where(bend > 0, bend, np.inf)  # stay where the ends do not oppose
        off_a, off_b = a.mtf - _LEVEL, b.mtf - _LEVEL
        rise = (a.by_shift_um * off_b - b.by_shift_um * off_a) / bend
        move = (b.by_frequency * off_a - a.by_frequency * off_b) / bend
        frequency = frequency * np.clip(1 + rise / frequency, 0.7, 1.4)
        middle = middle + np.clip(move, -reach, reach)
    return np.asarray(middle)


def _best_focus(optics: LensOptics, sharp: Sharpness) -> FloatArray:
    return _middle(optics, sharp, _FOCUS_WAVES * optics.wave_um)


def held_curve(optics: LensOptics, sharp: Sharpness, depth_um: npt.ArrayLike) -> HeldCurve:
    """What each stop holds over a depth.

    Parameters
    ----------
    optics : LensOptics
        n stops.
    sharp : Sharpness
    depth_um : array_like, () or (n,)
        Total, object side, each > 0, or 0 for best focus at all. [um]

    Raises
    ------
    ValueError
        If depth_um is neither.
    """
    depth = np.broadcast_to(np.asarray(depth_um, dtype=np.float64), optics.stop.shape)
    if not ((depth > 0).all() or (depth == 0).all()):
        raise ValueError("depth_um must be > 0, or 0 at all stops")
    half_um = depth / 2 * optics.magnification**2
    is_hopeless = half_um > _FURTHEST_WAVES * optics.wave_um
    half_um = np.minimum(half_um, _FURTHEST_WAVES * optics.wave_um)
    middle = _middle(optics, sharp, half_um) if depth.any() else _best_focus(optics, sharp)
    ends = middle + half_um * _ENDS
    held = sharp.of(optics, ends).min(axis=0)
    inside = middle + half_um * _INSIDE[:, np.newaxis]
    if sharp.detail_um is not None:
        held = np.minimum(held, sharp.of(optics, inside).min(axis=0))
        held = np.where(held > _LEAST, held, 0.0)
    elif (optics.transfer(held / optics.magnification, inside) < _LEVEL - _ROUNDING).any():
        # Focus with two humps, of a strongly aberrated lens: worst in between.
        held = np.minimum(held, sharp.of(optics, inside).min(axis=0))
    held = np.where(is_hopeless, 0.0, held)
    before, behind = (sharp.slopes(optics, end) for end in ends)
    # Focus follows the ends until they are alike again, so that each end counts by the
    # other's slope. Without a slope, at best focus, both are the same place.
    fall = before[0] - behind[0]
    share = np.clip(np.where(fall > 0, -behind[0] / np.where(fall > 0, fall, 1), 0.5), 0, 1)
    by_excess = np.where(held > 0, share * before[1] + (1 - share) * behind[1], 0.0)
    gradient = share[:, np.newaxis] * before[2] + (1 - share)[:, np.newaxis] * behind[2]
    gradient[held <= 0] = 0.0
    covariance = gradient @ optics.covariance @ gradient.T
    return HeldCurve(
        stop=optics.stop,
        f_number=optics.cone.f_number,
        held=held,
        focus_um=middle,
        by_excess=by_excess,
        gradient=gradient,
        covariance=covariance + optics.between * np.outer(by_excess, by_excess),
    )


def depth_within(optics: LensOptics, sharp: Sharpness, loss_percent: npt.ArrayLike) -> DepthWithin:
    """Depth about best focus in which sharpness loses no more than a share.

    It is also the step of a stack whose frames lose that share midway between two.

    Parameters
    ----------
    optics : LensOptics
        n stops.
    sharp : Sharpness
    loss_percent : array_like, () or (n,)
        Of the sharpness at best focus. [%], 0 < loss < 100

    Raises
    ------
    ValueError
        If loss_percent is outside its range.
    """
    loss = np.asarray(loss_percent, dtype=np.float64)
    if not ((loss > 0) & (loss < 100)).all():
        raise ValueError("loss_percent must lie between 0 and 100")
    focus, wave_um = _best_focus(optics, sharp), optics.wave_um
    keep = 1 - loss / 100
    if sharp.detail_um is None:
        # MTF50 is kept where the MTF at what must be kept has not fallen to one half.
        frequency = keep * optics.crossing(focus, _LEVEL)
        limit = np.full_like(focus, _LEVEL)
    else:
        frequency = sharp.frequency(optics)
        peak = optics.transfer(frequency, focus)
        limit = np.where(peak > _LEAST, keep * peak, np.inf)  # lost: nothing is within
    _, _, at_peak = sharp.slopes(optics, focus)
    width, gradient = np.zeros_like(focus), np.zeros_like(at_peak)
    for side in (-1.0, 1.0):
        near, far = np.zeros_like(focus), 0.1 * wave_um
        while (inside := optics.transfer(frequency, focus + side * far) >= limit).any():
            near, far = np.where(inside, far, near), np.where(inside, 1.5 * far, far)
        for _ in range(_HALVINGS):
            middle = (near + far) / 2
            inside = optics.transfer(frequency, focus + side * middle) >= limit
            near, far = np.where(inside, middle, near), np.where(inside, far, middle)
        by_shift, _, by = sharp.slopes(optics, focus + side * near)
        near = np.where(np.isinf(limit), 0.0, near)
        width += near
        gradient += side * (at_peak - by) / np.where(near > 0, by_shift, np.inf)[:, np.newaxis]
    m2 = optics.magnification**2
    variance = np.einsum("ij,jk,ik->i", gradient, optics.covariance, gradient)
    return DepthWithin(
        depth_um=width / m2,
        std_um=np.sqrt(np.maximum(variance, 0)) / m2,
        gradient=gradient / m2,
    )


def best_stop(
    optics_at: OpticsAt,
    low: float,
    high: float,
    sharp: Sharpness,
    depth_um: float,
    *,
    rng: np.random.Generator,
) -> BestStop:
    """The stop between two that holds most over a depth.

    Parameters
    ----------
    optics_at : callable
        From stops, (n,), to the lens there.
    low, high : float
        Exact ring positions, 0 < low <= high.
    sharp : Sharpness
    depth_um : float
        Total, object side, >= 0; 0 asks for the sharpest stop at best focus. [um]
    rng : numpy.random.Generator
        For curves drawn within a fitted lens's uncertainty.

    Raises
    ------
    ValueError
        If the stops do not rise.
    """
    if not 0 < low <= high:
        raise ValueError("need 0 < low <= high")
    ends = log2_stop([low, high])
    n_grid = max(3, math.ceil((ends[1] - ends[0]) / _GRID_STOPS) + 1)
    x = np.linspace(ends[0], ends[1], n_grid)
    first = wide = held_curve(optics_at(2 ** (x / 2)), sharp, depth_um)
    grid = x
    for _ in range(_ZOOM):
        top, step = grid[np.argmax(wide.height)], grid[1] - grid[0]
        grid = np.linspace(max(top - step, ends[0]), min(top + step, ends[1]), _ZOOM_SIZE)
        wide = held_curve(optics_at(2 ** (grid / 2)), sharp, depth_um)
    place = float(tops(grid, wide.height[np.newaxis])[0])
    at = optics_at(np.array([2 ** (place / 2)]))
    curve = held_curve(at, sharp, depth_um)
    held = float(curve.held[0])
    flags = []
    if held <= 0:
        flags.append("detail-lost")
    is_end = not ends[0] < place < ends[1]
    if is_end:
        flags.append("best-stop-at-end")
    stop_ends: tuple[float | None, float | None] = (None, None)
    held_ends = stop_ends
    if at.covariance.size and held > 0:
        spread = _Z95 * math.sqrt(float(curve.covariance[0, 0]))
        held_ends = held * math.exp(-spread), held * math.exp(spread)
        if not is_end:
            places = tops(x, drawn_curves(first.height, first.covariance, rng))
            places = places + FORM_STD_STOPS * rng.standard_normal(places.size)
            found = np.quantile(np.clip(places, *ends), [0.025, 0.975])
            stop_ends = float(2 ** (found[0] / 2)), float(2 ** (found[1] / 2))
    return BestStop(
        stop=float(curve.stop[0]),
        low95=stop_ends[0],
        high95=stop_ends[1],
        f_number=float(curve.f_number[0]),
        held=held,
        held_low95=held_ends[0],
        held_high95=held_ends[1],
        focused=float(held_curve(at, sharp, 0.0).held[0]),
        curve=curve,
        flags=tuple(flags),
    )


def stack_frames(depth_um: float, step_um: float) -> int:
    """Frames of a stack that cover a depth, each as deep as a step, the first half a step in.

    Parameters
    ----------
    depth_um, step_um : float
        Object side, > 0. [um]

    Returns
    -------
    int
        ``ceil(depth / step)``

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    if not (depth_um > 0 and step_um > 0):
        raise ValueError("depth_um and step_um must be > 0")
    return max(1, math.ceil(depth_um / step_um - 1e-9))
