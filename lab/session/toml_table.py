"""Take values out of a TOML table by key and type, or complain with the place and the mend."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable
from difflib import get_close_matches
from pathlib import PurePosixPath
from typing import NoReturn

from lab.errors import SessionError
from lab.session.text_file import shown

__all__ = ["Table", "whole_table"]

_MOST = 10_000  # frames or blades beyond any real count: a slip of the keyboard
# The memory for a key of many parts grows with their number squared; the rigs and sessions
# of a lifetime are shorter than this, and no line of theirs has so many dots.
_MOST_CHARACTERS, _MOST_DOTS = 1_000_000, 100
# Of any figure in any of our units; far beyond, products and quotients leave the range of floats.
_SMALLEST, _LARGEST = 1e-9, 1e9


class Table:
    """One table of the file: each method gives a value of its type or raises SessionError.

    Parameters
    ----------
    file, place : str
        What the messages name: the file, and the table in brackets ("" = the whole file).
    values : object
        What TOML gave; anything but a dict is refused.
    known : iterable of str
        Keys that may stand in the table.

    Raises
    ------
    SessionError
        If it is no table or holds an unknown key.
    """

    def __init__(self, file: str, place: str, values: object, known: Iterable[str]) -> None:
        self.file = file
        self.place = place
        if not isinstance(values, dict):
            raise SessionError(f"{file}, {place}: this must be a table of keys and values.")
        self.values: dict[str, object] = values
        known = tuple(known)
        for key in self.values:
            if key not in known:
                near = get_close_matches(key.lower(), known, n=1)
                mend = f"Did you mean {near[0]}?" if near else f"Known here: {', '.join(known)}."
                self.fail(shown(key), f"unknown {'key' if place else 'table or key'}", mend)

    def fail(self, key: str, wrong: str, mend: str) -> NoReturn:
        """Complain about a key: the file and place, what is wrong, how to mend it.

        Raises
        ------
        SessionError
            Always.
        """
        place = f"{self.place} {key}" if self.place else key
        raise SessionError(f"{self.file}, {place}: {wrong}. {mend}")

    def table(self, key: str, known: Iterable[str], *, optional: bool = False) -> Table:
        """A sub-table; an optional one is empty where the file has none.

        Raises
        ------
        SessionError
            If it is missing, is no table, or holds an unknown key.
        """
        known = tuple(known)
        place = f"{self.place[:-1]}.{key}]" if self.place else f"[{key}]"
        if key not in self.values and not optional:
            keys = ", ".join(known)
            raise SessionError(f"{self.file}, {place}: this table is missing. Its keys: {keys}.")
        return Table(self.file, place, self.values.get(key, {}), known)

    def needed(self, key: str, mend: str) -> object:
        """The value of a key that must be there, of any type."""
        if key not in self.values:
            self.fail(key, "missing", mend)
        return self.values[key]

    def text(self, key: str) -> str:
        """One line of 1 to 500 printable characters, without blanks at its ends."""
        value = self.needed(key, f'Write {key} = "...".')
        if not isinstance(value, str):
            self.fail(key, f"must be a text, not {shown(value)}", "Put it in quotes.")
        if not value.strip():
            self.fail(key, "is empty", f'Write {key} = "...".')
        if not value.isprintable() or len(value) > 500:
            self.fail(
                key,
                f"must be one line of at most 500 plain characters, not {shown(value)}",
                "Shorten it and take out line breaks and control characters.",
            )
        return value.strip()

    def as_number(self, key: str, value: object, *, zero: bool = False) -> float:
        """``value`` as a float, 1e-9 to 1e9 (or 0 with ``zero``), or a complaint about ``key``."""
        range_ = "0 or more" if zero else "more than 0"
        if isinstance(value, bool) or not isinstance(value, int | float):
            mend = "Write it without quotes." if isinstance(value, str) else "Write one number."
            self.fail(key, f"must be a number, not {shown(value)}", mend)
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not (number > 0 or (zero and number == 0)) or math.isinf(number):
            self.fail(key, f"must be a finite number, {range_}, not {shown(value)}", "Correct it.")
        if number and not _SMALLEST <= number <= _LARGEST:
            wrong = f"must lie between {_SMALLEST:g} and {_LARGEST:g}, not {shown(value)}"
            self.fail(key, wrong, "Correct it, or its unit.")
        return number

    def number(self, key: str) -> float:
        """A float, 1e-9 to 1e9."""
        return self.as_number(key, self.needed(key, f"Write {key} = (a number)."))

    def whole(self, key: str, least: int) -> int:
        """A whole number from ``least`` to 10 000."""
        value = self.needed(key, f"Write {key} = (a whole number).")
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= _MOST:
            self.fail(
                key,
                f"must be a whole number, {least} to {_MOST}, not {shown(value)}",
                "Write it without quotes and without a decimal point.",
            )
        return value

    def numbers(self, key: str, mend: str) -> tuple[float, ...]:
        """A list of floats, 1e-9 to 1e9; it may be empty."""
        values = self.needed(key, mend)
        if not isinstance(values, list):
            self.fail(key, f"must be a list of numbers, not {shown(values)}", mend)
        return tuple(self.as_number(key, value) for value in values)

    def inside(self, key: str, folder: str, mend: str) -> str:
        """A relative path that cannot leave its folder, without idle ``.`` and ``//``."""
        path = self.text(key)
        parts = PurePosixPath(path).parts
        if "\\" in path:
            self.fail(key, f"has a backslash: {shown(path)}", "Write / between folders.")
        if not parts or parts[0] == "/" or ".." in parts or path[1:2] == ":":
            self.fail(key, f"leaves {folder}: {shown(path)}", mend)
        return "/".join(parts)


def whole_table(text: str, file: str, known: Iterable[str]) -> Table:
    """The top of a TOML text.

    Parameters
    ----------
    text, file : str
        TOML, and the file's name for the messages.
    known : iterable of str
        Tables that may stand in it.

    Raises
    ------
    SessionError
        If it is no TOML, far too long, or holds another table.
    """
    if len(text) > _MOST_CHARACTERS:
        raise SessionError(
            f"{file}: longer than {_MOST_CHARACTERS} characters. Put the right file in its place."
        )
    for number, line in enumerate(text.split("\n"), start=1):
        if line.count(".") > _MOST_DOTS and not line.lstrip().startswith("#"):
            raise SessionError(
                f"{file}, line {number}: more than {_MOST_DOTS} dots in one line. Mend that line."
            )
    try:
        values = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # RecursionError: brackets nested too deep
        raise SessionError(
            f"{file}: this is not valid TOML: {error}. Mend that line; texts stand in quotes, "
            "numbers do not and have a decimal point."
        ) from error
    return Table(file, "", values, known)
