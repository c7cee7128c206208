"""How is a short text drawn three terminal rows high, to be read from two metres?

Letters are five pixels high; a half block makes two pixels of one character cell, so that
pixels come out about square. A letter of a common terminal is then some 12 mm high, and
letters are read from two hundred times their height (both common practice, no published
source).
"""

from __future__ import annotations

__all__ = ["big"]

_HEIGHT = 5
# Rows of each letter from top to bottom; # is ink.
_LETTERS = {
    "0": "### #.# #.# #.# ###",
    "1": ".#. ##. .#. .#. ###",
    "2": "### ..# ### #.. ###",
    "3": "### ..# .## ..# ###",
    "4": "#.# #.# ### ..# ..#",
    "5": "### #.. ### ..# ###",
    "6": "### #.. ### #.# ###",
    "7": "### ..# ..# .#. .#.",
    "8": "### #.# ### #.# ###",
    "9": "### #.# ### ..# ###",
    "A": ".#. #.# ### #.# #.#",
    "B": "##. #.# ##. #.# ##.",
    "C": "### #.. #.. #.. ###",
    "D": "##. #.# #.# #.# ##.",
    "E": "### #.. ##. #.. ###",
    "F": "### #.. ##. #.. #..",
    "G": "### #.. #.# #.# ###",
    "H": "#.# #.# ### #.# #.#",
    "I": "### .#. .#. .#. ###",
    "K": "#.# #.# ##. #.# #.#",
    "L": "#.. #.. #.. #.. ###",
    "M": "#...# ##.## #.#.# #...# #...#",
    "N": "#..# ##.# #.## #..# #..#",
    "O": "### #.# #.# #.# ###",
    "P": "### #.# ### #.. #..",
    "Q": "### #.# #.# ### ..#",
    "R": "##. #.# ##. #.# #.#",
    "S": "### #.. ### ..# ###",
    "T": "### .#. .#. .#. .#.",
    "U": "#.# #.# #.# #.# ###",
    "V": "#.# #.# #.# #.# .#.",
    "W": "#...# #...# #.#.# ##.## #...#",
    "X": "#.# #.# .#. #.# #.#",
    "Y": "#.# #.# .#. .#. .#.",
    "/": "..# ..# .#. #.. #..",
    ".": ". . . . #",
    "?": "### ..# .## ... .#.",
    "-": "... ... ### ... ...",
    " ": ".. .. .. .. ..",
    "\N{UPWARDS ARROW}": "..#.. .###. #.#.# ..#.. ..#..",
    "\N{DOWNWARDS ARROW}": "..#.. ..#.. #.#.# .###. ..#..",
    "\N{RIGHTWARDS ARROW}": "..#.. ...#. ##### ...#. ..#..",
    "\N{LEFT RIGHT ARROW}": "....... .#...#. ####### .#...#. .......",
    "\N{UP DOWN ARROW}": "..#.. .###. ..#.. .###. ..#..",
    "\N{CLOCKWISE TOP SEMICIRCLE ARROW}": ".##.. #..#. #.### #..#. .....",
    "\N{BULLET}": ".... .##. .##. .##. ....",
    "\N{MULTIPLICATION SIGN}": "#...# .#.#. ..#.. .#.#. #...#",
}
_BLOCKS = {
    (False, False): " ",
    (True, False): "\N{UPPER HALF BLOCK}",
    (False, True): "\N{LOWER HALF BLOCK}",
    (True, True): "\N{FULL BLOCK}",
}


def big(text: str) -> tuple[str, str, str]:
    """Three lines of half blocks; what has no letter is drawn as a question mark.

    Parameters
    ----------
    text : str
        Capitals, digits, and the signs above.
    """
    rows = [""] * (_HEIGHT + 1)  # the sixth row parts lines of text
    for letter in text:
        drawn = _LETTERS.get(letter, _LETTERS["?"]).split(" ")
        for i in range(_HEIGHT + 1):
            rows[i] += (drawn[i] if i < _HEIGHT else "." * len(drawn[0])) + "."
    lines = [
        "".join(_BLOCKS[a == "#", b == "#"] for a, b in zip(upper, lower, strict=True)).rstrip()
        for upper, lower in zip(rows[::2], rows[1::2], strict=True)
    ]
    return lines[0], lines[1], lines[2]
