"""How does a short text look as a code that a camera reads?

QR codes and, where asked for, Micro QR codes (ISO/IEC 18004), up to a size whose
modules a lens can still tell apart. A code is rows of modules, True = dark,
without its quiet zone: the clear ground around it that a reader needs. What a
text means is its writer's affair.
"""

from __future__ import annotations

from itertools import groupby

from targets.errors import TargetError
from targets.layout import Point

__all__ = ["SMALLEST_QR", "Modules", "code_bars", "code_modules", "quiet_modules"]

Modules = tuple[tuple[bool, ...], ...]

VERSION_LIMIT = 2  # 25 modules across
SMALLEST_QR = 21  # modules across; every Micro QR code has fewer
# Width of the quiet zone in modules: ISO/IEC 18004, from memory.
QUIET = 4
QUIET_MICRO = 2


def code_modules(text: str, *, smallest: bool = False) -> Modules:
    """The code that holds a text.

    Parameters
    ----------
    text : str
        Printable ASCII. Capitals, digits, space and ``$%*+-./:`` alone make a smaller code.
    smallest : bool
        False: a QR code of error correction level M (about 15 % of it may be lost).
        True: the smallest QR or Micro QR code that level L (7 %) allows, with the
        highest level that its size has room for.

    Returns
    -------
    tuple of tuple of bool, (n, n)
        Rows from the top, True = dark; n is 21 or 25, or 11 to 17 for a Micro QR code.

    Raises
    ------
    TargetError
        If the text is not plain ASCII or too long for a code that can be read.
    """
    import segno  # here: whoever only reads layouts does without it

    mend = "Choose a short name of plain letters and digits."
    if not (text and text.isascii() and text.isprintable()):
        raise TargetError(f"code text {text!r}: holds more than plain ASCII, or nothing. {mend}")
    try:
        if smallest:
            code = segno.make(text, error="l")
        else:
            code = segno.make_qr(text, error="m", boost_error=False)
    except segno.DataOverflowError as error:
        raise TargetError(f"code text of {len(text)} letters: too long. {mend}") from error
    if not code.is_micro and int(code.version) > VERSION_LIMIT:
        raise TargetError(f"code text {text!r}: too long for a code that can be read. {mend}")
    return tuple(tuple(map(bool, row)) for row in code.matrix)


def quiet_modules(modules: Modules) -> int:
    """Width of the clear ground that a reader needs on each side, in modules."""
    return QUIET_MICRO if len(modules) < SMALLEST_QR else QUIET


def code_bars(
    modules: Modules, *, centre_mm: Point, width_mm: float
) -> tuple[tuple[Point, ...], ...]:
    """A code as one upright rectangle for each run of dark modules in a row.

    Parameters
    ----------
    modules : tuple of tuple of bool, (n, n)
    centre_mm : (float, float)
        Middle (x, y) of the code, y down. [mm]
    width_mm : float
        Of the code without its quiet zone. > 0

    Returns
    -------
    tuple of polygons
        Corners clockwise as seen from the upper left one, rounded to one nanometre.
    """
    module = width_mm / len(modules)
    left, top = centre_mm[0] - 0.5 * width_mm, centre_mm[1] - 0.5 * width_mm
    bars = []
    for row, line in enumerate(modules):
        column = 0
        for dark, group in groupby(line):
            stop = column + len(list(group))
            if dark:
                # adding 0 turns -0.0 into 0.0
                x0, x1 = (round(left + module * n, 6) + 0.0 for n in (column, stop))
                y0, y1 = (round(top + module * n, 6) + 0.0 for n in (row, row + 1))
                bars.append(((x0, y0), (x1, y0), (x1, y1), (x0, y1)))
            column = stop
    return tuple(bars)
