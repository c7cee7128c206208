"""The textbook slanted-edge method, as a yardstick only.

Row centroids of the derivative, a straight line through them, quarter-pixel bins,
central difference, Hamming window centred on the peak, DFT, correction for the
difference: the procedure of ISO 12233 (2000 to 2014 editions; 2014 clauses 6.2.4
and 6.2.5 by way of the extract in the published literature, the rest from memory).
For an edge whose normal runs nearly along the rows.
"""

from __future__ import annotations

import numpy as np

from lab.edges.types import FloatArray

__all__ = ["textbook_mtf", "textbook_mtf50"]

_OVERSAMPLING = 4


def textbook_mtf(pixels: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Frequencies [cycles per pixel, along the rows] and MTF."""
    n_row, n_col = pixels.shape
    col = np.arange(n_col)
    slope = np.gradient(pixels, axis=1)

    def centroids(window: FloatArray) -> FloatArray:
        weighted = slope * window
        return np.asarray((weighted @ col) / weighted.sum(axis=1))

    row = np.arange(n_row)
    first = centroids(np.hamming(n_col)[None, :])
    line = np.polyfit(row, first, 1)
    # Second pass with the window centred on the first line, row by row.
    away = col[None, :] - np.polyval(line, row)[:, None]
    half = n_col / 2
    window = np.where(np.abs(away) < half, 0.54 + 0.46 * np.cos(np.pi * away / half), 0.0)
    line = np.polyfit(row, centroids(window), 1)

    # Whole phase cycles only.
    per_cycle = 1 / abs(line[0]) if line[0] else np.inf
    if per_cycle < n_row:
        n_row = int(np.floor(n_row / per_cycle) * per_cycle)
    away = (col[None, :] - np.polyval(line, row)[:, None])[:n_row]
    bins = np.floor(away * _OVERSAMPLING).astype(int)
    bins -= bins.min()
    count = np.bincount(bins.ravel())
    total = np.bincount(bins.ravel(), pixels[:n_row].ravel())
    filled = np.flatnonzero(count)
    esf = np.interp(np.arange(count.size), filled, total[filled] / count[filled])
    # Ends with part of the rows only would add steps of their own.
    margin = int(np.ceil(abs(line[0]) * n_row * _OVERSAMPLING / 2)) + 2
    esf = esf[margin:-margin]
    lsf = np.gradient(esf)[1:-1]
    peak = int(np.argmax(np.abs(lsf)))
    reach = min(peak, lsf.size - 1 - peak)
    lsf = lsf[peak - reach : peak + reach + 1] * np.hamming(2 * reach + 1)
    n_fft = 16384
    spectrum = np.abs(np.fft.rfft(lsf, n_fft))
    frequency = np.fft.rfftfreq(n_fft, 1 / _OVERSAMPLING)
    difference = np.sinc(2 * frequency / _OVERSAMPLING)  # of [-1/2, 0, 1/2]
    keep = frequency <= 1.0
    mtf = spectrum[keep] / spectrum[0] / difference[keep]
    return frequency[keep], mtf


def textbook_mtf50(pixels: FloatArray) -> float:
    """First crossing of one half, linear between frequencies. [cycles per pixel]."""
    frequency, mtf = textbook_mtf(pixels)
    k = int(np.argmax(mtf < 0.5))
    return float(
        frequency[k - 1]
        + (mtf[k - 1] - 0.5) / (mtf[k - 1] - mtf[k]) * (frequency[k] - frequency[k - 1])
    )
