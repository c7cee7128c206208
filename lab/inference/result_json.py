"""How are results written as JSON, and read back to the same digits?

Generic over frozen dataclasses by their type hints: texts, flags, whole numbers, floats,
``X | None``, tuples, dicts with text keys, and dataclasses of these. Floats are written by
``repr``, which gives back the same 64 bits, a zero's sign included; NaN and infinities are
refused both ways: what is not known is None. A document is one object with ``schema``, the
version of this format, beside its content. One of an older version is read with None for what
it lacks.

What is read may come from anywhere: every key must be there, none may be unknown, and each
value must have its type. Whatever is wrong is a ``LabError`` that names the path of keys,
such as ``result.series[2].points[0].mtf_std``.

Left out: files; whether figures make sense.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import fields, is_dataclass
from functools import cache
from types import NoneType, UnionType
from typing import Any, NoReturn, TypeVar, Union, get_args, get_origin, get_type_hints

from lab.errors import LabError
from lab.inference.results import SessionResult
from lab.inference.trial_records import TrialResult

__all__ = [
    "SCHEMA",
    "as_plain",
    "brought_up",
    "checked_schema",
    "from_plain",
    "read_json",
    "result_from_json",
    "result_to_json",
    "trials_from_json",
    "trials_to_json",
    "write_json",
]

SCHEMA = 2  # 2: tables for comparisons beside each magnification of the lens
_AGAIN = "Make the file again with stopwise."
# A session of 126 frames takes 0.1 million values and 10 MB; a list nested in itself
# a million times, or of a billion zeros, is none of ours.
_MOST_CHARACTERS = 200_000_000
_MOST_VALUES = 5_000_000

T = TypeVar("T")


def result_to_json(result: SessionResult) -> str:
    """A session's result as a JSON document.

    Raises
    ------
    ValueError
        If a value has not the type that its record promises, or is not finite.
    """
    return write_json({"schema": SCHEMA, "result": as_plain(SessionResult, result, "result")})


def result_from_json(text: str, where: str = "result") -> SessionResult:
    """A session's result from ``result_to_json``.

    Parameters
    ----------
    text : str
        JSON.
    where : str
        Name of the document, for the messages.

    Raises
    ------
    LabError
        If it is no such document, or was made by a newer stopwise.
    """
    document = checked_schema(read_json(text, where), ("result",), where)
    result: SessionResult = from_plain(SessionResult, brought_up(document), f"{where}: result")
    return result


def trials_to_json(trials: Sequence[TrialResult]) -> str:
    """Results of trials as a JSON document.

    Raises
    ------
    ValueError
        As for ``result_to_json``.
    """
    plain = as_plain(tuple[TrialResult, ...], tuple(trials), "trials")
    return write_json({"schema": SCHEMA, "trials": plain})


def trials_from_json(text: str, where: str = "trials") -> tuple[TrialResult, ...]:
    """Results of trials from ``trials_to_json``.

    Parameters
    ----------
    text, where : str
        As for ``result_from_json``.

    Raises
    ------
    LabError
        As for ``result_from_json``.
    """
    document = checked_schema(read_json(text, where), ("trials",), where)
    trials: tuple[TrialResult, ...] = from_plain(
        tuple[TrialResult, ...], document["trials"], f"{where}: trials"
    )
    return trials


def write_json(plain: object) -> str:
    """JSON text of plain values, one line, keys in their order."""
    return json.dumps(plain, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def read_json(text: str, where: str) -> Any:
    """Plain values from JSON text that may come from anywhere.

    Parameters
    ----------
    text, where : str
        JSON, and the document's name for the messages.

    Raises
    ------
    LabError
        If it is no JSON, is huge or nested too deep, names a key twice, or holds NaN.
    """
    # Counted before anything is built: a small text can make a large object.
    values = sum(text.count(mark) for mark in ",[{")
    if len(text) > _MOST_CHARACTERS or values > _MOST_VALUES:
        _fail(where, f"is larger than any of ours ({len(text)} characters, {values} values)")
    try:
        return json.loads(text, object_pairs_hook=_once, parse_constant=_refused)
    except RecursionError:
        _fail(where, "is nested too deep")
    except ValueError as error:
        _fail(where, f"is not readable as JSON ({error})")


def checked_schema(document: Any, keys: Sequence[str], where: str) -> dict[str, Any]:
    """A document whose version is known and that holds just these keys beside it.

    Parameters
    ----------
    document : object
        From ``read_json``.
    keys : sequence of str
    where : str
        The document's name, for the messages.

    Raises
    ------
    LabError
        If it is anything else.
    """
    if not isinstance(document, dict):
        _fail(where, "must be one object in braces")
    # The version first: a newer document may have other keys.
    schema = document.get("schema")
    if isinstance(schema, bool) or not isinstance(schema, int):
        _fail(where, "has no schema number")
    if schema > SCHEMA:
        raise LabError(
            f"{where}: made by a newer stopwise (schema {schema}, this one reads {SCHEMA}): "
            "update stopwise."
        )
    if schema < 1:
        _fail(where, f"has schema {schema}, which never was")
    _check_keys(document, ("schema", *keys), where)
    return document


def brought_up(document: dict[str, Any]) -> Any:
    """The plain result of a document, whatever its version, with the keys of this one.

    Parameters
    ----------
    document : dict
        From ``checked_schema``, with the key ``result``.
    """
    result = document["result"]
    if document["schema"] < 2:
        lens = result.get("lens") if isinstance(result, dict) else None
        several = lens.get("series") if isinstance(lens, dict) else None
        for series in several if isinstance(several, list) else ():
            if isinstance(series, dict):
                series.setdefault("compare", None)
    return result


def as_plain(hint: Any, value: Any, path: str) -> Any:
    """A value as JSON's own types.

    Parameters
    ----------
    hint : type
        What the value is.
    value : object
    path : str
        Where it stands, for the messages.

    Raises
    ------
    ValueError
        If it is something else, or not finite.
    """
    if _is_record(hint):
        if not isinstance(value, hint):
            raise ValueError(f"{path}: no {hint.__name__}")
        return {
            name: as_plain(inner, getattr(value, name), f"{path}.{name}")
            for name, inner in _hints(hint)
        }
    if hint is float and isinstance(value, int | float) and not isinstance(value, bool):
        if not math.isfinite(value):
            raise ValueError(f"{path}: must be finite; None stands for not known")
        return float(value)
    if hint in (str, bool, int, NoneType) and type(value) is hint:
        return value
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return None if value is None else as_plain(_sole(inner), value, path)
    if origin is tuple and isinstance(value, tuple):
        if inner == (float, ...) and _are_floats(value):
            return list(value)
        items = _item_hints(inner, len(value))
        if items is not None:
            return [
                as_plain(h, v, f"{path}[{i}]")
                for i, (h, v) in enumerate(zip(items, value, strict=True))
            ]
    if origin is dict and isinstance(value, dict) and all(isinstance(k, str) for k in value):
        return {k: as_plain(inner[1], v, f"{path}.{k}") for k, v in value.items()}
    raise ValueError(f"{path}: {type(value).__name__} is no {hint}")


def from_plain(hint: Any, value: Any, path: str) -> Any:
    """The inverse of ``as_plain``, for values that may come from anywhere.

    Parameters
    ----------
    hint : type
        What is expected.
    value : object
        From ``read_json``.
    path : str
        Where it stands, for the messages.

    Raises
    ------
    LabError
        If a key is missing or unknown, a value has another type, or a record refuses it.
    TypeError
        If ``hint`` is none of the types above.
    """
    if _is_record(hint):
        if not isinstance(value, dict):
            _fail(path, "must be an object in braces")
        hints = _hints(hint)
        _check_keys(value, [name for name, _ in hints], path)
        found = {name: from_plain(h, value[name], f"{path}.{name}") for name, h in hints}
        try:
            return hint(**found)
        except ValueError as error:
            _fail(path, str(error))
    if hint is float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            _fail(path, "must be a number")
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            _fail(path, "is too large a number")
        return number
    if hint in (str, bool, int):
        if type(value) is not hint:
            _fail(path, f"must be {_WORDS[hint]}")
        return value
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return None if value is None else from_plain(_sole(inner), value, path)
    if origin is tuple:
        if inner == (float, ...) and isinstance(value, list) and _are_floats(value):
            return tuple(value)
        items = _item_hints(inner, len(value)) if isinstance(value, list) else None
        if items is None:
            size = "" if inner[-1] is Ellipsis else f" of {len(inner)} values"
            _fail(path, f"must be a list{size}")
        return tuple(
            from_plain(h, v, f"{path}[{i}]")
            for i, (h, v) in enumerate(zip(items, value, strict=True))
        )
    if origin is dict:
        if not isinstance(value, dict):
            _fail(path, "must be an object in braces")
        return {k: from_plain(inner[1], v, f"{path}.{_key(k)}") for k, v in value.items()}
    raise TypeError(f"{path}: records of {hint} are not known")


_WORDS = {str: "a text", bool: "true or false", int: "a whole number"}


@cache
def _is_record(hint: Any) -> bool:
    return isinstance(hint, type) and is_dataclass(hint)


def _are_floats(values: Sequence[Any]) -> bool:
    """All at once, since curves are most of a result; what is wrong is then looked for."""
    return all(type(one) is float for one in values) and all(map(math.isfinite, values))


@cache
def _hints(record: Any) -> tuple[tuple[str, Any], ...]:
    """Name and type of each field of a dataclass."""
    hints = get_type_hints(record)
    return tuple((item.name, hints[item.name]) for item in fields(record))


def _sole(inner: tuple[Any, ...]) -> Any:
    """The type that ``X | None`` is about."""
    (one,) = (hint for hint in inner if hint is not NoneType)
    return one


def _item_hints(inner: tuple[Any, ...], count: int) -> Sequence[Any] | None:
    """A type for each item of a tuple; None where it has another number of items."""
    if len(inner) == 2 and inner[1] is Ellipsis:
        return (inner[0],) * count
    return inner if len(inner) == count else None


def _check_keys(found: dict[str, Any], known: Sequence[str], path: str) -> None:
    for key in known:
        if key not in found:
            _fail(f"{path}.{key}", "is missing")
    for key in found:
        if key not in known:
            _fail(f"{path}.{_key(key)}", "is unknown here")


def _key(key: str) -> str:
    """A key from elsewhere as it may stand in a message."""
    return ascii(key)[1:-1][:40]


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice in one object")
    return found


def _refused(name: str) -> NoReturn:
    raise ValueError(f"{name} is no number")


def _fail(path: str, wrong: str) -> NoReturn:
    raise LabError(f"{path} {wrong}. {_AGAIN}")
