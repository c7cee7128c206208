"""Undoes the tone curve of an image file: which light does a stored value stand for?

Values and light run from 0 to 1. Covers the curve of sRGB and the curves that a
colour profile states as a power, a power with a straight toe, or a table. Left
out: what the camera did before it wrote the file (contrast, sharpening, noise
reduction), which no profile tells.

References
----------
.. [1] IEC 61966-2-1:1999, sRGB, clause 5.2: from memory.
.. [2] ICC.1:2010, clauses 7.3 (tag table), 10.5 (curveType) and 10.15
   (parametricCurveType): from memory.
"""

from __future__ import annotations

import struct

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray

__all__ = ["decode_profile", "decode_srgb"]


def decode_srgb(value: npt.ArrayLike) -> FloatArray:
    """Light for stored sRGB values.

    Parameters
    ----------
    value : array_like
        Stored values over full scale. [-], 0 to 1

    Returns
    -------
    ndarray
        Linear light. [-], 0 to 1

    References
    ----------
    .. [1] IEC 61966-2-1:1999, sRGB, clause 5.2: from memory.
    """
    return _power_with_toe(
        np.asarray(value, float), 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045
    )


def decode_profile(profile: bytes, value: npt.ArrayLike) -> FloatArray | None:
    """Light for stored values by the curve of an ICC profile.

    Parameters
    ----------
    profile : bytes
        The whole profile. The green curve stands for all three; the common
        working spaces have one curve.
    value : array_like
        Stored values over full scale. [-], 0 to 1

    Returns
    -------
    ndarray or None
        Linear light, 0 to 1; None if the profile has no curve of a kind named
        above, or is broken.
    """
    with np.errstate(all="ignore"):
        light = _by_curve(profile, np.asarray(value, float))
    # A broken curve leads anywhere; a sound one out of 0 to 1 by its digits at most.
    if light is None or not np.all(np.abs(light - 0.5) < 0.55):
        return None
    return light


def _by_curve(profile: bytes, x: FloatArray) -> FloatArray | None:
    try:
        curve = _find_curve(profile)
        if curve[:4] == b"curv":
            (count,) = struct.unpack_from(">I", curve, 8)
            table = np.array(struct.unpack_from(f">{count}H", curve, 12), float)
            if count == 0:
                return x
            if count == 1:
                return np.asarray(x ** (table[0] / 256))  # u8Fixed8Number
            return np.asarray(np.interp(x, np.linspace(0, 1, count), table / 65535))
        if curve[:4] == b"para":
            kind, _ = struct.unpack_from(">HH", curve, 8)
            if kind == 0:
                return np.asarray(x ** _fixed(curve, 1)[0])
            if kind == 3:
                return _power_with_toe(x, *_fixed(curve, 5))
    except struct.error:
        return None
    return None


def _find_curve(profile: bytes) -> bytes:
    """The profile from the start of its green or grey curve on; empty if there is none."""
    (n_tag,) = struct.unpack_from(">I", profile, 128)
    for index in range(n_tag):
        name, at, _ = struct.unpack_from(">4sII", profile, 132 + 12 * index)
        if name in (b"gTRC", b"kTRC"):
            return profile[at:]
    return b""


def _fixed(curve: bytes, count: int) -> list[float]:
    return [number / 65536 for number in struct.unpack_from(f">{count}i", curve, 12)]


def _power_with_toe(
    x: FloatArray, power: float, slope: float, offset: float, toe: float, start: float
) -> FloatArray:
    bent = np.maximum(slope * x + offset, 0.0) ** power
    return np.where(x >= start, bent, toe * x)
