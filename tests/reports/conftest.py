"""An invented session: the lens, the figures and every name are made up."""

from __future__ import annotations

import math

import numpy as np
import pytest

from lab.inference.results import (
    ColourResult,
    FocusSample,
    SeriesResult,
    SessionResult,
    StopPoint,
)

MARKED = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
WAVELENGTH_UM = 0.53
PITCH_UM = 4.35


def _mtf50(mtf: np.ndarray, frequency: np.ndarray) -> float:
    return float(np.interp(-0.5, -mtf, frequency))


def _system(stop: float, magnification: float, blur: float, frequency: np.ndarray) -> np.ndarray:
    cutoff = 1000 / (WAVELENGTH_UM * stop * (1 + magnification))
    s = np.clip(frequency / cutoff, 0, 1)
    diffraction = 2 / np.pi * (np.arccos(s) - s * np.sqrt(1 - s**2))
    pixel = np.sinc(frequency * PITCH_UM / 1000)
    return diffraction * pixel * np.exp(-((frequency * blur) ** 2))


def make_point(
    marked: float, magnification: float, rng: np.random.Generator, *, placed: bool = True
) -> StopPoint:
    exact = 2 ** (round(2 * math.log2(marked)) / 2)
    grid = np.linspace(0, 200, 4001)
    blur = 0.5 / exact**2 * 0.35
    value = _mtf50(_system(exact, magnification, blur, grid), grid)
    diffraction = _mtf50(_system(exact, magnification, 0, grid), grid)
    std = 0.025 * value
    measured = value + std * rng.normal()
    frequency = np.linspace(0, 115, 60)
    mtf = _system(exact, magnification, blur, frequency)
    best = 9 - 4 * math.log2(exact)
    width = 14 * exact * (1 + magnification) / magnification**2
    positions = np.arange(-3, 4) * 0.55 * width
    samples = tuple(
        FocusSample(
            file=f"{magnification:g}x/IMG_{int(10 * marked):04d}_{k}.dng",
            focus_position_um=float(z) if placed else None,
            mtf50_image_cyc_per_mm=float(
                measured / (1 + ((z - best) / width) ** 2) * (1 + 0.03 * rng.normal())
            ),
            mtf50_std=float(0.03 * measured),
            used=k != 6,
            flags=("specks-left-out",) if k == 6 else (),
        )
        for k, z in enumerate(positions)
    )
    curve = np.linspace(positions[0], positions[-1], 61)
    return StopPoint(
        marked_stop=marked,
        exact_stop=exact,
        effective_f_number=exact * (1 + magnification),
        mtf50_image_cyc_per_mm=measured,
        mtf50_std=std,
        mtf50_low95=measured - 1.96 * std,
        mtf50_high95=measured + 1.96 * std,
        mtf50_object_cyc_per_mm=measured * magnification,
        diffraction_mtf50_image_cyc_per_mm=diffraction,
        percent_of_diffraction=100 * measured / diffraction,
        best_focus_um=best if placed else None,
        focus_curve_um=tuple(curve.tolist()) if placed else (),
        focus_curve_mtf50=tuple((measured / (1 + ((curve - best) / width) ** 2)).tolist())
        if placed
        else (),
        focus_samples=samples,
        frequency_image_cyc_per_mm=tuple(frequency.tolist()),
        mtf=tuple(mtf.tolist()),
        mtf_std=tuple((0.006 + 0.01 * mtf * (1 - mtf)).tolist()),
        diffraction_mtf=tuple(_system(exact, magnification, 0, frequency).tolist()),
        frames_measured=7,
        frames_used=6,
        flags=("specks-left-out",) if marked == 4.0 else (),
    )


def make_colour(
    channel: str, corner_px: float, focus_um: float, magnification: float
) -> ColourResult:
    image_um = corner_px * PITCH_UM
    return ColourResult(
        channel=channel,
        marked_stop=4.0,
        lateral_corner_px=corner_px,
        lateral_corner_std_px=0.0137,
        lateral_corner_image_um=image_um,
        lateral_corner_object_um=image_um / magnification,
        focus_difference_um=focus_um,
        focus_difference_std_um=1.73,
    )


def make_series(magnification: float = 2.0, *, placed: bool = True, seed: int = 11) -> SeriesResult:
    rng = np.random.default_rng(seed)
    points = tuple(make_point(m, magnification, rng, placed=placed) for m in MARKED)
    curve_stop = np.geomspace(points[0].exact_stop, points[-1].exact_stop, 81)
    grid = np.linspace(0, 200, 2001)
    curve = np.array(
        [_mtf50(_system(s, magnification, 0.175 / s**2, grid), grid) for s in curve_stop]
    )
    limit = np.array([_mtf50(_system(s, magnification, 0, grid), grid) for s in curve_stop])
    peak = int(np.argmax(curve))
    optimum = float(curve_stop[peak])
    sharp = [
        p.marked_stop
        for p in points
        if np.interp(p.exact_stop, curve_stop, curve) > 0.8 * curve[peak]
    ]
    return SeriesResult(
        magnification=magnification,
        measured_magnification=1.004 * magnification,
        measured_magnification_std=0.003 * magnification,
        points=points,
        optimum_stop=optimum,
        optimum_low95=optimum / 1.13,
        optimum_high95=optimum * 1.13,
        optimum_mtf50_image_cyc_per_mm=float(curve[peak]),
        deepest_sharp_stop=sharp[-1],
        deepest_low95=sharp[-1] / 1.08,
        deepest_high95=sharp[-1] * 1.11,
        loss_percent=20.0,
        curve_stop=tuple(curve_stop.tolist()),
        curve_mtf50_image_cyc_per_mm=tuple(curve.tolist()),
        curve_diffraction_mtf50_image_cyc_per_mm=tuple(limit.tolist()),
        colours=(
            make_colour("red", 0.8213, 12.37 / magnification, magnification),
            make_colour("blue", -0.4129, -7.19 / magnification, magnification),
        ),
    )


def make_session(series: tuple[SeriesResult, ...]) -> SessionResult:
    return SessionResult(
        name="Bellows rig, first light (invented)",
        body_name="Club body",
        lens_name="Enlarger 75 reversed",
        pixel_pitch_um=PITCH_UM,
        focal_length_mm=75.0,
        pupil_ratio=1.0,
        pupil_ratio_source="assumed",
        channel="green",
        wavelength_um=WAVELENGTH_UM,
        light_source="daylight flash, invented",
        series=series,
        frames_by_status={"measured": 160, "rejected": 6, "unreadable": 1},
        cautions=("The target was checked by eye only (invented caution).",),
        provenance={"version": "0.0 (invented)", "frames": "168", "frames sha256": "ab" * 32},
    )


@pytest.fixture(scope="session")
def series() -> SeriesResult:
    return make_series()


@pytest.fixture(scope="session")
def unplaced_series() -> SeriesResult:
    return make_series(3.0, placed=False, seed=5)


@pytest.fixture(scope="session")
def session() -> SessionResult:
    """Four series of six stops; the 3x one rocked by hand."""
    return make_session(
        (
            make_series(1.0, seed=3),
            make_series(2.0),
            make_series(3.0, placed=False, seed=5),
            make_series(5.0, seed=8),
        )
    )
