"""How much MTF50 does movement during the exposure leave, and which shutter time is safe?

MTF50 is that of lens, residual blur and pixel along the movement, on the image side;
loss is counted in MTF50 against the same image held still. Speeds are those of the
subject across the axis, or of the rig past it; the image moves ``magnification`` times
as fast. Flash and ambient light add as images do (``lab.optics.movement``), so a little
ambient light costs little MTF50 however long the shutter is open: what it leaves is a
faint trail, which MTF50 hardly sees.

Left out: movement that is not even within one exposure (a rig that rings back and forth
several times during it, a hand that turns back), movement along the axis, the rows of a
shutter that runs across the frame, and shutters that close before the flash has died away.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypedDict

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.optics.exposure import blur_length_um
from lab.optics.movement import Flash, linear_otf, mixed_otf, pulse_otf
from lab.optics.system import Band, crossing, system_mtf

__all__ = [
    "Flash",
    "ShutterLine",
    "StillImage",
    "ambient_share_limit",
    "fastest_speed_um_per_s",
    "longest_flash_t01_s",
    "mtf50_moving",
    "of_still",
    "predicted_still",
    "shutter_table",
    "slowest_safe_s",
]

_BISECTIONS = 50  # of one cell of a grid, to the last bits
# Way of the ambient image in periods of the limiting detail, as far as it is searched:
# the deepest lobe of sin(pi x) / (pi x) lies at 1.43, or at half of it for a flash at an end.
_REACH, _CELLS = 8.0, 4096
_AT_ONCE = 64  # times on one grid of frequencies: 10 MB at most
_CELLS_A_PERIOD = 8  # along frequency, to see every lobe of the ambient image


@dataclass(frozen=True, kw_only=True, eq=False)
class StillImage:
    """What the image holds without movement.

    Attributes
    ----------
    transfer : callable
        Of frequency on the image side [cycles per mm], vectorised; 1 at 0 and falling.
    mtf50_cyc_per_mm : float
        Where it falls to one half.
    """

    transfer: Callable[[FloatArray], FloatArray]
    mtf50_cyc_per_mm: float


@dataclass(frozen=True, kw_only=True)
class ShutterLine:
    """One speed over shutter times.

    Attributes
    ----------
    label : str
        What the speed is called; with flash it says so.
    speed_um_per_s : float
        In the subject.
    is_flash : bool
        With flash and ambient light; else the shutter alone.
    time_s, mtf50_image_cyc_per_mm, of_sharp : tuple of float
        Shutter times, MTF50 along the movement, and its share of the still image's.
    slowest_safe_s : float or None
        Longest time within the loss; 0: none is, None: every time is.
    """

    label: str
    speed_um_per_s: float
    is_flash: bool
    time_s: tuple[float, ...]
    mtf50_image_cyc_per_mm: tuple[float, ...]
    of_sharp: tuple[float, ...]
    slowest_safe_s: float | None


class _Given(TypedDict):
    magnification: float
    speed_um_per_s: float
    flash: Flash | None


def predicted_still(
    *,
    wavelength_um: float | Band,
    f_number: float,
    pixel_pitch_um: float,
    blur_std_um: float = 0.0,
) -> StillImage:
    """A perfect lens in focus with its residual blur and the pixel.

    Parameters
    ----------
    wavelength_um : float or Band
        [um], > 0
    f_number : float
        Effective f-number. [-], > 0
    pixel_pitch_um : float
        [um], > 0
    blur_std_um : float
        Standard deviation of a residual Gaussian blur on the sensor. [um], >= 0

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """

    def transfer(f: FloatArray) -> FloatArray:
        return system_mtf(
            f,
            wavelength_um=wavelength_um,
            f_number=f_number,
            pixel_pitch_um=pixel_pitch_um,
            blur_std_um=blur_std_um,
        )

    transfer(np.zeros(1))  # checks the arguments
    shortest = (
        min(wavelength_um.wavelength_um) if isinstance(wavelength_um, Band) else wavelength_um
    )
    found = crossing(transfer, 0.5, 1e3 / (shortest * f_number))
    assert found is not None  # the transfer is 0 at the cut-off
    return StillImage(transfer=transfer, mtf50_cyc_per_mm=found)


def mtf50_moving(
    still: StillImage,
    time_s: npt.ArrayLike,
    *,
    magnification: float,
    speed_um_per_s: float,
    flash: Flash | None = None,
) -> FloatArray:
    """MTF50 along an even movement, image side. [cycles per mm].

    Parameters
    ----------
    still : StillImage
    time_s : array_like
        That the shutter is open. [s], > 0
    magnification : float
        [-], > 0
    speed_um_per_s : float
        In the subject, across the axis. [um/s], > 0
    flash : Flash, optional
        Without it the shutter alone ends the exposure.

    Returns
    -------
    ndarray, the shape of time_s
        First frequency at which the transfer falls to one half. Ripples of the ambient
        image beyond 512 of its periods, less than 0.0007 of the contrast, may be passed.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    time = np.asarray(time_s, dtype=np.float64)
    if not np.all((time > 0) & np.isfinite(time)):
        raise ValueError("time_s must be > 0")
    speed = _image_speed(magnification, speed_um_per_s)
    way = speed * time.reshape(-1, 1)
    parts = [
        _first_half(still, way[i : i + _AT_ONCE], speed, flash)
        for i in range(0, len(way), _AT_ONCE)
    ]
    return np.concatenate([*parts, np.empty((0, 1))]).reshape(time.shape)


def of_still(
    still: StillImage,
    time_s: npt.ArrayLike,
    *,
    magnification: float,
    speed_um_per_s: float,
    flash: Flash | None = None,
) -> FloatArray:
    """Share of the still image's MTF50 that is kept. [-].

    Parameters as for ``mtf50_moving``.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    given = _Given(magnification=magnification, speed_um_per_s=speed_um_per_s, flash=flash)
    return np.asarray(mtf50_moving(still, time_s, **given) / still.mtf50_cyc_per_mm)


def slowest_safe_s(
    still: StillImage,
    *,
    magnification: float,
    speed_um_per_s: float,
    loss_percent: float,
    flash: Flash | None = None,
) -> float | None:
    """Longest shutter time up to which no time costs more MTF50 than stated. [s].

    MTF50 stays above a frequency while the transfer there stays above one half, so the
    time is the first at which that one transfer falls to it: solved to the last bits.

    Parameters
    ----------
    still, magnification, speed_um_per_s, flash : as for ``mtf50_moving``
    loss_percent : float
        Of the still image's MTF50. [%], 0 < loss < 100

    Returns
    -------
    float or None
        0 where the flash alone costs more already, None where no time does: there is too
        little ambient light to matter.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    speed = _image_speed(magnification, speed_um_per_s)
    limit, needed = _limit(still, still.mtf50_cyc_per_mm, loss_percent)

    def kept(periods: FloatArray) -> FloatArray:
        return _movement(np.array(limit), periods / limit, speed, flash)

    periods = _first_fall(kept, needed)
    return None if periods is None else periods / (limit * speed)


def fastest_speed_um_per_s(
    still: StillImage, time_s: float, *, magnification: float, loss_percent: float
) -> float:
    """Inverse of ``slowest_safe_s`` without flash: what a rule for the time lets pass. [um/s].

    Parameters
    ----------
    still, magnification, loss_percent : as there
    time_s : float
        That the shutter is open. [s], > 0

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    if not 0 < time_s < math.inf:
        raise ValueError("time_s must be > 0")
    at_unit_speed = slowest_safe_s(
        still, magnification=magnification, speed_um_per_s=1.0, loss_percent=loss_percent
    )
    assert at_unit_speed is not None  # without flash there is a longest time
    return at_unit_speed / time_s


def longest_flash_t01_s(
    still: StillImage, *, magnification: float, speed_um_per_s: float, loss_percent: float
) -> float:
    """Longest flash, t0.1, that costs no more MTF50 by itself. Closed form. [s].

    Parameters
    ----------
    still, magnification, speed_um_per_s, loss_percent : as for ``slowest_safe_s``

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    speed = _image_speed(magnification, speed_um_per_s)
    limit, needed = _limit(still, still.mtf50_cyc_per_mm, loss_percent)
    # |1 / (1 + 2 pi i f v tau)| = needed
    return math.log(10) * math.sqrt(needed**-2 - 1) / (2 * math.pi * limit * speed)


def ambient_share_limit(
    still: StillImage,
    *,
    magnification: float,
    speed_um_per_s: float,
    flash_t01_s: float,
    loss_percent: float,
    longest_s: float = math.inf,
    fires_at: float = 0.0,
) -> float:
    """Most ambient light beside a flash that behaves like the flash alone. [-], 0 to 1.

    Parameters
    ----------
    still, magnification, speed_um_per_s : as for ``mtf50_moving``
    flash_t01_s, fires_at : as in ``Flash``
    loss_percent : float
        Of the MTF50 that the flash alone leaves. [%], 0 < loss < 100
    longest_s : float
        Shutter times up to this one are to serve. [s], > 0; without it any time.

    Returns
    -------
    float
        Share of all the light; 1 where even ambient light alone costs no more.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    if not longest_s > 0:
        raise ValueError("longest_s must be > 0")
    alone = Flash(t01_s=flash_t01_s, fires_at=fires_at)
    speed = _image_speed(magnification, speed_um_per_s)
    mtf50 = mtf50_moving(
        still, 1.0, magnification=magnification, speed_um_per_s=speed_um_per_s, flash=alone
    )
    limit, needed = _limit(still, float(mtf50), loss_percent)
    pulse = complex(pulse_otf(limit, speed * flash_t01_s))

    def shares(periods: FloatArray) -> FloatArray:
        # |pulse + a (ambient - pulse)| = needed: the smaller root of a quadratic in a.
        change = _ambient(np.array(limit), periods / limit, fires_at) - pulse
        square, half = np.abs(change) ** 2, np.real(np.conj(pulse) * change)
        inside = half**2 - square * (abs(pulse) ** 2 - needed**2)
        meets = (half < 0) & (inside >= 0)
        root = (abs(pulse) ** 2 - needed**2) / (
            np.where(meets, -half, 1.0) + np.sqrt(np.where(meets, inside, 0.0))
        )
        return np.asarray(np.where(meets, np.minimum(root, 1.0), 1.0))

    low, high = 0.0, min(_REACH, limit * speed * longest_s)
    for _ in range(4):  # each pass narrows the range of the least 2048-fold
        grid = np.linspace(low, high, _CELLS + 1)
        found = shares(grid)
        k = int(np.argmin(found))
        low, high = float(grid[max(0, k - 1)]), float(grid[min(_CELLS, k + 1)])
    return float(found[k])


def shutter_table(
    still: StillImage,
    speeds_um_per_s: Mapping[str, float],
    time_s: npt.ArrayLike,
    *,
    magnification: float,
    loss_percent: float,
    flash: Flash | None = None,
) -> tuple[ShutterLine, ...]:
    """Each speed's MTF50 over shutter times: the shutter alone, then with flash if there is one.

    Parameters
    ----------
    still, magnification, flash : as for ``mtf50_moving``
    speeds_um_per_s : mapping from str
        By what to call them. [um/s], > 0
    time_s : array_like, (n,)
        [s], > 0
    loss_percent : float
        As for ``slowest_safe_s``.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    time = np.asarray(time_s, dtype=np.float64)
    lines = []
    for label, speed in speeds_um_per_s.items():
        for light in (None,) if flash is None else (None, flash):
            given = _Given(magnification=magnification, speed_um_per_s=speed, flash=light)
            mtf50 = mtf50_moving(still, time, **given)
            safe = slowest_safe_s(still, **given, loss_percent=loss_percent)
            lines.append(
                ShutterLine(
                    label=label if light is None else f"{label}, flash",
                    speed_um_per_s=speed,
                    is_flash=light is not None,
                    time_s=tuple(time.tolist()),
                    mtf50_image_cyc_per_mm=tuple(mtf50.tolist()),
                    of_sharp=tuple((mtf50 / still.mtf50_cyc_per_mm).tolist()),
                    slowest_safe_s=safe,
                )
            )
    return tuple(lines)


def _image_speed(magnification: float, speed_um_per_s: float) -> float:
    """On the sensor. [mm/s]."""
    return 1e-3 * blur_length_um(magnification, speed_um_per_s, 1.0)


def _limit(still: StillImage, mtf50: float, loss_percent: float) -> tuple[float, float]:
    """Frequency that must keep one half, and what movement must leave there for that.

    Raises
    ------
    ValueError
        If the loss is outside its range.
    """
    if not 0 < loss_percent < 100:
        raise ValueError("loss_percent must be in (0, 100)")
    limit = (1 - loss_percent / 100) * mtf50
    return limit, 0.5 / float(still.transfer(np.array(limit)))


def _first_half(
    still: StillImage, way_mm: FloatArray, speed_mm_per_s: float, flash: Flash | None
) -> FloatArray:
    """First frequency of each way, (n, 1), at which the transfer falls to one half."""

    def falls(frequency: FloatArray) -> npt.NDArray[np.bool_]:
        moving = _movement(frequency, way_mm, speed_mm_per_s, flash)
        return np.asarray(still.transfer(frequency) * moving < 0.5)

    highest = still.mtf50_cyc_per_mm  # movement never adds contrast
    periods = highest * float(way_mm.max())
    cells = min(max(64, math.ceil(_CELLS_A_PERIOD * periods)), _CELLS)
    grid = np.linspace(0.0, highest, cells + 1)
    below = falls(grid)
    below[:, -1] = True  # where rounding hides a tiny loss
    first = np.argmax(below, axis=1)[:, np.newaxis]
    low, high = grid[first - 1], grid[first]
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        is_below = falls(middle)
        low, high = np.where(is_below, low, middle), np.where(is_below, middle, high)
    return np.asarray((low + high) / 2)


def _movement(
    frequency: FloatArray, way_mm: FloatArray, speed_mm_per_s: float, flash: Flash | None
) -> FloatArray:
    """Modulus of the movement's transfer; the way is the image's while the shutter is open."""
    if flash is None:
        return np.abs(linear_otf(frequency, way_mm))
    pulse = pulse_otf(frequency, speed_mm_per_s * flash.t01_s)
    ambient = _ambient(frequency, way_mm, flash.fires_at)
    return np.asarray(np.abs(mixed_otf(pulse, ambient, flash.ambient_share)))


def _ambient(
    frequency: FloatArray, way_mm: FloatArray, fires_at: float
) -> npt.NDArray[np.complex128]:
    """Transfer of the ambient image, counted from where the flash peaks."""
    off = (0.5 - fires_at) * way_mm  # middle of the ambient image
    return np.asarray(linear_otf(frequency, way_mm) * np.exp(-2j * np.pi * frequency * off))


def _first_fall(kept: Callable[[FloatArray], FloatArray], needed: float) -> float | None:
    """First number of periods at which a transfer falls below what is needed."""
    grid = np.linspace(0.0, _REACH, _CELLS + 1)
    below = np.flatnonzero(kept(grid) < needed)
    if below.size == 0:
        return None
    first = int(below[0])
    if first == 0:
        return 0.0
    low, high = float(grid[first - 1]), float(grid[first])
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        low, high = (low, middle) if float(kept(np.array(middle))) < needed else (middle, high)
    return low
