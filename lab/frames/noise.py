"""How noisy is one raw colour, as told by the frame itself or by a pair of frames?

Small blocks of one colour's sites each give a mean signal and a variance; the
line variance = read_std**2 + gain * signal is fitted to the blocks that hold
noise alone. Blocks with texture or an edge stick out upwards and are left out.
One frame cannot tell pixel noise from unequal pixel response, so its estimate
holds both, as the pixels of an edge do; a pair of equal frames gives pixel noise
only. Read noise is what the line says at zero signal: sure only if the frame has
dark parts. Left out: noise that neighbours share, which interpolated and
tone-mapped frames have; they give no single-frame model.

References
----------
.. [1] EMVA Standard 1288, Release 3.1, 30 December 2016: linear model and
   two-frame photon transfer; from memory.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray, MaskArray, NoiseModel
from lab.frames.frame import CHANNELS, Frame
from lab.frames.linear import LinearMosaic

__all__ = ["estimate_noise", "noise_from_pair"]

_BLOCK = 8  # sites a side: small, so that few blocks touch an edge
_MOST_BLOCKS = 6000  # over the whole frame: 0.3 % on the variance
_FEWEST_BLOCKS = 60
# Blocks above this quantile of the fitted noise are not used. The mean of the
# rest is corrected for the cut, so that clean blocks lose nothing by it.
_CUT_QUANTILE = 0.9
# The first guess comes from this quantile of the blocks of like signal: one
# quarter of them may hold texture only above it.
_START_QUANTILE = 0.25
_N_LEVEL = 20  # groups of like signal for the first guess
_MOST_ROUNDS = 50
# Limits beyond which the noise cannot be told. Clean share: fewer blocks than
# this lie on the line. Slope: its relative standard uncertainty. White: mean
# square of the finest structure over that of all structure, 1 for noise alone.
_LEAST_CLEAN_SHARE = 0.2
_WORST_SLOPE = 0.25
_WHITE = (0.88, 1.12)


def estimate_noise(frame: Frame, channel: str) -> NoiseModel | None:
    """Noise of one raw colour from one frame.

    Parameters
    ----------
    frame : Frame
        A raw mosaic, or a linear grey image.
    channel : str
        One of ``CHANNELS``.

    Returns
    -------
    NoiseModel or None
        In the frame's unit [DN]. None if it cannot be told: interpolated or
        tone-mapped pixels, too few blocks without texture or clipping, too
        small a range of signal to split the two terms, or noise that
        neighbours share.
    """
    if "tone-mapped" in frame.flags or "demosaiced" in frame.flags:
        return None
    blocks = _plane(frame, channel)[_block_sites(frame, channel, frame.saturated)]
    # Contrasts that a parabola leaves at 0, and nearly so an edge that runs almost
    # along rows or columns. White noise gives every contrast its own variance.
    contrast = (_CONTRASTS @ blocks @ _CONTRASTS.T) ** 2
    variance = contrast.mean(axis=(1, 2))
    fitted = _fit(blocks.mean(axis=(1, 2)), variance, freedom=len(_CONTRASTS) ** 2)
    if fitted is None:
        return None
    model, clean = fitted
    expected = model.variance(blocks.mean(axis=(1, 2)))[clean]
    rough = len(_CONTRASTS) // 2
    finest = contrast[clean, rough:, rough:].mean(axis=(1, 2))
    white = np.mean(finest / expected) / np.mean(variance[clean] / expected)
    return model if _WHITE[0] <= white <= _WHITE[1] else None


def noise_from_pair(frame_a: Frame, frame_b: Frame, channel: str) -> NoiseModel | None:
    """Noise of one raw colour from two frames of the same unmoved scene.

    Half the variance of the difference against the mean: two-frame photon
    transfer of EMVA 1288, block by block.

    Parameters
    ----------
    frame_a, frame_b : Frame
        Equal exposures; linear.
    channel : str
        One of ``CHANNELS``.

    Returns
    -------
    NoiseModel or None
        In the frames' unit [DN]. None if it cannot be told: tone-mapped pixels,
        too few blocks without movement or clipping, or too small a range of
        signal to split the two terms.

    Raises
    ------
    ValueError
        If the frames differ in size or pattern.
    """
    if frame_a.pixels.shape != frame_b.pixels.shape or not np.array_equal(
        frame_a.pattern, frame_b.pattern
    ):
        raise ValueError("a pair needs two frames of one size and one colour pattern")
    if "tone-mapped" in frame_a.flags + frame_b.flags:
        return None
    sites = _block_sites(frame_a, channel, frame_a.saturated | frame_b.saturated)
    a, b = _plane(frame_a, channel)[sites], _plane(frame_b, channel)[sites]
    mean = (a.mean(axis=(1, 2)) + b.mean(axis=(1, 2))) / 2
    fitted = _fit(mean, (a - b).var(axis=(1, 2), ddof=1) / 2, freedom=_BLOCK**2 - 1)
    return None if fitted is None else fitted[0]


def _contrasts() -> npt.NDArray[np.float32]:
    """Orthonormal polynomials of degree 3 and up on a block's side, smooth to rough."""
    side = np.linspace(-1, 1, _BLOCK)
    basis, _ = np.linalg.qr(np.polynomial.legendre.legvander(side, _BLOCK - 1))
    return basis.T[3:].astype(np.float32)


_CONTRASTS = _contrasts()


def _plane(frame: Frame, channel: str) -> npt.NDArray[np.float32] | LinearMosaic:
    return frame.pixels if frame.is_mosaic else frame.pixels[:, :, CHANNELS.index(channel)]


def _block_sites(
    frame: Frame, channel: str, clipped: MaskArray
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Rows (n, _BLOCK, 1) and columns (n, 1, _BLOCK) of unclipped blocks of one colour.

    Each site of the pattern makes its own lattice, so the two greens never mix.
    """
    index = CHANNELS.index(channel)
    pattern = frame.pattern if frame.is_mosaic else np.full((1, 1), index)
    p, q = pattern.shape
    phases = np.argwhere(pattern == index)
    n_down, n_across = frame.shape[0] // (p * _BLOCK), frame.shape[1] // (q * _BLOCK)
    step = max(int(np.ceil(np.sqrt(n_down * n_across * len(phases) / _MOST_BLOCKS))), 1)
    down, across = np.mgrid[0:n_down:step, 0:n_across:step]
    inside = np.arange(_BLOCK)
    at_row = (down.reshape(-1, 1) * _BLOCK + inside) * p
    at_col = (across.reshape(-1, 1) * _BLOCK + inside) * q
    rows = np.concatenate([at_row + i for i, _ in phases])[:, :, None]
    cols = np.concatenate([at_col + j for _, j in phases])[:, None, :]
    free = ~clipped[rows, cols].any(axis=(1, 2))
    return rows[free], cols[free]


def _fit(
    signal: npt.NDArray[np.float32], variance: npt.NDArray[np.float32], *, freedom: int
) -> tuple[NoiseModel, MaskArray] | None:
    """The line through the blocks that hold noise alone, and which blocks those are.

    Block variances over their expectation follow chi-squared over ``freedom``.
    """
    from scipy.special import gammainc, gammaincinv

    if signal.size < _FEWEST_BLOCKS:
        return None
    half = freedom / 2
    low = float(gammaincinv(half, _START_QUANTILE)) / half
    cut = float(gammaincinv(half, _CUT_QUANTILE)) / half
    mean_below_cut = float(gammainc(half + 1, half * cut)) / _CUT_QUANTILE
    x, y = np.maximum(signal.astype(float), 0.0), variance.astype(float)
    groups = np.array_split(np.argsort(x), _N_LEVEL)
    level = np.array([np.median(x[group]) for group in groups])
    start = np.array([np.quantile(y[group], _START_QUANTILE) for group in groups]) / low
    if not start.min() > 0:  # no noise at all at some level
        return None
    line = _line(level, start, start)
    clean = np.zeros(x.size, dtype=bool)
    for _ in range(_MOST_ROUNDS):
        expected = line[0] + line[1] * x
        before, clean = clean, y < cut * expected
        if np.array_equal(clean, before) or clean.mean() < _LEAST_CLEAN_SHARE:
            break
        line = _line(x[clean], y[clean] / mean_below_cut, expected[clean])
    if clean.mean() < _LEAST_CLEAN_SHARE or not line[0] + line[1] * x[clean].min() > 0:
        return None
    expected = line[0] + line[1] * x[clean]
    weight = 1 / expected**2
    spread = np.sum(weight * (x[clean] - np.average(x[clean], weights=weight)) ** 2)
    # The slope's variance is 2 / freedom / spread; compared without a division by zero.
    if not spread * (_WORST_SLOPE * line[1]) ** 2 > 2 / freedom:
        return None
    return NoiseModel(read_std=float(np.sqrt(line[0])), gain=float(line[1])), clean


def _line(x: FloatArray, y: FloatArray, scale: FloatArray) -> tuple[float, float]:
    """Intercept and slope, neither below 0, of a line through y with errors like ``scale``."""
    weight = 1 / scale**2
    mean_x, mean_y = np.average(x, weights=weight), np.average(y, weights=weight)
    spread = np.sum(weight * (x - mean_x) ** 2)
    slope = np.sum(weight * (x - mean_x) * y) / spread if spread > 0 else 0.0
    if slope <= 0:
        return float(mean_y), 0.0
    if slope * mean_x > mean_y:
        return 0.0, float(np.sum(weight * x * y) / np.sum(weight * x**2))
    return float(mean_y - slope * mean_x), float(slope)
