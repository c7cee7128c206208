"""Edges rendered by a general-purpose astronomy simulation library, measured by ours."""

from __future__ import annotations

import numpy as np
import pytest

from lab import measure_edge
from lab.edges.measure import EdgeMeasurement
from lab.optics.pupil import aberrated_otf
from lab.optics.sensor import pixel_mtf
from lab.optics.system import crossing

pytestmark = pytest.mark.optics_check
galsim = pytest.importorskip("galsim", reason="the extra optics-check is not installed")


@pytest.mark.parametrize(("diffraction_px", "w20", "angle"), [(2.2, 0.0, 6.0), (3.0, 0.25, 4.0)])
def test_an_edge_drawn_elsewhere_measures_to_our_aims(
    diffraction_px: float, w20: float, angle: float
) -> None:
    # Lengths: one pixel is one arcsecond there; wavelength over diameter is the blur.
    # Zernike defocus of w20 rho**2: coefficient w20 / (2 sqrt 3) (Noll normalisation).
    optics = galsim.OpticalPSF(
        lam_over_diam=diffraction_px,
        defocus=w20 / (2 * np.sqrt(3)),
        oversampling=2.0,
        pad_factor=2.0,
        gsparams=galsim.GSParams(maximum_fft_size=20000, folding_threshold=1e-3),
    )
    side = 300.0
    half_plane = galsim.Box(side, side).shift(side / 2, 0).rotate(angle * galsim.degrees)
    image = galsim.Image(100, 100, scale=1.0, dtype=float)
    scene = galsim.Convolve([half_plane.withFlux(900 * side * side), optics])
    scene.drawImage(image=image, method="auto")  # the pixel is convolved in
    result = measure_edge(image.array + 100.0)
    assert isinstance(result, EdgeMeasurement), result
    truth = crossing(
        lambda f: aberrated_otf(f * diffraction_px, w20) * pixel_mtf(f, angle),
        0.5,
        1 / diffraction_px,
    )
    # The library's own optics differ from the closed form by up to 2e-4 in MTF, and its
    # box ends 150 px away: 0.1 % of MTF50 together.
    assert result.mtf50_cyc_per_px == pytest.approx(truth, rel=2e-3)
