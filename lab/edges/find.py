"""Where in this frame are straight edges worth measuring?

Serves frames without a registered chart: a blade, a printed board, a brick.
The search runs on a reduced, monochrome image: pixels of like gradient
direction are grouped into line-support regions, each is refined to a line by
the area under its rows, and then asked whether it is straight, long enough,
stands out of the noise, and has even ground on both sides. Finding needs no
more than a pixel or so; the edge's own measurement places it finally.

Leaves out: clipping, noise per channel and everything else that
``measure_edge`` judges from the raw sites.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from lab.edges.lines import Float32Array, Line, noise_std, support_lines
from lab.edges.types import EdgeRegion, FloatArray, MaskArray, Rejection
from lab.edges.window import Reduced, reduce_frame
from lab.frames.frame import Frame

__all__ = ["find_edges"]

_LONGEST_BINS = 1100  # long side of the search image
_COARSE = 4  # further reduction of the second search, for wide blurs
_SHORTEST_PX = 40.0
# A 1 % distortion bows a chord of this length by less than 0.3 px in a frame
# with a half-diagonal of 5000 px; longer edges are cut into pieces.
_LONGEST_PX = 1024.0
_SHORTEST_BINS = 6.0
_WIDEST_PX = 256.0  # half width beyond which more plateau adds little
_NARROWEST_PX = 8.0
_PLATEAU_TOLERANCE = 0.2  # of the edge's contrast
_ANGLE_STD_DEG = 0.3  # an edge known less well is lost in the noise
_CONTRAST_SNR = 4.0  # contrast over the scatter of its plateaus, per bin


@dataclass(frozen=True, kw_only=True)
class _Found:
    line: Line
    half_width: float
    blur: float
    quality: float


@dataclass(frozen=True, kw_only=True, eq=False)
class _Profile:
    """Mean profile of a strip: where the transition starts and ends."""

    start: int
    stop: int
    position: FloatArray  # edge position in each row of the strip [bins]
    dark: FloatArray  # plateau levels in each row, smooth in t
    bright: FloatArray
    contrast: float


def find_edges(frame: Frame, *, most: int = 40) -> tuple[EdgeRegion, ...] | Rejection:
    """Straight dark-to-bright edges of a frame, the best first.

    Parameters
    ----------
    frame : Frame
        Mosaic or three planes, any size.
    most : int
        Upper limit for the number of edges. [-], > 0

    Returns
    -------
    tuple of EdgeRegion or Rejection
        Regions lie inside the frame, at least 40 px and at most 1024 px long
        (a longer edge comes in pieces), sorted by length times contrast. Their
        plateaus are free of other structure. A Rejection if there is none.

    Raises
    ------
    ValueError
        If ``most`` is not > 0.
    """
    if not most > 0:
        raise ValueError("most must be > 0")
    if not min(frame.shape) >= _SHORTEST_PX:
        return Rejection(reason=f"the frame is smaller than {_SHORTEST_PX:.0f} px")
    reduced = reduce_frame(frame, longest=_LONGEST_BINS)
    image = reduced.image
    shortest = max(_SHORTEST_PX / reduced.bin_px, _SHORTEST_BINS)
    lines = support_lines(image, shortest)
    coarse = _coarser(image)
    if min(coarse.shape) >= 8:
        lines += [_scaled(line) for line in support_lines(coarse, shortest / _COARSE)]
    lines = [piece for line in lines for piece in _pieces(line, _LONGEST_PX / reduced.bin_px)]
    lines.sort(key=lambda line: -line.weight)
    noise = noise_std(image)
    found: list[_Found] = []
    tried: list[Line] = []
    for line in lines:
        if len(found) == most or len(tried) == 3 * most:
            break
        ends = np.array([-0.4, 0.0, 0.4]) * line.length
        if any(_alike(line, other) for other in tried) or _taken(line, ends, found).all():
            continue
        tried.append(line)
        edge = _examine(image, line, found, reduced.bin_px, noise)
        if edge is not None:
            found.append(edge)
    if not found:
        return Rejection(reason=_why_none(coarse, shortest * reduced.bin_px))
    found.sort(key=lambda edge: -edge.quality)
    return tuple(_region(edge, reduced, f"edge {i}") for i, edge in enumerate(found, start=1))


def _coarser(image: Float32Array) -> Float32Array:
    n_row, n_col = (n // _COARSE for n in image.shape)
    cut = image[: n_row * _COARSE, : n_col * _COARSE]
    mean: Float32Array = cut.reshape(n_row, _COARSE, n_col, _COARSE).mean(axis=(1, 3))
    return mean


def _scaled(line: Line) -> Line:
    """A line of the coarse image in bins of the fine one."""
    half = (_COARSE - 1) / 2
    return Line(
        row=line.row * _COARSE + half,
        col=line.col * _COARSE + half,
        angle=line.angle,
        length=line.length * _COARSE,
        weight=line.weight * _COARSE,
    )


def _alike(line: Line, other: Line) -> bool:
    """The same line, found by another set of sectors or at the other scale?"""
    return (
        abs(line.row - other.row) + abs(line.col - other.col) < 3 + 0.1 * other.length
        and abs(line.length - other.length) < 0.25 * other.length
        and math.cos(line.angle - other.angle) > 0.98
    )


def _pieces(line: Line, longest: float) -> list[Line]:
    """A line, cut into equal parts if it is too long."""
    count = math.ceil(line.length / longest)
    if count == 1:
        return [line]
    part = line.length / count
    middles = (np.arange(count) - (count - 1) / 2) * part
    return [line.shifted(float(t), 0.0, 0.0, part) for t in middles]


def _taken(line: Line, along: FloatArray, found: list[_Found]) -> MaskArray:
    """Which points of the line lie on an edge that has already been found?"""
    rows, cols = line.at(along, 0.0)
    taken = np.zeros(rows.shape, np.bool_)
    for edge in found:
        other = edge.line
        if math.cos(line.angle - other.angle) < math.cos(math.radians(20)):
            continue
        sin, cos = math.sin(other.angle), math.cos(other.angle)
        d_row, d_col = rows - other.row, cols - other.col
        near = np.abs(sin * d_row + cos * d_col) <= max(3.0, edge.blur)
        taken |= near & (np.abs(cos * d_row - sin * d_col) <= other.length / 2)
    return taken


def _strip(image: Float32Array, line: Line, along: FloatArray, across: FloatArray) -> FloatArray:
    """The image resampled along (rows) and across (columns) the line; NaN outside."""
    rows, cols = line.at(along[:, np.newaxis], across)
    strip: FloatArray = ndimage.map_coordinates(
        image, np.stack([rows, cols]), output=np.float64, order=1, cval=math.nan
    )
    return strip


def _profile(strip: FloatArray, core: MaskArray, across: FloatArray) -> _Profile | None:
    """Transition and plateau levels of a strip, and where each row crosses."""
    mean = _mean_rows(strip[core])
    slope = ndimage.correlate1d(np.diff(mean), [0.25, 0.5, 0.25], mode="nearest")
    slope = np.where(np.isfinite(slope), slope, -np.inf)
    middle = slope.size // 2
    reach = max(4, middle // 4)
    peak = middle - reach + int(np.argmax(slope[middle - reach : middle + reach]))
    flat = np.flatnonzero(slope < 0.1 * slope[peak])
    before, after = flat[flat < peak], flat[flat > peak]
    if not slope[peak] > 0 or before.size == 0 or after.size == 0:
        return None
    start, stop = int(before[-1]) + 1, int(after[0])
    contrast = mean[stop] - mean[start]
    t = np.arange(strip.shape[0], dtype=np.float64)
    # Uneven light must not bend the positions; a short edge cannot tell a bend from noise.
    degree = 2 if core.sum() > 32 else 1
    dark = _robust_fit(t, strip[:, max(start - 2, 0) : start + 1].mean(axis=1), core, degree)
    bright = _robust_fit(t, strip[:, stop : stop + 3].mean(axis=1), core, degree)
    if dark is None or bright is None or not contrast > 0 or not (bright > dark).all():
        return None
    share = (strip[:, start : stop + 1] - dark[:, np.newaxis]) / (bright - dark)[:, np.newaxis]
    area = share.sum(axis=1) - (share[:, 0] + share[:, -1]) / 2
    return _Profile(
        start=start,
        stop=stop,
        position=across[stop] - area,
        dark=dark,
        bright=bright,
        contrast=float(contrast),
    )


def _mean_rows(strip: FloatArray) -> FloatArray:
    """Mean over rows, each column over the rows that have it; NaN if none has."""
    there = np.isfinite(strip)
    count = there.sum(axis=0)
    total = np.where(there, strip, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), math.nan)


def _robust_fit(
    t: FloatArray, values: FloatArray, use: MaskArray, degree: int
) -> FloatArray | None:
    """Polynomial through values, outliers left out, drawn over all t."""
    use = use & np.isfinite(values)
    # Scaled to about -1..1, where the normal equations of so low a degree are harmless.
    powers = (2 * (t - t[0]) / (t[-1] - t[0]) - 1)[:, np.newaxis] ** np.arange(degree + 1)
    for _ in range(3):
        if use.sum() < degree + 3:
            return None
        basis = powers[use]
        curve: FloatArray = powers @ np.linalg.solve(basis.T @ basis, basis.T @ values[use])
        rest = np.abs(values - curve)
        # 1.4826 turns a median deviation into a std.
        use = use & (rest <= 3 * 1.4826 * float(np.median(rest[use])) + 1e-9)
    return curve


def _examine(
    image: Float32Array, line: Line, found: list[_Found], bin_px: int, noise: float
) -> _Found | None:
    """Refine a candidate and keep the part of it that can be measured."""
    reach = int(np.clip(_WIDEST_PX / bin_px, 16, 64))
    across = np.arange(-reach, reach + 1, dtype=np.float64)
    longest = _LONGEST_PX / bin_px
    for _ in range(2):
        half = math.ceil(line.length / 2)
        along = np.arange(-half, half + 1, dtype=np.float64)
        strip = _strip(image, line, along, across)
        core = np.abs(along) <= 0.45 * line.length
        profile = _profile(strip, core, across)
        if profile is None:
            return None
        track = _robust_fit(along, profile.position, core, 1)
        if track is None or not abs(track[half]) < reach / 2:
            return None
        wander = np.median(np.abs(profile.position - track)[core])
        if not wander < 1 + 0.1 * (profile.stop - profile.start):
            return None
        turn = -math.atan(track[half] - track[half - 1])
        line = line.shifted(0.0, float(track[half]), turn, line.length)
    # A short piece may be part of a longer edge that noise broke up; a long one
    # stays in its bounds, so that its neighbours keep theirs.
    grow = 0.25 * line.length if line.length < longest / 2 else 0.0
    half = math.ceil(min(0.5 * line.length + grow + 8, longest / 2))
    along = np.arange(-half, half + 1, dtype=np.float64)
    strip = _strip(image, line, along, across)
    core = np.abs(along) <= 0.45 * line.length
    profile = _profile(strip, core, across)
    if profile is None:
        return None
    clear = _clear_half_width(strip, profile, across, noise)
    blur = float(max(across[profile.stop], -across[profile.start]))
    on_line = np.abs(profile.position) <= 0.5 + 0.25 * blur
    clear = np.where(on_line & ~_taken(line, along, found), clear, 0.0)
    narrowest = max(_NARROWEST_PX / bin_px, 1.25 * blur, blur + 2)
    first, last, half_width = _best_rectangle(clear, narrowest, float(reach))
    length = last - first
    # An edge shorter than its own transition has no direction of its own.
    if not length >= max(_SHORTEST_PX / bin_px, _SHORTEST_BINS, 2 * blur):
        return None
    return _judge(line, strip, profile, along, across, (first, last), half_width, blur)


def _clear_half_width(
    strip: FloatArray, profile: _Profile, across: FloatArray, noise: float
) -> FloatArray:
    """How far each row stays on its plateaus on both sides of the transition."""
    # No running sum: one NaN from outside the frame would spread over the column.
    smooth = ndimage.correlate1d(strip, np.full(3, 1 / 3), axis=0, mode="nearest")
    expected = np.where(across < 0, profile.dark[:, np.newaxis], profile.bright[:, np.newaxis])
    tolerance = _PLATEAU_TOLERANCE * profile.contrast + 3 * noise / math.sqrt(3)
    even = np.abs(smooth - expected) <= tolerance
    within = slice(profile.start, profile.stop + 1)
    even[:, within] |= np.isfinite(strip[:, within])
    middle = across.size // 2
    right = even[:, middle:]
    left = even[:, middle::-1]
    both = right & left
    width = np.where(both.all(axis=1), both.shape[1], both.argmin(axis=1)) - 1
    return np.asarray(width, np.float64)


def _best_rectangle(clear: FloatArray, narrowest: float, widest: float) -> tuple[int, int, float]:
    """First row, last row and half width of the most useful clear rectangle."""
    best = (0.0, 0, 0, narrowest)
    if narrowest <= widest:
        for half_width in np.geomspace(narrowest, widest, 8):
            open_row = np.concatenate([[False], clear >= half_width - 1e-9, [False]])
            change = np.flatnonzero(open_row[1:] != open_row[:-1])
            if change.size == 0:
                continue
            lengths = change[1::2] - change[::2]
            k = int(np.argmax(lengths))
            # Length averages noise, width keeps the tails: both count, length more.
            use = float(lengths[k]) * math.sqrt(half_width)
            if use > best[0]:
                best = (use, int(change[2 * k]), int(change[2 * k + 1]) - 1, float(half_width))
    return best[1:]


def _judge(
    line: Line,
    strip: FloatArray,
    profile: _Profile,
    along: FloatArray,
    across: FloatArray,
    rows: tuple[int, int],
    half_width: float,
    blur: float,
) -> _Found | None:
    """Straight? Clear of the noise? Then the edge, its line fitted once more."""
    first, last = rows
    inside = np.zeros(along.size, np.bool_)
    inside[first : last + 1] = True
    t, position = along[inside], profile.position[inside]
    bow, slope, offset = np.polyfit(t - t.mean(), position, 2)
    rest = position - np.polyval((bow, slope, offset), t - t.mean())
    sagitta = abs(bow) * (t[-1] - t[0]) ** 2 / 4
    if sagitta > 0.25 + 0.05 * blur or rest.std() > 0.3 + 0.1 * blur:
        return None
    near = np.abs(across) <= half_width
    on_dark = near & (across < across[profile.start])
    on_bright = near & (across > across[profile.stop])
    scatter = max(
        float((strip[inside][:, side] - level[inside, np.newaxis]).std()) if side.any() else 0.0
        for side, level in ((on_dark, profile.dark), (on_bright, profile.bright))
    )
    if not profile.contrast >= _CONTRAST_SNR * scatter:
        return None
    length = float(t[-1] - t[0])
    slope_std = float(rest.std()) * math.sqrt(12 / t.size) / length
    if not slope_std < math.radians(_ANGLE_STD_DEG):
        return None
    final = line.shifted(float(t.mean()), float(offset), -math.atan(slope), length)
    return _Found(line=final, half_width=half_width, blur=blur, quality=length * profile.contrast)


def _region(edge: _Found, reduced: Reduced, name: str) -> EdgeRegion:
    angle = math.degrees(edge.line.angle) % 360
    return EdgeRegion(
        name=name,
        centre_row=float(reduced.to_frame(edge.line.row)),
        centre_col=float(reduced.to_frame(edge.line.col)),
        angle_deg=angle if angle <= 180 else angle - 360,
        length_px=edge.line.length * reduced.bin_px,
        half_width_px=edge.half_width * reduced.bin_px,
    )


def _why_none(coarse: Float32Array, shortest_px: float) -> str:
    low, high = np.percentile(coarse, (1, 99))
    level = float(coarse.mean())
    if level > 0 and high - low < max(0.05 * level, 6 * noise_std(coarse)):
        if high - low > 0.5 * level:
            return "the frame shows only noise. Add light, and check that the target is in view"
        return (
            f"the frame is nearly uniform: its darkest and brightest parts differ by only "
            f"{100 * (high - low) / level:.1f} %. Check that the target is in view and lit"
        )
    return (
        f"no straight edge at least {shortest_px:.0f} px long stands out of the noise with even "
        "ground on both sides. Focus, add light, or bring a clean edge into the frame"
    )
