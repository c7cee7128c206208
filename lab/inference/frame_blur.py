"""How much of one frame's blur is defocus, how much movement, and of which kind?

All green edges of a frame are fitted together, with the lens as frames from a stand
show it (``fit_reference``). Kinds of movement: "linear", even during the exposure;
"oscillating", a vibration over whole periods; "pulse", an even movement in a flash that
dies away exponentially. Each comes with any defocus.

``kind`` names what takes more of the MTF50: the movement in the direction that shows it
most, or defocus, averaged over the edges. Where either takes less than ``SHARP_SHARE``
the frame is "sharp". A probability is that of the name: evidence of the movements, times
how likely each leads to it within its uncertainty.

Prior probabilities (judged by us): none of the movements 2/5, each of them 1/5.
Left out: movements that turn, speed up or last a part of a period; frames with two
kinds at once are named by the kind that explains them best.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from lab.edges.types import FloatArray, Rejection
from lab.inference.frame_blur_fit import MOVEMENTS, KindFit, fit_kinds
from lab.inference.frame_blur_model import (
    WAVES_LIMIT,
    Optics,
    ProfileEdge,
    lens_at,
    lens_table,
    movement_otf,
)
from lab.inference.frame_blur_reference import fit_reference
from lab.optics.sensor import pixel_mtf
from targets.fidelity import gaussian_mtf

__all__ = [
    "KINDS",
    "SHARP_SHARE",
    "FrameBlur",
    "Losses",
    "Optics",
    "ProfileEdge",
    "fit_reference",
    "frame_blur",
    "mtf50_losses",
]

KINDS = ("sharp", "focus", *MOVEMENTS)
SHARP_SHARE = 0.02  # of the MTF50: less is no blur worth a name (judged by us)
_PRIOR = {None: 0.4, "linear": 0.2, "oscillating": 0.2, "pulse": 0.2}
_FEWEST_EDGES = 4
_LEAST_CROSSING = 0.2  # spread of the normals: 0 all parallel, 1 as many across as along
_AXIS_KNOWN = 0.05  # of the mirrored axis's evidence
_DRAWS = 400
_LOSS_NODES = 160
_LOSS_LENGTHS = np.concatenate([np.arange(0, 6, 0.1), np.arange(6, 61, 0.5)])


@dataclass(frozen=True, kw_only=True)
class FrameBlur:
    """The blur of one frame.

    Attributes
    ----------
    kind : {"sharp", "focus", "linear", "oscillating", "pulse"}
        The most probable.
    probability : mapping of str to float
        Over those five, sum 1.
    movement : {"linear", "oscillating", "pulse"}
        The kind that axis and length are those of, also where defocus takes more.
    axis_deg, axis_std_deg : float
        Of the movement, as an edge's angle: 0 along the rows, 90 along the columns,
        (-90, 90]. With edges in two directions only, a movement and its mirror image
        about them blur alike: see ``is_axis_known``. Its sense is not given.
    is_axis_known : bool
        False where the mirrored axis explains the frame nearly as well, or the movement
        is not told from none.
    length_px, length_std_px : float
        Linear from end to end, oscillating from peak to peak, pulse image speed x t0.1.
    defocus_waves, defocus_std_waves : float
        Mean over the edges, from where the lens is sharpest. Its sign is the lens's
        against its spherical aberration and open where that is small. [waves]
    movement_loss, focus_loss : float
        Share of the sharp lens's MTF50 that each alone takes; see ``kind``. [-]
    chi_square_per_degree : float
        Of the best fit, 1 where noise explains what is left. Above, all uncertainties
        and probabilities are widened by it.
    """

    kind: str
    probability: Mapping[str, float]
    movement: str
    axis_deg: float
    axis_std_deg: float
    is_axis_known: bool
    length_px: float
    length_std_px: float
    defocus_waves: float
    defocus_std_waves: float
    movement_loss: float
    focus_loss: float
    chi_square_per_degree: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Losses:
    """Share of the MTF50 that defocus or movement alone takes from the sharp optics.

    ``sharpest_waves`` is the defocus at which the optics are sharpest; the tables run
    over defocus [waves] and length along the normal [px].
    """

    sharpest_waves: float
    waves: FloatArray
    by_waves: FloatArray
    by_length: Mapping[str, FloatArray]

    def of_focus(self, waves: FloatArray) -> FloatArray:
        """Loss at a defocus, any shape. [-]."""
        return np.interp(waves, self.waves, self.by_waves)

    def of_movement(self, kind: str, length_px: FloatArray | float) -> FloatArray:
        """Loss by a movement along the normal, any shape. [-]."""
        return np.asarray(np.interp(np.abs(length_px), _LOSS_LENGTHS, self.by_length[kind]))


def _half_frequency(frequency: FloatArray, curves: FloatArray) -> FloatArray:
    """Where each curve, rising frequencies along the last axis, first falls below a half."""
    under = curves < 0.5
    i = np.maximum(np.argmax(under, axis=-1), 1)
    row = np.arange(curves.shape[0])
    above, below = curves[row, i - 1], curves[row, i]
    part = (above - 0.5) / (above - below)
    return np.asarray(frequency[i - 1] + part * (frequency[i] - frequency[i - 1]))


@lru_cache(maxsize=8)
def mtf50_losses(optics: Optics) -> Losses:
    """What defocus and movement take from these optics, pixel included.

    Parameters
    ----------
    optics : Optics

    Returns
    -------
    Losses
    """
    waves = np.arange(-WAVES_LIMIT, WAVES_LIMIT, 0.02)
    table = lens_at(lens_table(optics.w040, _LOSS_NODES), waves)[0][:, ::-1]
    v = (np.polynomial.legendre.leggauss(_LOSS_NODES)[0] + 1) / 2
    frequency = (1 - v * v)[::-1] / optics.diffraction_px
    even = pixel_mtf(frequency) * gaussian_mtf(frequency, optics.blur_std_px)
    half = _half_frequency(frequency, table * even)
    best = int(np.argmax(half))
    moved = {
        kind: np.abs(movement_otf(kind, frequency, _LOSS_LENGTHS)) * (table[best] * even)
        for kind in MOVEMENTS
    }
    return Losses(
        sharpest_waves=float(waves[best]),
        waves=waves,
        by_waves=1 - half / half[best],
        by_length={
            kind: 1 - _half_frequency(frequency, m) / half[best] for kind, m in moved.items()
        },
    )


def frame_blur(edges: Sequence[ProfileEdge], optics: Optics) -> FrameBlur | Rejection:
    """Tell defocus from movement in one frame.

    Parameters
    ----------
    edges : sequence of ProfileEdge
        All green edges of the frame.
    optics : Optics
        From ``fit_reference``, at the same stop and magnification.

    Returns
    -------
    FrameBlur or Rejection
        A Rejection's reason is for the photographer.
    """
    if len(edges) < _FEWEST_EDGES:
        return Rejection(
            reason=f"{len(edges)} edges measured, at least {_FEWEST_EDGES} are needed "
            "to tell movement from focus"
        )
    angle = np.deg2rad([edge.angle_deg for edge in edges])
    if 1 - abs(np.mean(np.exp(2j * angle))) < _LEAST_CROSSING:
        return Rejection(
            reason="the measured edges run in one direction only: movement along them does not show"
        )
    if min(edge.x_px.size for edge in edges) < 12:
        return Rejection(reason="an edge's profile holds fewer than 12 bins")
    losses = mtf50_losses(optics)
    fits, widening = fit_kinds(edges, optics, losses.sharpest_waves)
    evidence = np.array([fit.log_evidence + math.log(_PRIOR[fit.kind]) for fit in fits])
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()
    field = np.array([[1.0, edge.field_x, edge.field_y] for edge in edges])
    normal = np.column_stack([np.cos(angle), np.sin(angle)])
    probability = dict.fromkeys(KINDS, 0.0)
    for fit, w in zip(fits, weight, strict=True):
        for name, share in _names(fit, widening, losses, field, normal).items():
            probability[name] += float(w) * share
    kind = max(KINDS, key=lambda name: probability[name])
    named = MOVEMENTS.index(kind) if kind in MOVEMENTS else int(np.argmax(weight[1:]))
    moving = fits[1 + named]
    # Both lengths from the movement's fit, unless the frame is told to hold none.
    plane = (moving if weight[1:].sum() > 0.5 else fits[0]).parameters[:3]
    chosen = moving if weight[1:].sum() > 0.5 else fits[0]
    mean = field.mean(axis=0)
    covariance = moving.covariance(widening)[3:, 3:]
    length = max(moving.length_px, 1e-9)
    along = moving.parameters[3:] / length
    axis = math.degrees(math.atan2(along[1], along[0]))
    assert moving.kind is not None
    return FrameBlur(
        kind=kind,
        probability=probability,
        movement=moving.kind,
        axis_deg=90 - (90 - axis) % 180,
        axis_std_deg=math.degrees(min(moving.across_std_px / length, math.pi / 4)),
        is_axis_known=bool(moving.other_axis < _AXIS_KNOWN and weight[1:].sum() > 0.95),
        length_px=moving.length_px,
        length_std_px=float(np.sqrt(along @ covariance @ along)),
        defocus_waves=float(mean @ plane - losses.sharpest_waves),
        defocus_std_waves=float(np.sqrt(mean @ chosen.covariance(widening)[:3, :3] @ mean)),
        movement_loss=float(
            losses.of_movement(moving.kind, np.abs(normal @ moving.parameters[3:]).max())
        ),
        focus_loss=float(losses.of_focus(field @ plane).mean()),
        chi_square_per_degree=min(float(fit.edge_chi_square.sum()) for fit in fits)
        / max(sum(edge.x_px.size - 3 for edge in edges) - 5, 1),
    )


@lru_cache(maxsize=2)
def _draws(size: int) -> FloatArray:
    """Standard normal draws, always the same: a frame's answer must not change."""
    return np.random.default_rng(7).standard_normal((_DRAWS, size))


def _names(
    fit: KindFit, widening: float, losses: Losses, field: FloatArray, normal: FloatArray
) -> dict[str, float]:
    """How likely each name is, given that the frame has this kind of movement."""
    size = fit.parameters.size
    root = np.linalg.cholesky(fit.covariance(widening))
    drawn = fit.parameters + _draws(size) @ root.T
    focus = losses.of_focus(drawn[:, :3] @ field.T).mean(axis=1)
    if fit.kind is None:
        movement = np.zeros(_DRAWS)
    else:
        # The likelihood's width across is not the curvature's: drawn on its own.
        along = fit.parameters[3:] / max(fit.length_px, 1e-9)
        length = drawn[:, 3:] @ along
        across = fit.across_std_px * _draws(size)[:, -1]
        vector = length[:, None] * along + across[:, None] * np.array([-along[1], along[0]])
        movement = losses.of_movement(fit.kind, np.abs(vector @ normal.T).max(axis=1))
    sharp = np.maximum(focus, movement) < SHARP_SHARE
    moved = ~sharp & (movement > focus)
    names = {"sharp": float(sharp.mean()), "focus": float((~sharp & ~moved).mean())}
    if fit.kind is not None:
        names[fit.kind] = float(moved.mean())
    return names
