"""What does a rig do at each magnification, by the parts it is built of?

``Rig`` holds body, lens and parts; ``rig_optics`` puts the parts' formulas together for
one magnification: how far the bellows stand out, how far the subject is, what the ring's
numbers become at the sensor. What is taken for granted is said by ``assumptions``; a fit
of measured frames puts figures in its place. ``read_rig`` of ``rig_file`` reads a rig.

Left out: rigs that their parts' paraxial figures do not describe, such as extension
behind a teleconverter; vignetting.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from lab.errors import SessionError
from lab.optics import rigs
from lab.optics.geometry import effective_f_number
from lab.session.config import Body
from lab.session.stops import exact_stop

__all__ = [
    "Front",
    "Objective",
    "Rig",
    "RigLens",
    "RigOptics",
    "assumptions",
    "reach",
    "rig_optics",
]

_END_SHARE = 0.01  # rounded magnifications may lie this far beyond an end
_HALVINGS = 60
ENGRAVED_IMAGE_MM = 150.0  # see Objective


@dataclass(frozen=True, kw_only=True)
class RigLens:
    """A lens with a diaphragm.

    Attributes
    ----------
    name : str
    focal_length_mm : float or None
        At infinity; None leaves distances out. [mm], > 0
    pupil_ratio : float or None
        Exit over entrance pupil, the usual way round; None = taken as 1.
    closest_magnification, closest_focal_length_mm : float or None
        What its own focusing reaches, and the focal length there if it shortens.
    is_reversed, is_barrel : bool
        Turned round; or without a mount that focuses infinity on this body.
    seat_mm : float
        Of those two: from the seat to the principal plane, away from the sensor. [mm]
    front_mm : float
        From the front principal plane to the rim that nears the subject. [mm], >= 0
    """

    name: str
    focal_length_mm: float | None = None
    pupil_ratio: float | None = None
    closest_magnification: float | None = None
    closest_focal_length_mm: float | None = None
    is_reversed: bool = False
    is_barrel: bool = False
    seat_mm: float = 0.0
    front_mm: float = 0.0

    @property
    def is_bare(self) -> bool:
        """Whether the image distance counts from the sensor, not from infinity focus."""
        return self.is_reversed or self.is_barrel


@dataclass(frozen=True, kw_only=True)
class Objective:
    """A microscope objective that makes its image alone, in the lens's place.

    ``image_distance_mm`` from seat to image belongs to the engraved magnification: 150
    for a tube of 160 (the image lies 10 mm inside the tube; from memory).
    """

    name: str
    numerical_aperture: float
    nominal_magnification: float
    image_distance_mm: float = ENGRAVED_IMAGE_MM


@dataclass(frozen=True, kw_only=True)
class Front:
    """What stands before the lens: a close-up lens, a reversed lens, an objective.

    ``f_number`` limits the cone (for an objective 1 / (2 NA)); None for a close-up lens,
    which is taken as wide enough. ``working_distance_mm`` is its maker's, if known.
    """

    kind: Literal["close-up", "front-lens", "objective"]
    focal_length_mm: float
    gap_mm: float = 0.0
    f_number: float | None = None
    working_distance_mm: float | None = None


@dataclass(frozen=True, kw_only=True)
class Rig:
    """Body, lens and what is between and before them.

    Attributes
    ----------
    name : str
    body : Body
    lens : RigLens or Objective
    magnifications : tuple of float
        To be shot, rising.
    stops : tuple of float
        Numbers on the ring, rising; empty for an objective.
    tube_mm : float
        All tubes together. [mm], >= 0
    bellows_mm : (float, float) or None
        Shortest and longest.
    flange_mm : float or None
        From the body's mount to its sensor.
    converter : float
        Factor of a teleconverter, 1 = none.
    front : Front or None
    """

    name: str
    body: Body
    lens: RigLens | Objective
    magnifications: tuple[float, ...]
    stops: tuple[float, ...]
    tube_mm: float = 0.0
    bellows_mm: tuple[float, float] | None = None
    flange_mm: float | None = None
    converter: float = 1.0
    front: Front | None = None


@dataclass(frozen=True, kw_only=True)
class RigOptics:
    """A rig at one magnification.

    Attributes
    ----------
    magnification : float
    own_magnification : float
        What the lens's own focusing is set to.
    focal_length_mm : float or None
        Of the lens at that setting.
    extension_mm, bellows_mm : float or None
        Of tubes and bellows together, beyond infinity focus for a lens that has one; and
        how far the bellows stand out.
    working_distance_mm : float or None
        From the subject to the rim or principal plane that is nearest to it.
    per_marked : float or None
        Effective f-number over the ring's (exact) number; None for an objective.
    front_f_number : float or None
        Of what stands before the lens, or of the objective in its place.
    """

    magnification: float
    own_magnification: float
    focal_length_mm: float | None
    extension_mm: float | None
    bellows_mm: float | None
    working_distance_mm: float | None
    per_marked: float | None
    front_f_number: float | None

    def effective(self, marked: float | None) -> float:
        """Effective f-number at a stop on the ring; None for an objective, which has none.

        Raises
        ------
        ValueError
            If a stop is missing, or given where there is none.
        """
        if (marked is None) != (self.per_marked is None):
            raise ValueError("marked must be None for an objective, and only there")
        front = self.front_f_number
        if marked is None or self.per_marked is None:
            assert front is not None
            return front * self.magnification
        rear = exact_stop(marked) * self.per_marked
        if front is None:
            return rear
        return rigs.face_to_face_f_number(rear, front, self.magnification)

    def is_front_limited(self, marked: float | None) -> bool:
        """Whether what stands before the lens sets the cone, so that the ring does not."""
        if marked is None or self.per_marked is None or self.front_f_number is None:
            return False
        return self.effective(marked) > exact_stop(marked) * self.per_marked


def _is_free(rig: Rig) -> bool:
    """Whether nothing is said of the way to a magnification."""
    lens = rig.lens
    return (
        isinstance(lens, RigLens)
        and rig.front is None
        and lens.closest_magnification is None
        and rig.bellows_mm is None
        and not rig.tube_mm
    )


def _focal_length(lens: RigLens, own: float) -> float:
    """At a setting of the lens's own focusing; between the two that are known, even."""
    far, near = lens.focal_length_mm, lens.closest_focal_length_mm
    assert far is not None
    if near is None or not lens.closest_magnification:
        return far
    return far + (near - far) * own / lens.closest_magnification


def _setting(rig: Rig, share: float) -> tuple[float, float]:
    """Own magnification and extension at a share, 0 to 1, of what can be moved."""
    low, high = rig.bellows_mm or (0.0, 0.0)
    extension = rig.tube_mm + low + (high - low) * share
    if rig.bellows_mm is not None or isinstance(rig.lens, Objective):
        return 0.0, extension
    return (rig.lens.closest_magnification or 0.0) * share, extension


def _behind(rig: Rig, own: float, extension: float) -> float:
    """Magnification of the lens, without what is before it and a teleconverter."""
    lens = rig.lens
    if isinstance(lens, Objective):
        if rig.bellows_mm is None and not rig.tube_mm:
            return lens.nominal_magnification
        assert rig.flange_mm is not None
        return lens.nominal_magnification * (rig.flange_mm + extension) / lens.image_distance_mm
    f = _focal_length(lens, own)
    if lens.is_bare and (rig.bellows_mm is not None or rig.tube_mm):
        assert rig.flange_mm is not None
        v = rig.flange_mm + extension + lens.seat_mm
        return rigs.magnification_at_image_distance(max(v, f), f)
    return rigs.extended_magnification(own, extension, f)


def _whole(rig: Rig, behind: float, own: float) -> float:
    if rig.front is not None:
        assert isinstance(rig.lens, RigLens)
        f = _focal_length(rig.lens, own)
        behind = rigs.close_up_magnification(behind, f, rig.front.focal_length_mm, rig.front.gap_mm)
    return rigs.converted(behind, rig.converter) if behind > 0 else 0.0


def _at(rig: Rig, share: float) -> float:
    own, extension = _setting(rig, share)
    return _whole(rig, _behind(rig, own, extension), own)


def reach(rig: Rig) -> tuple[float, float]:
    """Lowest and highest magnification that the parts give.

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    (float, float)
        (0, inf) where nothing is said of the parts; equal ends where nothing moves.
    """
    return (0.0, math.inf) if _is_free(rig) else (_at(rig, 0.0), _at(rig, 1.0))


def rig_optics(rig: Rig, magnification: float) -> RigOptics:
    """A rig set to a magnification.

    Parameters
    ----------
    rig : Rig
    magnification : float
        [-], > 0

    Returns
    -------
    RigOptics

    Raises
    ------
    SessionError
        If the parts do not reach it.
    ValueError
        If it is no number > 0.
    """
    if not 0 < magnification < math.inf:
        raise ValueError("magnification must be a finite number > 0")
    if _is_free(rig):
        own, extension, behind = 0.0, None, magnification / rig.converter
    else:
        own, extension = _setting(rig, _share_for(rig, magnification))
        behind = _behind(rig, own, extension)
    lens, front = rig.lens, rig.front
    if isinstance(lens, Objective):
        return RigOptics(
            magnification=magnification,
            own_magnification=0.0,
            focal_length_mm=None,
            extension_mm=extension,
            bellows_mm=_bellows(rig, extension),
            working_distance_mm=None,
            per_marked=None,
            front_f_number=rigs.aperture_f_number(lens.numerical_aperture, 1.0),
        )
    f = None if lens.focal_length_mm is None else _focal_length(lens, own)
    share = 1.0 if f is None or lens.focal_length_mm is None else f / lens.focal_length_mm
    ratio = lens.pupil_ratio or 1.0
    if lens.is_reversed:
        per_marked = rigs.reversed_f_number(share, behind, ratio)
    else:
        # The entrance pupil keeps its size: a shorter focal length is a smaller f-number.
        per_marked = float(effective_f_number(share, behind, ratio))
    if extension is None and f is not None and not lens.is_bare:
        extension = rigs.extension_for(behind, f, 0.0)
    return RigOptics(
        magnification=magnification,
        own_magnification=own,
        focal_length_mm=f,
        extension_mm=extension,
        bellows_mm=_bellows(rig, extension),
        working_distance_mm=None if f is None else _working_distance(lens, front, behind, f),
        per_marked=rigs.converted(per_marked, rig.converter),
        front_f_number=None if front is None else front.f_number,
    )


def _share_for(rig: Rig, magnification: float) -> float:
    low, high = _at(rig, 0.0), _at(rig, 1.0)
    if not low * (1 - _END_SHARE) <= magnification <= high * (1 + _END_SHARE):
        gives = f"{low:.4g}x to {high:.4g}x" if high > low * (1 + 1e-9) else f"{low:.4g}x alone"
        if not high > 0:
            gives = "no image, the sensor is nearer than the focal length"
        raise SessionError(
            f"{rig.name}: {magnification:g}x is out of reach, these parts give {gives}. Change "
            "magnifications, or the lengths of the parts."
        )
    if magnification <= low * (1 + 1e-9):
        return 0.0
    below, above = 0.0, 1.0
    for _ in range(_HALVINGS):
        middle = (below + above) / 2
        below, above = (middle, above) if _at(rig, middle) < magnification else (below, middle)
    return above


def _bellows(rig: Rig, extension: float | None) -> float | None:
    return None if rig.bellows_mm is None or extension is None else extension - rig.tube_mm


def _working_distance(lens: RigLens, front: Front | None, behind: float, f: float) -> float:
    if front is None:
        return rigs.subject_distance(f, behind) - lens.front_mm
    if front.working_distance_mm is not None and behind == 0:
        return front.working_distance_mm
    return rigs.close_up_distance(behind, f, front.focal_length_mm, front.gap_mm)


def assumptions(rig: Rig) -> tuple[str, ...]:
    """What the prediction takes for granted, a sentence each.

    Parameters
    ----------
    rig : Rig
    """
    told = ["The lens is perfect and at best focus: a real one can only be softer."]
    lens, front = rig.lens, rig.front
    if isinstance(lens, Objective):
        told.append("The objective keeps its numerical aperture at every extension.")
        if rig.bellows_mm is not None or rig.tube_mm:
            told.append(
                "Its magnification grows with the distance from seat to sensor, "
                f"{lens.nominal_magnification:g}x at {lens.image_distance_mm:g} mm."
            )
        return tuple(told)
    is_at_infinity = (
        front is not None
        and lens.closest_magnification is None
        and not (rig.tube_mm or rig.bellows_mm)
    )
    if lens.pupil_ratio is None and not is_at_infinity:
        told.append(
            "The pupil ratio is taken as 1. Compare the pupil's width from behind and from the "
            "front at arm's length, and state it; 'stopwise fit' measures it."
        )
    if lens.focal_length_mm is not None and not (front and front.working_distance_mm):
        told.append("Distances are those of thin lenses, counted from their middle.")
    if lens.closest_focal_length_mm is not None:
        told.append(
            "As the lens focuses nearer its focal length shortens evenly with magnification, "
            "and its entrance pupil keeps its width."
        )
    if _is_free(rig):
        if lens.focal_length_mm is not None:
            told.append("Extension is whatever each magnification takes.")
    elif not lens.is_bare and (rig.bellows_mm is not None or lens.closest_magnification is None):
        told.append("The lens itself is set to infinity.")
    if front is not None:
        told.append(
            "The lens before is wide enough to let all light through."
            if front.f_number is None
            else "What stands before the lens lets through its numerical aperture at any setting."
        )
    if rig.converter > 1:
        told.append("The teleconverter enlarges by its factor at this distance too.")
    return tuple(told)
