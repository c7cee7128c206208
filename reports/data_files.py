"""A session's figures as files for other programs: data.csv, data.json, and what they mean.

``data.csv`` is a long table with one row a figure, UTF-8 with the mark that spreadsheets
look for. ``data.json`` holds all records whole, curves included, under the names of their
fields. ``data-dictionary.csv`` explains every column and quantity of the first and the
endings of names in the second. An empty cell or null stands for not known. Numbers are
written in full.

A text that a spreadsheet would take for a formula has an apostrophe put before it.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from lab.inference.results import (
    FieldPoint,
    LensResult,
    LensSeries,
    SeriesResult,
    SessionResult,
    StopPoint,
)
from lab.inference.trial_records import TrialFrame, TrialResult
from reports.data_words import COLUMNS, ENDINGS, QUANTITIES

__all__ = ["data_csv", "data_json", "dictionary_csv", "write_data_files"]

_Row = dict[str, Any]
_FORMULA = tuple("=+-@＝＋－＠")  # noqa: RUF001 (wide forms count as well)


def write_data_files(
    result: SessionResult, trials: Sequence[TrialResult], folder: Path
) -> tuple[Path, ...]:
    """Write data.csv, data.json and data-dictionary.csv.

    Parameters
    ----------
    result : SessionResult
    trials : sequence of TrialResult
    folder : Path
        Must exist.

    Returns
    -------
    tuple of Path
        The files.

    Raises
    ------
    OSError
        If one cannot be written.
    """
    # The mark in front of a table tells Excel that it is UTF-8; pandas passes it over.
    texts = {
        "data.csv": "\ufeff" + data_csv(result, trials),
        "data.json": data_json(result, trials),
        "data-dictionary.csv": "\ufeff" + dictionary_csv(),
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    return tuple(folder / name for name in texts)


def data_csv(result: SessionResult, trials: Sequence[TrialResult]) -> str:
    """All figures of a session and its trials, one a row.

    Parameters
    ----------
    result : SessionResult
    trials : sequence of TrialResult
    """
    rows = [*_session_rows(result), *(row for trial in trials for row in _trial_rows(trial))]
    return _csv(list(COLUMNS), ([row.get(name) for name in COLUMNS] for row in rows))


def data_json(result: SessionResult, trials: Sequence[TrialResult]) -> str:
    """All records of a session and its trials, and what the endings of their names mean.

    Parameters
    ----------
    result : SessionResult
    trials : sequence of TrialResult
    """
    whole = {
        "schema": 1,
        "names": ENDINGS,
        "result": asdict(result),
        "trials": [asdict(trial) for trial in trials],
    }
    return json.dumps(_plain(whole), ensure_ascii=False, allow_nan=False) + "\n"


def dictionary_csv() -> str:
    """What every column and quantity of data.csv means, and every name in data.json."""
    rows = [
        *(["column", name, meaning, "", ""] for name, meaning in COLUMNS.items()),
        *(["quantity", name, one.meaning, one.unit, one.side] for name, one in QUANTITIES.items()),
        *(["ending of a name in data.json", end, what, "", ""] for end, what in ENDINGS.items()),
    ]
    return _csv(["kind", "name", "meaning", "unit", "side"], rows)


def _csv(header: Sequence[str], rows: Any) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return text.getvalue()


def _cell(value: Any) -> str:
    """A cell that no spreadsheet runs; a number that gives back the same digits."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if not isinstance(value, str):
        return repr(value)
    text = " ".join(value.split())
    return f"'{text}" if text.startswith(_FORMULA) else text


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(one) for one in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _row(quantity: str, value: float | None, where: _Row, **more: Any) -> _Row:
    """One figure; its unit and side are the quantity's unless they are given."""
    known = QUANTITIES[quantity]
    return {
        **{"unit": known.unit, "side": known.side},
        **where,
        **{"quantity": quantity, "value": value},
        **more,
    }


def _known(rows: Iterator[_Row]) -> Iterator[_Row]:
    """The rows that have a figure."""
    return (row for row in rows if row["value"] is not None)


def _session_rows(result: SessionResult) -> Iterator[_Row]:
    lens = {} if result.lens is None else {one.magnification: one for one in result.lens.series}
    for number, series in enumerate(result.series, start=1):
        where: _Row = {"series": str(number), "magnification": series.magnification}
        yield from _known(_series_rows(series, where))
        if series.magnification in lens:
            yield from _known(_lens_series_rows(lens[series.magnification], where))
    if result.lens is not None:
        yield from _lens_rows(result.lens)


def _series_rows(series: SeriesResult, where: _Row) -> Iterator[_Row]:
    yield _row(
        "measured_magnification",
        series.measured_magnification,
        where,
        std=series.measured_magnification_std,
    )
    note = "; ".join(series.flags)
    ends = {"low95": series.optimum_low95, "high95": series.optimum_high95}
    yield _row("optimum_stop", series.optimum_stop, where, **ends, note=note)
    yield _row("optimum_mtf50", series.optimum_mtf50_image_cyc_per_mm, where)
    yield _row(
        "interpolated_optimum_stop",
        series.interpolated_optimum_stop,
        where,
        low95=series.interpolated_low95,
        high95=series.interpolated_high95,
    )
    yield _row(
        "deepest_sharp_stop",
        series.deepest_sharp_stop,
        where,
        low95=series.deepest_low95,
        high95=series.deepest_high95,
        note=f"permitted loss {series.loss_percent:g} %",
    )
    for point in series.points:
        here = {
            **where,
            "marked_stop": point.marked_stop,
            "effective_f_number": point.effective_f_number,
        }
        yield from _point_rows(point, here)
    for colour in series.colours:
        here = {**where, "marked_stop": colour.marked_stop, "channel": colour.channel}
        yield _row(
            "lateral_colour_px",
            colour.lateral_corner_px,
            here,
            std=colour.lateral_corner_std_px,
        )
        yield _row("lateral_colour", colour.lateral_corner_image_um, here, side="image")
        yield _row("lateral_colour", colour.lateral_corner_object_um, here, side="object")
        yield _row(
            "focus_difference",
            colour.focus_difference_um,
            here,
            std=colour.focus_difference_std_um,
        )


def _point_rows(point: StopPoint, here: _Row) -> Iterator[_Row]:
    figures = (
        point.mtf50_image_cyc_per_mm,
        point.mtf50_std,
        point.mtf50_low95,
        point.mtf50_high95,
    )
    scale = point.mtf50_object_cyc_per_mm / figures[0] if figures[0] else 1.0
    for side, factor in (("image", 1.0), ("object", scale)):
        value, std, low, high = (factor * one for one in figures)
        more = {"std": std, "low95": low, "high95": high, "note": "; ".join(point.flags)}
        yield _row("mtf50", value, here, **more, side=side)
    yield _row("diffraction_mtf50", point.diffraction_mtf50_image_cyc_per_mm, here)
    yield _row("percent_of_diffraction", point.percent_of_diffraction, here)
    yield _row("best_focus", point.best_focus_um, here)
    yield _row("frames_measured", point.frames_measured, here)
    yield _row("frames_used", point.frames_used, here)
    for sample in point.focus_samples:
        one = {**here, "subject": sample.file}
        note = "; ".join((*sample.flags, *([] if sample.used else ["left out of the peak"])))
        value = sample.mtf50_image_cyc_per_mm
        yield _row("frame_mtf50", value, one, std=sample.mtf50_std, note=note)
        yield _row("frame_focus_position", sample.focus_position_um, one)


def _lens_series_rows(lens: LensSeries, where: _Row) -> Iterator[_Row]:
    ends = {"low95": lens.optimum_low95, "high95": lens.optimum_high95}
    yield _row("model_optimum_stop", lens.optimum_stop, where, **ends)
    yield _row("model_optimum_mtf50", lens.optimum_mtf50_image_cyc_per_mm, where)
    ends = {"low95": lens.deepest_low95, "high95": lens.deepest_high95}
    yield _row("model_deepest_sharp_stop", lens.deepest_sharp_stop, where, **ends)
    for stop in lens.stops:
        here = {
            **where,
            "marked_stop": stop.marked_stop,
            "effective_f_number": stop.effective_f_number,
        }
        std = stop.effective_f_number_std
        yield _row("model_effective_f_number", stop.effective_f_number, here, std=std)
        yield _row("model_mtf50", stop.mtf50_image_cyc_per_mm, here, std=stop.mtf50_std)
        for cause in ("diffraction", "aberration", "defocus", "pixel", "residual"):
            yield _row("loss_share", getattr(stop, f"{cause}_share"), here, subject=cause)
        yield _row("beyond_model", stop.beyond_model_percent, here)
        yield _row("focus_shift", stop.focus_shift_um, here, std=stop.focus_shift_std_um)
    for one in lens.channels:
        here = {**where, "channel": one.channel}
        ends = {"low95": one.optimum_low95, "high95": one.optimum_high95}
        yield _row("channel_optimum_stop", one.optimum_stop, here, **ends)
        yield _row("channel_optimum_mtf50", one.mtf50_image_cyc_per_mm, here)
    if lens.detail_um is not None:
        here = {**where, "subject": f"lines {lens.detail_um:g} um wide"}
        ends = {"low95": lens.detail_low95, "high95": lens.detail_high95}
        yield _row("detail_stop", lens.detail_stop, here, **ends)
    for rule in lens.rules:
        here = {**where, "subject": rule.rule}
        note = f"{rule.verdict} (probability {rule.probability:.2f})"
        ends = {"low95": rule.loss_low95, "high95": rule.loss_high95}
        yield _row("rule_stop", rule.limit_stop, here, note=note)
        yield _row("rule_loss", rule.loss_percent, here, **ends, note=note)
        yield _row("rule_depth_given_away", rule.depth_given_away, here, note=note)
    for point in lens.field:
        yield from _field_rows(point, {**where, "subject": f"square {point.square}"})
    shape = lens.shape
    if shape is not None:
        note = "; ".join(shape.flags)
        yield _row("tilt_x", shape.tilt_x_deg, where, std=shape.tilt_x_std_deg, note=note)
        yield _row("tilt_y", shape.tilt_y_deg, where, std=shape.tilt_y_std_deg, note=note)
        bend, bend_std = shape.curvature_corner_um, shape.curvature_corner_std_um
        yield _row("field_curvature", bend, where, std=bend_std, note=note)


def _field_rows(point: FieldPoint, where: _Row) -> Iterator[_Row]:
    yield _row("field_x", point.field_x, where)
    yield _row("field_y", point.field_y, where)
    note = "; ".join(point.flags)
    for side in ("image", "object"):
        yield _row(
            "focus_offset",
            getattr(point, f"focus_offset_{side}_um"),
            where,
            std=getattr(point, f"focus_offset_{side}_std_um"),
            side=side,
            note=note,
        )
    std = point.astigmatism_std_um
    yield _row("astigmatism", point.astigmatism_um, where, std=std, note=note)
    ends = {"low95": point.coma_low95_um, "high95": point.coma_high95_um}
    yield _row("coma", point.coma_um, where, **ends, note=note)
    for stop in point.stops:
        here = {**where, "marked_stop": stop.marked_stop}
        for way in ("radial", "tangential"):
            value = getattr(stop, f"mtf50_{way}_cyc_per_mm")
            std = getattr(stop, f"mtf50_{way}_std")
            yield _row(f"field_mtf50_{way}", value, here, std=std)


def _lens_rows(lens: LensResult) -> Iterator[_Row]:
    for figure in lens.figures:
        note = "measured" if figure.measured else "as known before the frames"
        yield _row(
            "lens_figure",
            figure.value,
            {"subject": figure.name, "unit": figure.unit},
            std=figure.std,
            note=note,
        )
    for cone in lens.cones:
        here = {"subject": f"by {cone.name}"}
        yield _row("effective_over_nominal", cone.over_nominal, here, std=cone.std)


def _trial_rows(trial: TrialResult) -> Iterator[_Row]:
    where: _Row = {
        "trial": trial.name,
        "magnification": trial.magnification,
        "marked_stop": trial.marked_stop,
        "effective_f_number": trial.effective_f_number,
    }
    note = f"permitted loss {trial.loss_percent:g} %, reference {trial.reference}"
    yield _row("keeper_limit", trial.limit_mtf50_image_cyc_per_mm, where, note=note)
    for c in trial.conditions:
        here = {**where, "subject": c.name}
        rows = (
            _row("frames_measured", c.measured, here),
            _row("frames_counted", c.frames, here),
            _row("keepers", c.keepers, here),
            _row("keeper_share", c.share, here, low95=c.share_low95, high95=c.share_high95),
            _row(
                "median_mtf50",
                c.median_mtf50_image_cyc_per_mm,
                here,
                low95=c.median_low95,
                high95=c.median_high95,
            ),
            _row(
                "frames_for_one",
                c.frames_for_one,
                here,
                low95=c.frames_for_one_low95,
                high95=c.frames_for_one_high95,
            ),
            _row("exposure", c.exposure_s, here),
            _row("flash_t01", c.flash_t01_s, here),
            _row("ambient_share", c.ambient_share, here),
            _row("median_speed", c.speed_median_um_per_s, here),
            _row("p90_speed", c.speed_p90_um_per_s, here),
        )
        yield from _known(iter(rows))
    for d in trial.differences:
        here = {**where, "subject": f"{d.one} less {d.other}"}
        note = f"p {d.share_p_corrected:.3g}, corrected for all tests"
        yield _row(
            "keeper_share_difference",
            d.share_difference,
            here,
            low95=d.share_low95,
            high95=d.share_high95,
            note=note,
        )
        ends = {"low95": d.median_low95, "high95": d.median_high95}
        note = f"p {d.median_p_corrected:.3g}, corrected for all tests"
        difference = d.median_difference_image_cyc_per_mm
        yield from _known(
            iter([_row("median_mtf50_difference", difference, here, **ends, note=note)])
        )
    for frame in trial.frames:
        yield from _known(_frame_rows(frame, {**where, "subject": frame.file}))


def _frame_rows(frame: TrialFrame, where: _Row) -> Iterator[_Row]:
    kept = "keeper" if frame.is_keeper else "no keeper"
    note = "; ".join((frame.condition, kept, *([frame.kind] if frame.kind else []), *frame.flags))
    value = frame.mtf50_image_cyc_per_mm
    yield _row("frame_mtf50", value, where, std=frame.mtf50_std, note=note)
    yield _row("movement", frame.length_image_um, where, side="image", note=note)
    yield _row("movement", frame.length_object_um, where, side="object", note=note)
    yield _row("movement_axis", frame.axis_deg, where, note=note)
    yield _row("speed", frame.speed_object_um_per_s, where, note=note)
    yield _row("defocus", frame.defocus_waves, where, note=note)
