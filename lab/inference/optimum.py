"""Which stop is sharpest, how sure is that, and how far down may one go?

Between the measured stops the blur that diffraction does not explain is
interpolated: with share = measured over predicted MTF50, ``1 / share**2 - 1`` is
that blur over diffraction's, squared. Aberrations follow powers of the stop, so
its logarithm is smooth against the log of the stop. A cubic spline leaves open
how the ends bend; two end conditions (natural, not-a-knot) are both used. The
interval of the optimum comes from redrawing the points within their
uncertainties and the end condition with them. Interpolation only: the physical
fit of all stops is not in here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray

__all__ = ["StopCurve", "stop_curve"]

_DRAWS = 4000
_PER_STOP = 48  # grid points per stop of aperture
# Standard doubt about the optimum between stops one stop apart, in log2 of the f-number,
# judged on simulated aberrated lenses. It grows as the cube of the gap, as a cubic's error.
_BETWEEN_STOPS = 0.02
_LEAST_SHARE = 0.01
_FULL_SHARE = 0.999  # nearer to diffraction than this is not told apart


@dataclass(frozen=True, kw_only=True)
class StopCurve:
    """MTF50 against stop, and what it says. Stops are exact f-numbers.

    The optimum has no interval where it lies at the first or last stop.
    """

    stop: tuple[float, ...]
    mtf50: tuple[float, ...]
    diffraction_mtf50: tuple[float, ...]
    optimum_stop: float
    optimum_low95: float | None
    optimum_high95: float | None
    optimum_mtf50: float
    deepest_sharp_stop: float
    deepest_low95: float
    deepest_high95: float
    flags: tuple[str, ...]


def _spline_matrix(
    x: FloatArray, grid: FloatArray, end: Literal["natural", "not-a-knot"]
) -> FloatArray:
    """Cubic spline through (x, y) evaluated on a grid, as a matrix on y."""
    from scipy.interpolate import CubicSpline, make_interp_spline

    if x.size < 3:
        return np.asarray(make_interp_spline(x, np.eye(x.size), k=1)(grid))
    return np.asarray(CubicSpline(x, np.eye(x.size), bc_type=end)(grid))


def _log_excess(share: FloatArray) -> FloatArray:
    """Log of the squared blur beyond diffraction, over diffraction's."""
    return np.asarray(np.log(1 / np.clip(share, _LEAST_SHARE, _FULL_SHARE) ** 2 - 1))


def _share(log_excess: FloatArray) -> FloatArray:
    return np.asarray((1 + np.exp(log_excess)) ** -0.5)


def stop_curve(
    stop: Sequence[float],
    mtf50: Sequence[float],
    std: Sequence[float],
    diffraction: Callable[[float], float],
    *,
    loss_percent: float,
    rng: np.random.Generator,
) -> StopCurve:
    """Curve through measured stops, its optimum and the deepest stop still sharp.

    Parameters
    ----------
    stop : sequence of float, (n,)
        Exact f-numbers, rising, n >= 2.
    mtf50, std : sequence of float, (n,)
        Peak MTF50 of each stop, > 0, and its standard uncertainty.
    diffraction : callable
        Predicted MTF50 of a perfect lens at a stop, in the unit of ``mtf50``.
    loss_percent : float
        Permitted loss against the optimum. [%], 0 to 100
    rng : numpy.random.Generator
        For the redrawn points.

    Raises
    ------
    ValueError
        If there are fewer than two stops, or they do not rise.
    """
    x = np.log2(np.asarray(stop, dtype=np.float64))
    y = np.asarray(mtf50, dtype=np.float64)
    if x.size < 2 or not np.all(np.diff(x) > 0):
        raise ValueError("need at least two stops, rising")
    n_grid = int(np.ceil((x[-1] - x[0]) * 2 * _PER_STOP)) + 1
    grid = np.linspace(x[0], x[-1], n_grid)
    matrices = [_spline_matrix(x, grid, "natural"), _spline_matrix(x, grid, "not-a-knot")]
    limit = np.array([diffraction(float(2**g)) for g in grid])
    share = y / np.array([diffraction(float(s)) for s in stop])
    # Sharper than predicted, by a pupil ratio a little off: the prediction gives way, or
    # the curve would run below the points.
    above = max(1.0, float(share.max()) / _FULL_SHARE)
    share, bound = share / above, limit * above
    # Midway between both ends' readings.
    excess = _log_excess(share)
    curve = bound * _share((matrices[0] + matrices[1]) @ excess / 2)
    best = int(np.argmax(curve))

    spread = np.asarray(std, dtype=np.float64) / y
    drawn = _log_excess(share * (1 + spread * rng.standard_normal((_DRAWS, x.size))))
    mix = rng.uniform(size=(_DRAWS, 1))
    excess_drawn = mix * (drawn @ matrices[0].T) + (1 - mix) * (drawn @ matrices[1].T)
    drawn_curves = bound * _share(excess_drawn)
    tops = grid[drawn_curves.argmax(axis=1)]
    # What neither end condition holds: aberrated lenses bend more between stops than a cubic.
    around = int(np.clip(np.searchsorted(x, grid[best]), 1, x.size - 1))
    gaps = np.diff(x)[max(around - 2, 0) : around + 1]
    doubt = _BETWEEN_STOPS * (float(gaps.max()) / 0.5) ** 3
    shift = doubt * rng.standard_normal(_DRAWS)
    low, high = np.quantile(np.clip(tops + shift, x[0], x[-1]), [0.025, 0.975])

    def last_sharp(values: FloatArray) -> npt.NDArray[np.intp]:
        """Last grid point before the curve, from its top on, first falls too low."""
        top = values.argmax(axis=1)
        enough = values >= (1 - loss_percent / 100) * values.max(axis=1)[:, None]
        fallen = ~enough & (np.arange(n_grid) > top[:, None])
        return np.where(fallen.any(axis=1), fallen.argmax(axis=1) - 1, n_grid - 1)

    deepest = int(last_sharp(curve[None])[0])
    depths = grid[last_sharp(drawn_curves)] + shift
    deep_low, deep_high = np.quantile(np.clip(depths, x[0], x[-1]), [0.025, 0.975])
    flags = []
    if best in (0, n_grid - 1):
        flags.append("optimum-not-bracketed")
    if deepest == n_grid - 1:
        flags.append("deepest-beyond-range")
    return StopCurve(
        stop=tuple((2**grid).tolist()),
        mtf50=tuple(curve.tolist()),
        diffraction_mtf50=tuple(limit.tolist()),
        optimum_stop=float(2 ** grid[best]),
        optimum_low95=None if best in (0, n_grid - 1) else float(2**low),
        optimum_high95=None if best in (0, n_grid - 1) else float(2**high),
        optimum_mtf50=float(curve[best]),
        deepest_sharp_stop=float(2 ** grid[deepest]),
        deepest_low95=float(2**deep_low),
        deepest_high95=float(2**deep_high),
        flags=tuple(flags),
    )
