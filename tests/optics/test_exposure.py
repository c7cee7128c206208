"""Light lost at close range, flash and ambient shares, movement."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from lab.optics import exposure
from lab.optics.geometry import effective_f_number

# Exact


@pytest.mark.parametrize("m", [0.4, 1.6, 5.0])
def test_light_falls_with_the_area_of_the_cone(m: float) -> None:
    n_eff = float(effective_f_number(5.6, m, 1))
    added = exposure.bellows_stops(5.6, n_eff)
    assert 2**added == pytest.approx((1 + m) ** 2, rel=1e-14)


def test_share_and_stops_undo_each_other() -> None:
    for stops in (-1.3, 0.4, 6.2):
        share = exposure.ambient_share(stops)
        assert exposure.stops_under_for(share) == pytest.approx(stops, abs=1e-12)
        assert share + exposure.ambient_share(-stops) == pytest.approx(1, rel=1e-14)


def test_budget_takes_a_tenth_of_the_contrast() -> None:
    mtf50 = 37.0
    d_mm = 1e-3 * exposure.blur_budget_um(mtf50)
    assert np.sinc(mtf50 * d_mm) == pytest.approx(0.9, abs=1e-14)


def test_longest_exposure_undoes_the_blur() -> None:
    time = exposure.longest_exposure_s(6.0, 2.5, 4000.0)
    assert exposure.blur_length_um(2.5, 4000.0, time) == pytest.approx(6.0, rel=1e-14)
    assert time == pytest.approx(6e-4)


def test_flash_and_rectangle_halve_the_same_detail() -> None:
    # Summed numerically over a pulse that dies away, against the rectangle's transform.
    t01, speed = 1 / 700, 3.0  # image speed in mm/s
    tau = t01 / math.log(10)
    time = np.linspace(0, 60 * tau, 600_001)
    light = np.exp(-time / tau)
    rectangle = exposure.flash_as_rectangle_s(t01)
    frequency = 0.6033545644016143 / (speed * rectangle)
    pulse = abs(np.trapezoid(light * np.exp(-2j * np.pi * frequency * speed * time), time))
    assert pulse / np.trapezoid(light, time) == pytest.approx(0.5, abs=1e-6)
    assert exposure.longest_flash_s(rectangle) == pytest.approx(t01, rel=1e-14)


def test_mixture_blurs_little_detail_like_one_exposure() -> None:
    flash, ambient, share = 1 / 900, 1 / 160, 0.07
    one = exposure.effective_exposure_s(flash, ambient, share)
    for cycles in (0.02, 0.05):  # over the ambient exposure: little blur, the stated limit
        f = cycles / ambient
        mixed = (1 - share) * np.sinc(f * flash) + share * np.sinc(f * ambient)
        assert 1 - np.sinc(f * one) == pytest.approx(1 - mixed, rel=5e-3)
    assert exposure.effective_exposure_s(flash, ambient, 0.0) == pytest.approx(flash)
    assert exposure.effective_exposure_s(flash, ambient, 1.0) == pytest.approx(ambient)


# Published


def test_bellows_factors_by_hand() -> None:
    # Factor (1 + m)**2: 4 at 1x, 9 at 2x, 16 at 3x, 36 at 5x; 2, 3.17, 4 and 5.17 stops.
    # The Manual of Photography, from memory; f/8 at 1x and 2x: common practice, no
    # published source.
    for m, factor, stops in ((1, 4, 2.0), (2, 9, 3.17), (3, 16, 4.0), (5, 36, 5.17)):
        n_eff = float(effective_f_number(8, m, 1))
        assert (n_eff / 8) ** 2 == pytest.approx(factor, rel=1e-14)
        assert exposure.bellows_stops(8, n_eff) == pytest.approx(stops, abs=0.005)


def test_ambient_shares() -> None:
    # Computed, 1 / (1 + 2**stops): Delta 2 to 7.
    for stops, share in ((2, 0.2), (3, 0.1111111), (4, 0.0588235), (5, 0.0303030), (7, 0.0077519)):
        assert exposure.ambient_share(stops) == pytest.approx(share, abs=5e-8)


def test_rectangle_of_a_flash() -> None:
    # Computed elsewhere to these digits: 0.9505526 t0.1, 3.1576674 t0.5.
    assert exposure.flash_as_rectangle_s(1.0) == pytest.approx(0.9505526, abs=5e-8)
    assert exposure.flash_as_rectangle_s(math.log2(10)) == pytest.approx(3.1576674, abs=5e-8)
    assert exposure.blur_budget_um(1000.0) == pytest.approx(0.2504090, abs=5e-8)


# Bad input


@pytest.mark.parametrize("bad", [0.0, -3.0, math.nan, math.inf])
@pytest.mark.parametrize(
    ("name", "call"),
    [
        ("marked", lambda bad: exposure.bellows_stops(bad, 16)),
        ("effective", lambda bad: exposure.bellows_stops(8, bad)),
        ("magnification", lambda bad: exposure.blur_length_um(bad, 5000, 0.01)),
        ("speed_um_per_s", lambda bad: exposure.blur_length_um(2, bad, 0.01)),
        ("time_s", lambda bad: exposure.blur_length_um(2, 5000, bad)),
        ("blur_um", lambda bad: exposure.longest_exposure_s(bad, 2, 5000)),
        ("mtf50_cyc_per_mm", exposure.blur_budget_um),
        ("t01_s", exposure.flash_as_rectangle_s),
        ("time_s", exposure.longest_flash_s),
        ("flash_s", lambda bad: exposure.effective_exposure_s(bad, 0.005, 0.1)),
        ("ambient_s", lambda bad: exposure.effective_exposure_s(0.001, bad, 0.1)),
    ],
)
def test_bad_input(name: str, call: Callable[[float], float], bad: float) -> None:
    with pytest.raises(ValueError, match=name):
        call(bad)


@pytest.mark.parametrize("bad", [-0.1, 1.1, math.nan])
def test_bad_shares(bad: float) -> None:
    with pytest.raises(ValueError, match="share"):
        exposure.stops_under_for(bad)
    with pytest.raises(ValueError, match="share"):
        exposure.effective_exposure_s(0.001, 0.005, bad)
    with pytest.raises(ValueError, match="stops_under"):
        exposure.ambient_share(math.inf)
