"""Invented sessions for comparisons: results straight from the optics, no frames."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from lab.inference.compare import KeptSession
from lab.inference.lens_curve import best_focus_um
from lab.inference.lens_optics import predicted_optics
from lab.inference.results import (
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

__all__ = ["config", "kept", "session"]

MARKED = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
WAVELENGTH_UM = 0.53
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


@lru_cache
def _optics(
    m: float, stops: tuple[float, ...], pupil_ratio: float, pitch_um: float, spherical_um: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Effective f-number and MTF50 at the marks, MTF50 of the curve, frequencies, MTFs."""
    exact, grid = _stops(stops)
    at, curve = (
        predicted_optics(
            where,
            magnification=m,
            pupil_ratio=pupil_ratio,
            wavelength_um=WAVELENGTH_UM,
            pixel_pitch_um=pitch_um,
            spherical_um=spherical_um,
            spherical_at=_AT_STOP,
            blur_std_um=1.0,
        )
        for where in (exact, grid)
    )
    peak, line = (one.crossing(best_focus_um(one), 0.5) for one in (at, curve))
    f = np.linspace(0.0, 200.0, 101)
    mtf = at.transfer(np.tile(f[:, None], exact.size), best_focus_um(at)).T
    return at.cone.f_number, peak, line, f, mtf


def _plain(
    m: float, stops: tuple[float, ...], pupil_ratio: float, pitch_um: float, spherical_um: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """In place of the optics, and quicker: blurs that add in quadrature. f-numbers come first."""

    def half(stop: np.ndarray) -> np.ndarray:
        n = stop * (1 + m / pupil_ratio)
        blurs_um = (n * WAVELENGTH_UM, spherical_um * n * (_AT_STOP / stop) ** 4, 0.5 * pitch_um)
        return np.asarray(400 / np.sqrt(sum(one**2 for one in blurs_um)))

    exact, grid = _stops(stops)
    f = np.linspace(0.0, 200.0, 101)
    mtf = 0.5 ** ((f / half(exact)[:, None]) ** 2)
    return exact * (1 + m / pupil_ratio), half(exact), half(grid), f, mtf


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
    for m in sizes:
        made = _optics if model else _plain
        n, peak, line, f, curves = made(m, stops, pupil_ratio, pitch_um, spherical_um)
        peak, line = scale * peak, scale * line
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
            )
        )
    figures = {
        "pupil ratio": (pupil_ratio, 0.004),
        "wavelength against stated": (0.0, 0.5),
        "primary spherical, widest stop": (spherical_um * (_AT_STOP / exact[0]) ** 4, 0.01),
        "secondary spherical, widest stop": (0.0, 0.004),
        **{f"residual blur at {m:g}x": (1.0, 0.02) for m in sizes},
    }
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
            figures=tuple(
                LensFigure(name=one, unit="", value=value, std=doubt, measured=True)
                for one, (value, doubt) in figures.items()
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
    return KeptSession(result=result, config=config() if of is None else of)
