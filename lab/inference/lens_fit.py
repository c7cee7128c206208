"""Which lens explains a whole session best, and what do the frames leave open?

The figures of ``LensModel`` are fitted to the centre MTFs of all frames at once:
weighted least squares with a weak prior on each figure, so that what the frames
cannot tell stays at what is known beforehand, with its uncertainty, and is reported
as not measured. Frames that do not fit lose weight (Student's t), and so does the
prior of a ring position that is plainly off. How far brackets scatter about the model
(``excess``) is estimated with it and widens every interval. Deterministic: no draws.

Leaves out: the stop's sharpness from the fitted figures (``lens_curve``), and the field
beyond the centre.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lab.edges.types import FloatArray
from lab.inference.lens_data import LensData
from lab.inference.lens_model import LensModel
from lab.inference.lens_seats import frame_wave_um, seated
from lab.inference.results import ConeResult

__all__ = ["LensFit", "at_widest", "cone_handles", "fit_lens"]

# What is known before any frame, as standard deviations. Judged by us from trade
# practice, no published source, unless said.
_STATED_PUPIL_STD = 0.1  # of its logarithm: judged by eye at arm's length
_ANY_PUPIL_STD = 0.5
_LIGHT_STD = 0.015  # of an effective wavelength
_RAIL_STD = 0.02  # of a rail's step
_W040_STD_UM, _W040_RISE_STD_UM, _W060_STD_UM = 2.0, 0.5, 0.7
_RING_STD, _RING_FREEDOM = 0.05, 3.0  # stops; Student's t lets one position be far off
_BLUR_PX, _BLUR_STD_PX = 0.2, 0.4  # residual blur; the squares are mean and spread of its variance
_COLOUR_STD_UM = 500.0
_ROCK_SHARE = 0.1  # of the rail step
_FIXED = 1e-9
_HELD_RING_STD = 1e-3

_FRAME_FREEDOM = 4.0
_LEAST_EXCESS, _FIRST_EXCESS = 0.001, 0.01
_ROUNDS, _STEPS = 4, 40
_STARTS_UM = (0.3, -0.3)  # of primary spherical aberration: its sign may trap a descent
_ROCKED_STARTS_UM = (0.1, 0.3, 0.6)  # its sign has no meaning where no position is known
_HOPEFUL = 1.2  # of the best descent's cost: beyond, its valley is another and not followed
# Furthest one step may go, by parameter: the model is far from linear in these.
_REACH = {"pupil": 0.3, "w040": 0.4, "w060": 0.2, "ring": 0.2, "blur2": 2.0}
_HOLD_WAVES = 0.05
_SEATED_AT = (2, 4, 7, 10, 14, 18)  # steps before which frames of unknown position are put anew


@dataclass(frozen=True, kw_only=True, eq=False)
class LensFit:
    """Fitted figures of a session's lens.

    Attributes
    ----------
    model : LensModel
    parameters, prior_std : ndarray, (n_parameter,)
    covariance : ndarray, (n_parameter, n_parameter)
    frame_weight : ndarray, (n_frame,)
        1 = as good as its noise, towards 0 = does not fit. NaN for frames without rows.
    chi_square : float
        Weighted mean square of the residuals over their uncertainty. [-]
    excess_std : float
        Scatter of brackets about the model, relative, in frequency. [-]
    """

    model: LensModel
    parameters: FloatArray
    prior_std: FloatArray
    covariance: FloatArray
    frame_weight: FloatArray
    chi_square: float
    excess_std: float

    def value(self, name: str) -> FloatArray:
        """The figures of one name."""
        return self.model.part(self.parameters, name)

    def std(self, name: str) -> FloatArray:
        """Their standard uncertainties."""
        return np.asarray(np.sqrt(np.diag(self.covariance)[self.model.slices[name]]))

    def learned(self, name: str) -> FloatArray:
        """Share of what was open before that the frames have settled. [-], 0 to 1."""
        return np.asarray(1 - self.std(name) / self.prior_std[self.model.slices[name]])


def _prior(model: LensModel, excess_std: float) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of every parameter."""
    data, at = model.data, model.slices
    mean, std = np.zeros(model.size), np.full(model.size, np.inf)
    stated = data.stated_pupil_ratio
    mean[at["pupil"]] = 0.0 if stated is None else np.log(stated)
    several = len(data.magnifications) > 1
    for name, value in {
        "pupil": _ANY_PUPIL_STD if stated is None else _STATED_PUPIL_STD,
        "light": _LIGHT_STD,
        "rail": _RAIL_STD,
        "w040": _W040_STD_UM,
        "w040_rise": _W040_RISE_STD_UM if several else _FIXED,
        "w060": _W060_STD_UM,
        "ring": _RING_STD,
        "blur2": (_BLUR_STD_PX * data.pixel_pitch_um) ** 2,
        "colour": _COLOUR_STD_UM,
        "excess": excess_std,
    }.items():
        std[at[name]] = value
    mean[at["blur2"]] = (_BLUR_PX * data.pixel_pitch_um) ** 2
    std[at["colour"]] = np.tile(
        [_FIXED if name == "green" else _COLOUR_STD_UM for name in data.channels],
        len(data.magnifications),
    )
    known = ~np.isnan(data.position_um)
    std[at["rock"]] = np.where(known, np.maximum(_ROCK_SHARE * data.rail_step_um, 0.5), np.inf)
    # Where no position is known the frames' own hold the focus.
    bracket = data.frame_series * len(data.stops) + data.frame_stop
    has_known = np.bincount(bracket, known, at["focus"].stop - at["focus"].start) > 0
    std[at["focus"]] = np.where(has_known, np.inf, _FIXED)
    return mean, std


def _start(model: LensModel, mean: FloatArray, w040_um: float) -> FloatArray:
    """Where the descent begins: each bracket in focus at its sharpest frame."""
    data = model.data
    start = mean.copy()
    start[model.slices["w040"]] = w040_um
    score = np.bincount(data.frame, data.mtf, data.position_um.size)
    focus = model.part(start, "focus")
    for bracket in np.unique(model.bracket):
        frames = np.unique(data.frame[model.bracket == bracket])
        sharpest = data.position_um[frames[np.argmax(score[frames])]]
        if np.isnan(sharpest):
            focus[bracket] = 0.0
            continue
        # Between the sharpest frame and its neighbours: on the very frame the descent may
        # end with two frames on the same side of focus.
        placed = frames[np.isfinite(data.position_um[frames])]
        near = placed[np.argsort(np.abs(data.position_um[placed] - sharpest))]
        lower = near[data.position_um[near] < sharpest][:1]
        upper = near[data.position_um[near] > sharpest][:1]
        of = np.concatenate([near[:1], lower, upper])
        focus[bracket] = np.average(data.position_um[of], weights=score[of])
    return start


class _Descent:
    """Levenberg-Marquardt with weights that follow the residuals."""

    def __init__(self, model: LensModel, mean: FloatArray, std: FloatArray) -> None:
        self.model, self.mean, self.std = model, mean, std
        data = model.data
        self.rows = np.maximum(np.bincount(data.frame, minlength=data.position_um.size), 1)
        self.weight = np.ones(data.position_um.size)
        self.ring_weight = np.ones(len(data.stops))

    def _prior_information(self) -> FloatArray:
        """Diagonal; nearly none where nothing is known."""
        information = np.where(np.isfinite(self.std), self.std**-2.0, 1e-12)
        information[self.model.slices["ring"]] *= self.ring_weight
        return np.asarray(information)

    def _information(self, jacobian: FloatArray) -> FloatArray:
        """Of frames and prior together."""
        weight = self.weight[self.model.data.frame] / self.model.data.mtf_std**2
        of_frames = jacobian.T @ (jacobian * weight[:, np.newaxis])
        return np.asarray(of_frames + np.diag(self._prior_information()))

    def cost(self, parameters: FloatArray, mtf: FloatArray) -> float:
        """Weighted squares of residuals and of departures from the prior."""
        data = self.model.data
        residual = (data.mtf - mtf) / data.mtf_std
        return float(
            np.sum(residual**2 * self.weight[data.frame])
            + np.sum(self._prior_information() * (parameters - self.mean) ** 2)
        )

    def _reweigh(self, parameters: FloatArray, mtf: FloatArray) -> None:
        data = self.model.data
        square = np.bincount(data.frame, ((data.mtf - mtf) / data.mtf_std) ** 2, self.rows.size)
        self.weight = (_FRAME_FREEDOM + 1) / (_FRAME_FREEDOM + np.maximum(square / self.rows, 1.0))
        off = self.model.part(parameters, "ring") / _RING_STD
        self.ring_weight = (_RING_FREEDOM + 1) / (_RING_FREEDOM + off**2)

    def _held_in_place(self, parameters: FloatArray) -> FloatArray:
        """What keeps frames of unknown position from leaping: near focus they hardly feel it."""
        held = np.zeros(self.model.size)
        unknown = np.isnan(self.model.data.position_um)
        wave_um = frame_wave_um(self.model, parameters)
        held[self.model.slices["rock"]] = np.where(unknown, (_HOLD_WAVES * wave_um) ** -2.0, 0.0)
        return held

    def run(
        self, parameters: FloatArray, *, seat: bool = False
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Descend; parameters, the MTF of each row and the information matrix at the end."""
        data, model = self.model.data, self.model
        reach = np.full(model.size, np.inf)
        for name, value in _REACH.items():
            reach[model.slices[name]] = value
        damping, held = 1e-3, self._held_in_place(parameters)
        if seat:
            parameters = seated(model, parameters)
        mtf, jacobian = model(parameters)
        for step_number in range(_STEPS):
            if seat and step_number in _SEATED_AT:
                moved = seated(model, parameters)
                mtf_there, jacobian_there = model(moved)
                if self.cost(moved, mtf_there) < self.cost(parameters, mtf):
                    parameters, mtf, jacobian = moved, mtf_there, jacobian_there
            weight = self.weight[data.frame] / data.mtf_std**2
            prior = self._prior_information()
            information = self._information(jacobian)
            gradient = jacobian.T @ (weight * (data.mtf - mtf)) - prior * (parameters - self.mean)
            before = self.cost(parameters, mtf)
            for _ in range(8):
                damped = information + np.diag(damping * np.diag(information) + held)
                step = np.linalg.solve(damped, gradient)
                step *= min(1.0, float(np.min(reach / np.maximum(np.abs(step), 1e-12))))
                trial = parameters + step
                mtf_there, jacobian_there = model(trial)
                after = self.cost(trial, mtf_there)
                if after <= before:
                    break
                damping *= 5
            else:
                break
            parameters, mtf, jacobian = trial, mtf_there, jacobian_there
            damping = max(damping / 5, 1e-7)
            # While frames still seek their place, none may lose its say.
            if step_number and not seat:
                self._reweigh(parameters, mtf)
            settled = step_number > (_SEATED_AT[-1] if seat else 1)
            if settled and before - after < 1e-3 * max(1.0, 1e-3 * after):
                break
        return parameters, mtf, self._information(jacobian)


def _inverse(information: FloatArray) -> FloatArray:
    """Inverse of a matrix whose figures differ by many orders of magnitude."""
    scale = 1 / np.sqrt(np.diag(information))
    inverse = np.linalg.pinv(information * np.outer(scale, scale), hermitian=True)
    return np.asarray(inverse * np.outer(scale, scale), np.float64)


def _solve(
    model: LensModel,
    parameters: FloatArray,
    mean: FloatArray,
    std: FloatArray,
    *,
    seat: bool = False,
) -> tuple[LensFit, float]:
    """One descent as a fit, and its cost."""
    descent = _Descent(model, mean, std)
    parameters, mtf, information = descent.run(parameters, seat=seat)
    data = model.data
    residual = (data.mtf - mtf) / data.mtf_std
    weight = descent.weight[data.frame]
    seen = np.bincount(data.frame, minlength=data.position_um.size) > 0
    fit = LensFit(
        model=model,
        parameters=parameters,
        prior_std=std,
        covariance=_inverse(information),
        frame_weight=np.where(seen, descent.weight, np.nan),
        chi_square=float(np.sum(weight * residual**2) / np.sum(weight)),
        excess_std=float(std[model.slices["excess"]][0]),
    )
    return fit, descent.cost(parameters, mtf)


def fit_lens(data: LensData) -> LensFit:
    """Fit the model of a lens to the frames of a session.

    Parameters
    ----------
    data : LensData
        At least one row.

    Raises
    ------
    ValueError
        If there is no row.
    """
    if not data.mtf.size:
        raise ValueError("a lens needs at least one measured frame")
    model = LensModel(data)
    unknown = bool(np.isnan(data.position_um).any())
    mean, std = _prior(model, _FIRST_EXCESS)
    # The ring's long-tailed prior would let it run off before the aberrations have settled.
    held = std.copy()
    held[model.slices["ring"]] = _HELD_RING_STD
    tried = [
        _solve(model, _start(model, mean, w040_um), mean, held, seat=unknown)
        for w040_um in (_ROCKED_STARTS_UM if unknown else _STARTS_UM)
    ]
    hopeful = _HOPEFUL * min(cost for _, cost in tried)
    ends = [_solve(model, first.parameters, mean, std) for first, cost in tried if cost <= hopeful]
    fit = min(ends, key=lambda pair: pair[1])[0]
    seen = np.unique(model.bracket)
    for settled in range(_ROUNDS):
        excess, excess_std = fit.value("excess")[seen], fit.std("excess")[seen]
        spread = max(float(np.sqrt(np.mean(excess**2 + excess_std**2))), _LEAST_EXCESS)
        if settled and abs(spread - fit.excess_std) < 0.02 * spread:
            break
        model.settle_band(fit.parameters)
        mean, std = _prior(model, spread)
        fit, _ = _solve(model, fit.parameters, mean, std)
    return fit


def at_widest(fit: LensFit, part: str, power: int) -> tuple[float, float]:
    """An aberration at the rim of the widest stop as it is, with its uncertainty. [um].

    The figures of the model refer to that stop as marked; where the ring is off there,
    so is the rim, and errors of the two go together.

    Parameters
    ----------
    fit : LensFit
    part : str
        "w040" or "w060".
    power : int
        Of the pupil's radius with which it grows.
    """
    per_stop = -power * np.log(2) / 2
    factor = float(np.exp(per_stop * fit.value("ring")[0]))
    value = float(fit.value(part)[0]) * factor
    by = np.zeros(fit.model.size)
    by[fit.model.slices[part].start] = factor
    by[fit.model.slices["ring"].start] = per_stop * value
    return value, float(np.sqrt(by @ fit.covariance @ by))


def cone_handles(fit: LensFit) -> tuple[ConeResult, ...]:
    """The effective f-number by diffraction alone and by the depth of focus alone.

    Diffraction's reach in frequency is wavelength x f-number; the depth of focus is
    wavelength x f-number squared against a length on the rail. Each handle takes what
    it needs (wavelengths, rail step) as exact and leaves the other free.

    Returns
    -------
    tuple of ConeResult
        Without "focus depth" where no rail position is known.
    """
    model, data = fit.model, fit.model.data
    spreads = {"diffraction": (_FIXED, 0.5)}  # of light and rail
    if not np.isnan(data.position_um).all():
        spreads["focus depth"] = (0.5, _FIXED)
    handles = []
    for name, (light_std, rail_std) in spreads.items():
        mean, std = _prior(model, fit.excess_std)
        std[model.slices["pupil"]] = _ANY_PUPIL_STD * 2
        std[model.slices["light"]], std[model.slices["rail"]] = light_std, rail_std
        start = fit.parameters.copy()
        start[model.slices["light" if name == "diffraction" else "rail"]] = 0.0
        alone, _ = _solve(model, start, mean, std)
        used = np.unique(np.stack([data.series, data.stop]), axis=1)
        cone = model.cone(
            alone.parameters,
            series=used[0],
            channel=np.zeros_like(used[0]),
            stop=model.stop[used[1]],
            ring_weight=np.eye(model.stop.size)[used[1]],
        )
        nominal = model.stop[used[1]] * (1 + model.magnification[used[0]])
        by = cone.by_f_number.mean(axis=0)
        handles.append(
            ConeResult(
                name=name,
                over_nominal=float(np.exp(np.mean(np.log(cone.f_number / nominal)))),
                std=float(np.sqrt(by @ alone.covariance @ by)),
            )
        )
    return tuple(handles)
