"""Which measured figures does the fit of the lens see?

For each frame and raw colour: the mean MTF of the edges at the field's centre, at a
few frequencies. The frequencies belong to a bracket (one stop at one magnification)
and a colour: where its sharpest frame falls to fixed levels. Frames far out of focus
are left out, since they tell the rail rather than the lens.

Leaves out: edges away from the centre.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.frames.frame import CHANNELS
from lab.inference.centre import mean_curve
from lab.session.config import SessionConfig
from lab.session.measuring import centre_edges
from lab.session.records import EdgeRecord, FrameRecord
from lab.session.stops import exact_stop

__all__ = ["IntArray", "LensData", "bracket_rows", "lens_data"]

IntArray = npt.NDArray[np.intp]

_LEVELS = (0.85, 0.7, 0.55, 0.4, 0.27, 0.16)  # of the sharpest frame's MTF
_LEAST_MTF = 0.1  # lower values hold noise and reversed contrast
_FOCUSED = 0.5  # of the sharpest frame's value at its second level: frames below are left out
_LEAST_STD = 0.004  # of MTF: what a model of few figures may miss the best edge by
_FREE_FIGURES = 2  # of a curve's noise: neighbouring frequencies share it


@dataclass(frozen=True, kw_only=True, eq=False)
class LensData:
    """Centre MTFs of a session's frames, one row for each frame, colour and frequency.

    Attributes
    ----------
    mtf, mtf_std, frequency_cyc_per_mm : ndarray, (n,)
        System MTF, its uncertainty taken as independent, and the image-side frequency.
    series, stop, channel, frame : ndarray of int, (n,)
        Indices into the tuples below and the frames.
    position_um : ndarray, (n_frame,)
        Rail position, object side, NaN where unknown.
    frame_series, frame_stop : ndarray of int, (n_frame,)
    files : tuple of str, (n_frame,)
    magnifications, nominal_magnifications, stops, channels, wavelength_um : tuples
        Measured and nominal magnification, exact stops (rising), colours and their
        mean wavelengths [um].
    marked_stops : tuple of float
    pixel_pitch_um : float
    stated_pupil_ratio : float or None
    """

    mtf: FloatArray
    mtf_std: FloatArray
    frequency_cyc_per_mm: FloatArray
    series: IntArray
    stop: IntArray
    channel: IntArray
    frame: IntArray
    position_um: FloatArray
    frame_series: IntArray
    frame_stop: IntArray
    files: tuple[str, ...]
    magnifications: tuple[float, ...]
    nominal_magnifications: tuple[float, ...]
    stops: tuple[float, ...]
    marked_stops: tuple[float, ...]
    channels: tuple[str, ...]
    wavelength_um: tuple[float, ...]
    pixel_pitch_um: float
    stated_pupil_ratio: float | None

    @property
    def rail_step_um(self) -> FloatArray:
        """Median step of each frame's own bracket, (n_frame,), 0 where unknown."""
        step = np.zeros(self.position_um.size)
        bracket = self.frame_series * len(self.stops) + self.frame_stop
        for one in np.unique(bracket):
            apart = np.diff(np.unique(self.position_um[bracket == one]))
            if np.isfinite(apart).any():
                step[bracket == one] = np.nanmedian(apart)
        return step


def lens_data(config: SessionConfig, frames: Sequence[FrameRecord]) -> LensData | None:
    """Rows for the fit from a session's measured frames.

    Parameters
    ----------
    config : SessionConfig
    frames : sequence of FrameRecord
        Those without a stop, a magnification or edges at the centre are passed over.

    Returns
    -------
    LensData or None
        None where no frame can be used.
    """
    usable = [
        f
        for f in frames
        if f.status == "measured" and f.marked_stop is not None and f.magnification is not None
    ]
    marked = sorted({f.marked_stop for f in usable if f.marked_stop is not None})
    nominal = [s.magnification for s in config.brackets]
    nominal = [m for m in nominal if any(f.magnification == m for f in usable)]
    channels = [c for c in CHANNELS if any(centre_edges(f.edges, c) for f in usable)]
    per_mm = 1e3 / config.body.pixel_pitch_um
    kept: list[FrameRecord] = []
    rows: list[tuple[float, float, float, int, int, int, int]] = []
    for series, m in enumerate(nominal):
        for stop, n in enumerate(marked):
            bracket = [f for f in usable if (f.magnification, f.marked_stop) == (m, n)]
            first = len(kept)
            kept += bracket
            for channel, name in enumerate(channels):
                edges = [centre_edges(frame.edges, name) for frame in bracket]
                for frame, f, mtf, std in bracket_rows(edges, _LEVELS):
                    rows.append((mtf, std, f * per_mm, series, stop, channel, first + frame))
    if not rows or "green" not in channels:
        return None
    figures = np.array([row[:3] for row in rows], dtype=np.float64)
    indices = np.array([row[3:] for row in rows], dtype=np.intp).T
    measured = [
        [
            f.measured_magnification
            for f in kept
            if f.magnification == m and f.measured_magnification
        ]
        for m in nominal
    ]
    return LensData(
        mtf=figures[:, 0],
        mtf_std=figures[:, 1],
        frequency_cyc_per_mm=figures[:, 2],
        series=indices[0],
        stop=indices[1],
        channel=indices[2],
        frame=indices[3],
        position_um=np.array(
            [math.nan if f.focus_position_um is None else f.focus_position_um for f in kept]
        ),
        frame_series=np.array([nominal.index(f.magnification or 0) for f in kept]),
        frame_stop=np.array([marked.index(f.marked_stop or 0) for f in kept]),
        files=tuple(f.file for f in kept),
        magnifications=tuple(
            float(np.median(found)) if found else m
            for found, m in zip(measured, nominal, strict=True)
        ),
        nominal_magnifications=tuple(nominal),
        stops=tuple(exact_stop(n) for n in marked),
        marked_stops=tuple(marked),
        channels=tuple(channels),
        wavelength_um=tuple(config.light.wavelength_um[c] for c in channels),
        pixel_pitch_um=config.body.pixel_pitch_um,
        stated_pupil_ratio=config.lens.pupil_ratio,
    )


def bracket_rows(
    edges: Sequence[Sequence[EdgeRecord]], levels: Sequence[float]
) -> Iterator[tuple[int, float, float, float]]:
    """Figures of a bracket's frames where its sharpest falls to fixed levels.

    Parameters
    ----------
    edges : sequence of sequence of EdgeRecord
        Of each frame, in one colour; frames without any give nothing.
    levels : sequence of float
        MTFs of the sharpest frame, falling. [-]

    Yields
    ------
    (int, float, float, float)
        Frame, frequency [cycles per pixel], MTF and its standard uncertainty, widened
        so that figures count as independent.
    """
    from scipy.interpolate import CubicSpline

    curves = {i: mean_curve(one) for i, one in enumerate(edges) if one}
    if not curves:
        return
    # Curves share their grid of frequencies; a target's own blur may end some early.
    grid = min((f for f, _, _ in curves.values()), key=len)
    heights = np.array([mtf[: grid.size] for _, mtf, _ in curves.values()])
    spreads = np.array([std[: grid.size] for _, _, std in curves.values()])
    curve = CubicSpline(grid, heights, axis=1)
    fine = np.linspace(0, grid[-1], 2001)
    seen = curve(fine)
    sharpest = max(seen, key=_half_at)
    falls = [int(np.argmax(sharpest < level)) for level in levels]
    at = np.array([fine[k] for k in falls if k > 0])
    if not at.size:
        return
    share = math.sqrt(len(levels) / _FREE_FIGURES)
    found = zip(curves, curve(at), CubicSpline(grid, spreads, axis=1)(at), strict=True)
    for i, values, stds in found:
        if values[min(1, at.size - 1)] < _FOCUSED * levels[1]:
            continue
        for f, value, one in zip(at, values, stds, strict=True):
            if value >= _LEAST_MTF:
                yield i, float(f), float(value), math.hypot(share * float(one), _LEAST_STD)


def _half_at(curve: FloatArray) -> int:
    """Index at which a curve first falls below one half, its size if never."""
    below = curve < 0.5
    return int(np.argmax(below)) if below.any() else curve.size
