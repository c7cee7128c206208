"""What ``stopwise fit`` found, as JSON: every figure at full length, to compute with."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lab.inference.results import LensSeries, SeriesResult, SessionResult

__all__ = ["fit_document"]


def fit_document(result: SessionResult) -> dict[str, Any]:
    """All figures of a session."""
    lens = result.lens
    pupil = None if lens is None else next(f for f in lens.figures if f.name == "pupil ratio")
    by_magnification = {} if lens is None else {one.magnification: one for one in lens.series}
    return {
        "pupil_ratio": {
            "value": result.pupil_ratio if pupil is None else pupil.value,
            "std": None if pupil is None else pupil.std,
            "measured": pupil is not None and pupil.measured,
        },
        "stated_pupil_ratio": result.pupil_ratio,
        "pupil_ratio_source": result.pupil_ratio_source,
        "series": [
            _series_document(series, by_magnification.get(series.magnification))
            for series in result.series
        ],
        "lens": None
        if lens is None
        else {
            **{k: v for k, v in asdict(lens).items() if k != "series"},
        },
    }


def _series_document(series: SeriesResult, lens: LensSeries | None) -> dict[str, Any]:
    return {
        "magnification": series.magnification,
        "measured_magnification": series.measured_magnification,
        "points": [
            {
                "marked_stop": p.marked_stop,
                "effective_f_number": p.effective_f_number,
                "mtf50_image_cyc_per_mm": p.mtf50_image_cyc_per_mm,
                "mtf50_std": p.mtf50_std,
                "mtf50_low95": p.mtf50_low95,
                "mtf50_high95": p.mtf50_high95,
                "mtf50_object_cyc_per_mm": p.mtf50_object_cyc_per_mm,
                "diffraction_mtf50_image_cyc_per_mm": p.diffraction_mtf50_image_cyc_per_mm,
                "best_focus_um": p.best_focus_um,
                "frames_measured": p.frames_measured,
                "frames_used": p.frames_used,
                "flags": list(p.flags),
            }
            for p in series.points
        ],
        "colours": [asdict(colour) for colour in series.colours],
        "optimum_stop": series.optimum_stop,
        "optimum_low95": series.optimum_low95,
        "optimum_high95": series.optimum_high95,
        "interpolated_optimum_stop": series.interpolated_optimum_stop,
        "interpolated_low95": series.interpolated_low95,
        "interpolated_high95": series.interpolated_high95,
        "deepest_sharp_stop": series.deepest_sharp_stop,
        "deepest_low95": series.deepest_low95,
        "deepest_high95": series.deepest_high95,
        "rules": [] if lens is None else [asdict(one) for one in lens.rules],
        "lens_stops": [] if lens is None else [asdict(stop) for stop in lens.stops],
        "lens_channels": [] if lens is None else [asdict(one) for one in lens.channels],
        "lens_curve": None
        if lens is None
        else {
            "stop": list(lens.curve_stop),
            "mtf50_image_cyc_per_mm": list(lens.curve_mtf50_image_cyc_per_mm),
            "mtf50_std": list(lens.curve_mtf50_std),
            "detail_um": lens.detail_um,
            "contrast": list(lens.curve_contrast),
            "contrast_std": list(lens.curve_contrast_std),
        },
        "detail_stop": None if lens is None else lens.detail_stop,
        "detail_low95": None if lens is None else lens.detail_low95,
        "detail_high95": None if lens is None else lens.detail_high95,
        "field": [] if lens is None else [asdict(one) for one in lens.field],
        "shape": None if lens is None or lens.shape is None else asdict(lens.shape),
        "residuals": [] if lens is None else [asdict(one) for one in lens.residuals],
        "flags": list(series.flags),
    }
