"""Invented sessions for comparisons: results from a formula, no frames and no optics."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from lab.inference.compare_input import KeptSession, kept_session
from lab.inference.results import (
    CompareTable,
    CompareTables,
    LensFigure,
    LensResult,
    LensSeries,
    LensStop,
    SeriesResult,
    SessionResult,
    StopPoint,
)
from lab.session.config import SessionConfig, parse_session
from lab.session.stops import exact_stop

__all__ = ["BY_BLUR", "LIGHT", "LIGHT_STD", "config", "kept", "session"]

MARKED = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
WAVELENGTH_UM = 0.53
LIGHT, LIGHT_STD, BY_BLUR = 0.004, 0.012, -0.05
_AT_STOP = 8**0.5  # of the spherical aberration


@lru_cache
def config(
    *, sensor: tuple[float, float] = (36.0, 24.0), edge: str = "", pitch_um: float = 4.35
) -> SessionConfig:
    """A session.toml with its sensor and target."""
    return parse_session(
        f"""
        [session]
        name = "invented"
        [body]
        name = "Club body"
        pixel_pitch_um = {pitch_um}
        sensor_mm = [{sensor[0]}, {sensor[1]}]
        [lens]
        name = "invented"
        [target]
        layout = "target.json"
        {edge}
        [[series]]
        magnification = 2
        stops = [2.8, 4]
        frames_per_stop = 7
        frames = "*.dng"
        """,
        "session.toml",
    )


def _half(stop: np.ndarray, m: float, rig: _Rig, depth_um: float = 0.0) -> np.ndarray:
    """MTF50 on the sensor, in place of the optics: blurs that add in quadrature."""
    n = stop * (1 + m / rig.pupil_ratio)
    blurs_um = (
        n * WAVELENGTH_UM,
        rig.spherical_um * n * (_AT_STOP / stop) ** 4,
        0.5 * rig.pitch_um,
        depth_um / 2 * m**2 / n,
    )
    return np.asarray(400 / np.sqrt(sum(one**2 for one in blurs_um)))


@dataclass(frozen=True)
class _Rig:
    pupil_ratio: float
    pitch_um: float
    spherical_um: float


def _tables(
    m: float, rig: _Rig, grid: np.ndarray, best: float, scale: float, std: float
) -> CompareTables:
    """At a depth each stop of the grid is tried."""
    cone = 1 + m / rig.pupil_ratio
    depths = np.array([20.0, 50.0, 100.0, 120.0, 200.0, 300.0, 500.0, 1000.0, 2000.0])
    held = np.array([_half(grid, m, rig, depth) for depth in depths])
    losses = np.array([0.1, 1.0, 10.0, 50.0, 90.0])

    def table(at: np.ndarray, stop: np.ndarray, value: np.ndarray, light: float) -> CompareTable:
        return CompareTable(
            at=tuple(at.tolist()),
            stop=tuple(stop.tolist()),
            effective_f_number=tuple((stop * cone).tolist()),
            value=tuple(value.tolist()),
            std=(std,) * at.size,
            by_light=(light,) * at.size,
            by_blur=(BY_BLUR,) * at.size,
        )

    stop = np.array([best])
    return CompareTables(
        light=LIGHT,
        light_std=LIGHT_STD,
        optimum=table(stop * cone, stop, scale * m * _half(stop, m, rig), 0.0),
        equal_stop=table(grid * cone, grid, scale * m * _half(grid, m, rig), -0.8),
        over_depth=table(depths, grid[held.argmax(axis=1)], scale * m * held.max(axis=1), -0.4),
        depth_within=table(losses, np.full(5, best), 40 * np.sqrt(losses) / m**2, -0.9),
    )


def _stops(stops: tuple[float, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Exact stops, and an even grid over them."""
    exact = np.array([exact_stop(one) for one in stops])
    return exact, exact[0] * 2 ** np.linspace(0, np.log2(exact[-1] / exact[0]), 31)


def session(
    lens: str = "Enlarger 75 reversed",
    *,
    name: str = "invented session",
    sizes: tuple[float, ...] = (2.0,),
    scale: float = 1.0,
    std: float = 0.004,
    stops: tuple[float, ...] = MARKED,
    pupil_ratio: float = 0.9,
    pitch_um: float = 4.35,
    spherical_um: float = 0.9,
    model: bool = True,
    frames: str | None = None,
    flags: tuple[str, ...] = (),
) -> SessionResult:
    """One session; ``scale`` multiplies every MTF50, ``std`` is its relative uncertainty."""
    exact, grid = _stops(stops)
    series, of_lens = [], []
    rig = _Rig(pupil_ratio, pitch_um, spherical_um)
    f = np.linspace(0.0, 200.0, 101)
    for m in sizes:
        n = exact * (1 + m / pupil_ratio)
        half = _half(exact, m, rig)
        curves = 0.5 ** ((f / half[:, None]) ** 2)
        peak, line = scale * half, scale * _half(grid, m, rig)
        best = int(np.argmax(line))
        points = tuple(
            StopPoint(
                marked_stop=stops[k],
                exact_stop=float(exact[k]),
                effective_f_number=float(n[k]),
                mtf50_image_cyc_per_mm=float(peak[k]),
                mtf50_std=std * float(peak[k]),
                mtf50_low95=float(peak[k]) * (1 - 1.96 * std),
                mtf50_high95=float(peak[k]) * (1 + 1.96 * std),
                mtf50_object_cyc_per_mm=float(peak[k]) * m,
                diffraction_mtf50_image_cyc_per_mm=1.2 * float(peak[k]),
                percent_of_diffraction=100 / 1.2,
                best_focus_um=0.0,
                focus_curve_um=(),
                focus_curve_mtf50=(),
                focus_samples=(),
                frequency_image_cyc_per_mm=tuple((scale * f).tolist()),
                mtf=tuple(curves[k].tolist()),
                mtf_std=(),
                diffraction_mtf=(),
                frames_measured=7,
                frames_used=6,
                flags=flags,
            )
            for k in range(exact.size)
        )
        is_end = best in (0, line.size - 1)
        series.append(
            SeriesResult(
                magnification=m,
                measured_magnification=None,
                measured_magnification_std=None,
                points=points,
                optimum_stop=float(grid[best]),
                optimum_low95=None if is_end else float(grid[best]) / 1.1,
                optimum_high95=None if is_end else float(grid[best]) * 1.1,
                optimum_mtf50_image_cyc_per_mm=float(line[best]),
                deepest_sharp_stop=float(grid[best]) * 1.3,
                loss_percent=10.0,
                curve_stop=tuple(grid.tolist()),
                curve_mtf50_image_cyc_per_mm=tuple(line.tolist()),
                curve_diffraction_mtf50_image_cyc_per_mm=tuple((1.2 * line).tolist()),
                flags=("optimum-not-bracketed",) if is_end else (),
            )
        )
        of_lens.append(
            LensSeries(
                magnification=m,
                stops=tuple(
                    LensStop(
                        marked_stop=stops[k],
                        effective_f_number=float(n[k]),
                        effective_f_number_std=0.003 * float(n[k]),
                        over_nominal=float(n[k] / (exact[k] * (1 + m))),
                        mtf50_image_cyc_per_mm=float(peak[k]),
                        mtf50_std=std * float(peak[k]),
                        diffraction_share=0.7,
                        aberration_share=0.1,
                        defocus_share=0.0,
                        pixel_share=0.1,
                        residual_share=0.1,
                        beyond_model_percent=0.0,
                        focus_shift_um=0.0,
                        focus_shift_std_um=0.1,
                    )
                    for k in range(exact.size)
                ),
                optimum_stop=float(grid[best]),
                curve_stop=tuple(grid.tolist()),
                curve_mtf50_image_cyc_per_mm=tuple(line.tolist()),
                curve_mtf50_std=tuple((std * line).tolist()),
                compare=_tables(m, rig, grid, float(grid[best]), scale, std),
            )
        )
    return SessionResult(
        name=name,
        body_name="Club body",
        lens_name=lens,
        pixel_pitch_um=pitch_um,
        focal_length_mm=None,
        pupil_ratio=pupil_ratio,
        pupil_ratio_source="session.toml",
        channel="green",
        wavelength_um=WAVELENGTH_UM,
        light_source="session.toml",
        series=tuple(series),
        frames_by_status={"measured": 42},
        cautions=(),
        provenance={
            "stopwise version": "1.2.3",
            "frames SHA-256": frames or f"{lens} {name} {scale!r} {sizes} {std}",
        },
        lens=LensResult(
            figures=(
                LensFigure(
                    name="pupil ratio", unit="", value=pupil_ratio, std=0.004, measured=True
                ),
            ),
            correlated=(),
            cones=(),
            series=tuple(of_lens),
            chi_square=1.0,
            excess_percent=0.4,
            frames_in_doubt=(),
            describes=model,
            cannot_say=(),
        ),
    )


def kept(result: SessionResult, of: SessionConfig | None = None) -> KeptSession:
    """With a session.toml that states a sensor and no blur, or another."""
    return kept_session(result, config() if of is None else of)
