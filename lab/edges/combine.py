"""Several measurements of one quantity: their mean, honestly uncertain.

Each value comes with the standard uncertainty of its noise; the values may
scatter more than that (edges of a target differ, focus moves). The between
variance that makes the weighted scatter equal its expectation is found and
added to every value's own: the Mandel-Paule mean. Type A evaluation in the
GUM's words, with the noise as prior knowledge.

.. [1] R. C. Paule and J. Mandel, J. Res. Natl. Bur. Stand. 87, 377 (1982) (from memory).
.. [2] JCGM 100:2008, 4.2 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

__all__ = ["combine", "mean_of_directions"]


def combine(values: Sequence[float], stds: Sequence[float]) -> tuple[float, float]:
    """Mandel-Paule weighted mean and its standard uncertainty.

    Parameters
    ----------
    values, stds : sequence of float, same length n >= 1
        Values and the standard uncertainty of each from its own noise, > 0.

    Raises
    ------
    ValueError
        If the lengths differ, are 0, or a standard uncertainty is not > 0.
    """
    y = np.asarray(values, dtype=np.float64)
    s = np.asarray(stds, dtype=np.float64)
    if y.size == 0 or y.shape != s.shape or not np.all(s > 0):
        raise ValueError("values and stds need one length >= 1, and every std > 0")
    variance = s**2

    def weighted(between: float) -> tuple[float, float, float]:
        weight = 1 / (variance + between)
        mean = float(weight @ y / weight.sum())
        return mean, float(weight @ (y - mean) ** 2), float(weight.sum())

    between = 0.0
    if y.size > 1 and weighted(0.0)[1] > y.size - 1:
        low, high = 0.0, float(np.ptp(y) ** 2)  # scatter falls steadily with it
        for _ in range(60):
            between = (low + high) / 2
            if weighted(between)[1] > y.size - 1:
                low = between
            else:
                high = between
    mean, _, total = weighted(between)
    return mean, total**-0.5


def mean_of_directions(
    values: Sequence[float], stds: Sequence[float], directions: Sequence[str]
) -> tuple[float, float]:
    """Mean over edge directions, each direction counting alike.

    Parameters
    ----------
    values, stds, directions : sequences of one length >= 1
        Value, standard uncertainty, and direction of each edge.

    Raises
    ------
    ValueError
        As ``combine``.
    """
    if not len(values) == len(stds) == len(directions) > 0:
        raise ValueError("values, stds and directions need one length >= 1, and every std > 0")
    parts = []
    for direction in sorted(set(directions)):
        picked = [i for i, d in enumerate(directions) if d == direction]
        parts.append(combine([values[i] for i in picked], [stds[i] for i in picked]))
    mean = sum(value for value, _ in parts) / len(parts)
    return mean, float(np.sqrt(sum(std**2 for _, std in parts))) / len(parts)
