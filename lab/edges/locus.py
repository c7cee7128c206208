"""Is the edge itself straight? The locus piece by piece, and its raggedness.

After the fit each short piece of the edge still tells where it lies: its pixels'
residuals, weighed by how they change when the edge moves. What scatters beyond
the pixel noise is the target's: raggedness in the sense of ISO 13660, the
standard deviation of the contour about its fitted line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lab.edges.curves import node_at, node_slopes
from lab.edges.fit import EdgeFit
from lab.edges.shapes import shape_family
from lab.edges.types import FloatArray

__all__ = ["EdgeLocus", "edge_locus", "raggedness", "raggedness_spectrum"]

_PIECE_PX = 2.0
_MOST_PIECES = 128
_FITTED = 3  # offset, angle and curvature were fitted: freedoms the locus lacks


@dataclass(frozen=True, kw_only=True, eq=False)
class EdgeLocus:
    """Departure of the edge from its fitted line, piece by piece along it.

    Attributes
    ----------
    along_px : ndarray, (n,)
        Centre of each piece from the middle. [px]
    offset_px, offset_std : ndarray, (n,)
        Departure along the normal, and its noise. [px]
    """

    along_px: FloatArray
    offset_px: FloatArray
    offset_std: FloatArray


def edge_locus(fit: EdgeFit) -> EdgeLocus:
    """Locate every piece of a fitted edge.

    Parameters
    ----------
    fit : EdgeFit
    """
    state = fit.state
    near = (np.abs(fit.distance_px) < 0.9 / state.lens_f50) & (fit.keep > 0)
    node = node_at(fit.distance_px[near] * state.lens_f50)
    first, last = int(np.floor(node.min())), int(np.floor(node.max())) + 1
    slope = node_slopes(
        shape_family(), first, last, state.lens_f50, state.coefficient, state.angle_rad
    )
    per_px = -(state.high - state.low) * state.lens_f50
    gradient = per_px * np.interp(node, np.arange(first, last + 1), slope)
    gradient = gradient / np.sqrt(fit.noise.variance(fit.signal[near]))
    n = int(np.clip(2 * fit.pixels.half_length / _PIECE_PX, 8, _MOST_PIECES))
    piece = np.clip(((fit.along[near] + 1) / 2 * n).astype(np.intp), 0, n - 1)
    information = np.bincount(piece, gradient * gradient, n)
    shift = np.bincount(piece, gradient * fit.residual[near], n)
    good = information > 0.2 * np.median(information)
    return EdgeLocus(
        along_px=((np.arange(n) + 0.5) * 2 / n - 1)[good] * fit.pixels.half_length,
        offset_px=shift[good] / information[good],
        offset_std=np.asarray(1 / np.sqrt(information[good])),
    )


def raggedness(locus: EdgeLocus) -> tuple[float, float]:
    """Standard deviation of the locus beyond noise, and its uncertainty. [px].

    Parameters
    ----------
    locus : EdgeLocus

    Returns
    -------
    raggedness_px, raggedness_std : float
        0 where the scatter is no more than noise; the uncertainty then is the
        raggedness that would just show.
    """
    n = locus.offset_px.size
    if n <= 2 * _FITTED:
        return 0.0, float("inf")
    scatter = float(np.sum(locus.offset_px**2) / (n - _FITTED))
    excess = scatter - float(np.mean(locus.offset_std**2))
    excess_std = scatter * np.sqrt(2 / (n - _FITTED))
    ragged = float(np.sqrt(max(excess, 0.0)))
    return ragged, float(excess_std / (2 * max(ragged, np.sqrt(excess_std))))


def raggedness_spectrum(locus: EdgeLocus) -> tuple[FloatArray, FloatArray]:
    """Power of the locus beyond noise against frequency along the edge.

    Parameters
    ----------
    locus : EdgeLocus

    Returns
    -------
    frequency_cyc_per_px : ndarray, (n // 2,)
        From one period over the edge up to its half piece frequency.
    power_px2 : ndarray, (n // 2,)
        Variance at each frequency, noise taken off (negative where it was less);
        their sum is the square of the raggedness but for the fitted freedoms.
    """
    n = locus.offset_px.size
    length = (locus.along_px[-1] - locus.along_px[0]) * n / (n - 1)
    amplitude = np.fft.rfft(locus.offset_px - locus.offset_px.mean()) / n
    power = 2 * np.abs(amplitude[1:]) ** 2
    if n % 2 == 0:
        power[-1] /= 2
    share = np.full(power.size, 2.0)
    if n % 2 == 0:
        share[-1] = 1.0
    noise = float(np.mean(locus.offset_std**2)) * share / n
    return np.arange(1, power.size + 1) / length, power - noise
