"""What does a slate say, and how large must its code be?

A slate is a small card with a code that is photographed before the frames that
it announces, so that frames of lenses that report no f-number can be told apart.

Its text is plain ASCII, in the letters that QR codes pack closest::

    SW16 M2 N5.6 CTRIPOD RBELLOWS

"SW", the version of this format, a check character; then, each once at most and
in this order, M: magnification, N: marked stop, C: condition, R: rig. At least
one of the first three is there. Numbers are written short. In names a letter a
to z is written as its capital, a true capital as $ and itself, a space as +;
digits and "-.*" stand for themselves, all else is % and two hex digits for each
byte of its UTF-8. The check character makes the sum of value x place over all
characters but itself, each with its value in a QR code's alphanumeric mode, a
number modulo 43; names never hold "/" and ":", so the values of all others are
0 to 42, 43 is prime, and any single wrong character is noticed.

Sizes are in mm on the card. How a sheet of cards looks is ``slate_sheet``'s
affair, the page for a phone is ``slate_page``'s.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from targets.code import Modules, code_modules, quiet_modules
from targets.errors import TargetError

__all__ = [
    "BLUR_LIMIT",
    "Slate",
    "SlateCard",
    "parse_slate",
    "slate_card",
    "slate_text",
    "slate_words",
]

VERSION = 1
# QR codes' alphanumeric characters by value (ISO/IEC 18004, from memory; a test
# asks the library that writes the codes whether it packs them).
ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-."
CHECK_FOR_SPACE = "/"  # two spaces in a row would look like one

# "SW1A 1AA" is a British postcode, not a slate: a letter must follow.
OURS = re.compile(r"SW([1-9])([0-9A-Z$%*+\-./]) [A-Z]")
NUMBER_LOW, NUMBER_HIGH = 0.01, 1000.0
NAME_LIMIT = 40

# Largest blur (standard deviation) in modules. The slate study (tests/bench) reads every
# code at 0.3, whatever its turn and for noise up to 0.1 of the step (QR codes from 6 px a
# module on, Micro QR codes from 12). From 0.33 on the disc of a defocused lens loses Micro
# QR codes, from 0.4 on QR codes too.
BLUR_LIMIT = 0.3
# Of the field's short side, quiet zone included: the code may sit a tenth of the
# side off centre, and its dark part fits at any turn. Our choice.
FIELD_SHARE = 0.8


@dataclass(frozen=True, kw_only=True)
class Slate:
    """What is said of the frames that follow; None = not said.

    Attributes
    ----------
    magnification : float, optional
        Image size over object size. [-]
    marked_stop : float, optional
        F-number on the ring. [-]
    condition : str, optional
        What else was varied, "tripod" say.
    rig : str, optional
        Name of body, lens and what holds them.

    Raises
    ------
    TargetError
        If nothing is said but the rig, or a value cannot be written on a slate.
    """

    magnification: float | None = None
    marked_stop: float | None = None
    condition: str | None = None
    rig: str | None = None

    def __post_init__(self) -> None:
        if self.magnification is None and self.marked_stop is None and self.condition is None:
            raise TargetError("slate: says nothing. Give a magnification, a stop or a condition.")
        for what, number in (("magnification", self.magnification), ("stop", self.marked_stop)):
            if number is None:
                continue
            if not NUMBER_LOW <= number <= NUMBER_HIGH or float(f"{number:g}") != number:
                raise TargetError(
                    f"slate: {what} {number!r} is no number from {NUMBER_LOW:g} to "
                    f"{NUMBER_HIGH:g} with at most six digits. Round it."
                )
        for what, name in (("condition", self.condition), ("rig", self.rig)):
            if name is None:
                continue
            if not 0 < len(name) <= NAME_LIMIT or not name.isprintable() or name != name.strip():
                raise TargetError(
                    f"slate: {what} {name[:NAME_LIMIT]!r} is not 1 to {NAME_LIMIT} printable "
                    "characters without a space at either end. Choose a short name."
                )


@dataclass(frozen=True, kw_only=True)
class SlateCard:
    """A slate's code and how large it may and must be.

    Attributes
    ----------
    slate : Slate
    text : str
        What the code says.
    modules : tuple of tuple of bool, (n, n)
    field_mm : (float, float)
        Width and height of what the camera sees.
    module_mm : float
        Side of a module that fills its share of the field: the largest that fits.
    module_min_mm : float
        Side of the smallest module that the blur leaves readable, <= ``module_mm``.
    """

    slate: Slate
    text: str
    modules: Modules
    field_mm: tuple[float, float]
    module_mm: float
    module_min_mm: float


def slate_text(slate: Slate) -> str:
    """The text of a slate's code, as this module's head describes it."""
    fields = (
        ("M", None if slate.magnification is None else f"{slate.magnification:g}"),
        ("N", None if slate.marked_stop is None else f"{slate.marked_stop:g}"),
        ("C", None if slate.condition is None else _encoded(slate.condition)),
        ("R", None if slate.rig is None else _encoded(slate.rig)),
    )
    rest = "".join(f" {key}{value}" for key, value in fields if value is not None)
    return f"SW{VERSION}{_check(rest)}{rest}"


def parse_slate(text: str) -> Slate | None:
    """What a code's text says, None if it is no slate's.

    Parameters
    ----------
    text : str
        Any text.

    Raises
    ------
    TargetError
        If it is a slate's text, but damaged or of a later version.
    """
    ours = OURS.match(text)
    if ours is None:
        return None
    shown = text if len(text) <= 60 else text[:57] + "..."
    if int(ours[1]) != VERSION:
        raise TargetError(
            f"slate {shown!r}: has version {ours[1]}, this program reads version {VERSION}. "
            "Update the program, or make the slate again."
        )
    parts = re.fullmatch(
        r"(?: M([0-9.]+))?(?: N([0-9.]+))?(?: C([^ ]+))?(?: R([^ ]+))?", text[ours.end() - 2 :]
    )
    slate = None
    if parts is not None:
        try:
            slate = Slate(
                magnification=None if parts[1] is None else float(parts[1]),
                marked_stop=None if parts[2] is None else float(parts[2]),
                condition=None if parts[3] is None else _decoded(parts[3]),
                rig=None if parts[4] is None else _decoded(parts[4]),
            )
        except (ValueError, TargetError):  # no number, no UTF-8, or out of range
            slate = None
    # Only one text says what a slate says: this also checks the check character.
    if slate is None or slate_text(slate) != text:
        raise TargetError(f"slate {shown!r}: is damaged. Photograph it again, sharp and whole.")
    return slate


def slate_words(slate: Slate) -> tuple[str, tuple[str, ...]]:
    """The same for eyes: a headline, and what else is said in full."""
    numbers = [
        *([] if slate.magnification is None else [f"{slate.magnification:g}x"]),
        *([] if slate.marked_stop is None else [f"f/{slate.marked_stop:g}"]),
    ]
    names = [
        *([] if slate.condition is None else [slate.condition]),
        *([] if slate.rig is None else [f"Rig: {slate.rig}"]),
    ]
    return (", ".join(numbers), tuple(names)) if numbers else (names[0], tuple(names[1:]))


def slate_card(
    slate: Slate, *, sensor_mm: tuple[float, float], blur_sigma_object_um: float
) -> SlateCard:
    """The code of a slate, as large as fits the field at its magnification.

    Parameters
    ----------
    slate : Slate
        With a magnification.
    sensor_mm : (float, float)
        Width and height of the light-sensitive area. > 0
    blur_sigma_object_um : float
        Standard deviation of all blur at the slate's stop, in the object: lens,
        pixel, focus and the print's own. >= 0

    Raises
    ------
    ValueError
        If a number is outside its range.
    TargetError
        If the slate has no magnification, is too long for a code, or is too
        blurred to be read.
    """
    if not all(0 < side < math.inf for side in sensor_mm):
        raise ValueError("sensor_mm must be numbers > 0")
    if not 0 <= blur_sigma_object_um < math.inf:
        raise ValueError("blur_sigma_object_um must be a number >= 0")
    if slate.magnification is None:
        raise TargetError(
            "slate: says no magnification, so the size of its code is unknown. Add it."
        )
    text = slate_text(slate)
    try:
        modules = code_modules(text, smallest=True)
    except TargetError as error:
        raise TargetError(
            f"slate {_name(slate)}: too long for a code that can be read. Shorten the names of "
            "condition and rig; capitals and other than plain letters take more room."
        ) from error
    width, height = (side / slate.magnification for side in sensor_mm)
    module = FIELD_SHARE * min(width, height) / (len(modules) + 2 * quiet_modules(modules))
    smallest = 1e-3 * blur_sigma_object_um / BLUR_LIMIT
    if module < smallest:
        raise TargetError(
            f"slate {_name(slate)}: modules of {1e3 * module:.0f} um fit the field, and a blur of "
            f"{blur_sigma_object_um:.0f} um (standard deviation) asks for {1e3 * smallest:.0f} um. "
            "Photograph the slate at a stop that blurs less, focus on it, or shorten its names."
        )
    return SlateCard(
        slate=slate,
        text=text,
        modules=modules,
        field_mm=(width, height),
        module_mm=module,
        module_min_mm=smallest,
    )


def _name(slate: Slate) -> str:
    headline, names = slate_words(slate)
    return ", ".join((headline, *names))


def _check(rest: str) -> str:
    # Place 0 is always a space; a code holds fewer letters than would bring place 43, again 0.
    total = sum(place * ALPHABET.index(letter) for place, letter in enumerate(rest))
    return ALPHABET[total % len(ALPHABET)].replace(" ", CHECK_FOR_SPACE)


def _encoded(name: str) -> str:
    return "".join(map(_encoded_letter, name))


def _encoded_letter(letter: str) -> str:
    if letter == " ":
        return "+"
    if "a" <= letter <= "z" or "0" <= letter <= "9" or letter in "-.*":
        return letter.upper()
    if "A" <= letter <= "Z":
        return "$" + letter
    return "".join(f"%{byte:02X}" for byte in letter.encode())


def _decoded(code: str) -> str:
    """The name behind a code, or any other; ``parse_slate`` compares the codes."""
    content = bytearray()
    for capital, byte, other in re.findall(r"\$([A-Z])|%([0-9A-F]{2})|(.)", code, re.DOTALL):
        if byte:
            content.append(int(byte, 16))
        else:
            content += (capital or other.replace("+", " ").lower()).encode()
    return content.decode()
