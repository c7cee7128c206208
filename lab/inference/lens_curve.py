"""How sharp is the fitted lens at any stop, where is it sharpest, and what limits it?

At best focus the frequency at which the MTF falls to one half is stationary in
defocus, so that its uncertainty follows from the fitted figures by exact derivatives.
What brackets showed beyond the model is carried between the stops
(``LensOptics.excess``) and widens the interval where no stop was measured. Stops are
ring positions: where a ring is off by a third, so is the answer.

Leaves out: the field away from the centre.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.inference.drawn_stops import FORM_STD_STOPS, drawn_curves, last_sharp, tops
from lab.inference.lens_fit import LensFit
from lab.inference.lens_model import EDGE_TILT_DEG, log2_stop
from lab.inference.lens_optics import LensOptics, measured_optics
from lab.optics.pupil import aberrated_otf, clear_pupil_mtf
from lab.optics.sensor import pixel_mtf

__all__ = [
    "LensCurve",
    "LossShares",
    "StopChoice",
    "best_focus_um",
    "curve_of",
    "focus_shift_um",
    "lens_curve",
    "loss_shares",
    "stop_choice",
]

_LEVEL = 0.5
_FOCUS_ROUNDS = 6
_WAVES = 0.03  # of an aberration, for slopes


@dataclass(frozen=True, kw_only=True, eq=False)
class LensCurve:
    """MTF50 at best focus against the stop, for one magnification and colour.

    Attributes
    ----------
    stop : ndarray, (n,)
        Ring positions (exact f-numbers), rising.
    mtf50_image_cyc_per_mm, mtf50_std : ndarray, (n,)
    gradient : ndarray, (n, n_parameter)
        Derivatives of the logarithm of MTF50 by the fitted figures.
    covariance : ndarray, (n, n)
        Of that logarithm.
    f_number, f_number_std : ndarray, (n,)
        Effective f-number.
    """

    stop: FloatArray
    mtf50_image_cyc_per_mm: FloatArray
    mtf50_std: FloatArray
    gradient: FloatArray
    covariance: FloatArray
    f_number: FloatArray
    f_number_std: FloatArray


@dataclass(frozen=True, kw_only=True)
class StopChoice:
    """Best stop and deepest stop still sharp, with 95 % intervals, as ring positions."""

    optimum_stop: float
    optimum_low95: float
    optimum_high95: float
    optimum_mtf50: float
    deepest_stop: float
    deepest_low95: float
    deepest_high95: float
    flags: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class LossShares:
    """What takes the contrast at MTF50, as shares of ln 2 that add up to 1.

    ``diffraction`` of a perfect lens, ``aberration`` at best focus, ``defocus`` of the
    sharpest frame against best focus, ``pixel``, and ``residual`` blur.
    """

    diffraction: float
    aberration: float
    defocus: float
    pixel: float
    residual: float


def best_focus_um(optics: LensOptics, level: float = _LEVEL) -> FloatArray:
    """Focus of each stop, (n,), at which the crossing of a level is highest. [um].

    Image side, from paraxial focus.
    """
    waves = -(optics.cone.w040 + 0.95 * optics.cone.w060)
    span = 0.25 + 0.25 * np.abs(optics.cone.w040)
    for _ in range(_FOCUS_ROUNDS):
        near = waves + np.array([[-1.0], [0.0], [1.0]]) * span
        below, here, above = optics.crossing(near * optics.wave_um, level)
        bend = below - 2 * here + above
        towards = np.where(above > below, 1.0, -1.0)
        move = np.where(bend < 0, 0.5 * (below - above) / np.where(bend < 0, bend, 1), towards)
        waves = waves + np.clip(move, -1.5, 1.5) * span
        span = span * np.where(np.abs(move) < 0.7, 0.35, 1.0)
    return np.asarray(waves * optics.wave_um)


def focus_shift_um(optics: LensOptics) -> tuple[FloatArray, FloatArray]:
    """Best focus of each stop against that of the first, and its uncertainty.

    Spherical aberration moves it as the iris closes.

    Parameters
    ----------
    optics : LensOptics
        n stops of a measured lens.

    Returns
    -------
    (ndarray, (n,), ndarray, (n,))
        Image side; positive: the sensor must lie further back. [um]
    """
    cone, focus = optics.cone, best_focus_um(optics)
    # In waves it hangs on the aberrations alone; a wave is 8 x wavelength x f-number squared.
    by = focus[:, np.newaxis] * (2 * cone.by_f_number + cone.by_wavelength)
    for name, by_waves in (("w040", cone.by_w040), ("w060", cone.by_w060)):
        ends = [
            best_focus_um(replace(optics, cone=replace(cone, **{name: getattr(cone, name) + step})))
            for step in (-_WAVES, _WAVES)
        ]
        by = by + ((ends[1] - ends[0]) / (2 * _WAVES))[:, np.newaxis] * by_waves
    apart = by - by[:1]
    variance = np.einsum("ij,jk,ik->i", apart, optics.covariance, apart)
    return focus - focus[0], np.sqrt(np.maximum(variance, 0))


def lens_curve(fit: LensFit, series: int, channel: str, stop: npt.ArrayLike) -> LensCurve:
    """MTF50 of the fitted lens at best focus, stop by stop.

    Parameters
    ----------
    fit : LensFit
    series : int
        Index of the magnification in the fit's data.
    channel : str
        A colour of the fit's data.
    stop : array_like, (n,)
        Exact ring positions, rising.
    """
    return curve_of(measured_optics(fit, series, channel, stop))


def curve_of(optics: LensOptics) -> LensCurve:
    """MTF50 at best focus of a measured lens, in one colour or in white light."""
    focus = best_focus_um(optics)
    frequency = optics.crossing(focus, _LEVEL)
    at = optics.gradient(frequency, focus)
    # At best focus nothing hangs on defocus; the crossing moves by -dM / (dM/df).
    by_log = -at.by_parameters / (at.by_frequency * frequency)[:, np.newaxis]
    covariance = by_log @ optics.covariance @ by_log.T + optics.between
    by_f_number = optics.cone.by_f_number
    spread = np.sqrt(np.einsum("ij,jk,ik->i", by_f_number, optics.covariance, by_f_number))
    return LensCurve(
        stop=optics.stop,
        mtf50_image_cyc_per_mm=frequency,
        mtf50_std=frequency * np.sqrt(np.maximum(np.diag(covariance), 0)),
        gradient=by_log,
        covariance=covariance,
        f_number=optics.cone.f_number,
        f_number_std=optics.cone.f_number * spread,
    )


def stop_choice(curve: LensCurve, *, loss_percent: float, rng: np.random.Generator) -> StopChoice:
    """The sharpest stop of a curve and the deepest one still sharp.

    Parameters
    ----------
    curve : LensCurve
        On a fine, even grid of stops.
    loss_percent : float
        Permitted loss of MTF50 against the optimum. [%], 0 to 100
    rng : numpy.random.Generator
        For curves drawn within their uncertainty.
    """
    x = log2_stop(curve.stop)
    height = np.log(curve.mtf50_image_cyc_per_mm)
    drawn = drawn_curves(height, curve.covariance, rng)
    form = FORM_STD_STOPS * rng.standard_normal(drawn.shape[0])

    def ends(places: FloatArray) -> tuple[float, float]:
        low, high = np.quantile(np.clip(places + form, x[0], x[-1]), [0.025, 0.975])
        return float(2 ** (low / 2)), float(2 ** (high / 2))

    (top,) = tops(x, height[np.newaxis])
    (deep,) = last_sharp(x, height[np.newaxis], loss_percent)
    optimum, deepest = ends(tops(x, drawn)), ends(last_sharp(x, drawn, loss_percent))
    flags = []
    if not x[0] < top < x[-1]:
        flags.append("optimum-not-bracketed")
    if deep >= x[-1]:
        flags.append("deepest-beyond-range")
    return StopChoice(
        optimum_stop=float(2 ** (top / 2)),
        optimum_low95=optimum[0],
        optimum_high95=optimum[1],
        optimum_mtf50=float(np.exp(height.max())),
        deepest_stop=float(2 ** (deep / 2)),
        deepest_low95=deepest[0],
        deepest_high95=deepest[1],
        flags=tuple(flags),
    )


def loss_shares(fit: LensFit, series: int, channel: str) -> tuple[LossShares, ...]:
    """What limits each marked stop of one magnification; see ``LossShares``.

    A stop without frames gets its shares without defocus.
    """
    model, data = fit.model, fit.model.data
    optics = measured_optics(fit, series, channel, model.stop)
    cone = optics.cone
    best = best_focus_um(optics)
    off = best.copy()
    shift = model.focus_shift_um(fit.parameters)
    score = np.bincount(data.frame, data.mtf, data.position_um.size)
    for k in range(model.stop.size):
        here = (data.series == series) & (data.stop == k)
        here &= data.channel == data.channels.index(channel)
        if here.any():
            rows = np.flatnonzero(here)
            off[k] = shift[rows[np.argmax(score[data.frame[rows]])]]
    frequency = optics.crossing(off, _LEVEL) * np.exp(-optics.excess)
    s = frequency * 1e-3 * cone.wavelength_um * cone.f_number
    perfect = clear_pupil_mtf(s)
    focused, actual = (
        aberrated_otf(s, focus / optics.wave_um, cone.w040, cone.w060) for focus in (best, off)
    )
    parts = np.stack(
        [
            -np.log(perfect),
            np.log(perfect / focused),
            np.log(focused / actual),
            -np.log(pixel_mtf(frequency * (data.pixel_pitch_um * 1e-3), EDGE_TILT_DEG)),
            2 * (np.pi * 1e-3 * frequency) ** 2 * optics.blur2_um2,
        ]
    )
    names = ("diffraction", "aberration", "defocus", "pixel", "residual")
    return tuple(
        LossShares(**dict(zip(names, share.tolist(), strict=True)))
        for share in (parts / parts.sum(axis=0)).T
    )
