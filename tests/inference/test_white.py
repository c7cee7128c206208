"""White light: the weighted sum of the colours, each about a focus of its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lab.inference.lens_curve import best_focus_um, curve_of, lens_curve
from lab.inference.lens_fit import LensFit, fit_lens
from lab.inference.lens_optics import measured_optics
from lab.inference.white import white_optics
from tests.bench.second_lens import COLOURS, STOPS, SecondLens

SHARES = {"red": 0.2126, "green": 0.7152, "blue": 0.0722}  # Rec. ITU-R BT.709-6, item 3.2
LENS = SecondLens(
    magnifications=(1.7,),
    w040_um=0.4,
    colour_um={"red": 120.0, "green": 0.0, "blue": -60.0},
)


@pytest.fixture(scope="module")
def fit() -> LensFit:
    return fit_lens(LENS.session(np.random.default_rng(5), frames=5))


def test_white_is_the_weighted_sum_of_its_colours(fit: LensFit) -> None:
    """Exact: each colour at its own distance from its own focus."""
    white = white_optics(fit, 0, STOPS)
    assert white is not None
    shift = np.linspace(-40.0, 90.0, STOPS.size)
    frequency = np.linspace(15.0, 60.0, STOPS.size)
    expected = np.zeros(STOPS.size)
    for channel, share in SHARES.items():
        away = fit.value("colour")[fit.model.data.channels.index(channel)]
        expected += share * measured_optics(fit, 0, channel, STOPS).transfer(
            frequency, shift - away
        )
    assert white.transfer(frequency, shift) == pytest.approx(expected, abs=1e-12)
    assert white.transfer(np.full(STOPS.size, 1e-6), shift) == pytest.approx(1.0, abs=1e-6)


def test_derivatives_are_those_of_the_sum(fit: LensFit) -> None:
    """Exact: against central differences, by focus, frequency, and the fitted figures."""
    white = white_optics(fit, 0, STOPS)
    assert white is not None
    shift = best_focus_um(white) + 25.0
    frequency = white.crossing(shift, 0.6)
    found = white.gradient(frequency, shift)
    assert found.mtf == pytest.approx(0.6, abs=1e-6)
    for step, by, moved in (
        (1e-2, found.by_shift_um, lambda d: white.transfer(frequency, shift + d)),
        (1e-3, found.by_frequency, lambda d: white.transfer(frequency + d, shift)),
    ):
        assert by == pytest.approx((moved(step) - moved(-step)) / (2 * step), abs=1e-6)
    for name, step in (("pupil", 1e-5), ("w040", 1e-5), ("blur2", 1e-4), ("colour", 1e-2)):
        column = fit.model.slices[name].start

        def at(d: float, column: int = column) -> np.ndarray:
            parameters = fit.parameters.copy()
            parameters[column] += d
            other = white_optics(replace(fit, parameters=parameters), 0, STOPS)
            assert other is not None
            return other.transfer(frequency, shift)

        slope = (at(step) - at(-step)) / (2 * step)
        assert np.abs(slope).max() > 1e-5
        assert found.by_parameters[:, column] == pytest.approx(slope, rel=1e-3, abs=1e-6)


def test_colours_apart_make_white_softer_than_green(fit: LensFit) -> None:
    white = white_optics(fit, 0, STOPS)
    assert white is not None
    curve, green = curve_of(white), lens_curve(fit, 0, "green", STOPS)
    # Weights favour green, so that white's loss is small, and red's longer wave adds to it.
    ratio = curve.mtf50_image_cyc_per_mm / green.mtf50_image_cyc_per_mm
    assert (ratio < 1).all()
    assert (ratio > 0.8).all()
    assert (curve.mtf50_std > 0).all()


def test_white_is_recovered(fit: LensFit) -> None:
    """Recovery: against colours imaged by the second route, summed before the half is sought."""
    m, iris = 1.7, float(STOPS[2])
    n = LENS.f_number(m, 2)
    f, s_grid = np.linspace(1, 120, 600), np.linspace(0, 1.05, 180)
    best = 0.0
    for z in np.linspace(-120, 120, 61):
        total = np.zeros(f.size)
        for colour, share in SHARES.items():
            wavelength = COLOURS[colour]
            w20 = (z - LENS.colour_um[colour]) / (8 * wavelength * n**2)
            line = LENS.opening(iris).transfer(w20, *LENS.waves(m, iris, wavelength))
            total += share * np.interp(f * wavelength * 1e-3 * n, s_grid, line) * LENS.rest(f)
        k = int(np.argmax(total < 0.5))
        best = max(best, float(np.interp(0.5, total[[k, k - 1]], f[[k, k - 1]])))
    white = white_optics(fit, 0, STOPS)
    assert white is not None
    assert curve_of(white).mtf50_image_cyc_per_mm[2] == pytest.approx(best, rel=0.02)


def test_without_all_colours_there_is_no_white(fit: LensFit) -> None:
    green = fit_lens(
        LENS.session(np.random.default_rng(5), frames=3, colours=("green",)),
    )
    assert white_optics(green, 0, STOPS) is None
