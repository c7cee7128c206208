"""A plan as figures for machines: the JSON and the two tables of ``stopwise plan``.

The tables hold six significant digits and the JSON nine: more than the model of a perfect
lens is worth, and few enough to read.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lab.cli.plan_text import target_sentences

if TYPE_CHECKING:
    from lab.inference.aperture_limits import ApertureLimit, Criteria
    from lab.session.plan import Plan, PlanPoint, PlanSeries

__all__ = ["csv_text", "limits_csv_text", "limits_path", "plan_document"]

_TABLE_DIGITS, _JSON_DIGITS = 6, 9
_ON_LENS = {
    "within": "yes",
    "wider": "wider than this lens opens",
    "smaller": "beyond its smallest stop",
}


def plan_document(
    plan: Plan, criteria: Criteria, limits: Sequence[ApertureLimit]
) -> dict[str, Any]:
    """All figures, to nine significant digits."""
    one = plan.shooting
    document = {
        "rig": plan.rig.name,
        "pixel_pitch_um": plan.rig.body.pixel_pitch_um,
        "wavelength_um": plan.wavelength_um,
        "series": [
            {
                "magnification": series.magnification,
                "own_magnification": series.optics.own_magnification,
                "focal_length_mm": series.optics.focal_length_mm,
                "extension_mm": series.optics.extension_mm,
                "bellows_mm": series.optics.bellows_mm,
                "working_distance_mm": series.optics.working_distance_mm,
                "effective_per_marked": series.optics.per_marked,
                "field_mm": list(series.field_mm),
                "frames_per_stop": series.frames_per_stop,
                "hand_blur_um": series.hand_blur_um,
                "flags": list(series.flags),
                "points": [_point(series, point) for point in series.points],
            }
            for series in plan.series
        ],
        "light": {
            **asdict(one),
            "flash_share": 1 - one.ambient_share,
            "effective_exposure_s": one.effective_exposure_s,
        },
        "criteria": asdict(criteria),
        "limits": [
            {**asdict(limit), "rules": [{"rule": r, "stop": s} for r, s in limit.rules]}
            for limit in limits
        ],
        "target": list(target_sentences(plan)),
        "assumptions": list(plan.assumptions),
    }
    rounded = _rounded(document, _JSON_DIGITS)
    assert isinstance(rounded, dict)
    return rounded


def _point(series: PlanSeries, point: PlanPoint) -> dict[str, Any]:
    return {**asdict(point), "is_over_hand_budget": series.is_over_budget(point)}


def _rounded(value: object, digits: int) -> object:
    """The same with every float to so many significant digits."""
    if isinstance(value, float):
        return float(f"{value:.{digits}g}")
    if isinstance(value, dict):
        return {key: _rounded(one, digits) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(one, digits) for one in value]
    return value


def csv_text(plan: Plan) -> str:
    """One row for each magnification and stop, blank where there is no figure."""
    return _table(
        [
            {"magnification": series.magnification, **_point(series, point)}
            for series in plan.series
            for point in series.points
        ]
    )


def limits_path(path: Path) -> Path:
    """Where the limits go: ``plan-limits.csv`` beside ``plan.csv``."""
    return path.with_name(f"{path.stem}-limits{path.suffix}")


def limits_csv_text(criteria: Criteria, limits: Sequence[ApertureLimit]) -> str:
    """One row for each magnification, pitch and criterion or rule; blank where no stop holds."""
    rows = []
    for one in limits:
        stops: list[tuple[str, str, float | None]] = [
            ("loss", f"{criteria.loss_percent:g} %", one.loss_stop),
            ("pixels", f"{criteria.airy_pixels:g} px", one.pixels_stop),
            ("print", "", one.print_stop),
        ]
        if criteria.detail_um is not None:
            stops.append(("detail", f"{criteria.detail_um:g} um", one.detail_stop))
        stops += [("rule", text, stop) for text, stop in one.rules]
        for criterion, asked, stop in stops:
            rows.append(
                {
                    "magnification": one.magnification,
                    "pixel_pitch_um": one.pixel_pitch_um,
                    "criterion": criterion,
                    "asked": asked,
                    "stop": stop,
                    "effective_f_number": None if stop is None else stop * one.per_marked,
                    "on_lens": _ON_LENS[one.on_lens(stop)]
                    if stop is not None
                    else ("finer than the pixels" if one.is_detail_finer else "at no stop"),
                }
            )
    return _table(rows)


def _table(rows: Sequence[dict[str, Any]]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, fieldnames=list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows({k: _rounded(v, _TABLE_DIGITS) for k, v in row.items()} for row in rows)
    return out.getvalue()
