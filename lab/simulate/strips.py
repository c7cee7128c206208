"""The image of a dark strip between two parallel edges, as a table over distance.

One table of the edge serves strips of every width: each edge's profile is shifted to its
place by cubic interpolation, whose error is far below that of reading the table later.

A square's image is made of two such strips, one across each pair of its sides. A
strip's darkness is ``1 - E1(d1) - E2(d2)`` with E the edges' exact profiles and d the
distances outward from each: 1 well inside, 0 far away, tails and all. The two edges
may differ in focus.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.optics.edge_profile import EdgeProfile
from lab.simulate.through_focus import ThroughFocus

__all__ = ["EdgeBank", "EdgeTable", "Strip", "steepness"]

_STEP_OF_CUTOFF = 0.02  # linear interpolation then errs by less than 1e-4 of the edge
_MIN_STEP_PX = 1 / 64


class EdgeBank:
    """Edge profiles of one channel over focus and edge direction.

    Parameters
    ----------
    focus : ThroughFocus
    shift_um : ndarray, (n,)
        Focus shift of each edge. [um]
    angle_deg : ndarray, (n,)
        Of their normals. [deg]

    Attributes
    ----------
    profiles : list of EdgeProfile, (n_profile,)
    weights : ndarray, (n, n_profile)
        Share of each profile in that of each edge. [-]

    Notes
    -----
    Where nothing moves, the direction enters by the square pixel alone, with the pattern
    of the square: a smooth function of ``steepness``, so three nodes hold it. A movement
    has no such pattern: each edge then has a profile of its own.
    """

    def __init__(self, focus: ThroughFocus, shift_um: FloatArray, angle_deg: FloatArray) -> None:
        self.step_px = max(_STEP_OF_CUTOFF / focus.cutoff_cyc_per_px, _MIN_STEP_PX)
        if focus.movement.is_still:
            q = steepness(angle_deg)
            low, high = float(q.min()), float(q.max())
            nodes = np.array([low]) if high - low < 1e-9 else np.linspace(low, high, 3)
            node_angle_deg = np.rad2deg(np.arcsin(np.sqrt(nodes))) / 2
            at = [(float(s), float(a)) for s in focus.node_um for a in node_angle_deg]
            self.weights = _products(focus.weights(shift_um), _lagrange(q, nodes))
        else:
            at = list(zip(shift_um.tolist(), angle_deg.tolist(), strict=True))
            self.weights = np.eye(len(at))
        self.profiles = [
            EdgeProfile(focus.transfer(shift, angle), focus.cutoff_cyc_per_px)
            for shift, angle in at
        ]


def _lagrange(q: FloatArray, nodes: FloatArray) -> FloatArray:
    """Share of each node's value in those at q: (n, n_node)."""
    shares = np.ones((q.size, nodes.size))
    for i, node in enumerate(nodes):
        for other in np.delete(nodes, i):
            shares[:, i] *= (q - other) / (node - other)
    return shares


def _products(one: FloatArray, other: FloatArray) -> FloatArray:
    return np.asarray((one[:, :, None] * other[:, None, :]).reshape(one.shape[0], -1))


def steepness(angle_deg: FloatArray) -> FloatArray:
    """``sin(2 angle)**2``, 0 to 1 [-]: what a square pixel sees of an edge's direction."""
    return np.asarray(np.sin(2 * np.deg2rad(np.atleast_1d(angle_deg))) ** 2)


@dataclass(frozen=True, kw_only=True, eq=False)
class Strip:
    """Darkness across one strip: ``darkness[origin]`` is its middle, ``step_px`` the grid."""

    darkness: npt.NDArray[np.float32]
    origin: int
    step_px: float


class EdgeTable:
    """The profiles of a bank on an even grid, to make strips from.

    Parameters
    ----------
    bank : EdgeBank
    reach_px : float
        Largest distance from an edge that will be asked for.
    step_px : float
        Grid step.
    """

    def __init__(self, bank: EdgeBank, *, reach_px: float, step_px: float) -> None:
        self.step_px = step_px
        self._origin = int(np.ceil(reach_px / step_px)) + 5
        distance_px = np.arange(-self._origin, self._origin + 1) * step_px
        # Single precision halves what a strip must read, and errs by less than 1e-6.
        self._values = np.stack([p(distance_px).astype(np.float32) for p in bank.profiles])

    def strip(
        self, half_width_px: float, right: FloatArray, left: FloatArray, *, reach_px: float
    ) -> Strip:
        """Darkness across a strip for the weights (n_profile,) of its two edges.

        Parameters
        ----------
        half_width_px : float
            > 0
        right, left : ndarray, (n_profile,)
        reach_px : float
            How far from its middle the strip will be asked for; with half the width it
            must not exceed the table's reach.
        """
        n = int(np.ceil(reach_px / self.step_px)) + 2
        whole, part = divmod(half_width_px / self.step_px, 1.0)
        # Outward of an edge the grid's points lie ``t`` beyond every second of four entries.
        t = 1.0 - part
        taps = (
            *(-t * (t - 1) * (t - 2) / 6, (t + 1) * (t - 1) * (t - 2) / 2),
            *(-(t + 1) * t * (t - 2) / 2, (t + 1) * t * (t - 1) / 6),
        )
        first = self._origin - n - int(whole) - 2
        weights = np.stack([right, left]).astype(np.float32)
        profiles = weights @ self._values[:, first : first + 2 * n + 4]
        edge = np.zeros((2, 2 * n + 1), dtype=np.float32)
        for i, tap in enumerate(taps):
            edge += np.float32(tap) * profiles[:, i : i + 2 * n + 1]
        # Distances outward of the left edge run the other way on the same grid.
        return Strip(darkness=1 - edge[0] - edge[1, ::-1], origin=n, step_px=self.step_px)

    def tail_reach_px(self, width_px: float, share: float, limit_px: float) -> float:
        """Distance [px] from a strip beyond which its darkness is below ``share``."""
        count = int(limit_px / self.step_px)
        width = round(width_px / self.step_px)
        near = self._values[:, self._origin : self._origin + count]
        beyond = self._values[:, self._origin + width : self._origin + width + count]
        dark = np.flatnonzero(np.max(np.abs(beyond - near), axis=0) > share)
        return float(dark[-1] + 1) * self.step_px if dark.size else self.step_px
