"""At which angles do edges meet the pixel grid in evenly spread phases?

An edge of slope 1/k meets the pixel grid in only k different phases, over and over;
slopes p/q with small p and q are little better. Noble numbers, whose continued
fractions end in ones, are as far from all such fractions as numbers can be: the phases
of an edge with such a slope spread evenly, whatever its length. A quarter turn of the
camera swaps rows and columns and leaves the phases as they are.
"""

from __future__ import annotations

import math

__all__ = ["DIAGONAL_DEG", "ROTATIONS_DEG"]

_GOLDEN = 0.5 * (1 + math.sqrt(5))

# Beginnings of continued fractions of slopes between 0.587 and 0.641.
_DIAGONAL_TERMS = (
    *((1, 1, 1, 1), (1, 1, 2, 2), (1, 1, 1, 2), (1, 1, 1, 1, 3)),
    *((1, 1, 1, 3), (1, 1, 2, 3), (1, 1, 1, 1, 2)),
)


def _noble(terms: tuple[int, ...]) -> float:
    """The number between 0 and 1 with this continued fraction, then ones for ever."""
    value = _GOLDEN
    for term in reversed(terms):
        value = term + 1 / value
    return 1 / value


def _angle_deg(slope: float) -> float:
    return round(math.degrees(math.atan(slope)), 6)


def _rotations_deg() -> tuple[float, ...]:
    # 1/(k + g) and 1/(k + 1 - g), with g = 0.618; 15 of them lie between 1/13.6 and 1/6.6.
    slopes = [_noble((6, 1))]
    slopes += [_noble((k, *part)) for k in range(7, 14) for part in ((2,), (1,))]
    count = len(slopes)
    # A stride of 4 (no common factor with 15) keeps neighbours well apart in angle.
    return tuple((-1) ** i * _angle_deg(slopes[4 * i % count]) for i in range(count))


# Turns for squares with near-horizontal and near-vertical edges: 15, all different in
# size, 4.2 to 8.6 degrees, alternating in sign.
ROTATIONS_DEG = _rotations_deg()

# Turns for squares whose edges run between the axes: 30.4 to 32.7 degrees.
DIAGONAL_DEG = tuple(_angle_deg(_noble(terms)) for terms in _DIAGONAL_TERMS)
