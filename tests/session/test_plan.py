"""What a rig can do at each stop, and what to shoot: figures by other routes."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from lab.errors import SessionError
from lab.optics.geometry import effective_f_number, object_numerical_aperture
from lab.optics.illumination import lighting_advice
from lab.optics.system import channel_band, crossing, diffraction_mtf50, system_mtf
from lab.session.config import Body
from lab.session.plan import Plan, PlanPoint, Shooting, plan_rig
from lab.session.plan_target import (
    equivalent_stop,
    plan_lighting,
    plan_need,
    session_numbers,
)
from lab.session.rig import Front, Objective, Rig, RigLens
from lab.session.stops import exact_stop
from lab.session.target_need import focused_edge_um, target_need

BODY = Body(name="Club body", pixel_pitch_um=5.0, sensor_mm=(35.9, 23.9))


def rig(**changes: Any) -> Rig:
    plain = Rig(
        name="Bench",
        body=BODY,
        lens=RigLens(name="Bench 75", focal_length_mm=75, pupil_ratio=0.8),
        magnifications=(1.3, 3.0),
        stops=(2.8, 4.0, 8.0, 16.0),
    )
    return replace(plain, **changes)


def every(plan: Plan) -> list[tuple[float, PlanPoint]]:
    return [(series.magnification, p) for series in plan.series for p in series.points]


# Exact


def test_points_hold_the_optics_of_their_stop() -> None:
    plan = plan_rig(rig(), wavelength_um=0.54)
    band = channel_band(0.54)
    for m, p in every(plan):
        assert p.marked_stop is not None
        exact = exact_stop(p.marked_stop)
        n_eff = float(effective_f_number(exact, m, 0.8))
        assert p.effective_f_number == pytest.approx(n_eff, rel=1e-12)
        assert p.added_stops == pytest.approx(2 * math.log2(n_eff / exact))
        alone = diffraction_mtf50(wavelength_um=band, f_number=n_eff)
        whole = diffraction_mtf50(wavelength_um=band, f_number=n_eff, pixel_pitch_um=5.0)
        assert p.lens_mtf50_image_cyc_per_mm == pytest.approx(alone)
        assert p.mtf50_image_cyc_per_mm == pytest.approx(whole)
        assert p.mtf50_object_cyc_per_mm == pytest.approx(whole * m)
        assert p.nyquist_percent == pytest.approx(whole)  # half a cycle of 5 um: 100 per mm
        aperture = float(object_numerical_aperture(n_eff, m))
        assert p.depth_wave_um == pytest.approx(0.54 / aperture**2)


def test_steps_sample_the_peak_as_a_fit_wants_it() -> None:
    # MTF50 through focus by the whole chain: four or five frames above 0.55 of the peak, and
    # the bracket's ends below it where focus was set to within half a step.
    for m, p in every(plan_rig(rig(stops=(2.8, 16.0)))):
        band, n_eff = channel_band(0.53), p.effective_f_number

        def mtf50(z_um: float, m: float = m, n_eff: float = n_eff, band: Any = band) -> float:
            found = crossing(
                lambda f: system_mtf(
                    f,
                    wavelength_um=band,
                    f_number=n_eff,
                    pixel_pitch_um=5.0,
                    focus_shift_um=z_um * m**2,
                ),
                0.5,
                400.0,
            )
            assert found is not None
            return found

        peak = p.mtf50_image_cyc_per_mm
        assert mtf50(0.0) == pytest.approx(peak, rel=1e-6)
        for off in (0.0, 0.5, 1.0):  # steps by which focus was set wrong
            places = (np.arange(p.frames) - (p.frames - 1) / 2 + off) * p.focus_step_um
            shares = np.array([mtf50(z) / peak for z in places])
            assert 4 <= (shares > 0.55).sum() <= 5
            if off < 1:
                assert shares[0] < 0.55
                assert shares[-1] < 0.55


def test_steps_grow_with_the_cone_where_diffraction_rules() -> None:
    (series,) = plan_rig(rig(magnifications=(3.0,), stops=(8.0, 16.0))).series
    small, large = series.points
    assert large.focus_step_um / small.focus_step_um == pytest.approx(4, rel=0.1)


def test_bracket_covers_a_stated_focus_error() -> None:
    for error in (0.0, 300.0):
        for _, p in every(plan_rig(rig(), focus_error_um=error)):
            reach = (p.frames - 1) / 2 * p.focus_step_um
            assert reach >= error + 1.7 * p.focus_step_um
            assert p.frames % 2 == 1
            assert p.frames >= 7
    (_, series) = plan_rig(rig(), focus_error_um=300.0).series
    assert {p.frames for p in series.points} == {series.frames_per_stop}
    assert series.frames_per_stop > 30
    # The small stop has finer steps than it needs, and goes no further than it must.
    (_, free) = plan_rig(rig()).series
    small, wanted = series.points[-1], free.points[-1]
    assert small.focus_step_um < wanted.focus_step_um / 3
    reach = (small.frames - 1) / 2 * small.focus_step_um
    assert reach == pytest.approx(300 + 2.1 * wanted.focus_step_um, rel=0.1)


def test_steps_are_whole_steps_of_the_rail() -> None:
    free = plan_rig(rig())
    plan = plan_rig(rig(), finest_step_um=12.5)
    for (_, p), (_, wanted) in zip(every(plan), every(free), strict=True):
        steps = p.focus_step_um / 12.5
        assert steps == round(steps) >= 1
        assert p.focus_step_um <= max(12.5, 1.1 * wanted.focus_step_um)
    assert [s.flags for s in plan_rig(rig(), finest_step_um=40.0).series] == [
        ("rail-too-coarse",),
        ("rail-too-coarse",),
    ]
    assert [s.flags for s in free.series] == [(), ()]


def test_time_in_the_hand() -> None:
    shooting = Shooting(hand_speed_mm_per_s=3.0)
    for m, p in every(plan_rig(rig(), shooting=shooting)):
        blur_mm = m * 3.0 * p.longest_exposure_s
        assert 1e3 * blur_mm == pytest.approx(p.blur_budget_um)
        assert np.sinc(p.mtf50_image_cyc_per_mm * blur_mm) == pytest.approx(0.9)
        assert p.longest_flash_s == pytest.approx(p.longest_exposure_s / 0.9505526, rel=1e-7)
    (one, _) = plan_rig(rig(), shooting=shooting).series
    assert one.hand_blur_um == pytest.approx(1.3 * 3000 * shooting.effective_exposure_s)


def test_darker_room_shortens_the_effective_exposure() -> None:
    dark, light = Shooting(ambient_under_stops=9.0), Shooting(ambient_under_stops=0.0)
    assert light.ambient_share == 0.5
    assert 1 / 1060 < dark.effective_exposure_s < light.effective_exposure_s < 1 / 200
    assert Shooting(ambient_under_stops=-20.0).effective_exposure_s == pytest.approx(1 / 200)


def test_ring_that_changes_nothing_is_shot_once() -> None:
    front = Front(kind="front-lens", focal_length_mm=25, f_number=2)
    (series,) = plan_rig(rig(front=front, magnifications=(3.0,))).series
    assert [p.is_front_limited for p in series.points] == [True, True, False, False]
    assert [p.marked_stop for p in series.shot_points] == [2.8, 8.0, 16.0]
    assert series.points[0].effective_f_number == pytest.approx(6.0)
    assert series.points[0].added_stops == pytest.approx(2 * math.log2(6 / 2 ** (3 / 2)))


def test_objective_has_one_point_without_a_ring() -> None:
    lens = Objective(name="4x", numerical_aperture=0.1, nominal_magnification=4)
    (series,) = plan_rig(rig(lens=lens, stops=(), magnifications=(4.0,))).series
    (point,) = series.points
    assert (point.marked_stop, point.added_stops) == (None, None)
    assert point.effective_f_number == pytest.approx(20)


# Exact: the session's numbers, the target


def test_plain_rig_keeps_its_ring_and_pupil_ratio() -> None:
    numbers = session_numbers(plan_rig(rig()))
    assert numbers.pupil_ratio == pytest.approx(0.8)
    assert numbers.stops == ((2.8, 4.0, 8.0, 16.0),) * 2
    assert not numbers.is_equivalent


@pytest.mark.parametrize(
    "built",
    [
        rig(lens=RigLens(name="Reversed", focal_length_mm=75, pupil_ratio=0.9, is_reversed=True)),
        rig(lens=RigLens(name="Reversed", focal_length_mm=75, pupil_ratio=0.5, is_reversed=True)),
        rig(
            front=Front(kind="close-up", focal_length_mm=250),
            lens=RigLens(name="Long", focal_length_mm=250, closest_magnification=0.4),
            magnifications=(1.0, 1.7),
        ),
        rig(front=Front(kind="front-lens", focal_length_mm=25, f_number=2), magnifications=(3.0,)),
        rig(
            lens=Objective(name="4x", numerical_aperture=0.1, nominal_magnification=4),
            stops=(),
            magnifications=(4.0,),
        ),
        rig(converter=1.4),
    ],
    ids=["reversed", "reversed, odd pupils", "close-up", "face to face", "objective", "converter"],
)
def test_session_numbers_give_the_planned_cones(built: Rig) -> None:
    plan = plan_rig(built)
    numbers = session_numbers(plan)
    worst = 0.0
    for series, stops in zip(plan.series, numbers.stops, strict=True):
        assert len(set(stops)) == len(stops) == len(series.shot_points)
        for p, stop in zip(series.shot_points, stops, strict=True):
            cone = effective_f_number(exact_stop(stop), series.magnification, numbers.pupil_ratio)
            worst = max(worst, abs(float(cone) / p.effective_f_number - 1))
    assert worst < (1e-3 if numbers.is_equivalent else 0.05)


def test_equivalent_that_looks_like_a_marking_is_moved_off_it() -> None:
    # N_eff = 8 at 4x: 1.6, which on a ring stands for 1.587.
    front = Front(kind="front-lens", focal_length_mm=50, f_number=2)
    long = RigLens(name="Long", focal_length_mm=200)
    numbers = session_numbers(plan_rig(rig(lens=long, front=front, magnifications=(4.0,))))
    assert numbers.stops[0][0] == 1.6008


def test_target_need_is_that_of_the_finest_image() -> None:
    plan = plan_rig(rig())
    need = plan_need(plan)
    direct = target_need(
        magnifications=[3.0],
        marked_stops=[2.8],
        pupil_ratio=0.8,
        pixel_pitch_um=5.0,
        wavelength_um=channel_band(0.53),
    ).magnifications[0]
    assert need.magnification == 3.0
    assert need.blur_limit_um == pytest.approx(direct.blur_limit_um, rel=1e-9)


def test_lighting_is_that_of_all_magnifications() -> None:
    plan = plan_rig(rig())
    advice = plan_lighting(plan)
    direct = lighting_advice(
        magnifications=[1.3, 3.0],
        marked_stops=[exact_stop(2.8)],
        pupil_ratio=0.8,
        sensor_mm=BODY.sensor_mm,
    )
    assert advice.cone_deg == pytest.approx(direct.cone_deg)
    assert advice.diffuser_mm == pytest.approx(direct.diffuser_mm)


def test_edge_spread_makes_the_same_mtf50_as_a_gaussian() -> None:
    plan = plan_rig(rig())
    series = plan.series[1]
    point = series.points[2]
    sigma_mm = 1e-3 * focused_edge_um(
        effective_f_number=point.effective_f_number,
        magnification=series.magnification,
        pixel_pitch_um=5.0,
    )
    red = diffraction_mtf50(
        wavelength_um=0.6, f_number=point.effective_f_number, pixel_pitch_um=5.0
    )
    assert math.exp(-2 * (math.pi * sigma_mm * red * 3.0) ** 2) == pytest.approx(0.5)
    assert equivalent_stop(24.0, 2.0) == 8.0


# Published

# m, N, N_eff, MTF50 image and object side, wave depth, depth for a disc of 10 um; pupil
# ratio 1, 0.55 um. Computed from the relations of Goodman (ch. 6), The Manual of
# Photography and Fundamentals of Light Microscopy p. 90; see tests/optics/published.py.
TABLE = [
    (1, 4, 8, 91.81199, 91.81199, 140.8, 160),
    (1, 8, 16, 45.90599, 45.90599, 563.2, 320),
    (3, 4, 16, 45.90599, 137.71798, 62.57778, 35.55556),
    (3, 8, 32, 22.95300, 68.85899, 250.31111, 71.11111),
    (5, 4, 24, 30.60400, 153.01998, 50.688, 19.2),
    (5, 8, 48, 15.30200, 76.50999, 202.752, 38.4),
]


@pytest.mark.parametrize(("m", "n", "n_eff", "image", "object_", "wave", "geometric"), TABLE)
def test_published_close_range_table(
    m: float, n: float, n_eff: float, image: float, object_: float, wave: float, geometric: float
) -> None:
    lens = RigLens(name="Symmetric", pupil_ratio=1.0)
    found = plan_rig(rig(lens=lens, magnifications=(m,), stops=(n,)), wavelength_um=0.55)
    (point,) = found.series[0].points
    assert point.effective_f_number == n_eff
    # The table is for one wavelength; the plan's band of 100 nm lifts MTF50 by 0.06 %.
    assert point.lens_mtf50_image_cyc_per_mm == pytest.approx(image, rel=8e-4)
    assert point.depth_wave_um == pytest.approx(wave, abs=1e-5)
    assert point.depth_geometric_um == pytest.approx(geometric, abs=1e-5)
    assert point.mtf50_object_cyc_per_mm < object_ * 1.001  # the pixel takes its part
    assert point.lens_mtf50_image_cyc_per_mm * m == pytest.approx(object_, rel=8e-4)


def test_exposure_by_hand() -> None:
    # f/8: effective 16 and two stops at 1x, 24 and 3.17 stops at 2x (factors 4 and 9).
    # Common practice, no published source.
    lens = RigLens(name="Symmetric", pupil_ratio=1.0)
    plan = plan_rig(rig(lens=lens, magnifications=(1.0, 2.0), stops=(8.0,)))
    found = [(p.effective_f_number, p.added_stops) for _, p in every(plan)]
    assert [n for n, _ in found] == [16.0, 24.0]
    assert [2 ** (added or 0.0) for _, added in found] == pytest.approx([4, 9])


# Bad input


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_bad_input(bad: float) -> None:
    with pytest.raises(ValueError, match="finest_step_um"):
        plan_rig(rig(), finest_step_um=bad)
    for name in ("shutter_s", "flash_s", "hand_speed_mm_per_s"):
        with pytest.raises(ValueError, match=name):
            Shooting(**{name: bad})
    if bad != 0:
        with pytest.raises(ValueError, match="focus_error_um"):
            plan_rig(rig(), focus_error_um=bad)
    with pytest.raises(ValueError, match="ambient_under_stops"):
        Shooting(ambient_under_stops=math.inf)


def test_magnification_out_of_reach_is_said() -> None:
    with pytest.raises(SessionError, match=r"Bench: 3x is out of reach.*0.5333x to 2.533x"):
        plan_rig(rig(bellows_mm=(40.0, 190.0)))
