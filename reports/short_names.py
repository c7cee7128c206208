"""How long may a name be on paper? Longer ones lose their middle, and stay apart.

Names come from files and may be of any length; sentences and figures hold them many
times. Two names that are told apart in the record are told apart here too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

from lab.inference.results import SessionResult
from lab.inference.trial_records import TrialResult

__all__ = ["with_short_names"]

_NAMES = 60  # characters of a name; a trial's conditions have 40 at most
_SENTENCES = 500  # of a sentence or any other text
_NAME_FIELDS = {
    *("name", "body_name", "lens_name", "light_source", "channel", "condition", "one", "other"),
    *("reference", "label", "pupil_ratio_source"),
}
_CUT = "\N{HORIZONTAL ELLIPSIS}"
Record = TypeVar("Record")


def with_short_names(
    result: SessionResult, trials: Sequence[TrialResult]
) -> tuple[SessionResult, tuple[TrialResult, ...]]:
    """The same records with every text of them short enough to print."""
    given: dict[str, str] = {}
    short = _shortened(result, given, "")
    return short, tuple(_shortened(trial, given, "") for trial in trials)


def _shortened(value: Record, given: dict[str, str], where: str) -> Record:
    """A record or value with its texts shortened; ``given``: what stands for what."""
    new: Any = value  # of the same type, which no checker can follow
    if isinstance(value, str):
        limit = _NAMES if where in _NAME_FIELDS else _SENTENCES
        new = value if len(value) <= limit else _cut(value, limit, given)
    elif isinstance(value, tuple) and not all(type(one) is float for one in value):
        shorter = tuple(_shortened(one, given, where) for one in value)
        if any(one is not old for one, old in zip(shorter, value, strict=True)):
            new = shorter
    elif isinstance(value, dict):
        new = {
            _shortened(key, given, "name"): _shortened(one, given, where)
            for key, one in value.items()
        }
    elif is_dataclass(value) and not isinstance(value, type):
        changed = {}
        for one in fields(value):
            old = getattr(value, one.name)
            short = _shortened(old, given, one.name)
            if short is not old:
                changed[one.name] = short
        new = replace(value, **changed) if changed else value
    out: Record = new
    return out


def _cut(text: str, limit: int, given: dict[str, str]) -> str:
    key = f"{limit}:{text}"
    if key not in given:
        ordinal, tail = 1, ""
        while (short := text[: limit * 2 // 3] + _CUT + text[-limit // 4 :] + tail) in set(
            given.values()
        ):
            ordinal += 1
            tail = f" ({ordinal})"
        given[key] = short
    return given[key]
