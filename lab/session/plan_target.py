"""What does a planned rig ask of its target, and which numbers does its session carry?

Rigs bring their own effective f-numbers. Where a relation wants a ring's number and a
pupil ratio, ``equivalent_stop`` gives the number that makes the same cone with ratio 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from lab.optics.geometry import effective_f_number
from lab.optics.illumination import LightingAdvice, lighting_advice
from lab.optics.system import channel_band
from lab.session.plan import Plan, PlanPoint, PlanSeries
from lab.session.stops import exact_stop
from lab.session.target_need import MagnificationNeed, target_need

__all__ = [
    "SessionNumbers",
    "equivalent_stop",
    "plan_lighting",
    "plan_need",
    "session_numbers",
]

# A session has one pupil ratio; a rig that it describes this well keeps its ring's numbers.
_RATIO_ERROR = 0.05  # of the effective f-number: a seventh of a stop
_RATIOS = (0.2, 5.0)


@dataclass(frozen=True, kw_only=True)
class SessionNumbers:
    """How a session's model, ``N (1 + m / P)``, is made to fit a rig.

    Attributes
    ----------
    pupil_ratio : float
    stops : tuple of tuple of float
        For each series, those of ``PlanSeries.shot_points``.
    is_equivalent : bool
        Whether the stops are equivalents and not the ring's own numbers.
    """

    pupil_ratio: float
    stops: tuple[tuple[float, ...], ...]
    is_equivalent: bool


def equivalent_stop(effective: float, magnification: float) -> float:
    """Number on the ring that gives a cone with pupil ratio 1, ``N_eff / (1 + m)``.

    Parameters
    ----------
    effective, magnification : float
        > 0
    """
    return effective / float(effective_f_number(1.0, magnification, 1.0))


def session_numbers(plan: Plan) -> SessionNumbers:
    """Pupil ratio and stops for session.toml.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    SessionNumbers
        The ring's numbers where one pupil ratio gives every cone to 5 %; else, as with a
        close-up lens, lenses face to face or an objective, equivalents with ratio 1.
    """
    points = [(one, p) for one in plan.series for p in one.shot_points]
    ratio = _ratio(plan)
    if ratio is not None and not any(p.is_front_limited for _, p in points):
        return SessionNumbers(
            pupil_ratio=ratio,
            stops=tuple(
                tuple(p.marked_stop for p in one.shot_points if p.marked_stop is not None)
                for one in plan.series
            ),
            is_equivalent=False,
        )
    return SessionNumbers(
        pupil_ratio=1.0,
        stops=tuple(
            tuple(
                _written(equivalent_stop(p.effective_f_number, one.magnification))
                for p in one.shot_points
            )
            for one in plan.series
        ),
        is_equivalent=True,
    )


def _written(stop: float) -> float:
    """To four digits, and a hair beside a customary marking, which stands for another number."""
    short = float(f"{stop:.4g}")
    return short if exact_stop(short) == short else float(f"{1.0005 * short:.5g}")


def _ratio(plan: Plan) -> float | None:
    """The pupil ratio that fits all magnifications best, or None if none fits well."""
    cones = [(one.magnification, one.optics.per_marked) for one in plan.series]
    exact = [m / (per - 1) for m, per in cones if per is not None and per > 1]
    if len(exact) < len(cones):
        return None

    def worst(ratio: float) -> float:
        said = [float(effective_f_number(1.0, m, ratio)) for m, _ in cones]
        return max(abs(math.log(n / (per or n))) for n, (_, per) in zip(said, cones, strict=True))

    between = math.sqrt(min(exact) * max(exact))
    ratio = float(f"{min((*exact, between), key=worst):.4g}")
    is_good = worst(ratio) <= _RATIO_ERROR and _RATIOS[0] <= ratio <= _RATIOS[1]
    return ratio if is_good else None


def _widest(series: PlanSeries) -> PlanPoint:
    return min(series.points, key=lambda p: p.effective_f_number)


def plan_need(plan: Plan) -> MagnificationNeed:
    """What the plan's finest image asks of a target's edge.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    MagnificationNeed
        Of the magnification and stop with the highest MTF50 in the subject.
    """
    one = max(plan.series, key=lambda s: _widest(s).mtf50_object_cyc_per_mm)
    need = target_need(
        magnifications=[one.magnification],
        marked_stops=[equivalent_stop(_widest(one).effective_f_number, one.magnification)],
        pupil_ratio=1.0,
        pixel_pitch_um=plan.rig.body.pixel_pitch_um,
        wavelength_um=channel_band(plan.wavelength_um),
    )
    return need.magnifications[0]


def plan_lighting(plan: Plan) -> LightingAdvice | None:
    """How to light a target for all of a plan's magnifications.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    LightingAdvice or None
        None if the rig's numerical aperture is too large for any diffuser.
    """
    try:
        every = [
            lighting_advice(
                magnifications=[one.magnification],
                marked_stops=[equivalent_stop(_widest(one).effective_f_number, one.magnification)],
                pupil_ratio=1.0,
                sensor_mm=plan.rig.body.sensor_mm,
            )
            for one in plan.series
        ]
    except ValueError:  # the aperture: all else is checked where a plan is made
        return None
    widest = max(every, key=lambda advice: advice.cone_deg)
    width, height = (max(advice.diffuser_mm[k] for advice in every) for k in (0, 1))
    return replace(widest, diffuser_mm=(width, height))
