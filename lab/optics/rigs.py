"""What do the parts of a close-up rig do to magnification, working distance and light?

One formula for each way of getting close: a lens that focuses near (also one whose
focal length shortens as it does), extension, a lens turned round, a close-up lens in
front, a teleconverter behind, two lenses face to face, a microscope objective.

Paraxial and in air. Distances count from principal planes, which thin lenses have at
their middle; real lenses have two, some way apart, and their makers rarely say where.
Magnification is image size over object size, unsigned. The cone that reaches the
sensor is ``lab.optics.geometry.effective_f_number``'s affair. Left out: vignetting,
and aberrations, which a rig adds wherever a lens works as it was not designed to.

All relations follow from the thin lens's two, 1/f = 1/u + 1/v and m = v/u (E. Hecht,
Optics, ch. 5 and 6, from memory); what is customary beyond that stands at its function.
"""

from __future__ import annotations

import math

from lab.optics.geometry import effective_f_number

__all__ = [
    "aperture_f_number",
    "close_up_distance",
    "close_up_magnification",
    "converted",
    "extended_magnification",
    "extension_for",
    "face_to_face_f_number",
    "focal_length_at_distance",
    "front_focal_length",
    "image_distance",
    "magnification_at_image_distance",
    "magnification_before",
    "objective_focal_length",
    "reversed_f_number",
    "subject_distance",
]


def _check(*, zero: dict[str, float] | None = None, **above: float) -> None:
    """Refuse what is not a finite number > 0, or >= 0 for those in ``zero``.

    Raises
    ------
    ValueError
        Naming the argument.
    """
    for name, value in above.items():
        if not 0 < value < math.inf:
            raise ValueError(f"{name} must be > 0")
    for name, value in (zero or {}).items():
        if not 0 <= value < math.inf:
            raise ValueError(f"{name} must be >= 0")


def image_distance(focal_length_mm: float, magnification: float) -> float:
    """Distance from the rear principal plane to the sensor, ``f (1 + m)``. [mm].

    Parameters
    ----------
    focal_length_mm : float
        [mm], > 0
    magnification : float
        [-], >= 0

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    _check(focal_length_mm=focal_length_mm, zero={"magnification": magnification})
    return focal_length_mm * (1 + magnification)


def magnification_at_image_distance(image_distance_mm: float, focal_length_mm: float) -> float:
    """Inverse of ``image_distance``: ``m = v / f - 1``, for a lens without a focusing mount.

    Parameters
    ----------
    image_distance_mm : float
        From the rear principal plane to the sensor. [mm], >= focal_length_mm
    focal_length_mm : float
        [mm], > 0

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    _check(focal_length_mm=focal_length_mm)
    if not focal_length_mm <= image_distance_mm < math.inf:
        raise ValueError("image_distance_mm must be >= focal_length_mm: no image is nearer")
    return image_distance_mm / focal_length_mm - 1


def subject_distance(focal_length_mm: float, magnification: float) -> float:
    """Distance from the subject to the front principal plane, ``f (1 + 1 / m)``. [mm].

    Parameters
    ----------
    focal_length_mm, magnification : float
        > 0

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    _check(focal_length_mm=focal_length_mm, magnification=magnification)
    return focal_length_mm * (1 + 1 / magnification)


def focal_length_at_distance(
    subject_to_sensor_mm: float, magnification: float, hiatus_mm: float = 0.0
) -> float:
    """Focal length that a lens really has at its closest, from what its maker states.

    Subject to sensor is ``f (2 + m + 1 / m)`` and the gap between the principal planes.
    Lenses that focus by moving groups inside come out shorter than their engraving.

    Parameters
    ----------
    subject_to_sensor_mm : float
        At that magnification, as stated for closest focus. [mm], > hiatus_mm
    magnification : float
        [-], > 0
    hiatus_mm : float
        From the front to the rear principal plane. [mm], any sign; unknown mostly, and 0
        for a thin lens.

    Returns
    -------
    float
        ``(D - hiatus) m / (1 + m)**2``. [mm]

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    _check(magnification=magnification, subject_to_sensor_mm=subject_to_sensor_mm)
    if not hiatus_mm < subject_to_sensor_mm:
        raise ValueError("hiatus_mm must be < subject_to_sensor_mm")
    return (subject_to_sensor_mm - hiatus_mm) * magnification / (1 + magnification) ** 2


def extended_magnification(
    own_magnification: float, extension_mm: float, focal_length_mm: float
) -> float:
    """Magnification with tubes or bellows between body and lens, ``m0 + e / f``.

    Newton's form of the lens equation: each focal length of extension adds 1.

    Parameters
    ----------
    own_magnification : float
        What the lens's own focusing gives without extension, 0 at infinity. [-], >= 0
    extension_mm : float
        [mm], >= 0
    focal_length_mm : float
        At that focusing. [mm], > 0

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    _check(
        focal_length_mm=focal_length_mm,
        zero={"own_magnification": own_magnification, "extension_mm": extension_mm},
    )
    return own_magnification + extension_mm / focal_length_mm


def extension_for(magnification: float, focal_length_mm: float, own_magnification: float) -> float:
    """Inverse of ``extended_magnification``: ``f (m - m0)``. [mm].

    Parameters
    ----------
    magnification : float
        Wanted. [-], >= own_magnification
    focal_length_mm : float
        [mm], > 0
    own_magnification : float
        [-], >= 0

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    _check(focal_length_mm=focal_length_mm, zero={"own_magnification": own_magnification})
    if not own_magnification <= magnification < math.inf:
        raise ValueError("magnification must be >= own_magnification")
    return focal_length_mm * (magnification - own_magnification)


def reversed_f_number(marked: float, magnification: float, pupil_ratio: float) -> float:
    """Effective f-number of a lens mounted back to front, ``N (m + 1 / P)``.

    Turned round, the exit pupil faces the subject: the pupil ratio is 1 / P, and the
    marked number, focal length over the former entrance pupil, becomes N / P.

    Parameters
    ----------
    marked : float
        F-number on the ring. [-], > 0
    magnification : float
        As mounted. [-], >= 0
    pupil_ratio : float
        Exit over entrance pupil of the lens the usual way round. [-], > 0

    Raises
    ------
    ValueError
        If an argument is outside its range.

    References
    ----------
    .. [1] J. Conrad, Depth of Field in Depth, 2006 (from memory), for the relation that
       is turned round here.

    Examples
    --------
    >>> reversed_f_number(8, 2, 0.5)  # the usual way round it would be 40
    32.0
    """
    _check(marked=marked, pupil_ratio=pupil_ratio, zero={"magnification": magnification})
    return float(effective_f_number(marked / pupil_ratio, magnification, 1 / pupil_ratio))


def front_focal_length(dioptres: float) -> float:
    """Focal length of a close-up lens of stated power, ``1000 / D``. [mm].

    Parameters
    ----------
    dioptres : float
        [1/m], > 0; powers of lenses stacked in contact add.

    Raises
    ------
    ValueError
        If it is not > 0.
    """
    _check(dioptres=dioptres)
    return 1000 / dioptres


def close_up_magnification(
    magnification: float, focal_length_mm: float, front_focal_length_mm: float, gap_mm: float = 0.0
) -> float:
    """Magnification once a positive lens is put in front of a rig that stays as it is.

    The front lens shows the rig, at its own focusing distance ``u = f (1 + 1 / m)``, an
    image enlarged ``1 + (u - gap) / f_front`` times. Without focusing (m = 0) this is
    ``f / f_front`` whatever the gap: also the rule for two lenses face to face. The cone
    at the sensor stays what it was, so that a close-up lens costs no light.

    Parameters
    ----------
    magnification : float
        Of the rig without it. [-], >= 0
    focal_length_mm, front_focal_length_mm : float
        Of the lens behind and of the one in front. [mm], > 0
    gap_mm : float
        Between the two, from principal plane to principal plane. [mm], >= 0

    Returns
    -------
    float
        ``m + (f (1 + m) - gap m) / f_front``. [-]

    Raises
    ------
    ValueError
        If an argument is outside its range, or the gap reaches the subject's image.
    """
    _check(
        focal_length_mm=focal_length_mm,
        front_focal_length_mm=front_focal_length_mm,
        zero={"magnification": magnification, "gap_mm": gap_mm},
    )
    ahead = focal_length_mm * (1 + magnification) - gap_mm * magnification
    if not ahead > 0:
        raise ValueError("gap_mm must be less than the distance that the lens is focused at")
    return magnification + ahead / front_focal_length_mm


def magnification_before(
    magnification: float, focal_length_mm: float, front_focal_length_mm: float, gap_mm: float = 0.0
) -> float:
    """Inverse of ``close_up_magnification``: what the rig behind must be set to.

    Parameters
    ----------
    magnification : float
        Wanted, front lens included. [-], >= focal_length_mm / front_focal_length_mm
    focal_length_mm, front_focal_length_mm, gap_mm : float
        As there; gap_mm < focal_length_mm + front_focal_length_mm.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    _check(
        focal_length_mm=focal_length_mm,
        front_focal_length_mm=front_focal_length_mm,
        zero={"gap_mm": gap_mm},
    )
    least = focal_length_mm / front_focal_length_mm
    slope = 1 + (focal_length_mm - gap_mm) / front_focal_length_mm
    if not slope > 0:
        raise ValueError("gap_mm must be < focal_length_mm + front_focal_length_mm")
    if not least <= magnification < math.inf:
        raise ValueError("magnification must be >= focal_length_mm / front_focal_length_mm")
    return (magnification - least) / slope


def close_up_distance(
    magnification: float, focal_length_mm: float, front_focal_length_mm: float, gap_mm: float = 0.0
) -> float:
    """Distance from the subject to a lens in front of a rig. [mm].

    ``1 / s = 1 / (u - gap) + 1 / f_front`` with ``u = f (1 + 1 / m)``; the front lens's
    focal length where the rig behind is at infinity.

    Parameters
    ----------
    magnification : float
        Of the rig without the front lens. [-], >= 0
    focal_length_mm, front_focal_length_mm, gap_mm : float
        As for ``close_up_magnification``.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    close_up_magnification(magnification, focal_length_mm, front_focal_length_mm, gap_mm)
    if magnification == 0:
        return front_focal_length_mm
    seen = subject_distance(focal_length_mm, magnification) - gap_mm
    return 1 / (1 / seen + 1 / front_focal_length_mm)


def converted(value: float, factor: float) -> float:
    """Magnification, or effective f-number, behind a teleconverter: either times its factor.

    It enlarges the image that the lens in front of it makes and changes nothing on the
    subject's side, so that the cone at the sensor narrows by the same factor.

    Parameters
    ----------
    value : float
        Without it. [-], > 0
    factor : float
        [-], >= 1

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    _check(value=value, factor=factor)
    if not factor >= 1:
        raise ValueError("factor must be >= 1")
    return value * factor


def face_to_face_f_number(rear_effective: float, front_f_number: float, m: float) -> float:
    """Effective f-number of two lenses face to face, ``max(N_rear, m N_front)``.

    Between the lenses light is parallel and the smaller pupil passes it: the rear lens's,
    or the front lens's, whose numerical aperture 1 / (2 N_front) the subject sees.

    Parameters
    ----------
    rear_effective : float
        Of the rear lens alone. [-], > 0
    front_f_number : float
        Of the front lens, as set on its ring. [-], > 0
    m : float
        Magnification of both. [-], > 0

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    _check(rear_effective=rear_effective, front_f_number=front_f_number, m=m)
    return max(rear_effective, m * front_f_number)


def objective_focal_length(nominal_magnification: float, tube_lens_mm: float) -> float:
    """Focal length of an objective corrected for infinity, ``f_tube / M``. [mm].

    Parameters
    ----------
    nominal_magnification : float
        Engraved. [-], > 0
    tube_lens_mm : float
        Focal length of the tube lens that its maker reckons with. [mm], > 0

    Raises
    ------
    ValueError
        If an argument is outside its range.

    References
    ----------
    .. [1] Definition of the engraved magnification; common practice among makers, no
       published source.
    """
    _check(nominal_magnification=nominal_magnification, tube_lens_mm=tube_lens_mm)
    return tube_lens_mm / nominal_magnification


def aperture_f_number(numerical_aperture: float, magnification: float) -> float:
    """Effective f-number of an objective, ``m / (2 NA)``.

    The sine condition, as in ``lab.optics.geometry.object_numerical_aperture``, solved
    for the other side.

    Parameters
    ----------
    numerical_aperture : float
        On the subject's side, in air. [-], 0 < NA < 1
    magnification : float
        At the sensor. [-], > 0

    Raises
    ------
    ValueError
        If an argument is outside its range.

    Examples
    --------
    >>> round(aperture_f_number(0.28, 10), 3)
    17.857
    """
    _check(magnification=magnification)
    if not 0 < numerical_aperture < 1:
        raise ValueError("numerical_aperture must be in (0, 1)")
    return magnification / (2 * numerical_aperture)
