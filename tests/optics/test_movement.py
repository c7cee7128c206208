"""Transfer functions of movement: limits, transforms summed numerically, published values."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest

from lab.optics import exposure
from lab.optics.movement import linear_otf, mixed_otf, oscillating_otf, pulse_otf
from tests.optics.published import MOVEMENT, Table

FREQUENCY = np.array([0.7, 13.0, 44.0, 90.0])  # cycles per mm


def transform(place: npt.ArrayLike, light: npt.ArrayLike) -> npt.NDArray[np.complex128]:
    """Transfer of light that falls evenly in time on a moving place, summed."""
    phase = np.exp(-2j * np.pi * np.outer(FREQUENCY, np.asarray(place)))
    return np.asarray(phase @ np.asarray(light) / np.sum(light))


# Exact


def test_even_movement_is_its_own_transform() -> None:
    place = 0.021 * ((np.arange(20_000) + 0.5) / 20_000 - 0.5)  # 21 um, counted from its middle
    assert linear_otf(FREQUENCY, 0.021) == pytest.approx(
        transform(place, np.ones_like(place)).real, abs=1e-8
    )


def test_vibration_is_its_own_transform() -> None:
    place = 0.0083 * np.sin(2 * np.pi * (np.arange(500) + 0.3) / 500)
    assert oscillating_otf(FREQUENCY, 0.0083) == pytest.approx(
        transform(place, np.ones_like(place)), abs=1e-13
    )


def test_flash_is_its_own_transform_and_lasts_t01() -> None:
    t01, speed = 1 / 700, 6.5  # s, mm/s on the sensor
    step = t01 / 20_000
    time = step * (np.arange(400_000) + 0.5)
    light = np.exp(-time * math.log(10) / t01)
    found = transform(speed * time, light)
    assert np.abs(found.imag).max() > 0.1  # lopsided: the phase matters
    assert pulse_otf(FREQUENCY, speed * t01) == pytest.approx(found, abs=1e-7)
    # Computed elsewhere: t0.1 / t0.5 = log2 10 = 3.3219281; half and 90 % of the light inside.
    above_half, above_tenth = (float(np.sum(light > level)) * step for level in (0.5, 0.1))
    assert above_tenth == pytest.approx(t01, rel=1e-4)
    assert above_tenth / above_half == pytest.approx(3.3219281, rel=2e-4)
    for end, share in ((above_half, 0.5), (above_tenth, 0.9)):
        assert light[time < end].sum() / light.sum() == pytest.approx(share, abs=1e-4)


def test_images_of_flash_and_ambient_light_add() -> None:
    a, length, t01_length = 0.23, 0.034, 0.006
    even = length * (np.arange(4000) + 0.5) / 4000
    pulse = t01_length / math.log(10) * -np.log((np.arange(400_000) + 0.5) / 400_000)
    place = np.concatenate([even, pulse])
    light = np.concatenate([np.full(4000, a / 4000), np.full(400_000, (1 - a) / 400_000)])
    middle = np.exp(-1j * np.pi * FREQUENCY * length)  # the ambient image starts with the flash
    found = mixed_otf(pulse_otf(FREQUENCY, t01_length), linear_otf(FREQUENCY, length) * middle, a)
    assert found == pytest.approx(transform(place, light), abs=1e-5)


def test_little_movement_costs_the_variance_of_its_places() -> None:
    # 1 - |OTF| = 2 pi**2 f**2 variance: d**2 / 12, a**2 / 2, (v tau)**2.
    f, small = 3.0, 1e-3
    for transfer, variance in (
        (linear_otf(f, small), small**2 / 12),
        (oscillating_otf(f, small), small**2 / 2),
        (np.abs(pulse_otf(f, small)), (small / math.log(10)) ** 2),
    ):
        assert 1 - transfer == pytest.approx(2 * (math.pi * f) ** 2 * variance, rel=1e-4)


def test_no_movement_costs_nothing_and_ends_of_the_mixture() -> None:
    for still in (linear_otf(31.0, 0), oscillating_otf(31.0, 0), pulse_otf(31.0, 0)):
        assert still == 1
    assert mixed_otf(0.4j, 0.7, 0) == 0.4j
    assert mixed_otf(0.4j, 0.7, 1) == 0.7


def test_they_broadcast() -> None:
    lengths = np.array([[0.004], [0.02], [0.3]])
    for transfer in (linear_otf, oscillating_otf, pulse_otf):
        found = transfer(FREQUENCY, lengths)
        assert found.shape == (3, 4)
        assert found[1, 2] == transfer(44.0, 0.02)


def test_budget_and_rectangle_are_inverses_of_the_transfers() -> None:
    mtf50 = 37.0
    assert linear_otf(mtf50, 1e-3 * exposure.blur_budget_um(mtf50)) == pytest.approx(0.9, abs=1e-14)
    even = exposure.flash_as_rectangle_s(1 / 700)
    halved = 0.6033545644016143 / even
    assert linear_otf(halved, even) == pytest.approx(0.5, abs=1e-14)
    assert abs(pulse_otf(halved, 1 / 700)) == pytest.approx(0.5, abs=1e-14)


# Published


@pytest.mark.parametrize("table", MOVEMENT, ids=lambda table: table.title)
def test_published(table: Table) -> None:
    assert table.deviation().max() <= table.allowed


# Bad input


@pytest.mark.parametrize("bad", [-0.1, math.nan, math.inf])
@pytest.mark.parametrize(
    ("name", "call"),
    [
        ("length", linear_otf),
        ("amplitude", oscillating_otf),
        ("length_t01", pulse_otf),
    ],
)
def test_bad_lengths(name: str, call: Callable[[float, float], object], bad: float) -> None:
    with pytest.raises(ValueError, match=name):
        call(2.0, bad)


@pytest.mark.parametrize("bad", [-0.1, 1.1, math.nan])
def test_bad_share(bad: float) -> None:
    with pytest.raises(ValueError, match="ambient_share"):
        mixed_otf(1.0, 0.5, bad)
