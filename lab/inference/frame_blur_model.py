"""What would the edge profiles of one frame be, given its blur?

Profile of one edge, at distance x along its normal, bright side positive:

    level = (1 + g x) low + step (1 + g' x) E(x - shift)

E is the edge spread function of optics, pixel, bin and movement, integrated over
frequency to the cut-off with nodes that hold the diffraction tails. Optics are those of
the reference, with a defocus that is a plane over the field. Movement is one vector for
the frame; an edge sees its component along the normal. Low, step, both gradients and
what the shift still lacks are linear and projected out edge by edge (variable
projection, Kaufman's Jacobian), so that of each edge only the inner products of its
residual and derivatives are left.

Lengths are px, frequencies cycles per px along the edge's normal.

References
----------
.. [1] G. Golub, V. Pereyra, Inverse Problems 19, R1 (2003): separable least squares
   (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from lab.edges.profiles import BIN_PX
from lab.edges.types import FloatArray
from lab.optics.movement import linear_otf, oscillating_otf, pulse_otf
from lab.optics.pupil import aberrated_otf_gradient
from lab.optics.sensor import pixel_mtf
from targets.fidelity import gaussian_mtf

__all__ = [
    "WAVES_LIMIT",
    "ComplexArray",
    "FrameModel",
    "Movement",
    "Optics",
    "ProfileEdge",
    "Reduced",
    "lens_at",
    "lens_table",
    "movement_otf",
]

Movement = Literal["linear", "oscillating", "pulse"]
ComplexArray = npt.NDArray[np.complex128]

WAVES_LIMIT = 4.5  # of the table of defocus
_WAVES_STEP = 0.1  # cubic interpolation: error of the transfer below 3e-5
# A gradient's standard deviation beforehand, of the step over the profile's reach: the
# light over some tens of pixels and a square's far side (judged by us).
_GRADIENT_STD = 0.02
_SUSPECT = 4.0  # times the median edge's chi-square (judged by us)
_SHIFT_STD_PX = 2.0  # of the edge's place beforehand
_DIFFERENCE_PX = 0.02  # for derivatives by the movement's length


@dataclass(frozen=True, kw_only=True, eq=False)
class ProfileEdge:
    """One green edge's profile.

    Attributes
    ----------
    field_x, field_y : float
        -1 to 1 over the frame's width (right) and height (down).
    angle_deg : float
        Of the normal, dark to bright; 0 = towards higher columns, 90 = higher rows.
    x_px : ndarray, (n,)
        Bin centres along the normal, ascending multiples of ``BIN_PX``. [px]
    level, std : ndarray, (n,)
        Mean level and its standard uncertainty, any linear unit.
    """

    field_x: float
    field_y: float
    angle_deg: float
    x_px: FloatArray
    level: FloatArray
    std: FloatArray

    def __post_init__(self) -> None:
        for name in ("x_px", "level", "std"):
            copy = np.array(getattr(self, name), dtype=np.float64)
            copy.setflags(write=False)
            object.__setattr__(self, name, copy)
        if not (self.x_px.ndim == 1 and self.x_px.shape == self.level.shape == self.std.shape):
            raise ValueError("x_px, level and std must have one shape (n,)")
        if not np.all(np.isfinite([self.field_x, self.field_y, self.angle_deg])):
            raise ValueError("field_x, field_y and angle_deg must be finite numbers")
        if not (np.all(np.isfinite(self.x_px)) and np.all(np.isfinite(self.level))):
            raise ValueError("x_px and level must be finite numbers")
        if not (np.all(self.std > 0) and np.all(np.isfinite(self.std))):
            raise ValueError("std must be finite and > 0")


@dataclass(frozen=True, kw_only=True)
class Optics:
    """The lens as the reference's frames show it.

    Attributes
    ----------
    diffraction_px : float
        Wavelength x effective f-number over pixel pitch: 1 / cut-off. [px], > 0
    w040, w040_std : float
        Primary spherical aberration at the rim; its sign is open and given as >= 0.
        [waves]
    blur_std_px, blur_std_px_std : float
        Residual blur as a Gaussian's standard deviation. [px]
    chi_square_per_degree : float
        Of the reference's profiles, 1 where noise explains what is left.
    """

    diffraction_px: float
    w040: float = 0.0
    w040_std: float = 0.0
    blur_std_px: float = 0.0
    blur_std_px_std: float = 0.0
    chi_square_per_degree: float = 1.0

    def __post_init__(self) -> None:
        if not 0 < self.diffraction_px < np.inf:
            raise ValueError("diffraction_px must be a finite number > 0")
        if not (abs(self.w040) <= 3 and 0 <= self.blur_std_px < np.inf):
            raise ValueError("w040 must be within 3 waves and blur_std_px finite and >= 0")


def movement_otf(
    kind: Movement, frequency: FloatArray, length_px: FloatArray
) -> FloatArray | ComplexArray:
    """Factor of a movement along the normal, signed length, about its centroid.

    Parameters
    ----------
    kind : {"linear", "oscillating", "pulse"}
    frequency : ndarray, (n_f,)
        [cycles per px]
    length_px : ndarray, (n_edge,)
        Component along the normal, of the length that ``FrameBlur`` names; its sign
        counts for a pulse alone. [px]

    Returns
    -------
    ndarray, (n_edge, n_f)
    """
    size = np.abs(length_px)[:, None]
    if kind == "linear":
        return linear_otf(frequency, size)
    if kind == "oscillating":
        return oscillating_otf(frequency, size / 2)
    signed = np.where(length_px < 0, -1.0, 1.0)[:, None] * frequency
    centroid = np.exp((2j * np.pi / math.log(10)) * signed * size)
    return np.asarray(pulse_otf(signed, size) * centroid)


@lru_cache(maxsize=8)
def _nodes(cutoff: float, n_node: int) -> tuple[FloatArray, FloatArray]:
    """Fractions of the cut-off and weights of ``df / (pi f)``; see ``edge_profile``."""
    node, weight = np.polynomial.legendre.leggauss(n_node)
    v = (node + 1) / 2
    s = 1 - v * v
    return s, weight * v / (np.pi * s)


@lru_cache(maxsize=16)
def lens_table(
    w040: float, n_node: int, limit: float = WAVES_LIMIT
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Transfer of the lens at the nodes for a range of defocus.

    Parameters
    ----------
    w040 : float
        [waves]
    n_node : int
    limit : float
        Largest defocus either way. [waves], > 0

    Returns
    -------
    transfer, by_w20, by_w040 : ndarray, (n_w20, n_node)
        ``by_w20`` per step of the table, which is in the middle at 0.
    """
    s, _ = _nodes(1.0, n_node)
    w20 = _WAVES_STEP * np.arange(-round(limit / _WAVES_STEP), round(limit / _WAVES_STEP) + 1)
    grid_w, grid_s = (g.ravel() for g in np.meshgrid(w20, s, indexing="ij"))
    transfer, gradient = aberrated_otf_gradient(
        grid_s, grid_w, np.full(grid_s.size, w040), np.zeros(grid_s.size)
    )
    shape = (w20.size, n_node)
    return (
        transfer.reshape(shape),
        gradient[:, 1].reshape(shape) * _WAVES_STEP,
        gradient[:, 2].reshape(shape),
    )


def lens_at(table: tuple[FloatArray, ...], w20: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Transfer and its derivative by defocus, by cubic Hermite interpolation.

    Parameters
    ----------
    table : tuple of ndarray, (n_w20, n_node)
        As from ``lens_table``: values and slopes per step.
    w20 : ndarray, (n,)
        Held within the table. [waves]

    Returns
    -------
    ndarray, (n, n_node), ndarray, (n, n_node)
    """
    transfer, slope = table[:2]
    place = np.clip(w20 / _WAVES_STEP + transfer.shape[0] // 2, 0, transfer.shape[0] - 1.001)
    i = place.astype(np.intp)
    t = (place - i)[:, None]
    v0, d0, d1 = transfer[i], slope[i], slope[i + 1]
    rise = transfer[i + 1] - v0
    a, b = 3 * rise - 2 * d0 - d1, d0 + d1 - 2 * rise
    value = v0 + t * (d0 + t * (a + t * b))
    return value, (d0 + t * (2 * a + 3 * t * b)) / _WAVES_STEP


@dataclass(frozen=True, kw_only=True, eq=False)
class Reduced:
    """What is left of each edge once its linear parameters are projected out.

    Attributes
    ----------
    gram : ndarray, (n_edge, 1 + k, 1 + k)
        Inner products, weighted by the noise, of the residual and of the derivatives of
        the model by defocus and by what was asked for.
    shift_px : ndarray, (n_edge,)
        Where the edges would lie after this step. [px]
    log_volume : ndarray, (n_edge,)
        Minus half the log determinant of the linear parameters' precision.
    """

    gram: FloatArray
    shift_px: FloatArray
    log_volume: FloatArray


def _merged(edge: ProfileEdge, n: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Odd n bins in one: number of the bin (0 at the edge), level, std; whole bins only."""
    k = np.rint(edge.x_px / BIN_PX)
    group = np.floor(k / n + 0.5)
    first = int(group[0])
    at = (group - first).astype(np.intp)
    full = np.bincount(at) == n
    level = np.bincount(at, edge.level) / n
    std = np.sqrt(np.bincount(at, edge.std**2)) / n
    return (first + np.arange(full.size, dtype=np.float64))[full], level[full], std[full]


class FrameModel:
    """The edges of one frame, made ready to be fitted.

    Parameters
    ----------
    edges : sequence of ProfileEdge
        At least one.
    diffraction_px : float
        [px], > 0
    merged : int
        Bins taken as one, odd: quick, for starts; three lose a tenth of what tells the
        kinds of movement apart.
    """

    def __init__(
        self, edges: Sequence[ProfileEdge], diffraction_px: float, *, merged: int = 1
    ) -> None:
        bin_px = merged * BIN_PX
        profiles = [_merged(edge, merged) for edge in edges]
        half = np.unique(np.abs(np.concatenate([k for k, _, _ in profiles])))
        reach = float(half[-1] * bin_px)
        n_node = 36 + math.ceil(2.2 * reach / diffraction_px)
        n_node += -n_node % 8  # so that frames share tables
        s, weight = _nodes(1.0, n_node)
        self.n_node = n_node
        self.frequency = s / diffraction_px
        phase = 2 * np.pi * np.outer(self.frequency, half * bin_px)
        self._sine = np.sin(phase) * weight[:, None]
        self._cosine = np.cos(phase) * weight[:, None]
        # Bins from far dark to far bright: the half grid mirrored.
        self._has_zero = half[0] == 0
        x = np.concatenate([-half[::-1][: half.size - self._has_zero], half])
        self._x = x * (bin_px / reach)
        self.angle = np.deg2rad([e.angle_deg for e in edges])
        self.field = np.array([[1.0, e.field_x, e.field_y] for e in edges])
        self.pixel = pixel_mtf(
            self.frequency, np.array([[e.angle_deg] for e in edges], dtype=np.float64)
        ) * np.sinc(bin_px * self.frequency)
        self._level = np.zeros((len(edges), x.size))
        self._root = np.zeros((len(edges), x.size))
        self.start_px = np.zeros(len(edges))
        for i, (k, level, std) in enumerate(profiles):
            at = np.searchsorted(x, k)
            side = max(2, k.size // 10)
            low, high = level[:side].mean(), level[-side:].mean()
            step = max(abs(high - low), 1e-300)
            self._level[i, at] = (level - low) / step
            # Centroid of the line spread: a place to start from.
            area = float(np.trapezoid((level - low) / (high - low), k)) if high != low else 0.0
            self.start_px[i] = np.clip((k[-1] - area) * bin_px, -reach / 3, reach / 3)
            self._root[i, at] = step / std
        self.n_bins = np.count_nonzero(self._root, axis=1)

    @property
    def n_edge(self) -> int:
        """How many edges there are."""
        return self.angle.size

    def distrust(self, edge_chi_square: FloatArray) -> bool:
        """Weigh edges less that are explained far worse than the median one.

        Parameters
        ----------
        edge_chi_square : ndarray, (n_edge,)
            Squared residuals in units of the noise.

        Returns
        -------
        bool
            True if there are such edges; their weights have then changed.
        """
        per_degree = edge_chi_square / np.maximum(self.n_bins - 5, 1)
        middle = float(np.median(per_degree))
        suspect = per_degree > _SUSPECT * middle
        if np.any(suspect):
            trust = np.where(suspect, middle / per_degree, 1.0)
            self._root *= np.sqrt(trust)[:, None]
        return bool(np.any(suspect))

    def even_blur(self, blur_std_px: float) -> FloatArray:
        """Pixel, bin and residual blur, (n_edge, n_node)."""
        return self.pixel * gaussian_mtf(self.frequency, blur_std_px)

    def movement(
        self, kind: Movement, length_px: FloatArray
    ) -> tuple[FloatArray | ComplexArray, FloatArray | ComplexArray]:
        """Factor of the movement and its derivative by the signed length."""
        h = _DIFFERENCE_PX
        above = self.movement_alone(kind, length_px + h)
        below = self.movement_alone(kind, length_px - h)
        return self.movement_alone(kind, length_px), (above - below) / (2 * h)

    def movement_alone(self, kind: Movement, length_px: FloatArray) -> FloatArray | ComplexArray:
        """Factor of the movement, (n_edge, n_node)."""
        return movement_otf(kind, self.frequency, length_px)

    def reduce(
        self,
        transfer: FloatArray | ComplexArray,
        derivatives: Sequence[FloatArray | ComplexArray],
        shift_px: FloatArray,
    ) -> Reduced:
        """Project the linear parameters out.

        Parameters
        ----------
        transfer : ndarray, (n_edge, n_node)
            Of everything together.
        derivatives : sequence of ndarray, (n_edge, n_node)
            Of that transfer, by one parameter each.
        shift_px : ndarray, (n_edge,)
            [px]

        Returns
        -------
        Reduced
        """
        turn = np.exp((-2j * np.pi) * shift_px[:, None] * self.frequency)
        moved = transfer * turn
        waves = np.stack(
            [moved, moved * (2j * np.pi * self.frequency), *(d * turn for d in derivatives)]
        )
        odd, even = waves.real @ self._sine, waves.imag @ self._cosine
        mirrored = (even - odd)[..., ::-1][..., : odd.shape[-1] - self._has_zero]
        curves = np.concatenate([mirrored, odd + even], axis=-1)
        x, root = self._x, self._root
        profile = 0.5 + curves[0]
        linear = np.stack(
            [np.ones_like(profile), profile, np.broadcast_to(x, profile.shape), x * profile]
            + [curves[1]],
            axis=1,
        )
        linear = linear * root[:, None]
        prior = np.array([0, 0, _GRADIENT_STD**-2, _GRADIENT_STD**-2, _SHIFT_STD_PX**-2])
        normal = linear @ linear.transpose(0, 2, 1) + np.diag(prior)
        level = self._level * root
        right = (linear @ level[:, :, None])[:, :, 0]
        fitted = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
        step = fitted[:, 1]
        light = (step[:, None] + fitted[:, 3, None] * x) * root
        columns = np.stack([level, *(c * light for c in curves[2:])], axis=1)
        across = linear @ columns.transpose(0, 2, 1)
        gram = columns @ columns.transpose(0, 2, 1) - across.transpose(0, 2, 1) @ np.linalg.solve(
            normal, across
        )
        # Minus the slope's share is how far the edge lies beyond where it was put.
        move = np.clip(-fitted[:, 4] / np.where(np.abs(step) > 0.05, step, 1.0), -1.0, 1.0)
        return Reduced(
            gram=gram,
            shift_px=shift_px + move,
            log_volume=-0.5 * np.linalg.slogdet(normal)[1],
        )
