"""What optics do frames from a stand show?

Spherical aberration and residual blur are common to all frames, defocus is a plane for
each: Levenberg-Marquardt over all of them at once, each frame's plane eliminated
(Schur complement). A frame may lie on either side of focus, which look alike where the
aberration is small, so each is tried on both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from lab.edges.types import FloatArray
from lab.inference.frame_blur_fit import DONE, PLANE_STD, FrameFitter
from lab.inference.frame_blur_model import (
    FrameModel,
    Optics,
    ProfileEdge,
    lens_at,
    lens_table,
)

__all__ = ["fit_reference"]

_LIMIT_WAVES = 2.0  # a frame on a stand is nearer to focus than that


def fit_reference(frames: Sequence[Sequence[ProfileEdge]], diffraction_px: float) -> Optics:
    """Optics from frames taken on a stand: spherical aberration and residual blur.

    Defocus is a plane for each frame, the rest is common.

    Parameters
    ----------
    frames : sequence of sequences of ProfileEdge
        At least one frame and one edge in each.
    diffraction_px : float
        Wavelength x effective f-number over pixel pitch. [px], > 0

    Returns
    -------
    Optics

    Raises
    ------
    ValueError
        If there is no frame, a frame has no edge or diffraction_px is not > 0.
    """
    if not frames or not all(frames):
        raise ValueError("a reference needs at least one frame and an edge in each")
    if not 0 < diffraction_px < math.inf:
        raise ValueError("diffraction_px must be a finite number > 0")
    models = [FrameModel(edges, diffraction_px) for edges in frames]
    starts = [(w040, sign * 0.3) for w040 in (0.1, 0.5) for sign in (-1, 1)]
    # Two frames tell which start leads down; all frames are fitted from there.
    few = [
        _descended(
            models[:2], w040, 0.3, [np.array([away - w040, 0, 0])] * len(models[:2]), steps=4
        )
        for w040, away in starts
    ]
    _, w040, blur, planes, _, _ = min(few, key=lambda fit: fit[0])
    for _ in range(2):
        # Each frame may lie on either side of focus, whatever the common start.
        found = Optics(diffraction_px=diffraction_px, w040=w040, blur_std_px=blur)
        planes = [_plane_of(model, found, planes[0]) for model in models]
        cost, w040, blur, planes, covariance, degrees = _descended(
            models, w040, blur, planes, steps=12
        )
    widening = max(1.0, cost / max(degrees, 1))
    std = np.sqrt(np.diag(covariance) * widening)
    return Optics(
        diffraction_px=diffraction_px,
        w040=abs(w040),
        w040_std=float(std[0]),
        blur_std_px=blur,
        blur_std_px_std=float(std[1]),
        chi_square_per_degree=cost / max(degrees, 1),
    )


def _plane_of(model: FrameModel, optics: Optics, start: FloatArray) -> FloatArray:
    """The plane of defocus of a frame without movement; bad edges lose their weight."""
    frame = FrameFitter(model, optics, -optics.w040, _LIMIT_WAVES)
    fit = frame.better_side(frame.fit(None, start, model.start_px))
    if model.distrust(fit.edge_chi_square):
        fit = frame.fit(None, fit.parameters, fit.shift_px)
    return fit.parameters


_Descended = tuple[float, float, float, list[FloatArray], FloatArray, int]


def _descended(
    models: Sequence[FrameModel],
    w040: float,
    blur: float,
    planes: list[FloatArray],
    *,
    steps: int,
) -> _Descended:
    """Levenberg-Marquardt over all frames: cost, w040, blur, planes, covariance, degrees."""
    shifts = [model.start_px for model in models]
    damping, state = 1e-3, _common(models, w040, blur, planes, shifts)
    for _ in range(steps):
        cost, common, right, blocks, new_shifts = state
        # Each frame's plane is eliminated (Schur complement).
        step_planes = []
        small, small_right = common + damping * np.diag(np.diag(common)), right.copy()
        for own, cross, own_right in blocks:
            damped = own + damping * np.diag(np.diag(own))
            small = small - cross.T @ np.linalg.solve(damped, cross)
            small_right = small_right - cross.T @ np.linalg.solve(damped, own_right)
        step = np.linalg.solve(small, small_right)
        for own, cross, own_right in blocks:
            damped = own + damping * np.diag(np.diag(own))
            step_planes.append(np.linalg.solve(damped, own_right - cross @ step))
        trial_w040 = float(np.clip(w040 + np.clip(step[0], -0.2, 0.2), -2.5, 2.5))
        trial_blur = max(blur + float(np.clip(step[1], -0.3, 0.3)), 0.02)
        trial = [p + np.clip(d, -0.4, 0.4) for p, d in zip(planes, step_planes, strict=True)]
        new = _common(models, trial_w040, trial_blur, trial, new_shifts)
        if new[0] < cost:
            w040, blur, planes, state = trial_w040, trial_blur, trial, new
            damping = max(damping / 10, 1e-6)
            if cost - new[0] < DONE:
                break
        else:
            damping *= 10
            if damping > 1e3:
                break
    cost, common, _, blocks, _ = state
    for own, cross, _ in blocks:
        common = common - cross.T @ np.linalg.solve(own, cross)
    degrees = sum(int(np.sum(model.n_bins - 3)) - 3 for model in models) - 2
    return cost, w040, blur, planes, np.asarray(np.linalg.inv(common)), degrees


_Block = tuple[FloatArray, FloatArray, FloatArray]


def _common(
    models: Sequence[FrameModel],
    w040: float,
    blur: float,
    planes: Sequence[FloatArray],
    shifts: Sequence[FloatArray],
) -> tuple[float, FloatArray, FloatArray, list[_Block], list[FloatArray]]:
    """Cost and normal equations: of (w040, blur), and of each frame's plane."""
    # Weak priors keep what the frames do not hold from running off.
    cost = (w040 / 1.0) ** 2
    common, right = np.diag([1.0, 1e-3]), np.array([-w040, 0.0])
    blocks, new_shifts = [], []
    for model, plane, shift in zip(models, planes, shifts, strict=True):
        w20 = model.field @ plane
        table = lens_table(w040, model.n_node, _LIMIT_WAVES)
        lens, by_w20 = lens_at(table, w20)
        by_w040, _ = lens_at((table[2], np.gradient(table[2], axis=0)), w20)
        even = model.even_blur(blur)
        by_blur = -4 * np.pi**2 * model.frequency**2 * blur * even * lens
        reduced = model.reduce(lens * even, [by_w20 * even, by_w040 * even, by_blur], shift)
        g = reduced.gram
        prior = 1 / np.square(PLANE_STD)
        off = plane + np.array([w040, 0, 0])
        chain = model.field
        own = np.einsum("ei,e,ej->ij", chain, g[:, 1, 1], chain) + np.diag(prior)
        cross = np.einsum("ei,ek->ik", chain, g[:, 1, 2:])
        own_right = chain.T @ g[:, 0, 1] - prior * off
        cost += float(g[:, 0, 0].sum() + off @ (prior * off))
        common = common + g[:, 2:, 2:].sum(axis=0)
        right = right + g[:, 0, 2:].sum(axis=0)
        blocks.append((own, cross, own_right))
        new_shifts.append(reduced.shift_px)
    return cost, common, right, blocks, new_shifts
