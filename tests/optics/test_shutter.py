"""MTF50 under movement, safe shutter times and ambient light: closed forms and inverses."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from lab.edges.types import FloatArray
from lab.optics import shutter
from lab.optics.exposure import blur_length_um
from lab.optics.shutter import Flash, StillImage
from lab.optics.system import channel_band, crossing, diffraction_mtf50, system_mtf

BAND = channel_band(0.53)
STILL = shutter.predicted_still(wavelength_um=BAND, f_number=15.2, pixel_pitch_um=4.35)
SHARP = STILL.mtf50_cyc_per_mm
HAND: dict[str, Any] = {"magnification": 1.7, "speed_um_per_s": 2300.0}
LOSS = 10.0
SPEED_MM_PER_S = 1.7 * 2.3  # of the image


def below(time: FloatArray, flash: Flash | None, level: float) -> FloatArray:
    return time[shutter.of_still(STILL, time, **HAND, flash=flash) < level]


# Exact


def test_still_image_is_that_of_the_system() -> None:
    assert (
        pytest.approx(
            diffraction_mtf50(wavelength_um=BAND, f_number=15.2, pixel_pitch_um=4.35), rel=1e-11
        )
        == SHARP
    )
    soft = shutter.predicted_still(
        wavelength_um=0.55, f_number=9.0, pixel_pitch_um=3.3, blur_std_um=2.1
    )
    at = soft.mtf50_cyc_per_mm
    assert system_mtf(
        at, wavelength_um=0.55, f_number=9.0, pixel_pitch_um=3.3, blur_std_um=2.1
    ) == pytest.approx(0.5, abs=1e-11)


@pytest.mark.parametrize(
    ("flash", "time"),
    [
        (None, 1 / 130),
        (Flash(t01_s=1 / 900), 1 / 130),
        (Flash(t01_s=1 / 2500, ambient_share=0.2), 1 / 40),
        (Flash(t01_s=1 / 2500, ambient_share=0.35, fires_at=0.5), 1 / 90),
        (Flash(t01_s=1 / 2500, ambient_share=0.2, fires_at=1.0), 1 / 60),
    ],
)
def test_mtf50_is_where_the_summed_image_falls_to_half(flash: Flash | None, time: float) -> None:
    # The moving image as light over places, summed on its own; then the first crossing.
    even = SPEED_MM_PER_S * time * (np.arange(800) + 0.5) / 800
    place, light = even, np.full(800, 1 / 800)
    if flash is not None:
        decays, weight = np.polynomial.laguerre.laggauss(60)  # of the integral over exp(-t)
        delay = flash.t01_s / math.log(10) * decays
        fired = SPEED_MM_PER_S * (flash.fires_at * time + delay)
        place = np.concatenate([even, fired])
        share = flash.ambient_share
        light = np.concatenate([share * light, (1 - share) * weight])

    def transfer(f: FloatArray) -> FloatArray:
        summed = [abs(np.exp(-2j * np.pi * one * place) @ light) for one in np.ravel(f)]
        return np.asarray(STILL.transfer(f) * np.reshape(summed, np.shape(f)))

    expected = crossing(transfer, 0.5, SHARP)
    found = shutter.mtf50_moving(STILL, time, **HAND, flash=flash)
    assert float(found) == pytest.approx(expected, rel=1e-5)
    assert float(found) < 0.98 * SHARP


def test_long_movement_alone_sets_mtf50() -> None:
    # Closed form: far below the lens's reach, sin(pi f d) / (pi f d) = 1/2 at f d = 0.6033546.
    blur_mm = 1e-3 * blur_length_um(1.7, 2300.0, 40.0)
    found = shutter.mtf50_moving(STILL, 40.0, **HAND)
    assert float(found) * blur_mm == pytest.approx(0.6033546, rel=1e-4)


def test_short_times_cost_the_variance_of_the_blur() -> None:
    # dM = -2 (pi f)**2 d**2 / 12 over the slope of the transfer at MTF50.
    time, f = 1 / 8000, np.array([0.999 * SHARP, 1.001 * SHARP])
    slope = float(np.diff(STILL.transfer(f))[0]) / (0.002 * SHARP)
    blur = SPEED_MM_PER_S * time
    shift = 0.5 * 2 * (math.pi * SHARP * blur) ** 2 / 12 / slope
    lost = shutter.of_still(STILL, time, **HAND) - 1
    assert float(lost) == pytest.approx(shift / SHARP, rel=0.01)


def test_an_image_of_one_line_gives_the_closed_form() -> None:
    # A transfer falling evenly to half at 40: MTF50 with a flash solves a cubic in f.
    still = StillImage(transfer=lambda f: 1 - np.asarray(f) / 80, mtf50_cyc_per_mm=40.0)
    way = 2 * math.pi * SPEED_MM_PER_S * (1 / 1500) / math.log(10)
    # (1 - f / 80)**2 = (1 + (way f)**2) / 4
    roots = np.roots([1 / 80**2 - way**2 / 4, -2 / 80, 0.75])
    expected = min(r for r in roots.real if r > 0)
    found = shutter.mtf50_moving(still, 0.3, **HAND, flash=Flash(t01_s=1 / 1500))
    assert float(found) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("loss", [0.5, 10.0, 45.0])
@pytest.mark.parametrize(
    "flash",
    [
        None,
        Flash(t01_s=1 / 30_000, ambient_share=0.45),
        Flash(t01_s=1 / 30_000, ambient_share=0.7, fires_at=0.5),
    ],
)
def test_slowest_safe_time_costs_just_the_loss(flash: Flash | None, loss: float) -> None:
    safe = shutter.slowest_safe_s(STILL, **HAND, loss_percent=loss, flash=flash)
    assert safe is not None
    kept = shutter.of_still(STILL, safe, **HAND, flash=flash)
    assert float(kept) == pytest.approx(1 - loss / 100, rel=1e-9)  # 1e-6 is promised
    faster = np.geomspace(1e-3 * safe, (1 - 1e-6) * safe, 150)
    assert below(faster, flash, 1 - loss / 100).size == 0
    assert below(np.array([1.000_001 * safe]), flash, 1 - loss / 100).size == 1


def test_speed_and_magnification_scale_the_time() -> None:
    one = shutter.slowest_safe_s(STILL, **HAND, loss_percent=LOSS)
    other = shutter.slowest_safe_s(
        STILL, magnification=3 * 1.7, speed_um_per_s=2300 / 7, loss_percent=LOSS
    )
    assert one is not None
    assert other == pytest.approx(one * 7 / 3, rel=1e-12)


def test_fastest_speed_undoes_the_slowest_time() -> None:
    safe = shutter.slowest_safe_s(STILL, **HAND, loss_percent=LOSS)
    assert safe is not None
    speed = shutter.fastest_speed_um_per_s(STILL, safe, magnification=1.7, loss_percent=LOSS)
    assert speed == pytest.approx(2300.0, rel=1e-12)


def test_longest_flash_costs_just_the_loss() -> None:
    t01 = shutter.longest_flash_t01_s(STILL, **HAND, loss_percent=LOSS)
    kept = shutter.of_still(STILL, 0.37, **HAND, flash=Flash(t01_s=t01))
    assert float(kept) == pytest.approx(0.9, rel=1e-12)


def test_a_flash_too_slow_has_no_safe_time_and_little_ambient_light_any() -> None:
    slow, quick = Flash(t01_s=1 / 60, ambient_share=0.03), Flash(t01_s=1 / 9000, ambient_share=0.03)
    assert shutter.slowest_safe_s(STILL, **HAND, loss_percent=LOSS, flash=slow) == 0
    assert shutter.slowest_safe_s(STILL, **HAND, loss_percent=LOSS, flash=quick) is None
    assert below(np.geomspace(1e-4, 5, 400), quick, 0.9).size == 0


@pytest.mark.parametrize("fires_at", [0.0, 0.3, 0.5, 1.0])
def test_ambient_limit_costs_just_the_loss_at_its_worst_time(fires_at: float) -> None:
    alone = Flash(t01_s=1 / 3000)
    limit = shutter.ambient_share_limit(
        STILL, **HAND, flash_t01_s=1 / 3000, loss_percent=LOSS, fires_at=fires_at
    )
    assert 0.05 < limit < 0.1
    with_ambient = Flash(t01_s=1 / 3000, ambient_share=limit, fires_at=fires_at)
    time = np.geomspace(1 / 500, 1 / 30, 500)
    kept = shutter.of_still(STILL, time, **HAND, flash=with_ambient)
    kept = kept / shutter.of_still(STILL, 1.0, **HAND, flash=alone)
    assert kept.min() == pytest.approx(0.9, abs=2e-5)  # times are 0.6 % apart


def test_ambient_limit_up_to_a_time() -> None:
    common: dict[str, Any] = {**HAND, "flash_t01_s": 1 / 3000, "loss_percent": LOSS}
    limits = [
        shutter.ambient_share_limit(STILL, **common, longest_s=time)
        for time in (1 / 4000, 1 / 700, 1 / 400, 1 / 60, 1 / 8, math.inf)
    ]
    assert limits[0] == 1  # as short as the flash itself
    assert limits == sorted(limits, reverse=True)
    assert limits[1] > 1.5 * limits[2] > 1.5 * 1.2 * limits[-1]
    flash = Flash(t01_s=1 / 3000, ambient_share=limits[2])
    kept = shutter.of_still(STILL, 1 / 400, **HAND, flash=flash)
    alone = shutter.of_still(STILL, 1 / 400, **HAND, flash=Flash(t01_s=1 / 3000))
    assert float(kept / alone) == pytest.approx(0.9, rel=1e-9)


def test_half_way_is_milder_than_at_an_end() -> None:
    times = [
        shutter.slowest_safe_s(
            STILL,
            **HAND,
            loss_percent=LOSS,
            flash=Flash(t01_s=1 / 6000, ambient_share=0.15, fires_at=at),
        )
        for at in (0.0, 0.5)
    ]
    assert times[0] is not None
    assert times[1] is not None
    assert 1.5 * times[0] < times[1] < 2.5 * times[0]


def test_times_keep_their_shape_and_do_not_influence_each_other() -> None:
    flash = Flash(t01_s=1 / 2000, ambient_share=0.25)
    times = np.array([[1 / 3000, 1 / 200, 1 / 30], [1 / 90, 0.4, 2.0]])
    found = shutter.mtf50_moving(STILL, times, **HAND, flash=flash)
    assert found.shape == (2, 3)
    for index in np.ndindex(2, 3):
        alone = shutter.mtf50_moving(STILL, times[index], **HAND, flash=flash)
        assert alone == pytest.approx(found[index], rel=1e-12)


def test_table_holds_what_the_functions_say() -> None:
    flash = Flash(t01_s=1 / 2000, ambient_share=0.25)
    times = [1 / 500, 1 / 60, 0.2]
    lines = shutter.shutter_table(
        STILL,
        {"stand": 90.0, "hand": 2300.0},
        times,
        magnification=1.7,
        loss_percent=LOSS,
        flash=flash,
    )
    assert [(one.label, one.is_flash) for one in lines] == [
        ("stand", False),
        ("stand, flash", True),
        ("hand", False),
        ("hand, flash", True),
    ]
    for one, light in ((lines[2], None), (lines[3], flash)):
        assert one.of_sharp == pytest.approx(
            shutter.of_still(STILL, times, **HAND, flash=light), rel=1e-12
        )
        assert np.array(one.mtf50_image_cyc_per_mm) == pytest.approx(
            SHARP * np.array(one.of_sharp), rel=1e-12
        )
        assert one.slowest_safe_s == shutter.slowest_safe_s(
            STILL, **HAND, loss_percent=LOSS, flash=light
        )
    plain = shutter.shutter_table(STILL, {"a": 5.0}, times, magnification=2, loss_percent=LOSS)
    assert [one.is_flash for one in plain] == [False]


# Bad input


@pytest.mark.parametrize("bad", [0.0, -2.0, math.nan, math.inf])
@pytest.mark.parametrize(
    ("name", "call"),
    [
        ("time_s", lambda bad: shutter.mtf50_moving(STILL, [0.1, bad], **HAND)),
        ("magnification", lambda b: shutter.of_still(STILL, 1, magnification=b, speed_um_per_s=1)),
        ("speed_um", lambda b: shutter.of_still(STILL, 1, magnification=1, speed_um_per_s=b)),
        ("t01_s", lambda bad: Flash(t01_s=bad)),
        (
            "time_s",
            lambda bad: shutter.fastest_speed_um_per_s(
                STILL, bad, magnification=2, loss_percent=LOSS
            ),
        ),
    ],
)
def test_bad_input(name: str, call: Callable[[float], object], bad: float) -> None:
    with pytest.raises(ValueError, match=name):
        call(bad)


@pytest.mark.parametrize("bad", [0.0, 100.0, -3.0, math.nan])
def test_bad_loss(bad: float) -> None:
    for call in (
        shutter.slowest_safe_s,
        shutter.longest_flash_t01_s,
        lambda *args, **rest: shutter.ambient_share_limit(*args, **rest, flash_t01_s=0.001),
    ):
        with pytest.raises(ValueError, match="loss_percent"):
            call(STILL, **HAND, loss_percent=bad)


@pytest.mark.parametrize("bad", [-0.1, 1.1, math.nan])
def test_bad_shares(bad: float) -> None:
    with pytest.raises(ValueError, match="ambient_share"):
        Flash(t01_s=0.001, ambient_share=bad)
    with pytest.raises(ValueError, match="fires_at"):
        Flash(t01_s=0.001, fires_at=bad)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan])
def test_bad_longest_time(bad: float) -> None:
    with pytest.raises(ValueError, match="longest_s"):
        shutter.ambient_share_limit(
            STILL, **HAND, flash_t01_s=0.001, loss_percent=LOSS, longest_s=bad
        )


def test_bad_lens() -> None:
    with pytest.raises(ValueError, match="f_number"):
        shutter.predicted_still(wavelength_um=0.5, f_number=0, pixel_pitch_um=4)
