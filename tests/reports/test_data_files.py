"""The figures for other programs: every one there, exact, explained, and safe to open."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any, get_args, get_origin, get_type_hints

import pytest

from lab.inference.results import (
    ChannelOptimum,
    ConeResult,
    FieldPoint,
    FieldShape,
    FieldStop,
    LensFigure,
    LensResult,
    LensSeries,
    LensStop,
    RuleResult,
    SeriesResult,
    SessionResult,
)
from lab.inference.trial_records import (
    TrialCondition,
    TrialDifference,
    TrialFrame,
    TrialResult,
)
from reports.data_files import data_csv, data_json, dictionary_csv, write_data_files
from reports.data_words import COLUMNS, ENDINGS, QUANTITIES

Row = dict[str, str]


def rows_of(text: str) -> list[Row]:
    return list(csv.DictReader(io.StringIO(text)))


def numbered(record: Any, start: float, **given: Any) -> Any:
    """A record whose figures all differ, with the given fields."""
    hints = get_type_hints(record)
    values: dict[str, Any] = {}
    for k, item in enumerate(fields(record)):
        hint = hints[item.name]
        kinds = (hint,) if get_origin(hint) in (tuple, dict) else get_args(hint) or (hint,)
        if float in kinds:
            values[item.name] = start + k / 7
        elif int in kinds:
            values[item.name] = int(start) + k
        elif str in kinds:
            values[item.name] = f"{item.name} {start:g}"
        elif bool in kinds:
            values[item.name] = True
        elif get_origin(hint) is dict:
            values[item.name] = {}
        else:
            values[item.name] = None if type(None) in kinds else ()
    return record(**(values | given))


@pytest.fixture(scope="module")
def lens() -> LensResult:
    place = numbered(FieldPoint, 30, square="7", stops=(numbered(FieldStop, 40),), flags=("f-1",))
    series = numbered(
        LensSeries,
        50,
        magnification=2.0,
        stops=(numbered(LensStop, 60),),
        channels=(numbered(ChannelOptimum, 70),),
        rules=(numbered(RuleResult, 80, rule="2x: f/8", verdict="too bold"),),
        field=(place,),
        shape=numbered(FieldShape, 90, flags=()),
        curve_stop=(),
        curve_mtf50_image_cyc_per_mm=(),
    )
    return LensResult(
        figures=(numbered(LensFigure, 100, unit="um"),),
        correlated=(),
        cones=(numbered(ConeResult, 110),),
        series=(series,),
        chi_square=1.1,
        excess_percent=0.4,
        frames_in_doubt=(),
        describes=True,
        cannot_say=(),
    )


@pytest.fixture(scope="module")
def trial() -> TrialResult:
    made: TrialResult = numbered(
        TrialResult,
        200,
        name="porch",
        frames=(numbered(TrialFrame, 210, flags=("tilted",)),),
        conditions=(numbered(TrialCondition, 220),),
        differences=(numbered(TrialDifference, 230),),
    )
    return made


@pytest.fixture(scope="module")
def whole(session: SessionResult, lens: LensResult) -> SessionResult:
    first = replace(session.series[0], interpolated_optimum_stop=5.125)
    return replace(session, series=(first, *session.series[1:]), lens=lens)


# Exact


def test_figures_are_those_of_the_records_to_the_last_digit(
    whole: SessionResult, trial: TrialResult
) -> None:
    rows = rows_of(data_csv(whole, [trial]))
    series = whole.series[1]
    point = series.points[2]
    at = {"series": "2", "marked_stop": repr(point.marked_stop), "quantity": "mtf50"}
    image, in_object = (row for row in rows if at.items() <= row.items())
    assert (image["side"], image["unit"]) == ("image", "cycles per mm")
    assert float(image["value"]) == point.mtf50_image_cyc_per_mm
    assert float(image["std"]) == point.mtf50_std
    assert float(image["low95"]) == point.mtf50_low95
    assert float(image["high95"]) == point.mtf50_high95
    assert float(image["effective_f_number"]) == point.effective_f_number
    assert float(image["magnification"]) == series.magnification
    scale = point.mtf50_object_cyc_per_mm / point.mtf50_image_cyc_per_mm
    assert in_object["side"] == "object"
    assert float(in_object["value"]) == pytest.approx(point.mtf50_object_cyc_per_mm, rel=1e-15)
    assert float(in_object["std"]) == pytest.approx(scale * point.mtf50_std, rel=1e-15)


def test_every_figure_of_a_record_has_its_row(whole: SessionResult, trial: TrialResult) -> None:
    """Each number of the records of lens, field, rules and trial stands somewhere."""
    text = data_csv(whole, [trial])
    cells = {cell for row in csv.reader(io.StringIO(text)) for cell in row}
    left_out = {
        *("curve", "chi_square", "coma2", "shared", "x_object_mm", "y_object_mm", "over_nominal"),
        *("points_used", "asymmetry", "probability", "share_p", "median_p", "more_frames"),
        *("length_px", "length_std_px", "best_edge", "of_reference", "pixel_pitch_um"),
        *("percent_radial", "percent_tangential", "excess", "frames_used", "magnification"),
    }

    def numbers(record: Any) -> Any:
        for item in fields(record):
            value = getattr(record, item.name)
            if is_dataclass(value):
                yield from numbers(value)
            elif isinstance(value, tuple):
                for one in value:
                    if is_dataclass(one):
                        yield from numbers(one)
            elif type(value) is float and not any(word in item.name for word in left_out):
                yield item.name, value

    assert whole.lens is not None
    missing = {
        name
        for record in (whole.lens, trial)
        for name, value in numbers(record)
        if repr(value) not in cells and f"{value:g}" not in text
    }
    assert missing == set()


def test_json_holds_all_records_whole(whole: SessionResult, trial: TrialResult) -> None:
    document = json.loads(data_json(whole, [trial]))
    point = whole.series[0].points[3]
    found = document["result"]["series"][0]["points"][3]
    assert tuple(found["mtf"]) == point.mtf
    assert found["mtf50_image_cyc_per_mm"] == point.mtf50_image_cyc_per_mm
    assert document["result"]["provenance"] == whole.provenance
    assert document["trials"][0]["frames"][0]["file"] == trial.frames[0].file
    assert document["schema"] == 1


def test_what_is_not_known_is_empty_or_null(whole: SessionResult) -> None:
    series = whole.series[0]
    point = replace(series.points[0], mtf50_std=math.nan, best_focus_um=None)
    bare = replace(whole, series=(replace(series, points=(point,), optimum_stop=None),), lens=None)
    rows = rows_of(data_csv(bare, []))
    (row, _) = [r for r in rows if r["quantity"] == "mtf50"]
    assert row["std"] == ""
    assert not {"optimum_stop", "best_focus"} & {r["quantity"] for r in rows}
    text = data_json(bare, [])
    assert "NaN" not in text
    assert json.loads(text)["result"]["series"][0]["points"][0]["mtf50_std"] is None


def test_a_session_without_a_series_has_a_header(session: SessionResult) -> None:
    assert data_csv(replace(session, series=(), lens=None), []) == ",".join(COLUMNS) + "\n"


# Explained


def test_every_column_and_quantity_is_explained_and_none_besides(
    whole: SessionResult, trial: TrialResult
) -> None:
    rows = rows_of(data_csv(whole, [trial]))
    told = rows_of(dictionary_csv())
    columns = {row["name"] for row in told if row["kind"] == "column"}
    quantities = {row["name"]: row for row in told if row["kind"] == "quantity"}
    assert columns == set(rows[0])
    assert set(quantities) == {row["quantity"] for row in rows}
    assert all(row["meaning"] for row in told)
    for row in rows:
        known = quantities[row["quantity"]]
        if known["unit"] != "as in its row":
            assert row["unit"] == known["unit"]
        either = known["side"].startswith("image or object")
        assert row["side"] in (("image", "object") if either else (known["side"],))


def test_every_ending_of_a_name_in_the_json_is_told(
    whole: SessionResult, trial: TrialResult
) -> None:
    """Names end in a unit or a kind that the dictionary has."""
    units = re.compile(r"_(um|mm|px|deg|s|um2|waves|std|low95|high95|percent|um_per_s|cyc_per_mm)$")

    def names(value: Any) -> Any:
        if isinstance(value, dict):
            for key, one in value.items():
                yield key
                yield from names(one)
        elif isinstance(value, list):
            for one in value:
                yield from names(one)

    document = json.loads(data_json(whole, [trial]))
    found = {m[0] for name in names(document["result"]) if (m := units.search(name))}
    assert found <= set(ENDINGS)
    assert document["names"] == ENDINGS


# Safe to open


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t=", "\r=", " =", "\uff1d"])
def test_no_text_becomes_a_formula(start: str, session: SessionResult, trial: TrialResult) -> None:
    evil = f'{start}cmd|"/c calc"!A1'
    bad = replace(
        trial,
        name=evil,
        reference=evil,
        conditions=(replace(trial.conditions[0], name=evil),),
        frames=(replace(trial.frames[0], file=evil, condition=evil),),
    )
    for row in rows_of(data_csv(session, [bad])):
        for name, cell in row.items():
            if name not in ("magnification", "value", "std", "low95", "high95"):
                assert not cell.strip().startswith(("=", "+", "-", "@", "\uff1d"))
    assert f"'{evil.strip()}" in {r["trial"] for r in rows_of(data_csv(session, [bad]))}


def test_negative_numbers_stay_numbers(whole: SessionResult) -> None:
    series: SeriesResult = replace(
        whole.series[0], colours=(replace(whole.series[0].colours[0], lateral_corner_px=-1.25),)
    )
    rows = rows_of(data_csv(replace(whole, series=(series,)), []))
    assert [r["value"] for r in rows if r["quantity"] == "lateral_colour_px"] == ["-1.25"]


def test_commas_quotes_and_line_breaks_stay_in_their_cell(
    session: SessionResult, trial: TrialResult
) -> None:
    odd = 'a,"b"\nc; µ'
    rows = rows_of(data_csv(session, [replace(trial, name=odd)]))
    assert {len(row) for row in rows} == {len(COLUMNS)}
    assert 'a,"b" c; µ' in {row["trial"] for row in rows}


def test_files_are_utf_8_and_the_same_again(
    whole: SessionResult, trial: TrialResult, tmp_path: Path
) -> None:
    named = replace(trial, name="Höhle µ")
    written = write_data_files(whole, [named], tmp_path)
    first = {path.name: path.read_bytes() for path in written}
    assert set(first) == {"data.csv", "data.json", "data-dictionary.csv"}
    assert first["data.csv"].startswith(b"\xef\xbb\xbfseries,")  # Excel looks for the mark
    assert "Höhle µ" in first["data.csv"].decode("utf-8-sig")
    assert "Höhle µ" in first["data.json"].decode()
    assert b"\r" not in first["data.csv"]
    write_data_files(whole, [named], tmp_path)
    assert {path.name: path.read_bytes() for path in written} == first


def test_no_quantity_is_told_twice() -> None:
    meanings = [one.meaning for one in QUANTITIES.values() if not one.meaning.endswith("there")]
    assert len(set(meanings)) == len(meanings)
