"""A target's edge: what it takes of a lens's contrast, and the way back."""

from __future__ import annotations

import math

import numpy as np
import pytest

from targets.fidelity import (
    DEFAULT_LOSS,
    blur_limit_um,
    edge_mtf,
    edge_mtf_loss,
    edge_spread_um,
    frequency_limit_cyc_per_mm,
    gaussian_mtf,
    gaussian_product,
    magnification_limit,
    mtf50_loss,
)
from tests.targets import fidelity_table
from tests.targets.fidelity_table import compared, lens_mtf50

# Exact


@pytest.mark.parametrize("loss", [0.003, 0.05, 0.37])
@pytest.mark.parametrize("blur_um", [0.17, 2.9])
def test_limits_are_inverses_of_the_loss(blur_um: float, loss: float) -> None:
    frequency = frequency_limit_cyc_per_mm(blur_um, loss)
    assert float(edge_mtf_loss(frequency, blur_um)) == pytest.approx(loss, rel=1e-12)
    assert blur_limit_um(frequency, loss) == pytest.approx(blur_um, rel=1e-12)


def test_edge_mtf_is_the_transform_of_the_edges_spread() -> None:
    # The line spread's transform, summed: no formula of ours in it.
    x_mm = np.linspace(-0.02, 0.02, 20001)
    spread_mm = 1.7e-3
    line = np.exp(-((x_mm / spread_mm) ** 2) / 2)
    line /= line.sum()
    f = np.array([13.0, 61.0, 140.0])
    transform = np.cos(2 * np.pi * np.outer(f, x_mm)) @ line
    np.testing.assert_allclose(edge_mtf(f, 1.5, 0.8), transform, rtol=1e-9)


def test_blur_and_raggedness_add_in_quadrature() -> None:
    assert edge_spread_um(1.5, 0.8) == pytest.approx(1.7)
    f = np.array([[20.0, 70.0], [110.0, 5.0]])
    both = edge_mtf(f, 1.5, 0.8)
    assert both.shape == f.shape
    np.testing.assert_allclose(both, edge_mtf(f, 1.5) * edge_mtf(f, 0.8), rtol=1e-12)
    np.testing.assert_allclose(edge_mtf_loss(f, 1.5, 0.8), 1 - both)


def test_a_ragged_contour_blurs_its_mean_edge_as_stated() -> None:
    # Many short pieces, each a sharp step at its own place: their mean profile's MTF.
    rng = np.random.default_rng(11)
    place_um = rng.normal(0, 0.9, 40_000)
    f = np.array([40.0, 90.0, 170.0])
    mean = np.abs(np.exp(2j * np.pi * np.outer(f * 1e-3, place_um)).mean(axis=1))
    np.testing.assert_allclose(mean, edge_mtf(f, 0.0, 0.9), atol=4 / math.sqrt(place_um.size))


def test_a_level_of_a_gaussian_comes_back() -> None:
    for level in (0.9, 1 / 3, 0.04):
        product = gaussian_product(level)
        assert float(gaussian_mtf(product / 0.6, 0.6)) == pytest.approx(level, rel=1e-12)
    assert gaussian_product(1.0) == 0.0


@pytest.mark.parametrize(("stop", "pupil_ratio"), [(4.0, 1.0), (11.0, 0.6), (2.8, 1.7)])
@pytest.mark.parametrize("spread_um", [1.3, 4.1])
def test_limit_of_diffraction_alone_has_a_closed_form(
    stop: float, pupil_ratio: float, spread_um: float
) -> None:
    # MTF50 = c m / (N (1 + m / P)); so m / (1 + m / P) = k = limit N / c, m = k / (1 - k / P).
    c = 735.0  # 0.404 / 0.55e-3 mm, rounded: any lens will do

    def mtf50(m: float) -> float:
        return c * m / (stop * (1 + m / pupil_ratio))

    k = frequency_limit_cyc_per_mm(spread_um, 0.08) * stop / c
    found = magnification_limit(spread_um, 0.08, mtf50, 1e-3, 30.0)
    closed = k / (1 - k / pupil_ratio) if k < pupil_ratio else math.inf
    if math.isinf(closed) or closed > 30:
        assert found == math.inf
    else:
        assert found == pytest.approx(closed, rel=1e-12)
        assert found is not None
        assert float(edge_mtf_loss(mtf50(found), spread_um)) == pytest.approx(0.08, rel=1e-9)


def test_ends_of_the_magnification_limit() -> None:
    mtf50 = lens_mtf50(5.6)
    assert magnification_limit(0.0, 0.05, mtf50, 0.5, 4.0) == math.inf
    assert magnification_limit(0.1, 0.05, mtf50, 0.5, 4.0) == math.inf
    assert magnification_limit(9.0, 0.05, mtf50, 0.5, 4.0) is None
    assert magnification_limit(9.0, 0.999999, mtf50, 0.5, 4.0) is not None


def test_loss_of_mtf50_of_a_gaussian_lens_is_closed() -> None:
    # Two Gaussians: variances add, MTF50 goes as 1 / spread.
    lens_mm, edge_um = 3.1e-3, 1.4
    mtf50 = gaussian_product(0.5) / lens_mm
    found = mtf50_loss(lambda f: gaussian_mtf(f, lens_mm), mtf50, edge_um)
    assert found == pytest.approx(1 - 3.1 / math.hypot(3.1, 1.4), rel=1e-9)
    assert mtf50_loss(lambda f: gaussian_mtf(f, lens_mm), mtf50, 0.0) == 0.0


def test_permitted_loss_of_contrast_lowers_mtf50_by_as_much() -> None:
    # What stands beside the constant: diffraction alone loses 5.0 % of MTF50 too.
    from lab.optics.system import diffraction_mtf, diffraction_mtf50

    mtf50 = diffraction_mtf50(wavelength_um=0.53, f_number=11.3)
    found = mtf50_loss(
        lambda f: diffraction_mtf(f, wavelength_um=0.53, f_number=11.3),
        mtf50,
        blur_limit_um(mtf50, DEFAULT_LOSS),
    )
    assert found == pytest.approx(0.050, abs=5e-4)


# Published


@pytest.mark.parametrize("row", list(compared()), ids=lambda row: row[0])
def test_published_limits(row: tuple[str, float, float, float]) -> None:
    _, published, ours, allowed = row
    if math.isinf(published):
        assert ours == math.inf
    else:
        assert ours == pytest.approx(published, abs=allowed)


def test_published_comparison_can_be_printed(capsys: pytest.CaptureFixture[str]) -> None:
    fidelity_table.main()
    text = capsys.readouterr().out
    assert '22 published figures, and "any" found again 6 times of 6.' in text
    assert "chrome on glass" in text


# Bad input


@pytest.mark.parametrize("bad", [-0.1, float("nan"), float("inf")])
def test_a_spread_must_be_a_finite_number_not_below_zero(bad: float) -> None:
    with pytest.raises(ValueError, match="blur_um and raggedness_um"):
        edge_mtf(50.0, bad)
    with pytest.raises(ValueError, match="blur_um and raggedness_um"):
        edge_mtf_loss(50.0, 0.5, bad)
    with pytest.raises(ValueError, match="blur_um and raggedness_um"):
        frequency_limit_cyc_per_mm(bad, 0.05)


@pytest.mark.parametrize("bad", [-1.0, float("nan"), float("inf")])
def test_a_frequency_must_be_finite_and_not_below_zero(bad: float) -> None:
    with pytest.raises(ValueError, match="frequency_object_cyc_per_mm"):
        edge_mtf([10.0, bad], 0.5)
    with pytest.raises(ValueError, match="frequency_object_cyc_per_mm"):
        blur_limit_um(bad, 0.05)


@pytest.mark.parametrize("bad", [0.0, 1.0, 5.0, float("nan")])
def test_a_loss_is_a_share(bad: float) -> None:
    with pytest.raises(ValueError, match=r"share between 0 and 1, such as 0\.05"):
        blur_limit_um(40.0, bad)
    with pytest.raises(ValueError, match="share"):
        magnification_limit(0.5, bad, lens_mtf50(4.0), 0.1, 5.0)


def test_wrong_ends_levels_and_functions_are_refused() -> None:
    for lowest, highest in ((0.0, 5.0), (5.0, 0.1), (0.1, math.inf), (math.nan, 5.0)):
        with pytest.raises(ValueError, match="lowest < highest"):
            magnification_limit(0.5, 0.05, lens_mtf50(4.0), lowest, highest)
    for level in (0.0, 1.2, math.nan):
        with pytest.raises(ValueError, match="mtf must be in"):
            gaussian_product(level)
    for mtf50 in (0.0, math.nan, math.inf):
        with pytest.raises(ValueError, match="finite number > 0"):
            mtf50_loss(lambda f: gaussian_mtf(f, 3e-3), mtf50, 0.5)
    with pytest.raises(ValueError, match="one half at"):
        mtf50_loss(lambda f: gaussian_mtf(f, 3e-3), 40.0, 0.5)
