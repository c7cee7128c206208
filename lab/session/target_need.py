"""What target does a rig need? Before it is made: how sharp its edge must be.

A target serves a rig while it takes no more than the permitted share of the MTF at the
diffraction MTF50 of the rig's best stop, object side. The best stop is the sharpest by
the list of stops alone: the widest, as if only diffraction limited the lens. Real lenses
are soft wide open, so this asks the most of the target that the rig can ever need.

Beside the share stands what becomes of MTF50 itself, as stopwise measures it: of lens
and pixel together, which the pixel makes less sensitive to the target than the lens alone.
Blur and raggedness are those of ``targets.technology``, added as ``targets.fidelity`` says.

Left out: the price of a target, and whether its lines can be made that fine.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lab.edges.types import FloatArray
from lab.optics.geometry import effective_f_number
from lab.optics.sensor import pixel_mtf
from lab.optics.system import DEFAULT_WAVELENGTH_UM, Band, diffraction_mtf, diffraction_mtf50
from lab.session.stops import exact_stop
from targets.fidelity import (
    DEFAULT_LOSS,
    blur_limit_um,
    edge_mtf_loss,
    gaussian_product,
    magnification_limit,
    mtf50_loss,
)
from targets.technology import TECHNOLOGIES, Technology

__all__ = [
    "MagnificationNeed",
    "TargetNeed",
    "TechnologyLimit",
    "TechnologyLoss",
    "focused_edge_um",
    "target_need",
]

# Where to look for the largest magnification that a technology serves.
_LOWEST, _HIGHEST = 0.01, 20.0


@dataclass(frozen=True, kw_only=True)
class TechnologyLoss:
    """What one technology's edge takes at one magnification.

    Attributes
    ----------
    key : str
        Of ``targets.technology.TECHNOLOGIES``.
    mtf_loss : float
        Share of the MTF at the diffraction MTF50. [-]
    mtf50_loss : float
        Share by which MTF50 of lens and pixel comes out too low. [-]
    serves : bool
        Whether ``mtf_loss`` is within what is permitted.
    """

    key: str
    mtf_loss: float
    mtf50_loss: float
    serves: bool


@dataclass(frozen=True, kw_only=True)
class MagnificationNeed:
    """What one magnification asks of the target at the rig's best stop.

    Attributes
    ----------
    magnification, effective_f_number : float
        [-]
    mtf50_object_cyc_per_mm : float
        Of diffraction alone, object side: where the loss is judged.
    system_mtf50_object_cyc_per_mm : float
        Of diffraction and pixel.
    blur_limit_um : float
        Largest spread of the edge, standard deviation on the target. [um]
    technologies : tuple of TechnologyLoss
    """

    magnification: float
    effective_f_number: float
    mtf50_object_cyc_per_mm: float
    system_mtf50_object_cyc_per_mm: float
    blur_limit_um: float
    technologies: tuple[TechnologyLoss, ...]


@dataclass(frozen=True, kw_only=True)
class TechnologyLimit:
    """Largest magnification that a technology serves at the rig's best stop.

    ``math.inf``: any (looked at up to 20x). None: not even 0.01x.
    """

    key: str
    largest_magnification: float | None


@dataclass(frozen=True, kw_only=True)
class TargetNeed:
    """What a rig asks of its target.

    ``best_stop`` is the ring's number of the widest stop, ``loss`` the permitted share.
    """

    best_stop: float
    loss: float
    magnifications: tuple[MagnificationNeed, ...]
    limits: tuple[TechnologyLimit, ...]


def target_need(
    *,
    magnifications: Sequence[float],
    marked_stops: Sequence[float],
    pupil_ratio: float,
    pixel_pitch_um: float,
    wavelength_um: float | Band,
    loss: float = DEFAULT_LOSS,
    technologies: Sequence[Technology] = tuple(TECHNOLOGIES.values()),
) -> TargetNeed:
    """What a rig asks of its target, and which technologies give it.

    Parameters
    ----------
    magnifications : sequence of float
        [-], each > 0
    marked_stops : sequence of float
        Numbers on the ring, any order. [-], each > 0
    pupil_ratio : float
        Exit over entrance pupil diameter. [-], > 0
    pixel_pitch_um : float
        [um], > 0
    wavelength_um : float or Band
        Light of the raw colour that is measured. [um], > 0
    loss : float
        Permitted share of the MTF. [-], 0 < loss < 1
    technologies : sequence of Technology

    Returns
    -------
    TargetNeed
        In the order given.

    Raises
    ------
    ValueError
        If an argument is outside its range, or there is no magnification or stop.
    """
    if not magnifications or not marked_stops:
        raise ValueError("at least one magnification and one stop are needed")
    if not all(0 < m < math.inf for m in magnifications):
        raise ValueError("every magnification must be a finite number > 0")
    best = min(marked_stops, key=exact_stop)

    def n_eff(magnification: float) -> float:
        return float(effective_f_number(exact_stop(best), magnification, pupil_ratio))

    def mtf50_object(magnification: float) -> float:
        return magnification * diffraction_mtf50(
            wavelength_um=wavelength_um, f_number=n_eff(magnification)
        )

    def need(magnification: float) -> MagnificationNeed:
        f_number = n_eff(magnification)
        alone = mtf50_object(magnification)
        together = magnification * diffraction_mtf50(
            wavelength_um=wavelength_um, f_number=f_number, pixel_pitch_um=pixel_pitch_um
        )

        def system(frequency_object: float) -> FloatArray:
            f = frequency_object / magnification
            lens = diffraction_mtf(f, wavelength_um=wavelength_um, f_number=f_number)
            return lens * pixel_mtf(f * (pixel_pitch_um * 1e-3))

        def taken(one: Technology) -> TechnologyLoss:
            share = float(edge_mtf_loss(alone, one.blur_um, one.raggedness_um))
            return TechnologyLoss(
                key=one.key,
                mtf_loss=share,
                mtf50_loss=mtf50_loss(system, together, one.spread_um),
                serves=share <= loss,
            )

        return MagnificationNeed(
            magnification=magnification,
            effective_f_number=f_number,
            mtf50_object_cyc_per_mm=alone,
            system_mtf50_object_cyc_per_mm=together,
            blur_limit_um=blur_limit_um(alone, loss),
            technologies=tuple(taken(one) for one in technologies),
        )

    return TargetNeed(
        best_stop=best,
        loss=loss,
        magnifications=tuple(need(m) for m in magnifications),
        limits=tuple(
            TechnologyLimit(
                key=one.key,
                largest_magnification=magnification_limit(
                    one.spread_um, loss, mtf50_object, _LOWEST, _HIGHEST
                ),
            )
            for one in technologies
        ),
    )


def focused_edge_um(
    *, effective_f_number: float, magnification: float, pixel_pitch_um: float
) -> float:
    """Spread of an edge in best focus, as a Gaussian's, in the worst colour, in the subject.

    Parameters
    ----------
    effective_f_number, magnification : float
        [-], > 0
    pixel_pitch_um : float
        [um], > 0

    Returns
    -------
    float
        Standard deviation. [um]
    """
    mtf50 = diffraction_mtf50(
        wavelength_um=max(DEFAULT_WAVELENGTH_UM.values()),
        f_number=effective_f_number,
        pixel_pitch_um=pixel_pitch_um,
    )
    return 1e3 * gaussian_product(0.5) / (mtf50 * magnification)
