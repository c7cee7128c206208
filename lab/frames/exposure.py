"""Is this frame well exposed: clipped, with headroom to spare, above the noise, evenly lit?

Every figure is read from a thin grid of the frame's own pixels. Bright and dark are
the two sides that a threshold half way between their medians parts, each colour by
itself. Headroom counts the noise in: what clips its crests bends an edge as well.

The advice is in stops of exposure and never takes a colour into clipping. Left out:
how to get there (time, flash, ISO), and whether the bright side is the target.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from lab.edges.types import FloatArray, NoiseModel
from lab.frames.frame import CHANNELS, Frame
from lab.frames.raw import SATURATION_SHARE

__all__ = ["ChannelExposure", "Exposure", "check_exposure"]

# Limits, all judged by us. A colour counts as clipped where more than this share of its
# pixels is: single glints and dead pixels are fewer.
_CLIPPED_SHARE = 1e-3
_CLIPPED_STEP = 1.0  # how far beyond full scale it went is not in the file: one stop, then look
# Headroom to aim at: flashes and daylight vary by a few tenths of a stop between frames.
_WANTED_STOPS = 0.5
_LEAST_STOPS, _MOST_STOPS = 0.25, 1.0
_DIAL = 3  # parts of a stop that cameras set; common practice, no published source
# Step over noise at which 100 px of edge give MTF50 to 2 % (95 %, green, MTF50 0.17 cycles
# per pixel): `measure_edge` on simulated edges gives 95 % over the ratio.
_ENOUGH_STEP = 50.0
# Light: a gradient within one edge's region is fitted, so this is about noise and clipping
# that differ over the frame. Corners darken with the lens; sides differ with the lamp.
_UNEVEN_SIDES_STOPS, _UNEVEN_CORNERS_STOPS = 0.5, 1.0

_GRID = 5  # cells a side; the light is read in the outer ones and the middle one
_CELL_SITES = 44  # sites a side of a cell, at most: 50 000 a colour
_FEWEST_BRIGHT = 40  # pixels, to tell a level or a noise


@dataclass(frozen=True, kw_only=True)
class ChannelExposure:
    """One raw colour.

    Attributes
    ----------
    channel : str
    clipped_share : float
        Of its pixels, at or next to full scale. [-], 0 to 1
    headroom_stops : float
        Brightest 0.1 % of its pixels below full scale; 0 where clipped. [stops], >= 0
    bright_dn, dark_dn : float
        Medians of the bright and of the dark side. [DN]
    step_in_noise : float or None
        Their difference over the noise half way between; None where neither the noise
        model nor neighbouring pixels tell that noise.
    """

    channel: str
    clipped_share: float
    headroom_stops: float
    bright_dn: float
    dark_dn: float
    step_in_noise: float | None

    @property
    def is_clipped(self) -> bool:
        """More than single glints at full scale."""
        return self.clipped_share > _CLIPPED_SHARE


@dataclass(frozen=True, kw_only=True)
class Exposure:
    """Exposure of one frame.

    Attributes
    ----------
    channels : tuple of ChannelExposure
        Red, green, blue; green alone of a grey frame.
    corner_falloff_stops : float or None
        Bright side in the corners below that at the centre, their mean; None where a
        corner or the centre has no bright side. [stops]
    side_to_side_stops : float or None
        Largest difference of the light between opposite sides. [stops], >= 0
    brighter_side : str
        "left", "right", "top", "bottom", or "" where not known.
    advice_stops : float
        Change of exposure, > 0 more light; 0 to leave it. [stops], in thirds
    advice_reason : str
        In words, "" where there is no advice.
    flags : tuple of str
        "clipped", "little-headroom", "underexposed", "uneven-light".
    """

    channels: tuple[ChannelExposure, ...]
    corner_falloff_stops: float | None
    side_to_side_stops: float | None
    brighter_side: str
    advice_stops: float
    advice_reason: str
    flags: tuple[str, ...]

    @property
    def headroom_stops(self) -> float:
        """That of the colour nearest to clipping. [stops], >= 0."""
        return min(channel.headroom_stops for channel in self.channels)

    @property
    def nearest_channel(self) -> str:
        """The colour nearest to clipping."""
        nearest = min(self.channels, key=lambda c: (c.headroom_stops, -c.clipped_share))
        return nearest.channel

    @property
    def step_in_noise(self) -> float | None:
        """Green's, in which stopwise states its figures."""
        return next(c.step_in_noise for c in self.channels if c.channel == "green")


def check_exposure(frame: Frame, noise: Mapping[str, NoiseModel | None]) -> Exposure:
    """Check a frame's exposure.

    Parameters
    ----------
    frame : Frame
        Linear, black-subtracted.
    noise : mapping
        Noise model of each colour, from ``estimate_noise``. None or missing where it could
        not be told: then neighbouring pixels of the colour are compared, unless they were
        interpolated or tone-mapped.

    Returns
    -------
    Exposure
    """
    names = ("green",) if "grey" in frame.flags else CHANNELS
    grids = [_sampled(frame, name) for name in names]
    channels = tuple(
        _channel(frame, name, grid, noise.get(name))
        for name, grid in zip(names, grids, strict=True)
    )
    green = names.index("green")
    corners, sides, brighter = _light(grids[green], channels[green])
    stops, reason = _advice(channels)
    flags = []
    if any(channel.is_clipped for channel in channels):
        flags.append("clipped")
    elif min(channel.headroom_stops for channel in channels) < _LEAST_STOPS:
        flags.append("little-headroom")
    step = channels[green].step_in_noise
    if step is not None and step < _ENOUGH_STEP:
        flags.append("underexposed")
    if (sides or 0.0) > _UNEVEN_SIDES_STOPS or (corners or 0.0) > _UNEVEN_CORNERS_STOPS:
        flags.append("uneven-light")
    return Exposure(
        channels=channels,
        corner_falloff_stops=corners,
        side_to_side_stops=sides,
        brighter_side=brighter,
        advice_stops=stops,
        advice_reason=reason,
        flags=tuple(flags),
    )


def _sampled(frame: Frame, channel: str, *, shift: int = 0) -> list[list[FloatArray]]:
    """Pixels of one colour in each cell of the grid, thinned, all sites of the pattern.

    With ``shift`` the like sites that many periods to the right, as far as there are any.
    """
    index = CHANNELS.index(channel)
    if frame.is_mosaic:
        pattern, plane = frame.pattern, frame.pixels
    else:
        pattern, plane = np.full((1, 1), index), frame.pixels[:, :, index]
    p, q = pattern.shape
    sites = np.argwhere(pattern == index)
    count = frame.shape[1] // q
    cells = []
    for rows in _spans(frame.shape[0] // p):
        line = []
        for cols in _spans(count):
            right = np.minimum(cols + shift, count - 1)
            picked = [plane[np.ix_(rows * p + i, right * q + j)].ravel() for i, j in sites]
            line.append(np.concatenate(picked).astype(np.float64))
        cells.append(line)
    return cells


def _variance_of_neighbours(frame: Frame, channel: str, middle_dn: float) -> float:
    """Noise variance half way between both sides, the mean of theirs; 0 where unknown.

    From the median difference of neighbouring like pixels, which edges and texture in
    less than half of the frame hardly touch.
    """
    if {"tone-mapped", "demosaiced"} & set(frame.flags):
        return 0.0
    one, other = (
        np.concatenate([cell for line in _sampled(frame, channel, shift=shift) for cell in line])
        for shift in (0, 1)
    )
    is_bright = one + other > 2 * middle_dn
    spreads = []
    for side in (is_bright, ~is_bright):
        difference = np.abs(one - other)[side]
        if difference.size < _FEWEST_BRIGHT:
            return 0.0
        # 1.4826 turns a median deviation into a std; a difference has the variance twice.
        spreads.append((1.4826 * float(np.median(difference))) ** 2 / 2)
    return float(np.mean(spreads))


def _spans(count: int) -> list[np.ndarray[tuple[int], np.dtype[np.intp]]]:
    """Evenly spread periods of the pattern in each cell along one side."""
    bounds = np.linspace(0, count, _GRID + 1)
    return [
        np.unique(np.linspace(low, max(high - 1, low), _CELL_SITES).astype(np.intp))
        for low, high in pairwise(bounds)
    ]


def _channel(
    frame: Frame, name: str, grid: list[list[FloatArray]], noise: NoiseModel | None
) -> ChannelExposure:
    value = np.concatenate([cell for line in grid for cell in line])
    full = SATURATION_SHARE * frame.white_dn
    clipped = float(np.mean(value >= full))
    top = float(np.quantile(value, 1 - _CLIPPED_SHARE))
    dark, bright = _sides(value)
    middle = (dark + bright) / 2
    if noise is not None:
        variance = float(noise.variance(middle))
    else:
        variance = _variance_of_neighbours(frame, name, middle)
    step = (bright - dark) / math.sqrt(variance) if variance > 0 else None
    return ChannelExposure(
        channel=name,
        clipped_share=clipped,
        # A frame in the dark has none: as if a thousandth of full scale were there.
        headroom_stops=max(0.0, math.log2(full / max(top, full * 1e-3))),
        bright_dn=bright,
        dark_dn=dark,
        step_in_noise=step,
    )


def _sides(value: FloatArray) -> tuple[float, float]:
    """Medians of the dark and the bright side, parted half way between them."""
    dark, bright = (float(q) for q in np.quantile(value, [0.005, 0.995]))
    for _ in range(10):
        above = value > (dark + bright) / 2
        if above.all() or not above.any():
            break
        before = dark, bright
        dark, bright = float(np.median(value[~above])), float(np.median(value[above]))
        if (dark, bright) == before:
            break
    return dark, bright


def _light(
    grid: list[list[FloatArray]], channel: ChannelExposure
) -> tuple[float | None, float | None, str]:
    """Falloff of the corners and difference of opposite sides, of the bright side."""
    dark, bright = channel.dark_dn, channel.bright_dn
    if not bright > max(dark, 0.0):
        return None, None, ""
    level: list[list[float | None]] = []
    for line in grid:
        row: list[float | None] = []
        for value in line:
            # Light at this place may be far from the frame's middle value: a threshold of
            # its own, from its own brightest.
            own = float(np.quantile(value, 0.98))
            over = value[value > (dark + own) / 2]
            enough = own > dark + 0.3 * (bright - dark) and over.size >= _FEWEST_BRIGHT
            row.append(float(np.median(over)) if enough else None)
        level.append(row)
    middle, last = _GRID // 2, _GRID - 1
    centre = level[middle][middle]
    corner = [level[i][j] for i in (0, last) for j in (0, last)]
    known = [value for value in corner if value is not None]
    falloff = None
    if centre is not None and len(known) == len(corner):
        falloff = float(np.mean([math.log2(centre / value) for value in known]))
    inner = range(1, last)
    sides = {
        "left": [level[i][0] for i in inner],
        "right": [level[i][last] for i in inner],
        "top": [level[0][j] for j in inner],
        "bottom": [level[last][j] for j in inner],
    }
    means = {
        name: float(np.median([v for v in values if v is not None]))
        for name, values in sides.items()
        if any(v is not None for v in values)
    }
    widest, brighter = None, ""
    for one, other in (("left", "right"), ("top", "bottom")):
        if one in means and other in means:
            difference = math.log2(means[one] / means[other])
            if widest is None or abs(difference) > widest:
                widest, brighter = abs(difference), one if difference > 0 else other
    return falloff, widest, brighter


def _advice(channels: tuple[ChannelExposure, ...]) -> tuple[float, str]:
    clipped = [channel for channel in channels if channel.is_clipped]
    if clipped:
        worst = max(clipped, key=lambda c: c.clipped_share)
        return -_CLIPPED_STEP, (
            f"{100 * worst.clipped_share:.2g} % of {worst.channel} is clipped; by how much the "
            "file cannot tell, so look again after"
        )
    nearest = min(channels, key=lambda c: c.headroom_stops)
    headroom = nearest.headroom_stops
    if headroom < _LEAST_STOPS:
        return -math.ceil((_WANTED_STOPS - headroom) * _DIAL) / _DIAL, (
            f"{nearest.channel} is {headroom:.1f} stops below clipping"
        )
    step = next(c.step_in_noise for c in channels if c.channel == "green")
    if headroom > _MOST_STOPS and (step is None or step < _ENOUGH_STEP):
        reason = f"{nearest.channel} would still be {_WANTED_STOPS:g} stops below clipping"
        if step is not None:
            reason = f"the step is only {step:.0f} times the noise, and " + reason
        return math.floor((headroom - _WANTED_STOPS) * _DIAL) / _DIAL, reason
    return 0.0, ""
