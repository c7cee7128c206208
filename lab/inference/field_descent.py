"""Which focus, astigmatism and coma explain each place of the field best?

The unknowns of ``FieldModel`` are fitted to each place's rows alone, all places at once:
weighted least squares over all stops and frames with weak priors. In turn, the lens on
axis moves within its uncertainty (``field_joint``). Frames that do not fit lose weight
(Student's t). Uncertainties hold the edges' noise, widened by the misfit, and what is
open about the lens on axis.

Leaves out: what several places say together (``field_shape``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lab.edges.types import FloatArray, MaskArray
from lab.inference.field_data import FieldData
from lab.inference.field_joint import AxialSlopes, joint_step
from lab.inference.field_model import ASTIGMATISM, FOCUS, FieldModel, axial_cones
from lab.inference.lens_data import IntArray
from lab.inference.lens_fit import LensFit

__all__ = ["PlaceFit", "fit_places"]

# What is known beforehand, as standard deviations about 0. Judged by us, no published
# source: wide enough for poor lenses wide open.
_ASTIGMATISM_STD_WAVES = 2.0  # at the widest stop measured
_COMA2_STD_UM2 = 4.0
_FAR_UM = 1e6  # focus: nothing is known

_FRAME_FREEDOM = 4.0
_STEPS = 25
_SETTLED, _NEARLY_SETTLED = 1e-3, 0.3  # of a weighted sum of squares
_REACH_WAVES = 0.5  # the furthest one step may take focus
_REACH_COMA2_UM2 = 1.0
_START_WAVES = 0.4  # astigmatism of either sign, to begin with
_OTHER_SIGN = 6.0  # more in chi-square: the other sign of astigmatism is ruled out
_COUNTS = 1e-4  # of the largest variance
_OTHER_LEAN = np.array([1.0, -1.0, 1.0])


@dataclass(frozen=True, kw_only=True, eq=False)
class PlaceFit:
    """Fitted unknowns of n places.

    Attributes
    ----------
    unknown, prior_std : ndarray, (n, 3)
        ``focus``, ``astigmatism``, ``coma2`` of ``FieldModel``, and how well each was
        known beforehand.
    covariance : ndarray, (n, 3, 3)
        Of the place's own figures.
    shared : ndarray, (n, 3, 3)
        What errors of the lens on axis add.
    shared_focus : ndarray, (n, k)
        These errors in ``focus`` as k independent ones of standard deviation 1, each of
        which moves all places at once.
    chi_square : ndarray, (n,)
        Weighted mean square of the residuals over their uncertainty.
    sign_open : ndarray of bool, (n,)
        Astigmatism of the other sign explains the rows as well.
    fit : LensFit
        The lens on axis as these unknowns go with it.
    """

    unknown: FloatArray
    prior_std: FloatArray
    covariance: FloatArray
    shared: FloatArray
    shared_focus: FloatArray
    chi_square: FloatArray
    sign_open: MaskArray
    fit: LensFit


@dataclass(frozen=True, kw_only=True, eq=False)
class _Weighed:
    """Rows and places where a descent stands.

    ``residual`` (n_row,), ``slope`` (n_row, 3), ``chi_square`` over the degrees of
    freedom (n_place,), ``information`` (n_place, 3, 3).
    """

    residual: FloatArray
    slope: FloatArray
    chi_square: FloatArray
    information: FloatArray


class _Descent:
    """Levenberg-Marquardt at all places at once, each with its own damping.

    ``unknown`` is (n_place, 3), ``cost`` (n_place,); ``weight`` of a row is that of its
    frame at its place. ``model`` may be set anew when the lens on axis has moved.
    """

    def __init__(self, fit: LensFit, rows: FieldData) -> None:
        data = rows.lens
        self.rows, self.model = rows, FieldModel(fit, rows)
        self.n = len(rows.places)
        series = np.array([place.series for place in rows.places])
        wave_um = 1 / axial_cones(fit).per_um[series, 0]  # of focus, at the widest stop
        flat = np.ones(self.n)
        known = (_FAR_UM * flat, _ASTIGMATISM_STD_WAVES * wave_um, _COMA2_STD_UM2 * flat)
        self.std = np.stack(known, axis=1)
        reach = (_REACH_WAVES * wave_um, 2 * _REACH_WAVES * wave_um, _REACH_COMA2_UM2 * flat)
        self.reach = np.stack(reach, axis=1)
        frame = rows.place * data.position_um.size + data.frame
        _, self.frame, self.n_row = np.unique(frame, return_inverse=True, return_counts=True)
        on_axis = fit.frame_weight[data.frame]
        self.most = np.where(np.isnan(on_axis), 1.0, on_axis)
        self.weight = self.most

    def _sums(self, row: IntArray, values: FloatArray) -> FloatArray:
        """Sum over each place's rows, (n_place, ...)."""
        total = np.zeros((self.n, *values.shape[1:]))
        np.add.at(total, self.rows.place[row], values)
        return total

    def _normal(
        self, unknown: FloatArray, row: IntArray, residual: FloatArray, slope: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Each place's cost, gradient and information, from some rows."""
        weight = self.weight[row] / self.rows.lens.mtf_std[row] ** 2
        cost = self._sums(row, weight * residual**2) + np.sum((unknown / self.std) ** 2, axis=1)
        weighted = slope * weight[:, np.newaxis]
        gradient = self._sums(row, weighted * residual[:, np.newaxis]) - unknown / self.std**2
        information = self._sums(row, weighted[:, :, np.newaxis] * slope[:, np.newaxis, :])
        information[:, range(3), range(3)] += self.std**-2.0
        return cost, gradient, information

    def _seen(self, unknown: FloatArray, row: IntArray) -> tuple[FloatArray, FloatArray]:
        """Residuals of rows and derivatives of their MTF."""
        mtf, slope = self.model(unknown, row)
        return self.rows.lens.mtf[row] - mtf, slope

    def run(self, unknown: FloatArray, *, settled: float) -> tuple[FloatArray, FloatArray]:
        """Descend from a start until the cost settles; where it ends and the cost there."""
        damping = np.full(self.n, 1e-3)
        active = np.ones(self.n, dtype=bool)
        row = np.arange(self.rows.place.size)
        cost, gradient, information = self._normal(unknown, row, *self._seen(unknown, row))
        for _ in range(_STEPS):
            damped = information.copy()
            damped[:, range(3), range(3)] *= 1 + damping[:, np.newaxis]
            step = np.linalg.solve(damped, gradient[:, :, np.newaxis])[:, :, 0]
            most = np.max(np.abs(step) / self.reach, axis=1)
            step /= np.maximum(most, 1.0)[:, np.newaxis]
            trial = unknown + step
            row = np.flatnonzero(active[self.rows.place])
            there = self._normal(trial, row, *self._seen(trial, row))
            better = active & (there[0] <= cost)
            gained = np.where(better, cost - there[0], np.inf)
            unknown = np.where(better[:, np.newaxis], trial, unknown)
            cost = np.where(better, there[0], cost)
            gradient = np.where(better[:, np.newaxis], there[1], gradient)
            information = np.where(better[:, np.newaxis, np.newaxis], there[2], information)
            damping = np.where(better, np.maximum(damping / 5, 1e-7), damping * 6)
            active &= (gained > settled * np.maximum(1.0, 1e-3 * cost)) & (damping < 1e6)
            if not active.any():
                break
        return unknown, cost

    def weighed(self, unknown: FloatArray) -> _Weighed:
        """Let each frame at each place weigh as it fits, no more than on axis."""
        every, place = np.arange(self.rows.place.size), self.rows.place
        residual, slope = self._seen(unknown, every)
        square = (residual / self.rows.lens.mtf_std) ** 2
        mean = np.bincount(self.frame, square) / self.n_row
        own = (_FRAME_FREEDOM + 1) / (_FRAME_FREEDOM + np.maximum(mean, 1.0))
        self.weight = np.minimum(own[self.frame], self.most)
        count = np.bincount(place)
        misfit = np.bincount(place, self.weight * square) / np.bincount(place, self.weight)
        *_, information = self._normal(unknown, every, residual, slope)
        return _Weighed(
            residual=residual,
            slope=slope,
            chi_square=misfit * count / np.maximum(count - 3, 1),
            information=information,
        )


def _start_um(fit: LensFit, rows: FieldData, model: FieldModel) -> FloatArray:
    """Focus of each place [um] that puts its sharpest frames in focus, (n_place,)."""
    data, cones = rows.lens, axial_cones(fit)
    (direction, stop, _), first, of_row = np.unique(
        np.stack([rows.direction, data.stop, data.frame]),
        axis=1,
        return_index=True,
        return_inverse=True,
    )
    score = np.bincount(of_row.ravel(), data.mtf)
    order = np.lexsort([score, stop, direction])
    bracket = np.stack([direction, stop])[:, order]
    last = np.append(np.any(np.diff(bracket, axis=1) != 0, axis=0), True)
    row = first[order[last]]
    at = data.series[row], data.stop[row]
    best_um = -(cones.w040[at] + 0.95 * cones.w060[at]) / cones.per_um[at]
    weight = cones.per_um[at] ** 2  # the less depth a stop has, the better it knows
    total = np.bincount(rows.place[row], weight * (best_um - model.shift_um[row]))
    return np.asarray(total / np.bincount(rows.place[row], weight))


def _root(covariance: FloatArray) -> FloatArray:
    """Factor F (n, k) with F F' = covariance, without what hardly counts."""
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    kept = values > _COUNTS * values[-1]
    return np.asarray(vectors[:, kept] * np.sqrt(values[kept]))


class _Joint:
    """The places and, within its uncertainty, the lens on axis: both descend by turns."""

    def __init__(self, fit: LensFit, rows: FieldData, descent: _Descent) -> None:
        self.on_axis, self.rows, self.descent = fit, rows, descent
        self._slopes = AxialSlopes(rows)

    def step(self, unknown: FloatArray) -> tuple[_Weighed, LensFit, FloatArray]:
        """Where the places stand, and what they ask of the lens on axis (``joint_step``)."""
        now = self.descent.weighed(unknown)
        share = 1 / np.maximum(now.chi_square, 1.0)  # places that do not fit ask for less
        weight = self.descent.weight / self.rows.lens.mtf_std**2
        moved, through = joint_step(
            self._slopes,
            self.on_axis,
            self.descent.model,
            unknown,
            residual=now.residual,
            by_unknown=now.slope,
            weight=weight * share[self.rows.place],
            information=now.information * share[:, np.newaxis, np.newaxis],
        )
        return now, moved, through

    def turn(self, unknown: FloatArray) -> tuple[FloatArray, FloatArray]:
        """One step of the lens, then the places' descent: where it ends and the cost there."""
        _, moved, _ = self.step(unknown)
        self.descent.model = FieldModel(moved, self.rows)
        return self.descent.run(unknown, settled=_SETTLED)


def fit_places(fit: LensFit, rows: FieldData) -> PlaceFit:
    """Fit every place of a session's field data.

    Parameters
    ----------
    fit : LensFit
        Of the same frames.
    rows : FieldData
    """
    descent = _Descent(fit, rows)
    start = np.zeros((descent.n, 3))
    start[:, FOCUS] = _start_um(fit, rows, descent.model)
    lean_um = (_START_WAVES / _ASTIGMATISM_STD_WAVES) * descent.std[:, ASTIGMATISM]
    ends, costs = [], []
    for sign in (1, -1):
        start[:, ASTIGMATISM] = sign * lean_um
        end, cost = descent.run(start, settled=_NEARLY_SETTLED)
        ends.append(end)
        costs.append(cost)
    joint = _Joint(fit, rows, descent)
    unknown, cost = joint.turn(np.where((costs[0] <= costs[1])[:, np.newaxis], *ends))
    flipped, cost_flipped = descent.run(unknown * _OTHER_LEAN, settled=_NEARLY_SETTLED)
    opposite = flipped[:, ASTIGMATISM] * unknown[:, ASTIGMATISM] < 0
    unknown = np.where((cost_flipped < cost)[:, np.newaxis], flipped, unknown)
    unknown, _ = joint.turn(unknown)
    now, moved, through = joint.step(unknown)
    widening = np.maximum(now.chi_square, 1.0)
    near = np.abs(cost_flipped - cost) < _OTHER_SIGN * widening
    covariance = np.linalg.inv(now.information) * widening[:, np.newaxis, np.newaxis]
    return PlaceFit(
        unknown=unknown,
        prior_std=descent.std,
        covariance=np.asarray(covariance, np.float64),
        shared=through @ moved.covariance @ np.swapaxes(through, 1, 2),
        shared_focus=_root(through[:, FOCUS] @ moved.covariance @ through[:, FOCUS].T),
        chi_square=now.chi_square,
        sign_open=near & opposite,
        fit=descent.model.fit,
    )
