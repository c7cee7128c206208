"""How must a target be lit so that its edges can be believed?

From behind (film, glass, a blade): light from well outside the cone that the lens
accepts, else edges are partially coherent and MTF50 comes out too high (see
``partial_coherence``). A diffuser gives that light if it is wide enough for its
distance. From the front (paper): two lamps, one each side, that neither mirror in the
target nor stand in the lens's own shadow. The figures follow from straight rays and,
of ours, the object side's numerical aperture; ``lighting_sentences`` puts them in words.

Left out: colour, exposure, flicker, polarisers, and chrome lit from the front, which
mirrors whatever faces it. A glass plate between diffuser and edge counts as air, which
errs towards a larger diffuser.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.optics.geometry import effective_f_number, object_numerical_aperture
from lab.optics.partial_coherence import mtf50_error

__all__ = [
    "COHERENCE_RATIO",
    "DIFFUSER_DISTANCE_MM",
    "LampAdvice",
    "LampSetup",
    "LightingAdvice",
    "diffuser_distance_for",
    "diffuser_for",
    "lamp_angles_deg",
    "lamp_evenness",
    "lighting_advice",
    "lighting_sentences",
]

# Numerical aperture of the light over the lens's: MTF50 then errs by 0.41 %, and 2 would
# leave 1.0 % (python -m tests.bench.coherence_study).
COHERENCE_RATIO = 3.0
# Far enough behind the edge that the diffuser's grain and dust blur away, near enough that
# it stays small. Common practice, no published source.
DIFFUSER_DISTANCE_MM = 20.0
# Two lamps at 45 degrees from the normal. Common practice in copying flat originals, no
# published source.
_USUAL_ANGLE_DEG = 45.0
# Glossy paper spreads what it mirrors: this far beyond the sharp reflection. Common
# practice, no published source.
_GLOSS_DEG = 5.0
_STEEPEST_ANGLE_DEG = 80.0  # beyond it lamps graze the target and show its every fibre
_WIDEST_SINE = 0.9  # a flat diffuser fills no wider cone: it would have to be endless


@dataclass(frozen=True, kw_only=True)
class LampSetup:
    """Two like lamps and the lens between them, as the photographer has them.

    Attributes
    ----------
    working_distance_mm : float
        From the target to the front of the lens, the shortest in use. [mm], > 0
    lens_front_mm : float
        Outer diameter of the lens's front, hood included. [mm], > 0
    lamp_mm : float
        Width of each lamp or its diffuser. [mm], > 0
    lamp_distance_mm : float
        From the target's centre to the middle of each lamp. [mm], > lamp_mm / 2
    """

    working_distance_mm: float
    lens_front_mm: float
    lamp_mm: float
    lamp_distance_mm: float

    def __post_init__(self) -> None:
        lengths = (self.working_distance_mm, self.lens_front_mm, self.lamp_mm)
        if not all(0 < length < np.inf for length in lengths):
            raise ValueError("working_distance_mm, lens_front_mm and lamp_mm must be > 0")
        if not self.lamp_mm / 2 < self.lamp_distance_mm < np.inf:
            raise ValueError("lamp_distance_mm must be > lamp_mm / 2")


@dataclass(frozen=True, kw_only=True)
class LampAdvice:
    """Where two lamps belong. Angles are from the target's normal.

    Attributes
    ----------
    smallest_angle_deg : float or None
        Below it a lamp mirrors in the target or stands in the lens's shadow; None if no
        angle will do.
    angle_deg : float or None
        To use: the usual 45, or more where the above leaves no room.
    distance_mm : float
    evenness : float or None
        Least over most light in the field at that angle. [-], 0 to 1
    """

    smallest_angle_deg: float | None
    angle_deg: float | None
    distance_mm: float
    evenness: float | None


@dataclass(frozen=True, kw_only=True)
class LightingAdvice:
    """How to light a target for a rig.

    Attributes
    ----------
    largest_aperture : float
        The rig's largest numerical aperture on the object side. [-]
    coherence_ratio : float
        Aperture of the light over that. [-]
    mtf50_error : float
        By how much the light overstates MTF50 at that ratio, at most. [share]
    cone_deg : float
        Half angle of the light that every point of the field must get. [deg]
    diffuser_mm : (float, float)
        Least width and height.
    diffuser_distance_mm : float
        Behind the edge.
    lamps : LampAdvice or None
        None where nothing was said of lamps.
    """

    largest_aperture: float
    coherence_ratio: float
    mtf50_error: float
    cone_deg: float
    diffuser_mm: tuple[float, float]
    diffuser_distance_mm: float
    lamps: LampAdvice | None


def _positive(name: str, value: npt.ArrayLike) -> FloatArray:
    array = np.asarray(value, dtype=np.float64)
    if not np.all((array > 0) & np.isfinite(array)):
        raise ValueError(f"{name} must be > 0")
    return array


def _cone_tangent(aperture: npt.ArrayLike, coherence_ratio: npt.ArrayLike) -> FloatArray:
    """Tangent of the light cone's half angle, ``tan(asin(S NA))``.

    Raises
    ------
    ValueError
        If there is no such cone.
    """
    sine = _positive("coherence_ratio", coherence_ratio) * _positive("aperture", aperture)
    if not np.all(sine < 1):
        raise ValueError("coherence_ratio x aperture must be < 1")
    return np.asarray(sine / np.sqrt(1 - sine * sine))


def diffuser_for(
    object_field_mm: npt.ArrayLike,
    aperture: npt.ArrayLike,
    distance_mm: npt.ArrayLike,
    coherence_ratio: npt.ArrayLike = COHERENCE_RATIO,
) -> FloatArray:
    """Width of diffuser that gives every point of the field its full cone of light.

    Parameters
    ----------
    object_field_mm : array_like
        Width (or height) of the field in the subject. [mm], > 0
    aperture : array_like
        Numerical aperture of the lens on the object side. [-], > 0
    distance_mm : array_like
        From the edge to the diffuser's surface. [mm], > 0
    coherence_ratio : array_like
        Aperture of the light over the lens's. [-], > 0, times the above < 1

    Returns
    -------
    ndarray
        ``field + 2 distance tan(asin(S NA))``, broadcast. [mm]

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    field = _positive("object_field_mm", object_field_mm)
    beyond = _positive("distance_mm", distance_mm) * _cone_tangent(aperture, coherence_ratio)
    return np.asarray(field + 2 * beyond)


def diffuser_distance_for(
    diffuser_mm: npt.ArrayLike,
    object_field_mm: npt.ArrayLike,
    aperture: npt.ArrayLike,
    coherence_ratio: npt.ArrayLike = COHERENCE_RATIO,
) -> FloatArray:
    """Largest distance at which a diffuser still serves: the inverse of ``diffuser_for``.

    Parameters
    ----------
    diffuser_mm : array_like
        Width (or height) of the diffuser. [mm], > object_field_mm
    object_field_mm, aperture, coherence_ratio : array_like
        As for ``diffuser_for``.

    Returns
    -------
    ndarray
        [mm], broadcast

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    field = _positive("object_field_mm", object_field_mm)
    beyond = _positive("diffuser_mm", diffuser_mm) - field
    if not np.all(beyond > 0):
        raise ValueError("diffuser_mm must be > object_field_mm")
    return np.asarray(beyond / (2 * _cone_tangent(aperture, coherence_ratio)))


def lamp_angles_deg(
    setup: LampSetup, object_field_mm: float, aperture: float
) -> tuple[float, float] | None:
    """Angles from the target's normal at which a lamp is out of the lens's way.

    In the plane of the lamps. A ray from any place on the lamp that the field's plane
    mirrors into the cone the lens accepts must meet that plane outside the field, and a
    ray from any place on the lamp to the far end of the field must pass the front of the
    lens. Upwards the angle ends where the lamp dips into the target's plane, or at 80.

    Parameters
    ----------
    setup : LampSetup
    object_field_mm : float
        Of the field, along the line of the lamps. [mm], > 0
    aperture : float
        Numerical aperture of the lens on the object side. [-], > 0, < 1

    Returns
    -------
    (float, float) or None
        Smallest and largest, in steps of 0.1. None where no angle will do. [deg]

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    half_field = float(_positive("object_field_mm", object_field_mm)) / 2
    height = setup.working_distance_mm
    pupil = height * float(_cone_tangent(aperture, 1.0))
    # The outer end of a lamp that faces the field's centre reaches the plane at this angle.
    dips = np.rad2deg(np.arctan(2 * setup.lamp_distance_mm / setup.lamp_mm))
    angle_deg = np.arange(0, np.ceil(10 * min(_STEEPEST_ANGLE_DEG, dips))) / 10
    sine, cosine = np.sin(np.deg2rad(angle_deg)), np.cos(np.deg2rad(angle_deg))
    # Its inner end, the higher and nearer one, is the first in the way.
    across = setup.lamp_distance_mm * sine - setup.lamp_mm / 2 * cosine
    above = setup.lamp_distance_mm * cosine + setup.lamp_mm / 2 * sine
    mirrored = (across * height - pupil * above) / (above + height)
    passing = -half_field + (across + half_field) * height / above
    unshaded = (above <= height) | (passing > setup.lens_front_mm / 2)
    clear = (mirrored > half_field) & unshaded
    first = int(np.flatnonzero(~clear)[-1]) + 1  # at 0 a lamp mirrors: never empty
    if first >= angle_deg.size:
        return None
    return float(angle_deg[first]), float(angle_deg[-1])


def lamp_evenness(
    object_field_mm: tuple[float, float], lamp_distance_mm: float, angle_deg: float
) -> float:
    """Least over most light in a field lit by two like lamps, one from each side.

    Each lamp gives ``cos(incidence) / distance**2``, as small lamps do that shine alike
    in all directions of the field. At small fields the sum changes by ``(7.5 sin**2 -
    1.5) (x / distance)**2`` along the line of the lamps, by ``-1.5`` times across it.

    Parameters
    ----------
    object_field_mm : (float, float)
        Along the line of the lamps, and across it. [mm], > 0
    lamp_distance_mm : float
        From the field's centre to each lamp. [mm], > half the field's width
    angle_deg : float
        Of the lamps, from the target's normal. [deg], 0 <= angle < 90

    Returns
    -------
    float
        [-], 0 to 1

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    width, height = (float(side) for side in _positive("object_field_mm", object_field_mm))
    if not width / 2 < lamp_distance_mm < np.inf:
        raise ValueError("lamp_distance_mm must be > half the field's width")
    if not 0 <= angle_deg < 90:
        raise ValueError("angle_deg must be in [0, 90)")
    x = np.linspace(-width / 2, width / 2, 41)[:, None]
    y = np.linspace(-height / 2, height / 2, 41)
    across = lamp_distance_mm * np.sin(np.deg2rad(angle_deg))
    above = lamp_distance_mm * np.cos(np.deg2rad(angle_deg))
    light = sum(above / ((x - side * across) ** 2 + y**2 + above**2) ** 1.5 for side in (-1.0, 1.0))
    return float(np.min(light) / np.max(light))


def lighting_advice(
    *,
    sensor_mm: tuple[float, float],
    magnifications: Sequence[float],
    marked_stops: Sequence[float],
    pupil_ratio: float,
    distance_mm: float = DIFFUSER_DISTANCE_MM,
    lamps: LampSetup | None = None,
) -> LightingAdvice:
    """Figures to light a target by, for a rig with one or several magnifications.

    One diffuser serves all: it is as large as the widest stop at the most demanding
    magnification asks. The aperture of the light is 3 times the lens's; less where no
    diffuser could fill that.

    Parameters
    ----------
    sensor_mm : (float, float)
        Width and height. [mm], > 0
    magnifications, marked_stops : sequence of float
        In use. [-], > 0
    pupil_ratio : float
        Exit-pupil over entrance-pupil diameter. [-], > 0
    distance_mm : float
        From the edge to the diffuser. [mm], > 0
    lamps : LampSetup or None
        For a target lit from the front. Lamps stand left and right of the field.

    Returns
    -------
    LightingAdvice

    Raises
    ------
    ValueError
        If an argument is outside its range, or the lens's aperture is not < 0.9.
    """
    m = np.atleast_1d(_positive("magnifications", magnifications))
    stop = float(_positive("marked_stops", marked_stops).min())
    field = _positive("sensor_mm", sensor_mm) / m[:, None]
    aperture = object_numerical_aperture(effective_f_number(stop, m, pupil_ratio), m)
    largest = float(aperture.max())
    if not largest < _WIDEST_SINE:
        raise ValueError(f"the object-side numerical aperture must be < {_WIDEST_SINE}")
    ratio = min(COHERENCE_RATIO, _WIDEST_SINE / largest)
    need = diffuser_for(field, aperture[:, None], distance_mm, ratio).max(axis=0)
    return LightingAdvice(
        largest_aperture=largest,
        coherence_ratio=ratio,
        mtf50_error=mtf50_error(ratio),
        cone_deg=float(np.rad2deg(np.arcsin(ratio * largest))),
        diffuser_mm=(float(need[0]), float(need[1])),
        diffuser_distance_mm=distance_mm,
        lamps=None if lamps is None else _lamp_advice(lamps, field.max(axis=0), largest),
    )


def _lamp_advice(setup: LampSetup, field: FloatArray, aperture: float) -> LampAdvice:
    width, height = (float(side) for side in field)
    clear = lamp_angles_deg(setup, width, aperture)
    if clear is None:
        return LampAdvice(
            smallest_angle_deg=None,
            angle_deg=None,
            distance_mm=setup.lamp_distance_mm,
            evenness=None,
        )
    smallest, largest = clear
    angle = min(max(_USUAL_ANGLE_DEG, float(np.ceil(smallest + _GLOSS_DEG))), largest)
    return LampAdvice(
        smallest_angle_deg=smallest,
        angle_deg=angle,
        distance_mm=setup.lamp_distance_mm,
        evenness=lamp_evenness((width, height), setup.lamp_distance_mm, angle),
    )


def lighting_sentences(advice: LightingAdvice) -> tuple[str, ...]:
    """Say it plainly: what to set up, then the cautions. For a sheet or a terminal.

    Parameters
    ----------
    advice : LightingAdvice

    Returns
    -------
    tuple of str
        One sentence each, at most 75 characters. Sizes are rounded up.
    """
    width, height = (int(np.ceil(side)) for side in advice.diffuser_mm)
    told = [
        "Light film, glass or a blade from behind, through a diffuser.",
        f"Diffuser: {width} x {height} mm or more, {advice.diffuser_distance_mm:g} mm behind "
        "the edge, evenly bright.",
        "At the highest magnification, light must come from "
        f"{np.ceil(advice.cone_deg):.0f} degrees off axis.",
        f"MTF50 then reads {_percent_up(advice.mtf50_error)} too high at most; in narrower light, "
        "more.",
        "A bare lamp, a condenser or a window across the room will not do.",
        "Mask light that passes beside the target: it veils the picture.",
    ]
    if advice.lamps is None:
        told.append(
            "Light paper from the front: a lamp each side, "
            f"{_USUAL_ANGLE_DEG:.0f} degrees from its normal."
        )
    else:
        told += _lamp_sentences(advice.lamps)
    return (
        *told,
        "Never look into flash or a bright LED at close range, with or without lens.",
        "Lamps get hot: keep paper and film clear of them and let them cool.",
        "Glass and blades are sharp: hold them by a frame or a holder.",
        "Local rules and the maker's instructions come first.",
    )


def _lamp_sentences(lamps: LampAdvice) -> list[str]:
    first = "Light paper from the front, with two like lamps, one from each side."
    if lamps.angle_deg is None or lamps.evenness is None:
        return [
            first,
            "Here no angle clears the lens: use smaller lamps, or come from further off.",
        ]
    return [
        first,
        f"Stand each {lamps.angle_deg:.0f} degrees from the target's normal, "
        f"{lamps.distance_mm:g} mm away.",
        f"Below {lamps.smallest_angle_deg:.0f} degrees a lamp mirrors in the target, or the lens "
        "shades it.",
        f"The light then differs by {_percent_up(1 - lamps.evenness)} over the field.",
        "Keep its light off the lens's front: black card round the lens helps.",
    ]


def _percent_up(share: float) -> str:
    """Percent with one decimal, rounded up: what is said to hold at most must."""
    return f"{np.ceil(round(1000 * share, 6)) / 10:.1f} %"
