"""What can a rig do, and what should be shot with it?

For each magnification and stop: the cone at the sensor, what diffraction leaves of MTF50
on this pixel, how deep is sharp, which rail step and how many frames bracket the peak,
how much light to add, and how long an exposure may last in the hand. A perfect lens in
green light; what a rig's own description leaves open stands in ``Plan.assumptions``.

A bracket's step is half the shift of focus at which MTF50 falls to 0.55 of its peak:
through-focus fits use the frames above that share, and then have four of them or more.
Frames reach that far to either side beyond how far focus may be off when it is set: half
a step, unless a figure is given. Off by a whole step, four frames are still on the peak.
All stops of a magnification have as many frames as the one that needs most, and finer
steps for it.

Left out: aberrations, which move and widen the peak; measured lenses have ``fit``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from lab.optics import exposure
from lab.optics.geometry import depth_of_field
from lab.optics.system import (
    DEFAULT_WAVELENGTH_UM,
    Band,
    channel_band,
    diffraction_mtf50,
    system_mtf,
)
from lab.session.rig import Objective, Rig, RigOptics, assumptions, rig_optics
from lab.session.stops import exact_stop

__all__ = ["Plan", "PlanPoint", "PlanSeries", "Shooting", "plan_rig"]

_FLANK = 0.55  # share of the peak's MTF50 above which frames shape its fit
_HALVINGS = 20  # to a millionth, of which a step keeps two digits
# Blur disc of the geometric depth: a pair of pixels. Common practice, no published source.
_CIRCLE_PIXELS = 2.0


@dataclass(frozen=True, kw_only=True)
class Shooting:
    """Exposure and movement.

    Attributes
    ----------
    shutter_s : float
        Time that the shutter is open. [s], > 0. 1/200: a usual fastest one with flash;
        common practice, no published source.
    flash_s : float
        t0.1 of the flash. [s], > 0. 1/1000: about a small flash at part power; ours, no
        published source.
    ambient_under_stops : float
        By how much ambient light alone underexposes. [stops]
    hand_speed_mm_per_s : float
        Across the subject. [mm/s], > 0. The rule of one over the focal length in mm on
        36 x 24 mm lets 0.03 rad/s pass (for 30 um of blur; common practice): 5 mm/s seen
        from 165 mm. Ours; hands differ.
    """

    shutter_s: float = 1 / 200
    flash_s: float = 1 / 1000
    ambient_under_stops: float = 5.0
    hand_speed_mm_per_s: float = 5.0

    def __post_init__(self) -> None:
        above = (self.shutter_s, self.flash_s, self.hand_speed_mm_per_s)
        if not all(0 < value < math.inf for value in above):
            raise ValueError("shutter_s, flash_s and hand_speed_mm_per_s must be > 0")
        if not math.isfinite(self.ambient_under_stops):
            raise ValueError("ambient_under_stops must be finite")

    @property
    def ambient_share(self) -> float:
        """Of the light that makes the picture. [-]."""
        return exposure.ambient_share(self.ambient_under_stops)

    @property
    def effective_exposure_s(self) -> float:
        """Even exposure that blurs like flash and ambient light together. [s]."""
        flash = exposure.flash_as_rectangle_s(self.flash_s)
        return exposure.effective_exposure_s(flash, self.shutter_s, self.ambient_share)


@dataclass(frozen=True, kw_only=True)
class PlanPoint:
    """One stop at one magnification.

    Attributes
    ----------
    marked_stop : float or None
        Number on the ring; None for an objective.
    effective_f_number : float
    is_front_limited : bool
        What stands before the lens sets the cone: turning the ring changes nothing.
    lens_mtf50_image_cyc_per_mm : float
        Of diffraction alone.
    mtf50_image_cyc_per_mm, mtf50_object_cyc_per_mm : float
        Of diffraction and pixel.
    nyquist_percent : float
        The former's share of half a cycle a pixel; above 100 the pixels alias.
    depth_wave_um, depth_geometric_um : float
        Total, object side: +-1/4 wave; a blur disc of two pixels.
    focus_step_um : float
        Of the rail, object side.
    frames : int
        The most that any stop of the magnification needs; others take finer steps.
    added_stops : float or None
        Exposure to add for close range; None for an objective.
    blur_budget_um : float
        Even movement on the sensor that takes a tenth of the contrast at MTF50.
    longest_exposure_s, longest_flash_s : float
        That stay within it at the hand's speed: shutter, and t0.1 of a flash.
    """

    marked_stop: float | None
    effective_f_number: float
    is_front_limited: bool
    lens_mtf50_image_cyc_per_mm: float
    mtf50_image_cyc_per_mm: float
    mtf50_object_cyc_per_mm: float
    nyquist_percent: float
    depth_wave_um: float
    depth_geometric_um: float
    focus_step_um: float
    frames: int
    added_stops: float | None
    blur_budget_um: float
    longest_exposure_s: float
    longest_flash_s: float


@dataclass(frozen=True, kw_only=True)
class PlanSeries:
    """One magnification: the rig set to it, and its stops.

    ``hand_blur_um`` is the movement on the sensor within the effective exposure;
    ``flags`` holds "rail-too-coarse" where the rail's finest step is coarser than wanted.
    """

    optics: RigOptics
    field_mm: tuple[float, float]
    points: tuple[PlanPoint, ...]
    hand_blur_um: float
    flags: tuple[str, ...]

    @property
    def magnification(self) -> float:
        """Image over object size. [-]."""
        return self.optics.magnification

    @property
    def frames_per_stop(self) -> int:
        """Alike for all stops, as session.toml has one number for all."""
        return self.points[0].frames

    def is_over_budget(self, point: PlanPoint) -> bool:
        """Whether a hand smears more in the planned light than one of the stops bears."""
        return self.hand_blur_um > point.blur_budget_um

    @property
    def shot_points(self) -> tuple[PlanPoint, ...]:
        """Stops worth shooting: of those where the ring changes nothing, the widest."""
        limited = [point for point in self.points if point.is_front_limited]
        return tuple(p for p in self.points if not p.is_front_limited or p is limited[0])


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What a rig can do at each magnification."""

    rig: Rig
    shooting: Shooting
    wavelength_um: float
    series: tuple[PlanSeries, ...]
    assumptions: tuple[str, ...]


def plan_rig(
    rig: Rig,
    *,
    shooting: Shooting | None = None,
    finest_step_um: float | None = None,
    focus_error_um: float | None = None,
    wavelength_um: float = DEFAULT_WAVELENGTH_UM["green"],
) -> Plan:
    """Predict each magnification and stop of a rig, and what to shoot.

    Parameters
    ----------
    rig : Rig
    shooting : Shooting, optional
        Exposure and movement; its own defaults where left out.
    finest_step_um : float, optional
        Of the rail: steps become whole multiples of it. [um], > 0
    focus_error_um : float, optional
        By how much focus may be off when it is set, either way, object side; without it
        half a step. [um], >= 0
    wavelength_um : float
        Mean of the light. [um], > 0

    Raises
    ------
    SessionError
        If the rig does not reach one of its magnifications.
    ValueError
        If an argument is outside its range.

    Examples
    --------
    >>> from lab.session.config import Body
    >>> from lab.session.rig import RigLens
    >>> rig = Rig(
    ...     name="Bellows",
    ...     body=Body(name="Club body", pixel_pitch_um=4.35, sensor_mm=(35.9, 23.9)),
    ...     lens=RigLens(name="Enlarger 75", focal_length_mm=75),
    ...     magnifications=(2.0,),
    ...     stops=(8,),
    ... )
    >>> point = plan_rig(rig).series[0].points[0]
    >>> round(point.effective_f_number, 6), round(point.added_stops, 2)
    (24.0, 3.17)
    """
    if finest_step_um is not None and not 0 < finest_step_um < math.inf:
        raise ValueError("finest_step_um must be > 0")
    if focus_error_um is not None and not 0 <= focus_error_um < math.inf:
        raise ValueError("focus_error_um must be >= 0")
    shooting = shooting or Shooting()
    band = channel_band(wavelength_um)
    return Plan(
        rig=rig,
        shooting=shooting,
        wavelength_um=wavelength_um,
        series=tuple(
            _series(rig, m, band, shooting, finest_step_um, focus_error_um)
            for m in rig.magnifications
        ),
        assumptions=assumptions(rig),
    )


def _series(
    rig: Rig,
    m: float,
    band: Band,
    shooting: Shooting,
    finest_step_um: float | None,
    focus_error_um: float | None,
) -> PlanSeries:
    optics = rig_optics(rig, m)
    stops: tuple[float | None, ...] = (None,) if isinstance(rig.lens, Objective) else rig.stops
    speed = 1e3 * shooting.hand_speed_mm_per_s
    points, reaches, is_coarse = [], [], False
    for stop in stops:
        n_eff, pitch = optics.effective(stop), rig.body.pixel_pitch_um
        alone = diffraction_mtf50(wavelength_um=band, f_number=n_eff)
        mtf50 = diffraction_mtf50(wavelength_um=band, f_number=n_eff, pixel_pitch_um=pitch)
        wave, geometric = depth_of_field(
            n_eff, m, wavelength_um=band.mean_um, circle_um=_CIRCLE_PIXELS * pitch
        )
        flank = _flank_um(mtf50, band.mean_um, n_eff, pitch) / m**2
        step = _step_um(flank / 2, finest_step_um)
        is_coarse |= step > flank / 2
        reaches.append(flank + (step / 2 if focus_error_um is None else focus_error_um))
        budget = exposure.blur_budget_um(mtf50)
        longest = exposure.longest_exposure_s(budget, m, speed)
        points.append(
            PlanPoint(
                marked_stop=stop,
                effective_f_number=n_eff,
                is_front_limited=optics.is_front_limited(stop),
                lens_mtf50_image_cyc_per_mm=alone,
                mtf50_image_cyc_per_mm=mtf50,
                mtf50_object_cyc_per_mm=mtf50 * m,
                nyquist_percent=100 * mtf50 * 2 * pitch * 1e-3,
                depth_wave_um=float(wave),
                depth_geometric_um=float(geometric),
                focus_step_um=step,
                frames=2 * max(3, math.ceil(reaches[-1] / step)) + 1,
                added_stops=None
                if stop is None
                else exposure.bellows_stops(exact_stop(stop), n_eff),
                blur_budget_um=budget,
                longest_exposure_s=longest,
                longest_flash_s=exposure.longest_flash_s(longest),
            )
        )
    width, height = rig.body.sensor_mm
    return PlanSeries(
        optics=optics,
        field_mm=(width / m, height / m),
        points=_of_equal_frames(points, reaches, finest_step_um),
        hand_blur_um=exposure.blur_length_um(m, speed, shooting.effective_exposure_s),
        flags=("rail-too-coarse",) if is_coarse else (),
    )


def _of_equal_frames(
    points: list[PlanPoint], reaches_um: list[float], finest_um: float | None
) -> tuple[PlanPoint, ...]:
    """All stops with the most frames that one needs, on finer steps over the same reach."""
    most = max(point.frames for point in points)
    return tuple(
        point
        if point.frames == most
        else replace(
            point,
            frames=most,
            focus_step_um=min(
                point.focus_step_um, _step_um(2 * reach / (most - 1), finest_um, up=True)
            ),
        )
        for point, reach in zip(points, reaches_um, strict=True)
    )


def _flank_um(mtf50: float, wavelength_um: float, n_eff: float, pitch_um: float) -> float:
    """Focus shift on the sensor at which MTF50 is down to its flank's share of the peak."""

    def is_above(shift_um: float) -> bool:
        # MTF50 is still above a frequency while the MTF there is above one half.
        found = system_mtf(
            _FLANK * mtf50,
            wavelength_um=wavelength_um,
            f_number=n_eff,
            pixel_pitch_um=pitch_um,
            focus_shift_um=shift_um,
        )
        return float(found) > 0.5

    low, high = 0.0, 2 * wavelength_um * n_eff**2  # a quarter wave
    while is_above(high):
        low, high = high, 2 * high
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if is_above(middle) else (low, middle)
    return (low + high) / 2


def _step_um(wanted_um: float, finest_um: float | None, *, up: bool = False) -> float:
    """Two digits, or whole steps of the rail; rounded down, or up."""
    unit = finest_um or math.pow(10, math.floor(math.log10(wanted_um)) - 1)
    units = wanted_um / unit
    whole = math.ceil(units - 1e-9) if up else math.floor(units + 1e-9)
    return round(max(1, whole) * unit, 6)
