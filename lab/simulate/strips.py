"""The image of a dark strip between two parallel edges, as a table over distance.

A square's image is made of two such strips, one across each pair of its sides. A
strip's darkness is ``1 - E1(d1) - E2(d2)`` with E the edges' exact profiles and d the
distances outward from each: 1 well inside, 0 far away, tails and all. The two edges
may differ in focus.
"""

from __future__ import annotations

import numpy as np

from lab.edges.types import FloatArray
from lab.optics.edge_profile import EdgeProfile
from lab.simulate.through_focus import ThroughFocus

__all__ = ["EdgeBank", "StripTables", "steepness", "tail_reach_px"]

_STEP_OF_CUTOFF = 0.02  # linear interpolation then errs by less than 1e-4 of the edge
_MIN_STEP_PX = 1 / 64


class EdgeBank:
    """Edge profiles of one channel over focus and edge direction.

    Parameters
    ----------
    focus : ThroughFocus
    angle_deg : ndarray, (n,)
        Of the normals of all edges that will be asked for. [deg]

    Notes
    -----
    The direction enters by the square pixel alone, with the pattern of the square:
    a smooth function of ``steepness``, so three nodes hold it.
    """

    def __init__(self, focus: ThroughFocus, angle_deg: FloatArray) -> None:
        self._focus = focus
        q = steepness(angle_deg)
        low, high = float(q.min()), float(q.max())
        self._q = np.array([low]) if high - low < 1e-9 else np.linspace(low, high, 3)
        node_angle_deg = np.rad2deg(np.arcsin(np.sqrt(self._q))) / 2
        self.profiles = [
            EdgeProfile(focus.transfer(shift_um, angle), focus.cutoff_cyc_per_px)
            for shift_um in focus.node_um
            for angle in node_angle_deg
        ]
        self.step_px = max(_STEP_OF_CUTOFF / focus.cutoff_cyc_per_px, _MIN_STEP_PX)

    def weights(self, shift_um: FloatArray, angle_deg: FloatArray) -> FloatArray:
        """Share of each profile in the profile of each edge: (n, n_profile)."""
        q = steepness(angle_deg)[:, None]
        by_angle = np.ones((q.size, self._q.size))
        for i, node in enumerate(self._q):
            for other in np.delete(self._q, i):
                by_angle[:, i] *= (q[:, 0] - other) / (node - other)
        by_focus = self._focus.weights(shift_um)
        return np.asarray((by_focus[:, :, None] * by_angle[:, None, :]).reshape(q.size, -1))


def steepness(angle_deg: FloatArray) -> FloatArray:
    """``sin(2 angle)**2``, 0 to 1 [-]: what a square pixel sees of an edge's direction."""
    return np.asarray(np.sin(2 * np.deg2rad(np.atleast_1d(angle_deg))) ** 2)


class StripTables:
    """Darkness across strips of one width, on an even grid.

    Parameters
    ----------
    bank : EdgeBank
    half_width_px : float
        > 0
    reach_px : float
        How far from its middle a strip will be asked for.
    step_px : float
        Grid step, shortened a little so that both edges fall on the grid.
    """

    def __init__(
        self, bank: EdgeBank, half_width_px: float, *, reach_px: float, step_px: float
    ) -> None:
        self.step_px = half_width_px / np.ceil(half_width_px / step_px)
        n = int(np.ceil(reach_px / self.step_px)) + 2
        self.origin = n
        outward_px = np.arange(-n, n + 1) * self.step_px - half_width_px
        self._basis = np.stack([profile(outward_px) for profile in bank.profiles])

    def strip(self, right: FloatArray, left: FloatArray) -> FloatArray:
        """Darkness on the grid for the weights (n_profile,) of its two edges."""
        # Distances outward of the left edge run the other way on the same grid.
        return np.asarray(1 - right @ self._basis - (left @ self._basis)[::-1])


def tail_reach_px(bank: EdgeBank, width_px: float, share: float, limit_px: float) -> float:
    """Distance [px] from a strip beyond which its darkness is below ``share``."""
    distance = np.geomspace(1.0, limit_px, 200)
    tails = [profile(distance + width_px) - profile(distance) for profile in bank.profiles]
    beyond = np.flatnonzero(np.max(np.abs(tails), axis=0) > share)
    return float(distance[beyond[-1]]) if beyond.size else 1.0
