"""How far to stop down by each criterion, and where the rules of thumb stand beside it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.special import j1

from lab.errors import LabError
from lab.inference.aperture_limits import Criteria, airy_f_number, aperture_limit
from lab.optics.geometry import effective_f_number
from lab.optics.sensor import pixel_mtf
from lab.optics.system import channel_band, diffraction_mtf, diffraction_mtf50

SENSOR = (35.9, 23.9)


def limit(**changes: Any) -> Any:
    m, ratio = changes.pop("magnification", 2.0), changes.pop("pupil_ratio", 0.8)
    per = float(effective_f_number(1.0, m, ratio))
    plain: dict[str, Any] = {
        "magnification": m,
        "pixel_pitch_um": 3.8,
        "sensor_mm": SENSOR,
        "widest_effective": 2.8 * per,
        "smallest_effective": 16 * per,
        "per_marked": per,
        "wavelength_um": 0.54,
    }
    return aperture_limit(**{**plain, **changes})


# Exact


def test_limits_lie_within_the_lens_or_beyond_an_end() -> None:
    found = limit(magnification=3.0, rules=("3x: f/2.8", "infinity f/11"))
    assert (found.widest_stop, found.smallest_stop) == pytest.approx((2.8, 16))
    assert found.on_lens(2.79) == "wider"
    assert found.on_lens(2.8) == found.on_lens(16.0) == found.on_lens(5.3) == "within"
    assert found.on_lens(16.1) == "smaller"
    # f/11 stands for 2**3.5, a fourth of which is f/2.8, 2**1.5: rounding puts none beyond.
    exact = limit(magnification=3.0, widest_effective=2**1.5 * found.per_marked)
    scaled = dict(found.rules)["infinity f/11"]
    assert exact.on_lens(scaled) == "within"
    with pytest.raises(ValueError, match="must not lie above"):
        limit(widest_effective=40.0, smallest_effective=30.0)


def test_loss_is_lost_at_the_limit() -> None:
    found = limit(criteria=Criteria(loss_percent=15.0))
    band = channel_band(0.54)
    there, widest = (
        diffraction_mtf50(wavelength_um=band, f_number=stop * found.per_marked, pixel_pitch_um=3.8)
        for stop in (found.loss_stop, 2.8)
    )
    assert there / widest == pytest.approx(0.85, rel=1e-9)


def test_airy_disc_ends_at_the_first_dark_ring() -> None:
    n = airy_f_number(9.3, 0.48)
    edge = math.pi * (9.3 / 2) / (0.48 * n)
    assert j1(edge) == pytest.approx(0, abs=1e-12)
    assert j1(0.99 * edge) > 0
    found = limit(criteria=Criteria(airy_pixels=2.5))
    assert found.pixels_stop * found.per_marked == pytest.approx(airy_f_number(9.5, 0.54))


def test_detail_keeps_its_contrast_at_the_limit() -> None:
    found = limit(criteria=Criteria(detail_um=6.0, contrast=0.3))
    frequency = 1e3 / 12.0 / 2.0  # on the sensor, at 2x
    n_eff = found.detail_stop * found.per_marked
    lens = diffraction_mtf(frequency, wavelength_um=channel_band(0.54), f_number=n_eff)
    assert float(lens * pixel_mtf(frequency * 3.8e-3)) == pytest.approx(0.3, rel=1e-9)
    assert not found.is_detail_finer


def test_detail_beyond_the_pixels_or_any_stop() -> None:
    # 3.8 um pixels at 2x: 1.9 um in the subject.
    finer = limit(criteria=Criteria(detail_um=1.89))
    assert (finer.detail_stop, finer.is_detail_finer) == (None, True)
    lost = limit(criteria=Criteria(detail_um=2.0, contrast=0.6))
    assert (lost.detail_stop, lost.is_detail_finer) == (None, False)
    assert limit().detail_stop is None


def test_limits_are_cones_whatever_the_pupils() -> None:
    one, other = (limit(pupil_ratio=r, widest_effective=9.0) for r in (0.6, 1.5))
    for name in ("loss_stop", "pixels_stop", "print_stop"):
        cones = [getattr(x, name) * x.per_marked for x in (one, other)]
        assert cones[0] == pytest.approx(cones[1], rel=1e-9)


def test_pixel_limit_goes_with_the_pitch_and_print_limit_does_not() -> None:
    fine, coarse = limit(pixel_pitch_um=2.4), limit(pixel_pitch_um=7.2)
    assert coarse.pixels_stop == pytest.approx(3 * fine.pixels_stop)
    assert coarse.print_stop == fine.print_stop
    assert coarse.loss_stop > fine.loss_stop


def test_rules_that_speak_of_a_size_stand_beside_it() -> None:
    assert limit(magnification=2.0).rules == (
        ("2x: f/8", 8.0),
        ("infinity f/11", pytest.approx(2**3.5 / 3)),
    )
    assert [text for text, _ in limit(magnification=5.0).rules] == ["4x+: f/4", "infinity f/11"]
    effective = limit(rules=["effective f/22"])
    ((_, stop),) = effective.rules
    assert stop * effective.per_marked == pytest.approx(22.0)
    with pytest.raises(LabError, match="is no rule"):
        limit(rules=["f/8"])


def test_rules_of_thumb_are_the_print_criterion_on_a_symmetric_lens() -> None:
    # What the command says of them: within a third of a stop on 36 x 24 mm.
    for m, stop in ((2.0, 8.0), (3.0, 2**2.5), (4.0, 4.0)):
        found = limit(magnification=m, pupil_ratio=1.0, sensor_mm=(36.0, 24.0), wavelength_um=0.53)
        assert abs(2 * np.log2(found.print_stop / stop)) < 1 / 3
        (scaled,) = (s for text, s in found.rules if text == "infinity f/11")
        assert found.print_stop / scaled == pytest.approx(2, rel=0.05)


# Published


def test_airy_radius() -> None:
    # First zero of the Airy pattern: 1.2196699 wavelength N (Goodman ch. 4; computed).
    assert 2 * 1.2196699 * 0.5 * airy_f_number(10.0, 0.5) == pytest.approx(10.0, rel=1e-7)


# Bad input


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
@pytest.mark.parametrize(
    "name",
    ["magnification", "pixel_pitch_um", "widest_effective", "smallest_effective", "per_marked"],
)
def test_bad_input(name: str, bad: float) -> None:
    plain: dict[str, Any] = {
        "magnification": 2.0,
        "pixel_pitch_um": 3.8,
        "sensor_mm": SENSOR,
        "widest_effective": 8.4,
        "smallest_effective": 48.0,
        "per_marked": 3.0,
        "wavelength_um": 0.54,
    }
    with pytest.raises(ValueError, match=name):
        aperture_limit(**{**plain, name: bad})


@pytest.mark.parametrize(
    "bad",
    [
        {"loss_percent": 0.0},
        {"loss_percent": 100.0},
        {"contrast": 1.0},
        {"airy_pixels": 0.0},
        {"detail_um": -1.0},
        {"detail_um": 0.0},
        {"detail_um": math.inf},
    ],
)
def test_bad_criteria(bad: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=next(iter(bad))):
        Criteria(**bad)
    with pytest.raises(ValueError, match="disc_um"):
        airy_f_number(0.0, 0.5)
