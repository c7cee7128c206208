"""Take a known blur of the target's own edge out of a measured MTF.

A Gaussian edge spread multiplies the MTF by ``targets.fidelity.gaussian_mtf``.
Dividing it out adds its own uncertainty, which grows with frequency: where the
factor falls below a third the lens is no longer seen through it and nothing is given.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lab.edges.measure import EdgeMeasurement
from lab.edges.types import FloatArray, Rejection
from targets.fidelity import gaussian_mtf, gaussian_product

__all__ = ["WithoutTarget", "without_target_blur"]

_SMALLEST_FACTOR = 1 / 3
_GRID = 801


@dataclass(frozen=True, kw_only=True, eq=False)
class WithoutTarget:
    """MTF of lens and pixel with the target's blur divided out.

    ``mtf`` and ``mtf_std`` belong to ``frequency_cyc_per_px`` (n,), which ends where
    the target hides the lens; a level not reached before that is None.
    """

    mtf50_cyc_per_px: float
    mtf50_std: float
    mtf20_cyc_per_px: float | None
    mtf10_cyc_per_px: float | None
    frequency_cyc_per_px: FloatArray
    mtf: FloatArray
    mtf_std: FloatArray

    def __post_init__(self) -> None:
        for name in ("frequency_cyc_per_px", "mtf", "mtf_std"):
            copy = np.array(getattr(self, name), dtype=np.float64)
            copy.setflags(write=False)
            object.__setattr__(self, name, copy)


def without_target_blur(
    edge: EdgeMeasurement, blur_std_px: float, blur_std_uncertainty_px: float
) -> WithoutTarget | Rejection:
    """Divide the target's blur out of a measured edge.

    Parameters
    ----------
    edge : EdgeMeasurement
    blur_std_px : float
        Standard deviation of the target's edge spread, at the sensor. [px], >= 0
    blur_std_uncertainty_px : float
        Its standard uncertainty. [px], >= 0

    Returns
    -------
    WithoutTarget or Rejection
        A Rejection where the target is too soft to see the lens through.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    if not (blur_std_px >= 0 and blur_std_uncertainty_px >= 0):
        raise ValueError("blur_std_px and blur_std_uncertainty_px must be >= 0")
    highest = float(edge.frequency_cyc_per_px[-1])
    if blur_std_px > 0:
        highest = min(highest, gaussian_product(_SMALLEST_FACTOR) / blur_std_px)
    f = np.linspace(0, highest, _GRID)
    seen, seen_std = edge.mtf_at(f)
    factor = gaussian_mtf(f, blur_std_px)
    mtf = seen / factor
    # d mtf / d sigma = mtf (2 pi f)**2 sigma
    by_blur = mtf * (2 * np.pi * f) ** 2 * blur_std_px * blur_std_uncertainty_px
    mtf_std = np.hypot(seen_std / factor, by_blur)

    def level(value: float) -> tuple[float, float] | None:
        below = np.flatnonzero(mtf < value)
        if below.size == 0:
            return None
        k = int(below[0])
        slope = float((mtf[k] - mtf[k - 1]) / (f[k] - f[k - 1]))
        at = float(f[k - 1] + (value - mtf[k - 1]) / slope)
        return at, float(np.interp(at, f, mtf_std)) / abs(slope)

    half = level(0.5)
    if half is None:
        return Rejection(
            reason=f"the target's own edge blur ({blur_std_px:.1f} px) hides the lens: "
            "use a sharper target"
        )
    lower = [level(0.2), level(0.1)]
    on_grid = edge.frequency_cyc_per_px[edge.frequency_cyc_per_px <= highest]
    return WithoutTarget(
        mtf50_cyc_per_px=half[0],
        mtf50_std=half[1],
        mtf20_cyc_per_px=None if lower[0] is None else lower[0][0],
        mtf10_cyc_per_px=None if lower[1] is None else lower[1][0],
        frequency_cyc_per_px=on_grid,
        mtf=np.interp(on_grid, f, mtf),
        mtf_std=np.interp(on_grid, f, mtf_std),
    )
