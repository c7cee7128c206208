"""Results as JSON: exact both ways, and what is not ours is refused by its place."""

from __future__ import annotations

import json
import math
import types
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any, get_args, get_origin, get_type_hints

import numpy as np
import pytest

from lab.errors import LabError
from lab.inference import result_json
from lab.inference.result_json import (
    SCHEMA,
    as_plain,
    from_plain,
    read_json,
    result_from_json,
    result_to_json,
    trials_from_json,
    trials_to_json,
)
from lab.inference.results import SeriesResult, SessionResult
from lab.inference.trial_records import TrialResult

# Numbers that a careless writer loses: the longest digits, the smallest and the largest,
# a zero's sign, one that is whole.
HARD = (0.1 + 0.2, 5e-324, -1.7976931348623157e308, -0.0, 2.0**53, 1 / 3)


def filled(hint: Any, rng: np.random.Generator) -> Any:
    """Any value of a type, every optional there, by a route of its own."""
    if is_dataclass(hint):
        hints = get_type_hints(hint)
        return hint(**{f.name: filled(hints[f.name], rng) for f in fields(hint)})
    origin, inner = get_origin(hint), get_args(hint)
    if origin is types.UnionType:
        return filled(inner[0], rng)
    if origin is tuple:
        items = [inner[0]] * 2 if inner[-1] is Ellipsis else inner
        return tuple(filled(one, rng) for one in items)
    if origin is dict:
        return {f"key {k} µ": filled(inner[1], rng) for k in range(2)}
    if hint is float:
        return float(rng.choice(HARD)) if rng.random() < 0.3 else float(rng.normal() * 1e3)
    return {
        str: f'a "text" \\ µ {rng.integers(1e6)}',
        bool: bool(rng.random() < 0.5),
        int: int(rng.integers(1000)),
    }[hint]


@pytest.fixture(scope="module")
def result() -> SessionResult:
    made: SessionResult = filled(SessionResult, np.random.default_rng(4))
    return made


@pytest.fixture(scope="module")
def trials() -> tuple[TrialResult, ...]:
    made: tuple[TrialResult, ...] = filled(tuple[TrialResult, ...], np.random.default_rng(5))
    return made


def changed(text: str, path: tuple[str | int, ...], value: Any) -> str:
    """The document with one value replaced; a value of ... takes the key away."""
    document = json.loads(text)
    here = document
    for key in path[:-1]:
        here = here[key]
    if value is ...:
        del here[path[-1]]
    else:
        here[path[-1]] = value
    return json.dumps(document)


# Exact


def test_every_field_of_every_record_comes_back_to_the_last_bit(
    result: SessionResult, trials: tuple[TrialResult, ...]
) -> None:
    # By repr as well: -0.0 equals 0.0, and 2 equals 2.0.
    text = result_to_json(result)
    assert repr(result_from_json(text)) == repr(result)
    assert result_to_json(result_from_json(text)) == text
    assert repr(trials_from_json(trials_to_json(trials))) == repr(trials)
    for hard in HARD:
        again = result_from_json(result_to_json(replace(result, pixel_pitch_um=hard)))
        assert repr(again.pixel_pitch_um) == repr(hard)


def test_what_is_not_known_comes_back_so(result: SessionResult) -> None:
    bare = replace(result, lens=None, focal_length_mm=None, series=(), flags=(), provenance={})
    assert result_from_json(result_to_json(bare)) == bare
    assert trials_from_json(trials_to_json([])) == ()


def test_numbers_of_the_array_library_become_plain_ones(result: SessionResult) -> None:
    text = result_to_json(replace(result, wavelength_um=np.float64(0.53)))
    assert type(result_from_json(text).wavelength_um) is float


def test_the_version_before_is_read_without_the_tables(result: SessionResult) -> None:
    document = json.loads(result_to_json(result))
    document["schema"] = 1
    for series in document["result"]["lens"]["series"]:
        del series["compare"]
    found = result_from_json(json.dumps(document))
    assert result.lens is not None and found.lens is not None
    assert result.lens.series[0].compare is not None
    bare = tuple(replace(one, compare=None) for one in result.lens.series)
    assert repr(found) == repr(replace(result, lens=replace(result.lens, series=bare)))
    # Of this version none may be missing.
    document["schema"] = 2
    with pytest.raises(LabError, match=r"lens\.series\[0\]\.compare is missing"):
        result_from_json(json.dumps(document))


@pytest.mark.parametrize("lens", [None, 3, {"series": 3}, {"series": [3]}])
def test_an_older_result_that_is_none_is_refused(result: SessionResult, lens: Any) -> None:
    document = json.loads(result_to_json(result))
    document["schema"] = 1
    document["result"]["lens"] = lens
    if lens is None:
        assert result_from_json(json.dumps(document)).lens is None
    else:
        with pytest.raises(LabError, match=r"result\.lens"):
            result_from_json(json.dumps(document))


# What we do not write


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, None, "0.5", True])
def test_a_figure_that_is_none_is_not_written(result: SessionResult, value: Any) -> None:
    with pytest.raises(ValueError, match=r"result\.pixel_pitch_um"):
        result_to_json(replace(result, pixel_pitch_um=value))


def test_what_breaks_a_record_s_promise_is_not_written(result: SessionResult) -> None:
    series = replace(result.series[0], curve_stop=[2.0, 4.0])  # type: ignore[arg-type]
    with pytest.raises(ValueError, match=r"result\.series\[0\]\.curve_stop"):
        result_to_json(replace(result, series=(series,)))
    with pytest.raises(ValueError, match="result: no SessionResult"):
        result_to_json(series)  # type: ignore[arg-type]


# What we do not read


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        (("result", "name"), ..., r"club\.json: result\.name is missing"),
        (("result", "owner"), "me", r"result\.owner is unknown here"),
        (
            ("result", "series", 1, "points", 0, "mtf_std"),
            ...,
            r"\[1\]\.points\[0\]\.mtf_std",
        ),
        (("result", "series", 1, "loss_percent"), "10", r"series\[1\]\.loss_percent must be a num"),
        (("result", "series", 0, "loss_percent"), True, "must be a number"),
        (("result", "series", 0, "loss_percent"), None, "must be a number"),
        (("result", "series", 0, "loss_percent"), 10**400, "too large a number"),
        (("result", "series", 0, "points", 0, "frames_used"), 3.0, "must be a whole number"),
        (("result", "series", 0, "points", 0, "frames_used"), True, "must be a whole number"),
        (("result", "lens", "describes"), 1, "must be true or false"),
        (("result", "lens", "correlated", 0), ["a", "b"], "must be a list of 3 values"),
        (("result", "series", 0, "curve_stop"), {"0": 1.0}, "must be a list"),
        (("result", "series", 0, "curve_stop"), "1234", "must be a list"),
        (("result", "series"), None, "must be a list"),
        (("result", "name"), 7, "must be a text"),
        (("result", "provenance"), ["x"], "must be an object"),
        (("result", "provenance", "x"), 1.0, r"provenance\.x must be a text"),
        (("result",), [1], "must be an object"),
        (("more",), 1, r"club\.json\.more is unknown"),
        (("schema",), ..., "has no schema number"),
        (("schema",), True, "has no schema number"),
        (("schema",), "1", "has no schema number"),
        (("schema",), 0, "never was"),
    ],
)
def test_what_is_wrong_is_named_by_its_place(
    result: SessionResult, path: tuple[str | int, ...], value: Any, said: str
) -> None:
    text = changed(result_to_json(result), path, value)
    with pytest.raises(LabError, match=said) as caught:
        result_from_json(text, "club.json")
    assert str(caught.value).startswith("club.json")
    assert "Make the file again with stopwise." in str(caught.value)


def test_a_newer_document_asks_for_an_update_whatever_else_is_in_it() -> None:
    with pytest.raises(LabError, match=r"a newer stopwise \(schema 9, .*\): update stopwise"):
        result_from_json('{"schema": 9, "anything": []}')


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "not readable"),
        ("{", "not readable"),
        ("[1]", "one object"),
        ('{"schema": 1, "schema": 1, "result": {}}', "twice"),
        ('{"schema": NaN}', "NaN is no number"),
        ('{"schema": -Infinity}', "Infinity is no number"),
        ('{"schema": 1' + "0" * 5000 + "}", "not readable"),
        ("[" * 100_000, "nested too deep"),
        ('{"a":' * 100_000, "nested too deep"),
    ],
)
def test_text_that_is_no_document_is_refused(text: str, said: str) -> None:
    with pytest.raises(LabError, match=said):
        result_from_json(text)


def test_a_number_beyond_all_floats_is_refused(result: SessionResult) -> None:
    text = result_to_json(replace(result, pixel_pitch_um=4.3501)).replace("4.3501", "1e999")
    with pytest.raises(LabError, match=r"pixel_pitch_um is too large a number"):
        result_from_json(text)


def test_a_huge_document_is_refused_before_it_is_built(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(result_json, "_MOST_VALUES", 1000)
    assert read_json("[" + "0," * 900 + "0]", "x") == [0] * 901
    for text in ("[" + "0," * 1100 + "0]", "[" + "[],{}," * 300 + "0]"):
        with pytest.raises(LabError, match="larger than any of ours"):
            read_json(text, "x")


def test_a_strange_key_plays_no_tricks_in_the_message(result: SessionResult) -> None:
    text = changed(result_to_json(result), ("result", "\x1b[2J" + "x" * 500), 1)
    with pytest.raises(LabError) as caught:
        result_from_json(text)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 200


# Records that check themselves


@dataclass(frozen=True, kw_only=True)
class Even:
    """A record with a condition of its own."""

    number: int

    def __post_init__(self) -> None:
        if self.number % 2:
            raise ValueError("must be even")


def test_a_record_s_own_refusal_names_the_place() -> None:
    hint = tuple[Even, ...]
    assert from_plain(hint, as_plain(hint, (Even(number=4),), "x"), "x") == (Even(number=4),)
    with pytest.raises(LabError, match=r"x\[1\] must be even"):
        from_plain(hint, [{"number": 2}, {"number": 3}], "x")


def test_a_type_that_no_record_has_is_a_mistake_of_ours() -> None:
    with pytest.raises(TypeError, match="not known"):
        from_plain(set[str], [], "x")


def test_the_schema_stands_in_both_documents(
    result: SessionResult, trials: tuple[TrialResult, ...]
) -> None:
    for text in (result_to_json(result), trials_to_json(trials)):
        assert json.loads(text)["schema"] == SCHEMA
    assert "SeriesResult" not in result_to_json(result)
    assert isinstance(result_from_json(result_to_json(result)).series[0], SeriesResult)
