"""How sharp is the fitted lens in white light, all colours at one focus?

White is the luminance that the raw colours make, weighted as in Rec. ITU-R BT.709-6
(item 3.2): 0.2126 red, 0.7152 green, 0.0722 blue. A body's raw colours are not those
of that standard, so that this is what a picture shows to about the weights' own
meaning. Colours focus apart, so that white is less sharp than green, and at a focus of
its own.

Leaves out: colours side by side towards the corners (lateral colour).
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.inference.lens_fit import LensFit
from lab.inference.lens_optics import LensOptics, MtfGradient, measured_optics

__all__ = ["WHITE", "white_optics"]

WHITE = "white"
_LUMINANCE = {"red": 0.2126, "green": 0.7152, "blue": 0.0722}


@dataclass(frozen=True, kw_only=True, eq=False)
class _Colour:
    """One colour's share and optics; it focuses ``away_um`` beyond green, figure ``index``."""

    share: float
    optics: LensOptics
    away_um: float
    index: int


@dataclass(frozen=True, kw_only=True, eq=False)
class _WhiteOptics(LensOptics):
    """Green's cone, with the transfer of all colours; shifts are against green's focus."""

    colours: tuple[_Colour, ...]

    def transfer(self, frequency_cyc_per_mm: npt.ArrayLike, shift_um: npt.ArrayLike) -> FloatArray:
        shift = np.asarray(shift_um)
        return np.asarray(
            sum(
                one.share * one.optics.transfer(frequency_cyc_per_mm, shift - one.away_um)
                for one in self.colours
            )
        )

    def gradient(self, frequency_cyc_per_mm: FloatArray, shift_um: FloatArray) -> MtfGradient:
        parts = []
        for one in self.colours:
            found = one.optics.gradient(frequency_cyc_per_mm, shift_um - one.away_um)
            by_parameters = found.by_parameters.copy()
            by_parameters[:, one.index] -= found.by_shift_um
            parts.append((one.share, found, by_parameters))
        return MtfGradient(
            mtf=np.asarray(sum(share * found.mtf for share, found, _ in parts)),
            by_frequency=np.asarray(sum(share * found.by_frequency for share, found, _ in parts)),
            by_shift_um=np.asarray(sum(share * found.by_shift_um for share, found, _ in parts)),
            by_parameters=np.asarray(sum(share * by for share, _, by in parts)),
        )


def white_optics(fit: LensFit, series: int, stop: npt.ArrayLike) -> LensOptics | None:
    """The fitted lens in white light at any stop.

    Parameters
    ----------
    fit : LensFit
    series : int
        Index of the magnification in the fit's data.
    stop : array_like, (n,)
        Exact ring positions, rising.

    Returns
    -------
    LensOptics or None
        None where a colour was not measured. Beyond the cut-off of one colour the
        others still carry.
    """
    channels = fit.model.data.channels
    if not set(_LUMINANCE) <= set(channels):
        return None
    colours = []
    for name, share in _LUMINANCE.items():
        at = series * len(channels) + channels.index(name)
        colours.append(
            _Colour(
                share=share,
                optics=measured_optics(fit, series, name, stop),
                away_um=float(fit.value("colour")[at]),
                index=fit.model.slices["colour"].start + at,
            )
        )
    green = colours[list(_LUMINANCE).index("green")].optics
    return _WhiteOptics(
        **{field.name: getattr(green, field.name) for field in fields(green)},
        colours=tuple(colours),
    )
