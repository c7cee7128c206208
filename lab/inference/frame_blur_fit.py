"""Which blur of each kind explains a frame's edges best, and how well?

``fit_kinds`` fits a frame without movement and with each kind of it and weighs every
fit's evidence. Levenberg-Marquardt on what ``FrameModel`` leaves of each edge. Parameters are the
defocus plane (centre, right, down; waves) and the movement vector (right, down; px).

Evidence is Laplace's: Gaussian about the best fit, priors proper. Along the axis's turn,
where a movement across an edge first shows in its fourth power, the width of the
likelihood is integrated instead.

References
----------
.. [1] D. J. C. MacKay, Information Theory, Inference, and Learning Algorithms, 2003,
   ch. 27 (Laplace's method), from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lab.edges.types import FloatArray
from lab.inference.frame_blur_model import (
    WAVES_LIMIT,
    ComplexArray,
    FrameModel,
    Movement,
    Optics,
    ProfileEdge,
    Reduced,
    lens_at,
    lens_table,
)

__all__ = ["DONE", "MOVEMENTS", "PLANE_STD", "FrameFitter", "KindFit", "fit_kinds"]

MOVEMENTS: tuple[Movement, ...] = ("linear", "oscillating", "pulse")

# Beforehand (judged by us): standard deviations of the plane of defocus, waves; length
# log-uniform between two limits, px, its axis anywhere.
PLANE_STD = (1.5, 0.5, 0.5)
_LENGTH_PX = (0.2, 60.0)
# Lengths of equal standard deviation: linear d / sqrt(12), peak to peak d / sqrt(8),
# pulse d / ln 10.
_SPREAD = {"linear": 12**-0.5, "oscillating": 8**-0.5, "pulse": 1 / math.log(10)}
_MOST_STEPS = 12
DONE = 0.02  # gain in chi-square below which a fit stops
_TWO_SIDED = 1.5  # waves between both sides of focus: farther, they never look alike
_HOPELESS = 60.0  # chi-square above the best: evidence need not be exact
# Where the descents of a movement begin: lengths [px], and axes spread over half a turn.
_START_LENGTHS_PX, _START_AXES = (1.5, 3.0, 5.0, 7.5, 11.0), 8


@dataclass(frozen=True, kw_only=True, eq=False)
class KindFit:
    """The best fit of one kind.

    Attributes
    ----------
    kind : {"linear", "oscillating", "pulse"} or None
    parameters : ndarray, (3,) or (5,)
        Plane of defocus [waves], movement [px].
    shift_px : ndarray, (n_edge,)
    edge_chi_square : ndarray, (n_edge,)
        Squared residuals of each edge in units of its noise, not widened.
    cost : float
        Their sum and the prior's share.
    normal : ndarray, (k, k)
        Half the curvature of the sum of squares, prior left out.
    log_volume : float
        Of the linear parameters.
    across_std_px : float
        Width of the likelihood across the movement.
    log_evidence : float
        Noise widened; -inf until weighed.
    other_axis : float
        The movement mirrored about the edges' own directions: its evidence over this
        one's, 0 to 1.
    optics_covariance : ndarray, (k, k), or None
        What the optics' own uncertainty adds to the parameters'.
    """

    kind: Movement | None
    parameters: FloatArray
    shift_px: FloatArray
    edge_chi_square: FloatArray
    cost: float
    normal: FloatArray
    log_volume: float
    across_std_px: float = 0.0
    log_evidence: float = -math.inf
    other_axis: float = 0.0
    optics_covariance: FloatArray | None = None

    @property
    def length_px(self) -> float:
        """Length of the movement vector, 0 without one."""
        return float(np.hypot(*self.parameters[3:])) if self.parameters.size > 3 else 0.0

    def covariance(self, widening: float) -> FloatArray:
        """Of the parameters, (k, k), with the noise's variance widened."""
        prior = _prior(self.parameters.size)
        tiny = np.where(prior > 0, 0.0, 1e-6)
        own = np.linalg.inv(self.normal / widening + np.diag(prior + tiny))
        if self.optics_covariance is not None:
            own = own + self.optics_covariance
        return np.asarray(own, dtype=np.float64)


def _prior(size: int) -> FloatArray:
    return np.array([1 / std**2 for std in PLANE_STD] + [0.0, 0.0])[:size]


class FrameFitter:
    """A frame's edges with the optics' table: cost and steps of any kind."""

    def __init__(
        self,
        model: FrameModel,
        optics: Optics,
        focus_waves: float,
        limit_waves: float = WAVES_LIMIT,
    ) -> None:
        self.model = model
        self.table = lens_table(optics.w040, model.n_node, limit_waves)
        self.even = model.even_blur(optics.blur_std_px)
        self.optics = optics
        self.focus = focus_waves
        self.chain = np.column_stack([model.field, np.cos(model.angle), np.sin(model.angle)])

    def reduced(
        self, kind: Movement | None, parameters: FloatArray, shift_px: FloatArray, *, slopes: bool
    ) -> Reduced:
        """What is left of each edge; ``slopes``: derivatives by defocus and length too."""
        model = self.model
        lens, by_w20 = lens_at(self.table, model.field @ parameters[:3])
        lens, by_w20 = lens * self.even, by_w20 * self.even
        if kind is None:
            return model.reduce(lens, [by_w20] if slopes else [], shift_px)
        along = self.chain[:, 3:] @ parameters[3:]
        if not slopes:
            return model.reduce(lens * model.movement_alone(kind, along), [], shift_px)
        factor, by_length = model.movement(kind, along)
        return model.reduce(lens * factor, [by_w20 * factor, lens * by_length], shift_px)

    def departure(self, parameters: FloatArray) -> FloatArray:
        """Parameters from where the prior is centred."""
        return np.asarray(parameters - np.array([self.focus, 0, 0, 0, 0])[: parameters.size])

    def cost(self, reduced: Reduced, parameters: FloatArray) -> float:
        """Squared residuals and the prior's share."""
        away = self.departure(parameters)
        return float(reduced.gram[:, 0, 0].sum() + away @ (_prior(away.size) * away))

    def equations(self, reduced: Reduced, size: int) -> tuple[FloatArray, FloatArray]:
        """Normal matrix and right-hand side of the frame's parameters, prior left out."""
        chain = self.chain[:, :size]
        column = np.array([1, 1, 1, 2, 2])[:size]
        gram = reduced.gram[:, column][:, :, column]
        normal = np.einsum("ei,eij,ej->ij", chain, gram, chain)
        return normal, np.einsum("ei,ei->i", chain, reduced.gram[:, 0][:, column])

    def fit(self, kind: Movement | None, start: FloatArray, shift_px: FloatArray) -> KindFit:
        """Levenberg-Marquardt from a start."""
        parameters = start
        now = self.reduced(kind, parameters, shift_px, slopes=True)
        cost, damping = self.cost(now, parameters), 1e-3
        prior = _prior(parameters.size)
        for _ in range(_MOST_STEPS):
            normal, right = self.equations(now, parameters.size)
            right = right - prior * self.departure(parameters)
            full = normal + np.diag(prior)
            scale = np.diag(full) + 1e-9 * np.trace(full) + 1e-12
            step = np.linalg.solve(full + damping * np.diag(scale), right)
            if right @ step < DONE:
                break
            trial = self._within(parameters + step)
            new = self.reduced(kind, trial, now.shift_px, slopes=True)
            new_cost = self.cost(new, trial)
            if new_cost < cost:
                gain, cost = cost - new_cost, new_cost
                parameters, shift_px, now = trial, now.shift_px, new
                damping = max(damping / 10, 1e-6)
                if gain < DONE:
                    break
            else:
                damping = max(damping * 10, 1e-2)
                if damping > 1e4:
                    break
        normal, _ = self.equations(now, parameters.size)
        return KindFit(
            kind=kind,
            parameters=parameters,
            shift_px=shift_px,
            edge_chi_square=now.gram[:, 0, 0],
            cost=cost,
            normal=normal,
            log_volume=float(now.log_volume.sum()),
        )

    @staticmethod
    def _within(parameters: FloatArray) -> FloatArray:
        limit = np.array([WAVES_LIMIT, 2.0, 2.0])
        out = parameters.copy()
        out[:3] = np.clip(out[:3], -limit, limit)
        if out.size > 3:
            out[3:] *= min(1.0, _LENGTH_PX[1] / max(float(np.hypot(*out[3:])), 1e-9))
        return out

    def cost_at(self, fit: KindFit, parameters: FloatArray) -> float:
        """Cost of parameters near a fit's, places of the edges from there."""
        reduced = self.reduced(fit.kind, parameters, fit.shift_px, slopes=False)
        return self.cost(reduced, parameters)

    def with_across(self, fit: KindFit, widening: float) -> KindFit:
        """The fit with the width of its likelihood across the movement."""
        vector = fit.parameters[3:]
        length = max(fit.length_px, 1e-6)
        turn = np.array([-vector[1], vector[0]]) / length
        full = fit.normal / widening + np.diag(_prior(5))
        follow = -np.linalg.solve(full[:3, :3], full[:3, 3:] @ turn)
        direction = np.concatenate([follow, turn])
        curvature = float(direction @ full @ direction)
        size = min(curvature**-0.5 if curvature > 0 else math.inf, max(0.5 * length, 0.5))

        def loss(t: float) -> float:
            return (self.cost_at(fit, fit.parameters + t * direction) - fit.cost) / widening

        pair = loss(size), loss(-size)
        for _ in range(6):
            if min(pair) < 6:
                break
            size /= 2
            pair = loss(size), loss(-size)
        if min(pair) > 0.6 and max(pair) < 1.6:
            return replace(fit, across_std_px=size / math.sqrt(sum(pair) / 2))
        half = [loss(t * size) for t in (0.5, -0.5)]
        wide = [loss(t * size) for t in (1.5, -1.5, 2.0, -2.0)]
        at = size * np.array([-2, -1.5, -1, -0.5, 0, 0.5, 1, 1.5, 2])
        values = [wide[3], wide[1], pair[1], half[1], 0.0, half[0], pair[0], wide[0], wide[2]]
        like = np.exp(-0.5 * np.maximum(np.array(values), 0.0))
        area = float(np.sum((like[1:] + like[:-1]) / 2 * np.diff(at)))
        return replace(fit, across_std_px=area / math.sqrt(2 * math.pi))

    def weighed(self, fit: KindFit, widening: float) -> KindFit:
        """The fit with its evidence, up to what all kinds of a frame share."""
        prior = _prior(3)
        # The linear parameters' volume grows with the noise by the same power for all.
        log_evidence = -0.5 * fit.cost / widening + fit.log_volume + 0.5 * np.log(prior).sum()
        full = fit.normal / widening + np.diag(_prior(fit.parameters.size))
        if fit.kind is None:
            return replace(fit, log_evidence=log_evidence - 0.5 * np.linalg.slogdet(full)[1])
        if fit.across_std_px == 0:
            fit = self.with_across(fit, widening)
        vector = fit.parameters[3:] / max(fit.length_px, 1e-6)
        # Plane and length by their curvature, across by its width.
        basis = np.zeros((5, 4))
        basis[:3, :3] = np.eye(3)
        basis[3:, 3] = vector
        log_det = np.linalg.slogdet(basis.T @ full @ basis + np.diag([0, 0, 0, 1e-4]))[1]
        log_evidence -= 0.5 * log_det
        log_evidence += math.log(2 * math.pi * max(fit.across_std_px, 1e-9))
        length = max(fit.length_px, _LENGTH_PX[0])
        turn = 2 * math.pi if fit.kind == "pulse" else math.pi
        density = 1 / (turn * length**2 * math.log(_LENGTH_PX[1] / _LENGTH_PX[0]))
        return replace(fit, log_evidence=log_evidence + math.log(density))

    def with_optics(self, fit: KindFit) -> KindFit:
        """The fit with what the reference's uncertainty does to it, to first order."""
        model, optics, size = self.model, self.optics, fit.parameters.size
        w20 = model.field @ fit.parameters[:3]
        lens, by_w20 = (m * self.even for m in lens_at(self.table, w20))
        slope = np.gradient(self.table[2], axis=0)
        by_w040 = lens_at((self.table[2], slope), w20)[0] * self.even
        by_blur = (-4 * np.pi**2 * optics.blur_std_px) * model.frequency**2 * lens
        waves: list[FloatArray | ComplexArray] = [lens, by_w20, by_w040, by_blur]
        if fit.kind is not None:
            factor, by_length = model.movement(fit.kind, self.chain[:, 3:] @ fit.parameters[3:])
            waves = [wave * factor for wave in waves] + [lens * by_length]
        gram = model.reduce(waves[0], waves[1:], fit.shift_px).gram
        column = np.array([1, 1, 1, 4, 4])[:size]
        cross = np.einsum("ei,eik->ik", self.chain[:, :size], gram[:, column, 2:4])
        full = fit.normal + np.diag(_prior(size) + 1e-6)
        moved = np.linalg.solve(full, cross) * [optics.w040_std, optics.blur_std_px_std]
        return replace(fit, optics_covariance=moved @ moved.T)

    def better_side(self, fit: KindFit) -> KindFit:
        """The fit, or one from the same defocus on the other side of the sharpest."""
        flipped = fit.parameters.copy()
        flipped[:3] = 2 * np.array([self.focus, 0, 0]) - flipped[:3]
        if np.max(np.abs(flipped[:3] - fit.parameters[:3])) > _TWO_SIDED:
            return fit
        other = self.fit(fit.kind, flipped, fit.shift_px)
        return other if other.cost < fit.cost else fit

    def with_width(self, fit: KindFit) -> KindFit:
        """The fit; where it holds no movement to speak of, with its true width.

        Blur grows with the square of a movement's length, so that there the curvature says
        nothing: as wide as the length at which the cost has risen by one.
        """
        if fit.kind is None or fit.length_px >= _LENGTH_PX[0]:
            return fit
        lengths = _LENGTH_PX[0] * 2.0 ** np.arange(6)
        rise = np.empty(lengths.size)
        for i, length in enumerate(lengths):
            starts = [
                np.concatenate([fit.parameters[:3], length * np.array([math.cos(a), math.sin(a)])])
                for a in np.pi / 4 * np.arange(4)
            ]
            rise[i] = min(self.cost_at(fit, start) for start in starts) - fit.cost
        width = float(np.interp(1.0, np.maximum.accumulate(rise), lengths))
        normal = fit.normal.copy()
        normal[3:], normal[:, 3:] = 0.0, 0.0
        normal[3:, 3:] = np.eye(2) / width**2
        return replace(fit, normal=normal)

    def mirrored(self, parameters: FloatArray) -> FloatArray:
        """The movement mirrored about the direction that most edges have or cross."""
        main = np.angle(np.sum(np.exp(4j * self.model.angle))) / 4
        x, y = parameters[3:]
        c, s = math.cos(2 * main), math.sin(2 * main)
        return np.concatenate([parameters[:3], [c * x + s * y, s * x - c * y]])


def fit_kinds(
    edges: Sequence[ProfileEdge], optics: Optics, focus_waves: float
) -> tuple[list[KindFit], float]:
    """Fit a frame without movement and with each kind of it.

    Parameters
    ----------
    edges : sequence of ProfileEdge
    optics : Optics
    focus_waves : float
        Defocus at which the optics are sharpest. [waves]

    Returns
    -------
    fits : list of KindFit
        Without movement first, then as ``MOVEMENTS``; evidences comparable.
    widening : float
        Factor on the noise's variance by what the best fit leaves over, >= 1.
    """
    quick, model = (FrameModel(edges, optics.diffraction_px, merged=n) for n in (3, 1))
    starts = _fits(FrameFitter(quick, optics, focus_waves))
    frame = FrameFitter(model, optics, focus_waves)
    fits = [frame.fit(fit.kind, fit.parameters, fit.shift_px) for fit in starts]
    best = min(fits, key=lambda fit: fit.cost)
    if model.distrust(best.edge_chi_square):
        fits = [frame.fit(fit.kind, fit.parameters, fit.shift_px) for fit in fits]
        best = min(fits, key=lambda fit: fit.cost)
    degrees = max(int(np.sum(model.n_bins - 3)) - 5, 1)
    widening = max(1.0, float(best.edge_chi_square.sum()) / degrees)
    weighed = [_with_mirror(frame, fit, widening, best.cost) for fit in fits]
    return [frame.with_optics(frame.with_width(fit)) for fit in weighed], widening


def _with_mirror(frame: FrameFitter, fit: KindFit, widening: float, best_cost: float) -> KindFit:
    """A fit with its evidence, that of the mirrored movement added."""
    if fit.kind is not None and (fit.cost - best_cost) / widening > _HOPELESS:
        return frame.weighed(replace(fit, across_std_px=1.0), widening)
    fit = frame.weighed(fit, widening)
    if fit.kind is None or fit.length_px < _LENGTH_PX[0]:
        return fit
    start = frame.mirrored(fit.parameters)
    if (frame.cost_at(fit, start) - fit.cost) / widening > _HOPELESS:
        return fit
    other = frame.fit(fit.kind, start, fit.shift_px)
    same = fit.parameters[3:], -fit.parameters[3:]
    for vector in same[: 1 if fit.kind == "pulse" else 2]:
        if np.hypot(*(other.parameters[3:] - vector)) < 0.1 * fit.length_px:
            return fit
    fit, other = sorted([fit, frame.weighed(other, widening)], key=lambda f: -f.log_evidence)
    odds = math.exp(other.log_evidence - fit.log_evidence)
    return replace(fit, log_evidence=fit.log_evidence + math.log1p(odds), other_axis=odds)


def _fits(frame: FrameFitter) -> list[KindFit]:
    """The best fit of each kind, from several starts."""
    shift = frame.model.start_px
    still = sorted(
        (frame.fit(None, np.array([frame.focus + w, 0, 0]), shift) for w in (-0.6, 0.6)),
        key=lambda fit: fit.cost,
    )
    planes = [np.array([frame.focus, 0, 0]), *(fit.parameters for fit in still)]
    if abs(still[1].cost - still[0].cost) < 1:
        planes.pop()
    found: list[KindFit] = []
    for k, plane in enumerate(planes):
        lengths = _START_LENGTHS_PX if k == 0 else _START_LENGTHS_PX[:1]
        starts = [
            np.concatenate([plane, [length * math.cos(axis), length * math.sin(axis)]])
            for length in lengths
            for axis in np.pi / _START_AXES * np.arange(_START_AXES)
        ]
        costs = [
            frame.cost(frame.reduced("linear", start, shift, slopes=False), start)
            for start in starts
        ]
        # The best start of all, and from the plane in focus the best of the other axes too: a
        # long movement has its mirror image and shorter ones as valleys of their own.
        order = np.argsort(costs)
        axes = [int(i) % _START_AXES for i in order]
        second = next(int(i) for i, axis in zip(order, axes, strict=True) if axis != axes[0])
        for i in (int(order[0]), second)[: 2 if k == 0 else 1]:
            found.append(frame.fit("linear", starts[i], shift))
    found.sort(key=lambda fit: fit.cost)
    linear = found[0]
    fits = [still[0], linear]
    oscillating = linear.parameters.copy()
    oscillating[3:] *= _SPREAD["linear"] / _SPREAD["oscillating"]
    fits.append(frame.fit("oscillating", oscillating, linear.shift_px))
    pulse = linear.parameters.copy()
    pulse[3:] *= _SPREAD["linear"] / _SPREAD["pulse"]
    mirrored = frame.mirrored(pulse)
    turned = np.array([1, 1, 1, -1, -1])
    starts = [pulse, pulse * turned, mirrored, mirrored * turned]
    tried = [frame.reduced("pulse", start, linear.shift_px, slopes=False) for start in starts]
    costs = [frame.cost(*pair) for pair in zip(tried, starts, strict=True)]
    fits.append(frame.fit("pulse", starts[int(np.argmin(costs))], linear.shift_px))
    return [frame.better_side(fit) for fit in fits]
