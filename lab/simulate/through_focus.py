"""The transfer of one channel at one stop, over a whole range of focus, quickly.

The overlap integral behind a defocused, aberrated lens is slow; a frame of a tilted
target asks for it at every edge, a through-focus search at every step. Over defocus
the transfer is smooth without limit, and over ``v = sqrt(1 - s)``, s being frequency
over cut-off, likewise: a Chebyshev table of few nodes holds both to about 1e-5.
``channel_transfer`` is the same function without a table.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from math import ceil

import numpy as np
import numpy.typing as npt
from numpy.polynomial.chebyshev import chebpts1, chebvander

from lab.edges.types import FloatArray
from lab.frames.frame import CHANNELS
from lab.optics.geometry import defocus_waves
from lab.optics.pupil import aberrated_otf
from lab.optics.sensor import pixel_mtf
from lab.simulate.rig import SimulatedRig, cutoff_cyc_per_px

__all__ = ["ThroughFocus"]

_TOLERANCE = 1e-5  # of the transfer, from the nodes over focus


class ThroughFocus:
    """Table of a channel's transfer for focus shifts from ``low_um`` to ``high_um``.

    Attributes
    ----------
    cutoff_cyc_per_px : float
        The transfer is 0 from here. [cycles per pixel]
    node_um : ndarray, (n_node,)
        Focus shifts that the table holds. [um]
    movement : Movement
        The rig's, which the transfer holds.

    Raises
    ------
    ValueError
        If low_um > high_um, or an argument is outside the rig's range.
    """

    def __init__(
        self,
        rig: SimulatedRig,
        *,
        magnification: float,
        stop: float,
        channel: str,
        low_um: float,
        high_um: float,
    ) -> None:
        if not low_um <= high_um:
            raise ValueError("low_um must not be above high_um")
        self._rig = rig
        self.movement = rig.movement
        self.cutoff_cyc_per_px = cutoff_cyc_per_px(
            rig, magnification=magnification, stop=stop, channel=channel
        )
        n_eff = rig.effective_f_number(magnification, stop)
        band = rig.band(channel)
        spherical_um = rig.spherical_at_um(stop)
        self._middle, self._half = (low_um + high_um) / 2, (high_um - low_um) / 2

        shortest_um = min(band.wavelength_um)
        half_waves = float(defocus_waves(self._half, n_eff, shortest_um))
        points = chebpts1(_n_nodes(2 * np.pi * half_waves))
        self.node_um = self._middle + self._half * points
        self._to_weights = np.linalg.inv(chebvander(points, points.size - 1))

        own_um = self.node_um - rig.channel_focus_um[CHANNELS.index(channel)]
        # The path difference lies between w20 and w20 + 2 w040 times 4 x s: nodes grow with it.
        w20_waves = defocus_waves(own_um, n_eff, shortest_um)
        waves = np.maximum(np.abs(w20_waves), np.abs(w20_waves + 2 * spherical_um / shortest_um))
        self._n_v = 24 + 8 * ceil(float(waves.max()))
        v_points = chebpts1(self._n_v)
        to_coefficients = np.linalg.inv(chebvander(v_points, self._n_v - 1))
        s = 1 - ((v_points + 1) / 2) ** 2
        self._lines: list[tuple[float, FloatArray]] = []
        for wavelength_um, weight in zip(band.wavelength_um, band.weight, strict=True):
            # Node by node: the integral's work arrays then stay in the processor's cache.
            otf = np.stack(
                [
                    aberrated_otf(s, w20, spherical_um / wavelength_um)
                    for w20 in defocus_waves(own_um, n_eff, wavelength_um)
                ],
                axis=1,
            )
            cutoff = rig.pixel_pitch_um / (wavelength_um * n_eff)
            self._lines.append((cutoff, weight * (to_coefficients @ otf)))

    def weights(self, shift_um: npt.ArrayLike) -> FloatArray:
        """Share of each node in the transfer at given focus shifts.

        Parameters
        ----------
        shift_um : array_like, (n,)
            [um], low_um to high_um

        Returns
        -------
        ndarray, (n, n_node)
            Rows sum to 1. [-]

        Raises
        ------
        ValueError
            If a shift is outside the table.
        """
        offset = np.atleast_1d(np.asarray(shift_um, dtype=np.float64)) - self._middle
        if not np.all(np.abs(offset) <= self._half * (1 + 1e-9) + 1e-9):
            raise ValueError("shift_um is outside the table")
        position = offset / self._half if self._half > 0 else np.zeros_like(offset)
        return np.asarray(chebvander(position, self.node_um.size - 1) @ self._to_weights)

    def transfer(
        self, shift_um: float, edge_angle_deg: float
    ) -> Callable[[FloatArray], FloatArray]:
        """System transfer function of frequency in cycles per pixel, as ``channel_transfer``."""
        return partial(self._at, self.weights(shift_um).T, edge_angle_deg)

    def _at(self, weights: FloatArray, edge_angle_deg: float, frequency: FloatArray) -> FloatArray:
        return self.transfers(frequency, weights, edge_angle_deg)[..., 0]

    def transfers(
        self, frequency_cyc_per_px: FloatArray, weights: FloatArray, edge_angle_deg: float
    ) -> FloatArray:
        """Transfer at frequencies (n,) for columns of weights (n_node, m): (n, m)."""
        f = np.asarray(frequency_cyc_per_px, dtype=np.float64)
        lens: FloatArray = np.zeros((f.size, weights.shape[1]))
        for cutoff, coefficients in self._lines:
            s = np.minimum(f / cutoff, 1.0)
            lens += chebvander(2 * np.sqrt(1 - s) - 1, self._n_v - 1) @ (coefficients @ weights)
        blur_px = self._rig.blur_std_um / self._rig.pixel_pitch_um
        rest = np.exp(-2 * (np.pi * blur_px * f) ** 2) * pixel_mtf(f, edge_angle_deg)
        rest *= self._rig.movement.transfer(f, edge_angle_deg)
        return np.asarray(lens * rest[:, None])


def _n_nodes(phase: float) -> int:
    """Nodes with which exp(i phase t), t from -1 to 1, is interpolated to ``_TOLERANCE``."""
    # Bound of the Chebyshev remainder, 2 (phase / 2)**n / n!.
    n, remainder = 1, phase
    while remainder > _TOLERANCE:
        n += 1
        remainder *= phase / 2 / n
    return n
