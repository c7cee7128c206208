"""How much contrast does a target's own edge take, and how sharp must it be?

A target's edge is no perfect step. Its blur (a soft flank, the same all along the edge)
and its raggedness (the contour's scatter about its line) are standard deviations in um
on the target. As Gaussians they multiply what the lens shows at frequency f by
``exp(-2 pi**2 spread**2 f**2)``. Both ways are here: from an edge to what it takes, and
from what it may take to the edge, the frequency or the magnification.

Assumed: the edge's profile is Gaussian, and so is the contour's scatter. The mean of a
straight edge along its length is the lens's edge spread convolved with the distribution
of the contour's offsets, so raggedness finer than the measured length of edge adds in
quadrature, exactly for a Gaussian, to second order in f for anything else. Waves as long
as the edge itself are taken up by its fitted place, angle and curvature: where the stated
raggedness holds such waves too, the spread is an upper bound, and so is the loss.

Left out: the lens. Its MTF and MTF50 come from the caller, as numbers or functions.
Frequencies are object side, in cycles per mm; a loss is a share, 0.05 for 5 %.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

__all__ = [
    "DEFAULT_LOSS",
    "blur_limit_um",
    "edge_mtf",
    "edge_mtf_loss",
    "edge_spread_um",
    "frequency_limit_cyc_per_mm",
    "gaussian_mtf",
    "gaussian_product",
    "magnification_limit",
    "mtf50_loss",
]

FloatArray = npt.NDArray[np.float64]

# Share of the MTF that a target may take at the lens's diffraction MTF50. Ours; with a lens
# that only diffraction limits it lowers MTF50 itself by 5.0 % too (computed).
DEFAULT_LOSS = 0.05
_BISECTIONS = 60  # to the last bit, whatever the bracket


def gaussian_mtf(frequency: npt.ArrayLike, blur_std: float) -> FloatArray:
    """MTF of a Gaussian edge spread, frequency and standard deviation in inverse units.

    Parameters
    ----------
    frequency : array_like
        Any unit, for example cycles per px.
    blur_std : float
        Standard deviation in the inverse unit, for example px.

    References
    ----------
    .. [1] The transform of a Gaussian; any text on Fourier transforms.
    """
    f = np.asarray(frequency, dtype=np.float64)
    return np.asarray(np.exp(-2 * (np.pi * blur_std * f) ** 2))


def gaussian_product(mtf: float) -> float:
    """Frequency times standard deviation where a Gaussian's MTF has fallen to a level. [-].

    Parameters
    ----------
    mtf : float
        [-], 0 < mtf <= 1

    Raises
    ------
    ValueError
        If the level is outside its range.
    """
    if not 0 < mtf <= 1:
        raise ValueError("mtf must be in (0, 1]")
    return math.sqrt(-math.log(mtf) / 2) / math.pi


def edge_spread_um(blur_um: float, raggedness_um: float = 0.0) -> float:
    """Blur and raggedness of an edge as one standard deviation: their quadrature sum. [um].

    Parameters
    ----------
    blur_um, raggedness_um : float
        Standard deviations on the target. [um], >= 0, finite

    Raises
    ------
    ValueError
        If one is outside its range.
    """
    if not (0 <= blur_um < math.inf and 0 <= raggedness_um < math.inf):
        raise ValueError("blur_um and raggedness_um must be finite numbers >= 0")
    return math.hypot(blur_um, raggedness_um)


def edge_mtf(
    frequency_object_cyc_per_mm: npt.ArrayLike, blur_um: float, raggedness_um: float = 0.0
) -> FloatArray:
    """MTF that a target's edge leaves of the lens's.

    Parameters
    ----------
    frequency_object_cyc_per_mm : array_like
        Object side. [cycles per mm], >= 0
    blur_um, raggedness_um : float
        Standard deviations on the target; see the module. [um], >= 0

    Returns
    -------
    ndarray
        Shape of the frequency. [-], 0 to 1

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    spread_mm = edge_spread_um(blur_um, raggedness_um) * 1e-3
    return gaussian_mtf(_frequency(frequency_object_cyc_per_mm), spread_mm)


def edge_mtf_loss(
    frequency_object_cyc_per_mm: npt.ArrayLike, blur_um: float, raggedness_um: float = 0.0
) -> FloatArray:
    """Share of the MTF that a target's edge takes: ``1 - edge_mtf``.

    Parameters as for ``edge_mtf``.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    return np.asarray(1 - edge_mtf(frequency_object_cyc_per_mm, blur_um, raggedness_um))


def blur_limit_um(frequency_object_cyc_per_mm: float, loss: float) -> float:
    """Largest spread of an edge that takes no more than ``loss`` at a frequency. [um].

    Parameters
    ----------
    frequency_object_cyc_per_mm : float
        Object side. [cycles per mm], > 0
    loss : float
        Share of the MTF. [-], 0 < loss < 1

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    if not 0 < frequency_object_cyc_per_mm < math.inf:
        raise ValueError("frequency_object_cyc_per_mm must be a finite number > 0")
    return 1e3 * gaussian_product(1 - _loss(loss)) / frequency_object_cyc_per_mm


def frequency_limit_cyc_per_mm(spread_um: float, loss: float) -> float:
    """Highest object-side frequency at which an edge takes no more than ``loss``.

    Parameters
    ----------
    spread_um : float
        Blur, or blur and raggedness by ``edge_spread_um``. [um], >= 0
    loss : float
        Share of the MTF. [-], 0 < loss < 1

    Returns
    -------
    float
        [cycles per mm]; infinite for a perfect edge.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    spread_mm = edge_spread_um(spread_um) * 1e-3
    product = gaussian_product(1 - _loss(loss))
    return product / spread_mm if spread_mm > 0 else math.inf


def mtf50_loss(
    mtf: Callable[[float], float | FloatArray],
    mtf50_object_cyc_per_mm: float,
    spread_um: float,
) -> float:
    """Share by which a target's edge lowers MTF50 itself, solved, not linearised.

    Parameters
    ----------
    mtf : callable
        MTF against object-side frequency [cycles per mm] as a perfect edge would show
        it; falls without rising from 0 to MTF50.
    mtf50_object_cyc_per_mm : float
        Where it is one half. [cycles per mm], > 0
    spread_um : float
        Blur, or blur and raggedness by ``edge_spread_um``. [um], >= 0

    Returns
    -------
    float
        [-], 0 to 1

    Raises
    ------
    ValueError
        If an argument is outside its range, or the MTF is not one half where it should be.
    """
    spread_mm = edge_spread_um(spread_um) * 1e-3
    if not 0 < mtf50_object_cyc_per_mm < math.inf:
        raise ValueError("mtf50_object_cyc_per_mm must be a finite number > 0")
    if not abs(float(mtf(mtf50_object_cyc_per_mm)) - 0.5) < 1e-6:
        raise ValueError("mtf must be one half at mtf50_object_cyc_per_mm")
    if spread_mm == 0:
        return 0.0
    low, high = 0.0, mtf50_object_cyc_per_mm
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        if float(mtf(middle)) * float(gaussian_mtf(middle, spread_mm)) > 0.5:
            low = middle
        else:
            high = middle
    return 1 - high / mtf50_object_cyc_per_mm


def magnification_limit(
    spread_um: float,
    loss: float,
    mtf50_object: Callable[[float], float],
    lowest: float,
    highest: float,
) -> float | None:
    """Largest magnification at which a target's edge still serves.

    It serves where it takes no more than ``loss`` at the lens's MTF50.

    Parameters
    ----------
    spread_um : float
        Blur, or blur and raggedness by ``edge_spread_um``. [um], >= 0
    loss : float
        Share of the MTF. [-], 0 < loss < 1
    mtf50_object : callable
        The lens's MTF50 against magnification, object side [cycles per mm]; it rises
        with magnification, as that of diffraction does.
    lowest, highest : float
        Magnifications to look between. [-], 0 < lowest < highest

    Returns
    -------
    float or None
        ``math.inf`` where it serves at the highest (any magnification looked at), None
        where it does not serve even at the lowest.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    if not 0 < lowest < highest < math.inf:
        raise ValueError("need 0 < lowest < highest")
    limit = frequency_limit_cyc_per_mm(spread_um, loss)
    if mtf50_object(highest) <= limit:
        return math.inf
    if mtf50_object(lowest) > limit:
        return None
    low, high = lowest, highest
    for _ in range(_BISECTIONS):
        middle = math.sqrt(low * high)
        if mtf50_object(middle) <= limit:
            low = middle
        else:
            high = middle
    return low


def _frequency(value: npt.ArrayLike) -> FloatArray:
    f = np.asarray(value, dtype=np.float64)
    if not np.all((f >= 0) & (f < np.inf)):
        raise ValueError("frequency_object_cyc_per_mm must be finite numbers >= 0")
    return f


def _loss(loss: float) -> float:
    if not 0 < loss < 1:
        raise ValueError("loss must be a share between 0 and 1, such as 0.05")
    return loss
