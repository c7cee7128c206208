"""Which f-number does the number on the ring stand for?

Rings carry rounded numbers: 5.6 stands for 2**(5/2) = 5.657. This module knows the
series of whole stops, 2**(k/2), and of third stops, 2**(k/6), and how each member
is customarily written. It leaves out half stops: a number outside both series,
such as 4.8, is taken as it stands.
"""

from __future__ import annotations

__all__ = ["exact_stop"]

# Customary markings of 2**(k/6), from k = -3 on. ISO 517:2008 defines the f-number and
# its series of whole stops (every third entry; the standard's text was not opened here);
# the way third stops are written is common practice, no published source.
_FIRST_K = -3
_MARKINGS = (
    *(0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.5, 2.8, 3.2, 3.5),
    *(4.0, 4.5, 5.0, 5.6, 6.3, 7.1, 8.0, 9.0, 10.0, 11.0, 13.0, 14.0, 16.0, 18.0, 20.0),
    *(22.0, 25.0, 29.0, 32.0, 36.0, 40.0, 45.0, 51.0, 57.0, 64.0, 72.0, 81.0, 90.0),
)
_EXACT = {marking: 2 ** ((_FIRST_K + i) / 6) for i, marking in enumerate(_MARKINGS)}


def exact_stop(marked: float) -> float:
    """F-number that a ring's marking stands for.

    Parameters
    ----------
    marked : float
        Number on the ring. [-], finite and > 0

    Returns
    -------
    float
        ``2**(k/2)`` or ``2**(k/6)`` where ``marked`` is its customary rounding,
        else ``marked`` itself. [-]

    Raises
    ------
    ValueError
        If ``marked`` is not a finite number > 0.

    Notes
    -----
    1.2 and 13 are written for a half stop as well (1.189, 13.454). The third stop
    is meant here (1.260, 12.699): the difference is 6 % at most.

    References
    ----------
    .. [1] ISO 517:2008, Photography: apertures and related properties pertaining to
       photographic lenses (whole stops; figures of the series computed).

    Examples
    --------
    >>> round(exact_stop(5.6), 6), round(exact_stop(6.3), 4), exact_stop(4.8)
    (5.656854, 6.3496, 4.8)
    """
    if not 0 < marked < float("inf"):
        raise ValueError("marked must be a finite number > 0")
    # Cameras store some f-numbers as 32-bit floats or fractions: 5.599999 is still 5.6.
    return _EXACT.get(round(marked, 4), float(marked))
