"""A target's own blur, divided out with its uncertainty."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lab import Rejection, measure_edge
from lab.edges.measure import EdgeMeasurement
from lab.edges.target_blur import WithoutTarget, without_target_blur
from tests.edges.blur import Blur

LENS = Blur(diffraction_px=2.2)


def seen(target_px: float, noise_share: float = 0.0) -> EdgeMeasurement:
    rng = np.random.default_rng(1)
    blur = replace(LENS, gauss_px=target_px)
    result = measure_edge(blur.pixels((100, 100), 5.7, noise_share=noise_share, rng=rng))
    assert isinstance(result, EdgeMeasurement)
    return result


@pytest.mark.parametrize("target_px", [0.0, 0.3, 0.8])
def test_the_lens_comes_back(target_px: float) -> None:
    result = without_target_blur(seen(target_px), target_px, 0.0)
    assert isinstance(result, WithoutTarget)
    assert result.mtf50_cyc_per_px == pytest.approx(LENS.level(0.5, 5.7), rel=3e-3)
    f = result.frequency_cyc_per_px
    good = f < 0.3
    np.testing.assert_allclose(result.mtf[good], LENS.system(5.7)(f[good]), atol=0.01)


def test_the_targets_uncertainty_is_carried() -> None:
    edge = seen(0.6, noise_share=0.01)
    sure = without_target_blur(edge, 0.6, 0.0)
    unsure = without_target_blur(edge, 0.6, 0.05)
    low, high = without_target_blur(edge, 0.55, 0.0), without_target_blur(edge, 0.65, 0.0)
    for result in (sure, unsure, low, high):
        assert isinstance(result, WithoutTarget)
    # One standard uncertainty of the blur moves MTF50 by what is added in quadrature.
    moved = (high.mtf50_cyc_per_px - low.mtf50_cyc_per_px) / 2
    added = np.sqrt(unsure.mtf50_std**2 - sure.mtf50_std**2)
    assert added == pytest.approx(moved, rel=0.1)


def test_a_hopeless_target_is_refused() -> None:
    result = without_target_blur(seen(3.0), 3.0, 0.1)
    assert isinstance(result, Rejection)
    assert "sharper target" in result.reason


@pytest.mark.parametrize("arguments", [(-0.1, 0.0), (0.1, -1.0), (float("nan"), 0.0)])
def test_blur_must_be_a_number_not_below_zero(arguments: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="blur_std"):
        without_target_blur(seen(0.3), *arguments)
