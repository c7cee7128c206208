"""One shot or a stack, and is a higher magnification worth it against a crop?

Puts together what ``depth`` finds for one lens at one magnification: each stop's
sharpness at best focus and over the wanted depth, its depth, and its stack; the best
stop for one shot; and two magnifications that show the same object field to the same
depth, the lower one cropped, on the same sensor.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from lab.edges.types import FloatArray
from lab.inference.depth import (
    BestStop,
    OpticsAt,
    Sharpness,
    best_stop,
    depth_within,
    held_curve,
    stack_frames,
)
from lab.optics.depth import quadrature_f_number

__all__ = ["CropComparison", "DepthPlan", "StopDepth", "compare_crop", "plan_depth"]

_Z95 = 1.959964


@dataclass(frozen=True, kw_only=True)
class StopDepth:
    """One stop: sharpness (see ``Sharpness``), depth, and the stack that fills the depth.

    ``focused`` is at best focus, ``held`` the worst over the wanted depth, ``depth_um``
    the object-side depth within the permitted loss, which is the stack's step. Standard
    uncertainties are 0 for a predicted lens. A detail that is lost even in focus leaves
    depth 0 and no stack.
    """

    stop: float
    effective_f_number: float
    focused: float
    focused_std: float
    held: float
    held_std: float
    depth_um: float
    depth_std_um: float
    frames: int | None
    time_s: float | None


@dataclass(frozen=True, kw_only=True)
class DepthPlan:
    """What a depth asks of one lens at one magnification.

    ``best`` is the stop for one shot; ``sharpest`` the sharpest at best focus and
    ``stack`` what a stack at that stop takes. ``equal_blurs_stop`` is the closed form of
    a perfect lens, as a ring position.
    """

    magnification: float
    depth_um: float
    detail_um: float | None
    loss_percent: float
    points: tuple[StopDepth, ...]
    best: BestStop
    sharpest: BestStop
    stack: StopDepth
    equal_blurs_stop: float
    flags: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class CropComparison:
    """A magnification with the full sensor against a lower one cropped to the same field.

    Each at its best stop for the same depth, on the same sensor; ``ratio`` is what the
    full one holds over what the cropped one holds, object side; None where the cropped
    one loses the detail. ``better`` follows the 95 % interval where there is one.
    ``crop_width`` is the share of the sensor's width that the crop keeps.
    """

    cropped_magnification: float
    crop_width: float
    cropped: BestStop
    ratio: float | None
    ratio_low95: float | None
    ratio_high95: float | None
    better: Literal["full", "cropped", "cannot tell"]


def plan_depth(
    optics_at: OpticsAt,
    stops: Sequence[float],
    *,
    depth_um: float,
    detail_um: float | None = None,
    loss_percent: float = 10.0,
    seconds_per_frame: float | None = None,
    rng: np.random.Generator,
) -> DepthPlan:
    """Plan one shot and a stack for a wanted depth.

    Parameters
    ----------
    optics_at : callable
        From stops, (n,), to the lens there.
    stops : sequence of float
        Exact ring positions, rising; the first and last bound the search.
    depth_um : float
        Total, object side. [um], > 0
    detail_um : float, optional
        Width of a line and of a gap in the subject; without it MTF50 counts. [um], > 0
    loss_percent : float
        Of sharpness, midway between two frames of a stack. [%], 0 < loss < 100
    seconds_per_frame : float, optional
        Of a stack: until the flash is ready and the rig at rest. [s], >= 0
    rng : numpy.random.Generator

    Raises
    ------
    ValueError
        If an argument is outside its range or the stops do not rise.
    """
    if not depth_um > 0:
        raise ValueError("depth_um must be > 0")
    if not stops or not np.all(np.diff(stops) > 0):
        raise ValueError("stops must rise")
    sharp = Sharpness(detail_um=detail_um)
    marks = np.asarray(stops, dtype=np.float64)

    def points(at: FloatArray) -> tuple[StopDepth, ...]:
        optics = optics_at(at)
        focused, held = held_curve(optics, sharp, 0.0), held_curve(optics, sharp, depth_um)
        within = depth_within(optics, sharp, loss_percent)
        out = []
        for k in range(at.size):
            step_um = float(within.depth_um[k])
            frames = stack_frames(depth_um, step_um) if step_um > 0 else None
            out.append(
                StopDepth(
                    stop=float(at[k]),
                    effective_f_number=float(focused.f_number[k]),
                    focused=float(focused.held[k]),
                    focused_std=float(focused.held[k] * math.sqrt(focused.covariance[k, k])),
                    held=float(held.held[k]),
                    held_std=float(held.held[k] * math.sqrt(held.covariance[k, k])),
                    depth_um=step_um,
                    depth_std_um=float(within.std_um[k]),
                    frames=frames,
                    time_s=None
                    if frames is None or seconds_per_frame is None
                    else frames * seconds_per_frame,
                )
            )
        return tuple(out)

    best, sharpest = (
        best_stop(optics_at, stops[0], stops[-1], sharp, depth, rng=rng)
        for depth in (depth_um, 0.0)
    )
    at_best = optics_at(np.array([best.stop]))
    magnification = at_best.magnification
    effective = quadrature_f_number(
        depth_um * magnification**2, float(at_best.cone.wavelength_um[0])
    )
    # Finer than the pixels show without false patterns: half a cycle a pixel.
    finest = 1e3 / (2 * at_best.pixel_pitch_um) * magnification
    wanted = sharpest.held if detail_um is None else 1e3 / (2 * detail_um)
    return DepthPlan(
        magnification=magnification,
        depth_um=depth_um,
        detail_um=detail_um,
        loss_percent=loss_percent,
        points=points(marks),
        best=best,
        sharpest=sharpest,
        stack=points(np.array([sharpest.stop]))[0],
        equal_blurs_stop=effective * best.stop / best.f_number,
        flags=("finer-than-pixels",) if wanted > finest and sharpest.held > 0 else (),
    )


def compare_crop(full: DepthPlan, cropped: DepthPlan, covariance: FloatArray) -> CropComparison:
    """Set a magnification against a lower one that is cropped to its object field.

    Parameters
    ----------
    full, cropped : DepthPlan
        Of the same depth and detail; the second at the lower magnification.
    covariance : ndarray, (n_parameter, n_parameter)
        Of the fitted figures that both share; (0, 0) for predicted lenses.

    Raises
    ------
    ValueError
        If the plans do not compare.
    """
    if not cropped.magnification < full.magnification:
        raise ValueError("the cropped magnification must be the lower one")
    if (full.depth_um, full.detail_um) != (cropped.depth_um, cropped.detail_um):
        raise ValueError("both plans must be for the same depth and detail")
    one, other = full.best, cropped.best
    ratio = low = high = None
    better: Literal["full", "cropped", "cannot tell"] = "cannot tell"
    if one.held > 0 and other.held > 0:
        ratio = one.held / other.held
        better = "full" if ratio > 1 else "cropped"
        if covariance.size:
            spread = _Z95 * math.sqrt(_ratio_variance(one, other, covariance))
            low, high = ratio * math.exp(-spread), ratio * math.exp(spread)
            if low <= 1 <= high:
                better = "cannot tell"
    elif max(one.held, other.held) > 0:
        better = "full" if one.held > 0 else "cropped"
    return CropComparison(
        cropped_magnification=cropped.magnification,
        crop_width=cropped.magnification / full.magnification,
        cropped=other,
        ratio=ratio,
        ratio_low95=low,
        ratio_high95=high,
        better=better,
    )


def _ratio_variance(one: BestStop, other: BestStop, covariance: FloatArray) -> float:
    """Of the logarithm of the ratio: shared figures cancel, what lies between stops adds."""
    g, h = one.curve.gradient[0], other.curve.gradient[0]
    own = sum(
        float(best.curve.covariance[0, 0] - gradient @ covariance @ gradient)
        for best, gradient in ((one, g), (other, h))
    )
    return max(float((g - h) @ covariance @ (g - h)) + own, 0.0)
