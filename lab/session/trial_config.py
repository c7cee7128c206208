"""What does a ``[[trial]]`` of session.toml say: which conditions are set against each other?

A trial is a set of frames of one magnification and one stop under named conditions, such
as a stand and a hand. Its frames are no bracket: ``fit`` and ``report`` leave them out.

Left out: which condition a frame belongs to (``lab.session.trial_order``).
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from lab.session.text_file import shown
from lab.session.toml_table import Table

__all__ = ["TRIAL_KEYS", "Condition", "Trial", "read_trial"]

TRIAL_KEYS = (
    "name",
    "magnification",
    "stop",
    "frames",
    "frames_per_condition",
    "reference",
    "condition",
)
_CONDITION_KEYS = ("name", "exposure_s", "flash_t01_s", "ambient_share", "ambient")
_NAME_LIMIT = 40  # a slate holds no more
_MOST = 12  # conditions: more pairs than a page shows, and a slip of the editor


@dataclass(frozen=True, kw_only=True)
class Condition:
    """One way of shooting.

    ``exposure_s`` is the shutter time [s], None: as the camera wrote it. ``flash_t01_s``
    is the flash's duration above a tenth of its peak [s], None: no flash, or not known.
    ``ambient_share`` is the ambient light's share of the exposure [-], 0 to 1; in its place
    ``ambient`` may name the condition shot with the same settings without flash.
    """

    name: str
    exposure_s: float | None = None
    flash_t01_s: float | None = None
    ambient_share: float | None = None
    ambient: str | None = None


@dataclass(frozen=True, kw_only=True)
class Trial:
    """Conditions in the order in which they were shot, where nothing else tells.

    ``reference`` names the condition by which sharpness is judged.
    """

    name: str
    conditions: tuple[Condition, ...]
    frames_per_condition: int
    reference: str

    @property
    def names(self) -> tuple[str, ...]:
        """Of the conditions."""
        return tuple(condition.name for condition in self.conditions)


def read_trial(table: Table, number: int) -> Trial:
    """Check a table ``[[trial]]``.

    Parameters
    ----------
    table : Table
        Its keys are ``TRIAL_KEYS``.
    number : int
        Of the trial in the file, from 1, for its name.

    Raises
    ------
    SessionError
        If anything in it is wrong.
    """
    given = table.values.get("condition")
    if not isinstance(given, list) or not 2 <= len(given) <= _MOST:
        table.fail(
            "condition",
            f"2 to {_MOST} conditions are needed",
            "Write a table [[trial.condition]] with a name for each, two at least.",
        )
    conditions = tuple(
        _condition(
            Table(table.file, f"[[trial.condition]] ({i} of {len(given)})", values, _CONDITION_KEYS)
        )
        for i, values in enumerate(given, start=1)
    )
    names = [condition.name for condition in conditions]
    twice = [name for name, n in Counter(names).items() if n > 1]
    if twice:
        table.fail("condition", f"{shown(twice[0])} stands there more than once", "Name each once.")
    reference = table.text("reference") if "reference" in table.values else names[0]
    for key, name in (
        ("reference", reference),
        *(("condition.ambient", c.ambient) for c in conditions if c.ambient is not None),
    ):
        if name not in names:
            mend = f"Name one of: {', '.join(names)}."
            table.fail(key, f"no condition is called {shown(name)}", mend)
    name = table.text("name") if "name" in table.values else f"trial {number}"
    return Trial(
        name=name,
        conditions=conditions,
        frames_per_condition=table.whole("frames_per_condition", 1),
        reference=reference,
    )


def _condition(table: Table) -> Condition:
    name = table.text("name")
    if len(name) > _NAME_LIMIT:
        table.fail("name", f"is longer than {_NAME_LIMIT} characters: {shown(name)}", "Shorten it.")
    share = None
    if "ambient_share" in table.values:
        share = table.as_number("ambient_share", table.values["ambient_share"], zero=True)
        if share > 1:
            table.fail("ambient_share", f"must lie between 0 and 1, not {share:g}", "5 % is 0.05.")
    if share is not None and "ambient" in table.values:
        table.fail("ambient, ambient_share", "both are given", "Write one of them.")
    return Condition(
        name=name,
        exposure_s=_seconds(table, "exposure_s", 3600.0),
        flash_t01_s=_seconds(table, "flash_t01_s", 1.0),
        ambient_share=share,
        ambient=table.text("ambient") if "ambient" in table.values else None,
    )


def _seconds(table: Table, key: str, longest: float) -> float | None:
    if key not in table.values:
        return None
    value = table.number(key)
    if value > longest:
        table.fail(
            key, f"must be {longest:g} s or less, not {value:g}", "It is in s: 1/200 s is 0.005."
        )
    return value
