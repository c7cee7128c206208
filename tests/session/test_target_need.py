"""What a rig asks of its target, before the target is made."""

from __future__ import annotations

import math
from typing import Any

import pytest

from lab.optics.geometry import effective_f_number
from lab.optics.system import channel_band, crossing, diffraction_mtf50, system_mtf
from lab.session.target_need import target_need
from targets.fidelity import DEFAULT_LOSS, frequency_limit_cyc_per_mm
from targets.technology import TECHNOLOGIES

RIG: dict[str, Any] = {
    "magnifications": [1.3, 2.7],
    "marked_stops": [8, 5.6, 16, 11],
    "pupil_ratio": 0.8,
    "pixel_pitch_um": 3.9,
    "wavelength_um": channel_band(0.54),
}


def test_best_stop_is_the_widest_and_judges_object_side() -> None:
    need = target_need(**RIG)
    assert (need.best_stop, need.loss) == (5.6, DEFAULT_LOSS)
    assert [at.magnification for at in need.magnifications] == [1.3, 2.7]
    for at in need.magnifications:
        n_eff = float(effective_f_number(2**2.5, at.magnification, 0.8))
        assert at.effective_f_number == pytest.approx(n_eff)
        alone = diffraction_mtf50(wavelength_um=RIG["wavelength_um"], f_number=n_eff)
        assert at.mtf50_object_cyc_per_mm == pytest.approx(alone * at.magnification)
        assert at.system_mtf50_object_cyc_per_mm < at.mtf50_object_cyc_per_mm
        limit = frequency_limit_cyc_per_mm(at.blur_limit_um, DEFAULT_LOSS)
        assert limit == pytest.approx(at.mtf50_object_cyc_per_mm)


def test_bias_of_mtf50_is_that_of_the_whole_chain() -> None:
    # The target's blur as a blur on the sensor, through `system_mtf`: another route.
    need = target_need(**RIG)
    for at in need.magnifications:
        chain = {
            "wavelength_um": RIG["wavelength_um"],
            "f_number": at.effective_f_number,
            "pixel_pitch_um": RIG["pixel_pitch_um"],
        }
        sharp, soft = (
            crossing(
                lambda f, b=blur, c=chain: system_mtf(f, blur_std_um=b, **c),  # type: ignore[misc]
                0.5,
                300.0,
            )
            for blur in (0.0, at.magnification * TECHNOLOGIES["litho-film"].spread_um)
        )
        assert sharp is not None
        assert soft is not None
        assert at.system_mtf50_object_cyc_per_mm == pytest.approx(sharp * at.magnification)
        (film,) = [one for one in at.technologies if one.key == "litho-film"]
        assert film.mtf50_loss == pytest.approx(1 - soft / sharp, rel=1e-6)


def test_limits_agree_with_each_magnification_and_the_closed_form() -> None:
    need = target_need(**RIG)
    assert [limit.key for limit in need.limits] == list(TECHNOLOGIES)
    c = diffraction_mtf50(wavelength_um=RIG["wavelength_um"], f_number=1.0)
    for i, limit in enumerate(need.limits):
        spread_um = TECHNOLOGIES[limit.key].spread_um
        k = frequency_limit_cyc_per_mm(spread_um, DEFAULT_LOSS) * 2**2.5 / c
        closed = k / (1 - k / 0.8) if k < 0.8 else math.inf
        if closed > 20:
            assert limit.largest_magnification == math.inf
        elif closed < 0.01:
            assert limit.largest_magnification is None
        else:
            assert limit.largest_magnification == pytest.approx(closed, rel=1e-9)
        largest = limit.largest_magnification or 0.0
        for at in need.magnifications:
            one = at.technologies[i]
            assert one.serves == (at.magnification <= largest)
            assert one.serves == (one.mtf_loss <= need.loss)
    verdicts = {limit.key: limit.largest_magnification for limit in need.limits}
    assert verdicts["chrome-on-glass"] == math.inf
    assert verdicts["office-print"] is None or verdicts["office-print"] < 0.05
    film = verdicts["litho-film"]
    assert film is not None
    assert 0.1 < film < 1.0


def test_a_permitted_loss_and_a_technology_of_your_own_are_taken() -> None:
    own = (TECHNOLOGIES["emulsion-plate"],)
    strict = target_need(**RIG, loss=0.02, technologies=own)
    lax = target_need(**RIG, loss=0.3, technologies=own)
    assert [limit.key for limit in strict.limits] == ["emulsion-plate"]
    assert strict.magnifications[0].blur_limit_um < lax.magnifications[0].blur_limit_um
    assert not strict.magnifications[0].technologies[0].serves
    assert lax.magnifications[0].technologies[0].serves


@pytest.mark.parametrize(
    "change",
    [
        {"magnifications": []},
        {"marked_stops": []},
        {"magnifications": [0.0]},
        {"magnifications": [float("nan")]},
        {"marked_stops": [-4.0, 8.0]},
        {"pupil_ratio": 0.0},
        {"pixel_pitch_um": float("nan")},
        {"wavelength_um": -0.5},
        {"loss": 5.0},
    ],
)
def test_bad_numbers_are_refused(change: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"must|needed"):
        target_need(**{**RIG, **change})
