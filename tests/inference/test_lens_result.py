"""The model of a session as records: what they hold, and what stays when it does not fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lab.inference.lens_fit import at_widest, fit_lens
from lab.inference.lens_result import lens_result, with_lens
from lab.inference.results import LensResult
from lab.inference.session_analysis import analyse_session
from lab.session.records import EdgeRecord, FrameRecord
from tests.bench.second_lens import SecondLens
from tests.inference.field_session import (
    FREQUENCY,
    PITCH_UM,
    FieldLens,
    noisy,
    session_config,
    true_frames,
)

LENS = FieldLens(
    n_frames=5,
    stops=(2.8, 4.0, 5.6, 8.0),
    ring_stops=(0.0,) * 4,
    squares=(("a", -0.66, -0.44), ("b", 0.66, -0.44), ("c", -0.66, 0.44), ("d", 0.66, 0.44)),
)
CONFIG = session_config(LENS)
SOFTER = np.exp(-((FREQUENCY / 0.5) ** 2))


@pytest.fixture(scope="module")
def frames() -> tuple[FrameRecord, ...]:
    rng = np.random.default_rng(7)
    seen = noisy(true_frames(LENS, rng), rng)
    return tuple(replace(f, edges=tuple(with_mtf50(e) for e in f.edges)) for f in seen)


def with_mtf50(edge: EdgeRecord) -> EdgeRecord:
    k = int(np.argmax(np.array(edge.mtf) < 0.5))
    at = np.interp(0.5, [edge.mtf[k], edge.mtf[k - 1]], [FREQUENCY[k], FREQUENCY[k - 1]])
    return replace(edge, mtf50_cyc_per_px=float(at), mtf50_std=0.002)


@pytest.fixture(scope="module")
def lens(frames: tuple[FrameRecord, ...]) -> LensResult:
    found = lens_result(CONFIG, frames, loss_percent=10)
    assert found is not None
    return found


def test_a_series_holds_all_that_was_asked(lens: LensResult) -> None:
    (series,) = lens.series
    assert lens.describes
    assert series.optimum_stop is not None
    assert len(series.curve_stop) == len(series.curve_contrast) == len(series.curve_contrast_std)
    for stop in series.stops:
        shares = (stop.diffraction_share, stop.aberration_share, stop.defocus_share)
        total = sum(shares) + stop.pixel_share + stop.residual_share
        assert total == pytest.approx(1)
    assert [point.square for point in series.field] == ["a", "b", "c", "d"]
    assert series.shape is not None
    assert {one.channel for one in series.channels} == {"green"}  # no white without colours


def test_tilt_and_curvature_are_recovered(lens: LensResult) -> None:
    """Recovery: 0.1 and -0.05 degrees, and a bowl of 60 um at the corners."""
    shape = lens.series[0].shape
    assert shape is not None
    for value, std, truth in (
        (shape.tilt_x_deg, shape.tilt_x_std_deg, LENS.tilt_deg[0]),
        (shape.tilt_y_deg, shape.tilt_y_std_deg, LENS.tilt_deg[1]),
        (shape.curvature_corner_um, shape.curvature_corner_std_um, LENS.curvature_corner_um),
    ):
        assert value is not None
        assert std is not None
        assert abs(value - truth) < 3 * std
        assert abs(value - truth) < max(0.1 * abs(truth), 0.02)


def test_the_detail_is_two_pixels_wide_unless_stated(
    lens: LensResult, frames: tuple[FrameRecord, ...]
) -> None:
    (series,) = lens.series
    assert series.detail_um == pytest.approx(2 * PITCH_UM / LENS.magnification)
    coarse = lens_result(CONFIG, frames, loss_percent=10, detail_um=12.0)
    assert coarse is not None
    assert coarse.series[0].detail_um == 12.0
    # Coarser lines keep more contrast, everywhere.
    assert (np.array(coarse.series[0].curve_contrast) > np.array(series.curve_contrast)).all()
    with pytest.raises(ValueError, match="detail_um"):
        lens_result(CONFIG, frames, loss_percent=10, detail_um=0.0)


def test_residuals_are_those_of_the_frames(
    lens: LensResult, frames: tuple[FrameRecord, ...]
) -> None:
    (series,) = lens.series
    assert {one.file for one in series.residuals} <= {frame.file for frame in frames}
    left = np.array([(one.mtf, one.mtf_std) for one in series.residuals])
    assert np.sqrt(np.mean(left[:, 0] ** 2)) < 0.01
    assert (left[:, 1] > 0).all()
    # Brackets step by half a wave about best focus.
    assert np.ptp([one.defocus_waves for one in series.residuals]) > 0.8


def test_a_bad_frame_is_named_and_stands_out(frames: tuple[FrameRecord, ...]) -> None:
    victim = frames[2].file
    spoilt = tuple(
        replace(
            frame,
            edges=tuple(
                replace(
                    e,
                    mtf=tuple(
                        0.5 ** (10 * f) * v
                        for f, v in zip(e.frequency_cyc_per_px, e.mtf, strict=True)
                    ),
                )
                for e in frame.edges
            ),
        )
        if frame.file == victim
        else frame
        for frame in frames
    )
    found = lens_result(CONFIG, spoilt, loss_percent=10)
    assert found is not None
    assert found.frames_in_doubt == (victim,) or victim not in {
        one.file for one in found.series[0].residuals
    }


def test_the_models_optimum_and_curve_take_the_place_of_the_interpolated(
    lens: LensResult, frames: tuple[FrameRecord, ...]
) -> None:
    before = analyse_session(CONFIG, frames, (), loss_percent=10)
    after = with_lens(before, lens).series[0]
    old = before.series[0]
    assert after.optimum_stop == lens.series[0].optimum_stop
    assert after.interpolated_optimum_stop == old.optimum_stop
    assert after.curve_stop == old.curve_stop
    assert after.interpolated_curve_mtf50_image_cyc_per_mm == old.curve_mtf50_image_cyc_per_mm
    assert after.curve_mtf50_image_cyc_per_mm != old.curve_mtf50_image_cyc_per_mm
    at = np.argmax(after.curve_mtf50_image_cyc_per_mm)
    assert after.optimum_stop == pytest.approx(after.curve_stop[int(at)], rel=0.02)


def test_where_the_model_does_not_describe_the_interpolation_stays(
    lens: LensResult, frames: tuple[FrameRecord, ...]
) -> None:
    before = analyse_session(CONFIG, frames, (), loss_percent=10)
    after = with_lens(before, replace(lens, describes=False)).series[0]
    assert after.optimum_stop == before.series[0].optimum_stop
    assert after.curve_mtf50_image_cyc_per_mm == before.series[0].curve_mtf50_image_cyc_per_mm
    assert with_lens(before, None) == before


def test_what_cannot_be_said_is_said(frames: tuple[FrameRecord, ...]) -> None:
    """Bad input: one stop; one frame a stop; nothing measured."""
    one_stop = tuple(f for f in frames if f.marked_stop == 2.8)
    found = lens_result(CONFIG, one_stop, loss_percent=10)
    assert found is not None
    assert found.series[0].optimum_stop is None
    text = " ".join(found.cannot_say)
    assert "One stop only" in text
    assert "No stop is limited by diffraction alone" in text
    assert "One magnification only" in text

    single = tuple(next(f for f in frames if f.marked_stop == n) for n in LENS.stops)
    found = lens_result(CONFIG, single, loss_percent=10)
    assert found is not None
    assert "One frame a stop" in " ".join(found.cannot_say)

    rocked = tuple(replace(f, focus_position_um=None) for f in frames)
    found = lens_result(CONFIG, rocked, loss_percent=10)
    assert found is not None
    assert "rocked by hand" in " ".join(found.cannot_say)
    assert [cone.name for cone in found.cones] == ["diffraction"]

    assert lens_result(CONFIG, (), loss_percent=10) is None


def test_spherical_aberration_is_told_at_the_opening_as_it_is() -> None:
    """Recovery: a ring off at its widest moves the rim, and what is told with it."""
    true = SecondLens(magnifications=(1.2, 3.1), w040_um=0.5, ring=(0.25, 0.0, 0.0, 0.0, 0.0, 0.0))
    fit = fit_lens(true.session(np.random.default_rng(2), frames=5, colours=("green",)))
    value, std = at_widest(fit, "w040", 4)
    truth = 0.5 * 2 ** (-2 * 0.25)
    assert abs(value - truth) < max(3 * std, 0.05 * truth)
    assert abs(value - truth) < abs(value - 0.5)
    assert std < fit.std("w040")[0]
