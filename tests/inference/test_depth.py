"""Depth, stacks and crops: closed forms, published values, and fitted lenses recovered.

A perfect lens at relative frequency s keeps, a quarter wave out of focus, a share of its
contrast that Hopkins' integral gives; the depth within that loss is then the wave depth
4 wavelength N**2 / m**2 exactly.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache, partial

import numpy as np
import pytest

from lab.inference.depth import (
    Sharpness,
    best_stop,
    depth_within,
    held_curve,
    stack_frames,
)
from lab.inference.depth_plan import DepthPlan, compare_crop, plan_depth
from lab.inference.lens_data import LensData
from lab.inference.lens_fit import LensFit, fit_lens
from lab.inference.lens_model import EDGE_TILT_DEG, LensModel
from lab.inference.lens_optics import LensOptics, measured_optics, predicted_optics
from lab.optics.depth import photomacrographic_f_numbers, quadrature_f_number
from lab.optics.geometry import depth_of_field, effective_f_number
from lab.optics.sensor import pixel_mtf
from lab.optics.system import crossing, system_mtf
from lab.session.stops import exact_stop

NO_COVARIANCE = np.empty((0, 0))
PITCH_UM = 4.35


def rng() -> np.random.Generator:
    return np.random.default_rng(5)


def perfect(magnification: float, stop: np.ndarray, **changes: float) -> LensOptics:
    given = {"pupil_ratio": 1.0, "wavelength_um": 0.55, "pixel_pitch_um": PITCH_UM, **changes}
    return predicted_optics(stop, magnification=magnification, **given)


def aberrated(magnification: float, stop: np.ndarray) -> LensOptics:
    return perfect(
        magnification, stop, spherical_um=0.6, spherical_at=2.83, blur_std_um=0.9, pupil_ratio=0.8
    )


# Published


@pytest.mark.parametrize(
    ("magnification", "depth_um", "object_cyc_per_mm", "exact", "quadrature"),
    [
        # Independent search with the transfer function at 0.55 um; quadrature of discs.
        (1.0, 500.0, 20.0, 14.5180, 13.6506),
        (2.0, 500.0, 40.0, 30.9914, 27.3013),
        (5.0, 100.0, 50.0, 33.0769, 30.5237),
    ],
)
def test_best_effective_f_number_for_a_depth(
    magnification: float,
    depth_um: float,
    object_cyc_per_mm: float,
    exact: float,
    quadrature: float,
) -> None:
    sharp = Sharpness(detail_um=1e3 / (2 * object_cyc_per_mm))
    best = best_stop(partial(perfect, magnification), 1.4, 32.0, sharp, depth_um, rng=rng())
    assert best.f_number == pytest.approx(exact, abs=5e-5)
    spread_um = depth_um * magnification**2
    # The second is 27.30125 to five digits: a tie of rounding.
    assert quadrature_f_number(spread_um, 0.55) == pytest.approx(quadrature, abs=6e-5)
    assert (best.flags, best.low95, best.held_high95) == ((), None, None)


def test_quadrature_coefficient() -> None:
    # Hansma 1996: sqrt(375 spread in mm) at 546 nm (from memory); digits computed.
    assert quadrature_f_number(1000.0, 0.546) ** 2 == pytest.approx(375.409, abs=5e-4)


@pytest.mark.parametrize(
    ("magnification", "widest", "smallest", "allowed"),
    # Clarke 2005, converted: N = (320 to 660) / (2 E (1 + m)) at E = 8.
    [(1, 10.0, 20.6, 0.05), (2, 6.7, 13.75, 0.05), (3, 5.0, 10.3, 0.05), (5, 3.3, 6.9, 0.05)],
)
def test_photomacrographic_criterion(
    magnification: float, widest: float, smallest: float, allowed: float
) -> None:
    stops = np.array(photomacrographic_f_numbers(8.0)) / (1 + magnification)
    assert stops == pytest.approx([widest, smallest], abs=allowed)


@pytest.mark.parametrize(
    ("waves", "expected"),
    [
        # Hopkins 1955 (from memory), digits by independent quadrature, s = .1 .3 .5 .7 .9.
        (0.25, [0.8388603, 0.5015696, 0.2874683, 0.1524892, 0.0360281]),
        (0.5, [0.7420891, 0.2292645, 0.0846088, 0.0728076, 0.0321611]),
        (1.0, [0.4266458, -0.0695150, -0.0200725, -0.0173027, 0.0194870]),
    ],
)
def test_defocused_transfer(waves: float, expected: list[float]) -> None:
    optics = perfect(2.0, np.array([5.6, 8.0]), pixel_pitch_um=1e-6)
    s = np.array([[0.1], [0.3], [0.5], [0.7], [0.9]])
    found = optics.transfer(s * 1e3 / (0.55 * optics.cone.f_number), -waves * optics.wave_um)
    assert found == pytest.approx(np.array(expected)[:, np.newaxis] * [1, 1], abs=6e-8)


def test_marked_eight_is_sixteen_and_twenty_four() -> None:
    # Common practice for a symmetric lens.
    assert perfect(1.0, np.array([8.0])).cone.f_number[0] == pytest.approx(16.0)
    assert perfect(2.0, np.array([8.0])).cone.f_number[0] == pytest.approx(24.0)


# Exact


def test_quarter_wave_loss_spans_the_wave_depth() -> None:
    optics = perfect(3.0, np.array([5.6]), pixel_pitch_um=1e-6)
    effective = float(optics.cone.f_number[0])
    object_frequency = 0.5 * 1e3 / (0.55 * effective) * 3.0
    found = depth_within(
        optics,
        Sharpness(detail_um=1e3 / (2 * object_frequency)),
        100 * (1 - 0.2874683 / 0.3910022),
    )
    wave_um, _ = depth_of_field(effective, 3.0, wavelength_um=0.55, circle_um=10.0)
    assert found.depth_um[0] == pytest.approx(float(wave_um), rel=1e-5)
    assert found.std_um[0] == 0


def test_transfer_and_crossing_agree_with_the_system() -> None:
    optics = aberrated(2.0, np.array([2.83, 4.0, 8.0]))
    for shift_um in (-900.0, -150.0, 0.0, 90.0, 1400.0):
        found = optics.crossing(np.full(3, shift_um), 0.5)
        for k, stop in enumerate(optics.stop):
            transfer = partial(
                system_mtf,
                wavelength_um=0.55,
                f_number=float(optics.cone.f_number[k]),
                pixel_pitch_um=PITCH_UM,
                edge_angle_deg=EDGE_TILT_DEG,
                focus_shift_um=shift_um,
                spherical_um=0.6 * (2.83 / stop) ** 4,
                blur_std_um=0.9,
            )
            exact = crossing(transfer, 0.5, 1e3 / (0.55 * optics.cone.f_number[k]))
            assert found[k] == pytest.approx(exact, rel=1e-10)
            at = optics.transfer(np.full(3, 33.0), np.full(3, shift_um))
            assert at[k] == pytest.approx(float(transfer(33.0)), abs=1e-12)


def test_crossing_far_out_of_focus() -> None:
    # Geometric limit of a disc: 2 J1(z) / z = 1/2 at z = 2.21509, z = pi diameter frequency.
    optics = perfect(2.0, np.array([2.0]), pixel_pitch_um=1e-6)
    shift_um = np.array([60 * optics.wave_um[0]])
    diameter_um = float(shift_um[0] / optics.cone.f_number[0])
    geometric = 2.21509 / np.pi / diameter_um * 1e3
    assert optics.crossing(shift_um, 0.5)[0] == pytest.approx(geometric, rel=0.01)


@pytest.mark.parametrize("detail_um", [None, 6.0])
@pytest.mark.parametrize("depth_um", [0.0, 120.0])
def test_held_is_the_best_of_all_foci(detail_um: float | None, depth_um: float) -> None:
    """Two routes to one figure: search against a brute table of foci."""
    optics = aberrated(2.0, np.array([2.83, 4.0, 6.2]))
    sharp = Sharpness(detail_um=detail_um)
    found = held_curve(optics, sharp, depth_um)
    half_um = depth_um / 2 * 4
    within = np.linspace(-half_um, half_um, 5 if depth_um else 1)

    def table(foci: np.ndarray) -> np.ndarray:
        return np.min([sharp.of(optics, foci + shift) for shift in within], axis=0)

    foci = np.linspace(-1.5, 0.3, 46)[:, np.newaxis] * optics.wave_um
    best = foci[table(foci).argmax(axis=0), np.arange(3)]
    fine = table(best + np.linspace(-0.04, 0.04, 41)[:, np.newaxis] * optics.wave_um).max(axis=0)
    assert (found.held >= fine * (1 - 1e-6)).all()
    assert found.held == pytest.approx(fine, rel=2e-3)  # the table's own step


def test_two_humps_count_the_valley_between() -> None:
    optics = perfect(2.0, np.array([2.83]), spherical_um=2.2, spherical_at=2.83)
    sharp = Sharpness()
    found = held_curve(optics, sharp, 60.0)
    within = found.focus_um + np.linspace(-120, 120, 41)[:, np.newaxis]
    assert found.held[0] <= sharp.of(optics, within).min() * 1.03


def test_pixel_and_blur_leave_the_best_stop_for_a_detail() -> None:
    # Both multiply the contrast at one frequency alike at every stop.
    sharp = Sharpness(detail_um=7.0)
    bare = best_stop(partial(perfect, 2.0), 2.0, 22.0, sharp, 300.0, rng=rng())
    worn = best_stop(
        partial(perfect, 2.0, pixel_pitch_um=7.1, blur_std_um=2.5),
        2.0,
        22.0,
        sharp,
        300.0,
        rng=rng(),
    )
    assert worn.stop == pytest.approx(bare.stop, rel=1e-5)
    assert worn.held < 0.8 * bare.held


def planned(magnification: float, detail_um: float | None, depth_um: float = 250.0) -> DepthPlan:
    return plan_depth(
        partial(perfect, magnification),
        [1.4, 2.8, 5.6, 11.3, 22.6],
        depth_um=depth_um,
        detail_um=detail_um,
        seconds_per_frame=2.5,
        rng=rng(),
    )


def test_crop_of_a_perfect_lens_differs_by_the_pixel_alone() -> None:
    full, cropped = planned(3.0, 9.0), planned(1.3, 9.0)
    found = compare_crop(full, cropped, NO_COVARIANCE)
    # Equal depth, equal numerical aperture: only the pixel is larger in the subject.
    aperture = [plan.magnification / plan.best.f_number for plan in (full, cropped)]
    assert aperture[0] == pytest.approx(aperture[1], rel=1e-5)
    frequency = 1e3 / 18 * 1e-3 * PITCH_UM  # object side, per um of pixel
    pixels = [float(pixel_mtf(frequency / m, EDGE_TILT_DEG)) for m in (3.0, 1.3)]
    assert found.ratio == pytest.approx(pixels[0] / pixels[1], rel=1e-6)
    assert (found.better, found.crop_width) == ("full", pytest.approx(1.3 / 3.0))
    assert found.ratio_low95 is None


def test_mtf50_optimum_balances_its_neighbours() -> None:
    plan = planned(2.0, None)
    near = held_curve(perfect(2.0, plan.best.stop * np.array([0.97, 1.0, 1.03])), Sharpness(), 250)
    assert near.held.argmax() == 1
    assert plan.best.held == pytest.approx(near.held[1])
    # Wide open is the sharpest of a perfect lens in focus, and needs the longest stack.
    assert plan.sharpest.stop == pytest.approx(1.4)
    assert plan.sharpest.flags == ("best-stop-at-end",)
    assert plan.stack.frames == max(p.frames or 0 for p in plan.points)
    assert plan.best.focused > plan.best.held
    # The closed form's discs come out wider: 6 to 14 % in f-number is usual.
    assert 1.0 < plan.best.stop / plan.equal_blurs_stop < 1.2


def test_stack_of_a_plan() -> None:
    point = planned(2.0, 8.0).points[1]
    assert point.depth_um == pytest.approx(
        depth_within(perfect(2.0, np.array([2.8])), Sharpness(detail_um=8.0), 10.0).depth_um[0]
    )
    assert point.frames == stack_frames(250.0, point.depth_um)
    assert point.time_s == pytest.approx(2.5 * (point.frames or 0))


@pytest.mark.parametrize(
    ("depth_um", "step_um", "frames"),
    [(200.0, 30.0, 7), (200.0, 50.0, 4), (200.1, 50.0, 5), (50.0, 50.0, 1), (51.0, 50.0, 2)],
)
def test_frames_of_a_stack(depth_um: float, step_um: float, frames: int) -> None:
    assert stack_frames(depth_um, step_um) == frames


def test_detail_beyond_the_cut_off_is_lost() -> None:
    plan = planned(2.0, 0.2)
    assert plan.best.flags[0] == "detail-lost"
    assert (plan.best.held, plan.stack.frames, plan.stack.depth_um) == (0.0, None, 0.0)
    assert plan.flags == ()  # there is nothing that pixels could show
    other = planned(1.2, 0.2)
    found = compare_crop(plan, other, NO_COVARIANCE)
    assert (found.ratio, found.better) == (None, "cannot tell")


def test_detail_finer_than_the_pixels_is_flagged() -> None:
    # A line of less than a pixel, yet within the lens's reach.
    assert planned(2.0, 1.9).flags == ("finer-than-pixels",)
    assert planned(2.0, 2.4).flags == ()


# Fitted lenses


STOPS = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
TRUE_PUPIL, TRUE_W040_UM, TRUE_BLUR_UM = 0.85, 0.45, 1.1
SIZES = (2.0, 1.0)
NOISE = 0.006


@cache
def rows() -> tuple[LensModel, np.ndarray]:
    """Two brackets of six stops as the model sees them, and the true parameters."""
    cases = []
    position = []
    for series, m in enumerate(SIZES):
        for stop, marked in enumerate(STOPS):
            n = float(effective_f_number(exact_stop(marked), m, TRUE_PUPIL))
            wave_um = 8 * 0.53 * n * n / m**2
            w040 = TRUE_W040_UM / 0.53 * (exact_stop(2.8) / exact_stop(marked)) ** 4
            for place in (-0.55, -0.25, 0.05, 0.3, 0.6):
                cases += [
                    (s / (0.53e-3 * n), series, stop, len(position))
                    for s in (0.08, 0.15, 0.23, 0.32, 0.42, 0.55)
                ]
                position.append((-w040 + place) * wave_um)
    frequency, *indices = (np.array(column) for column in zip(*cases, strict=True))
    series, stop, frame = indices
    first = np.unique(frame, return_index=True)[1]
    data = LensData(
        mtf=np.zeros(frequency.size),
        mtf_std=np.full(frequency.size, NOISE),
        frequency_cyc_per_mm=frequency,
        series=series,
        stop=stop,
        channel=np.zeros_like(series),
        frame=frame,
        position_um=np.array(position),
        frame_series=series[first],
        frame_stop=stop[first],
        files=tuple(f"{k}.dng" for k in range(first.size)),
        magnifications=SIZES,
        nominal_magnifications=SIZES,
        stops=tuple(exact_stop(n) for n in STOPS),
        marked_stops=STOPS,
        channels=("green",),
        wavelength_um=(0.53,),
        pixel_pitch_um=PITCH_UM,
        stated_pupil_ratio=None,
    )
    model = LensModel(data)
    truth = np.zeros(model.size)
    truth[model.slices["pupil"]] = np.log(TRUE_PUPIL)
    truth[model.slices["w040"]] = TRUE_W040_UM
    truth[model.slices["blur2"]] = TRUE_BLUR_UM**2
    return model, truth


@cache
def fitted(seed: int) -> LensFit:
    model, truth = rows()
    noise = np.random.default_rng(seed)
    mtf = model(truth)[0]
    data = replace(model.data, mtf=mtf + NOISE * noise.standard_normal(mtf.size))
    return fit_lens(data)


def true_optics(magnification: float, stop: np.ndarray) -> LensOptics:
    return predicted_optics(
        stop,
        magnification=magnification,
        pupil_ratio=TRUE_PUPIL,
        wavelength_um=0.53,
        pixel_pitch_um=PITCH_UM,
        spherical_um=TRUE_W040_UM,
        spherical_at=exact_stop(2.8),
        blur_std_um=TRUE_BLUR_UM,
    )


@pytest.mark.parametrize("sharp", [Sharpness(), Sharpness(detail_um=5.5)])
def test_uncertainty_follows_the_fitted_figures(sharp: Sharpness) -> None:
    """Exact: derivatives against shifted figures, so that covariances are right."""
    fit = fitted(0)
    stop = np.array([3.3, 5.7, 7.1])

    def figures(parameters: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        optics = measured_optics(replace(fit, parameters=parameters), 0, "green", stop)
        held = held_curve(optics, sharp, 90.0).height
        return held, depth_within(optics, sharp, 12.0).depth_um

    optics = measured_optics(fit, 0, "green", stop)
    curve = held_curve(optics, sharp, 90.0)
    std = np.sqrt(np.diag(fit.covariance))
    along = np.zeros(fit.parameters.size)
    for name in ("pupil", "light", "w040", "w040_rise", "w060", "ring", "blur2", "excess"):
        at = fit.model.slices[name]
        along[at] = 0.1 * std[at] * (1 + 0.3 * np.arange(at.stop - at.start))
    up, down = figures(fit.parameters + along), figures(fit.parameters - along)
    assert (up[0] - down[0]) / 2 == pytest.approx(curve.gradient @ along, rel=2e-3, abs=2e-7)
    # A covariance of that one direction leaves its own size as the uncertainty.
    one = replace(optics, covariance=np.outer(along, along))
    assert depth_within(one, sharp, 12.0).std_um == pytest.approx(
        np.abs(up[1] - down[1]) / 2, rel=2e-3, abs=2e-5
    )


@pytest.mark.parametrize("sharp", [Sharpness(), Sharpness(detail_um=5.0)])
def test_intervals_hold_the_truth(sharp: Sharpness) -> None:
    """Recovery: a lens drawn within the fit's uncertainty, and told by that fit's own."""
    fit, stop, draws = fitted(0), np.array([4.0, 6.1, 9.0]), 30
    truth = held_curve(measured_optics(fit, 0, "green", stop), sharp, 150.0)
    depth = depth_within(measured_optics(fit, 0, "green", stop), sharp, 10.0)
    noise = rng().multivariate_normal(np.zeros(fit.parameters.size), fit.covariance, draws)
    off = np.empty((draws, 2, 3))
    for k, shift in enumerate(noise):
        optics = measured_optics(replace(fit, parameters=fit.parameters + shift), 0, "green", stop)
        found, within = held_curve(optics, sharp, 150.0), depth_within(optics, sharp, 10.0)
        own = found.gradient @ fit.covariance @ found.gradient.T  # no stop in between was measured
        off[k, 0] = (found.height - truth.height) / np.sqrt(np.diag(own))
        off[k, 1] = (within.depth_um - depth.depth_um) / within.std_um
    # Of 30 unit normals: standard deviation 1 +- 0.13, mean 0 +- 0.18; 3.5 times each.
    assert np.std(off, axis=0) == pytest.approx(np.ones((2, 3)), abs=0.46)
    assert np.mean(off, axis=0) == pytest.approx(np.zeros((2, 3)), abs=0.64)


@pytest.mark.slow
def test_fitted_lens_recovers_the_best_stop_and_the_crop() -> None:
    """Recovery: 95 % intervals of 40 noisy sessions hold the truth, and are not idle."""
    sharp = Sharpness(detail_um=5.0)
    truth = [best_stop(partial(true_optics, m), 2.83, 16.0, sharp, 150.0, rng=rng()) for m in SIZES]
    true_depth = depth_within(true_optics(2.0, np.array([4.0])), sharp, 10.0).depth_um[0]
    hits = np.zeros(4)
    for seed in range(40):
        fit = fitted(seed)

        def at(series: int, stop: np.ndarray, fit: LensFit = fit) -> LensOptics:
            return measured_optics(fit, series, "green", stop)

        plans = [
            plan_depth(partial(at, k), [2.83, 16.0], depth_um=150.0, detail_um=5.0, rng=rng())
            for k in range(2)
        ]
        best = plans[0].best
        assert best.low95 is not None and best.high95 is not None
        assert best.held_low95 is not None and best.held_high95 is not None
        found = compare_crop(plans[0], plans[1], fit.covariance)
        assert found.ratio_low95 is not None and found.ratio_high95 is not None
        depth = depth_within(at(0, np.array([4.0])), sharp, 10.0)
        ratio = truth[0].held / truth[1].held
        hits += [
            best.low95 <= truth[0].stop <= best.high95,
            best.held_low95 <= truth[0].held <= best.held_high95,
            found.ratio_low95 <= ratio <= found.ratio_high95,
            abs(depth.depth_um[0] - true_depth) <= 1.96 * depth.std_um[0],
        ]
        assert best.high95 / best.low95 < 1.12
        assert found.ratio_high95 / found.ratio_low95 < 1.2
        assert found.better == "full"
    # 40 draws of 95 %: fewer than 34 hits come up once in 300.
    assert (hits >= 34).all(), hits


def test_shared_figures_cancel_between_two_sizes() -> None:
    fit = fitted(0)
    plans = [
        plan_depth(
            partial(measured_optics, fit, k, "green"),
            [4.0, 11.3],
            depth_um=150.0,
            detail_um=6.0,
            rng=rng(),
        )
        for k in range(2)
    ]
    found = compare_crop(plans[0], plans[1], fit.covariance)
    apart = [np.log(p.best.held_high95 / p.best.held) for p in plans]  # type: ignore[operator]
    together = np.log(found.ratio_high95 / found.ratio)  # type: ignore[operator]
    assert 0 < together < np.hypot(*apart)


# Bad input


def test_wrong_arguments_are_refused() -> None:
    at, sharp = partial(perfect, 2.0), Sharpness()
    with pytest.raises(ValueError, match="detail_um"):
        Sharpness(detail_um=0.0)
    with pytest.raises(ValueError, match="depth_um"):
        held_curve(at(np.array([4.0])), sharp, -1.0)
    with pytest.raises(ValueError, match="loss_percent"):
        depth_within(at(np.array([4.0])), sharp, 100.0)
    with pytest.raises(ValueError, match="low <= high"):
        best_stop(at, 8.0, 4.0, sharp, 100.0, rng=rng())
    with pytest.raises(ValueError, match="step_um"):
        stack_frames(100.0, 0.0)
    with pytest.raises(ValueError, match="spread_um"):
        quadrature_f_number(float("nan"), 0.55)
    with pytest.raises(ValueError, match="enlargement"):
        photomacrographic_f_numbers(0.0)
    with pytest.raises(ValueError, match="depth_um"):
        plan_depth(at, [4.0, 8.0], depth_um=0.0, rng=rng())
    with pytest.raises(ValueError, match="rise"):
        plan_depth(at, [8.0, 4.0], depth_um=10.0, rng=rng())
    for wrong in ({"magnification": 0.0}, {"blur_std_um": -1.0}, {"pixel_pitch_um": 0.0}):
        with pytest.raises(ValueError, match="must be"):
            predicted_optics(
                [4.0],
                **{
                    "magnification": 2.0,
                    "pupil_ratio": 1.0,
                    "wavelength_um": 0.55,
                    "pixel_pitch_um": 4.0,
                    **wrong,
                },
            )


def test_plans_that_do_not_compare_are_refused() -> None:
    full, cropped = planned(3.0, 9.0), planned(1.3, 9.0)
    with pytest.raises(ValueError, match="lower"):
        compare_crop(cropped, full, NO_COVARIANCE)
    with pytest.raises(ValueError, match="same depth"):
        compare_crop(full, planned(1.3, 9.0, 100.0), NO_COVARIANCE)
