"""Edges with a known truth for the tests: transfer function, MTF50, pixels."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from lab.edges.types import FloatArray, NoiseModel
from lab.optics.edge_profile import EdgeProfile
from lab.optics.pupil import aberrated_otf
from lab.optics.sensor import pixel_mtf
from lab.optics.system import crossing
from lab.simulate.render import render_edge

LOW, HIGH = 100.0, 1000.0


@dataclass(frozen=True, kw_only=True)
class Blur:
    """A lens by lengths in pixels and waves at the rim. All values invented."""

    diffraction_px: float  # wavelength x N_eff
    w20: float = 0.0
    w040: float = 0.0
    gauss_px: float = 0.0
    motion_px: float = 0.0

    def lens(self, f: FloatArray) -> FloatArray:
        f = np.asarray(f, dtype=np.float64)
        return (
            aberrated_otf(f * self.diffraction_px, self.w20, self.w040)
            * np.exp(-2 * (np.pi * self.gauss_px * f) ** 2)
            * np.sinc(self.motion_px * f)
        )

    def system(self, angle_deg: float) -> Callable[[FloatArray], FloatArray]:
        return lambda f: self.lens(f) * pixel_mtf(f, angle_deg)

    def level(self, level: float, angle_deg: float) -> float:
        found = crossing(self.system(angle_deg), level, 1 / self.diffraction_px)
        assert found is not None
        return found

    def pixels(
        self,
        shape: tuple[int, int],
        angle_deg: float,
        *,
        noise_share: float = 0.0,
        rng: np.random.Generator | None = None,
        position_px: float = 0.3,
        sagitta_px: float = 0.0,
    ) -> FloatArray:
        """An edge with white noise of ``noise_share`` of its step."""
        profile = EdgeProfile(self.system(angle_deg), 1 / self.diffraction_px)
        noise = None
        if noise_share:
            noise = NoiseModel(read_std=noise_share * (HIGH - LOW), gain=0.0)
        return render_edge(
            shape,
            angle_deg=angle_deg,
            profile=profile,
            low=LOW,
            high=HIGH,
            position_px=position_px,
            sagitta_px=sagitta_px,
            noise=noise,
            rng=rng,
        )
