"""How many frames are keepers, how sure is that, and do two conditions differ in it?

Keepers are counted: ``k`` of ``n`` frames, every frame for itself. Intervals are score
intervals; the test is exact and conditions on the number of keepers in both conditions
together. Counts may be arrays that broadcast; what comes back is then an array too.

Leaves out: frames that depend on each other (a burst), and more than two conditions at
once (``lab.inference.permutation.holm`` corrects several tests).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln, ndtri, xlog1py, xlogy

from lab.edges.types import FloatArray

__all__ = [
    "MOST_FRAMES",
    "difference_interval",
    "exact_difference_p",
    "frames_for_one",
    "frames_for_one_interval",
    "frames_to_tell",
    "power",
    "wilson",
]

MOST_FRAMES = 1000  # a condition; no search goes on beyond it (ours)
_EQUALLY_LIKELY = 1e-7  # of a probability: what rounding may set equal tables apart by
_FALL_BACK = 12  # frames over which power may fall back; 8 at most in 109 full searches to 219
_NEVER = 1e-12  # probability of counts that a power leaves out, at either end


def _share(name: str, value: float, *, open_ended: bool = False) -> float:
    inside = 0 < value < 1 if open_ended else 0 <= value <= 1
    if not inside:
        raise ValueError(f"{name} must be {'inside' if open_ended else 'from'} 0 to 1")
    return value


def _counts(k: npt.ArrayLike, n: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    kept, of = np.asarray(k, dtype=np.float64), np.asarray(n, dtype=np.float64)
    whole = np.all(kept == np.floor(kept)) and np.all(of == np.floor(of))
    if not (whole and np.all(of >= 1) and np.all(kept >= 0) and np.all(kept <= of)):
        raise ValueError("counts must be whole, 0 <= k <= n and n >= 1")
    return kept, of


def wilson(
    k: npt.ArrayLike, n: npt.ArrayLike, level: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Wilson's score interval of a share.

    Parameters
    ----------
    k, n : array_like of int
        Keepers, and frames of which they are counted. [-], 0 <= k <= n, n >= 1
    level : float
        Coverage aimed at, on average over shares. [-], inside 0 to 1

    Returns
    -------
    low, high : ndarray of float64
        The shares that a score test would not reject. [-], 0 to 1

    Raises
    ------
    ValueError
        If an argument is outside its range.

    References
    ----------
    .. [1] E. B. Wilson, J. Am. Stat. Assoc. 22, 209 (1927) (from memory).
    .. [2] L. D. Brown, T. T. Cai, A. DasGupta, Stat. Sci. 16, 101 (2001), recommend it
       for few frames.

    Examples
    --------
    >>> low, high = wilson(18, 20)
    >>> print(f"{low:.3f} to {high:.3f}")
    0.699 to 0.972
    """
    kept, of = _counts(k, n)
    z2 = float(ndtri(0.5 + _share("level", level, open_ended=True) / 2)) ** 2
    middle = (kept + z2 / 2) / (of + z2)
    half = np.sqrt(z2) / (of + z2) * np.sqrt(kept * (of - kept) / of + z2 / 4)
    # Both ends are exact where rounding would leave 1e-17.
    low = np.where(kept == 0, 0.0, middle - half)
    high = np.where(kept == of, 1.0, middle + half)
    return low, high


def difference_interval(
    k1: npt.ArrayLike, n1: npt.ArrayLike, k2: npt.ArrayLike, n2: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Newcombe's hybrid score interval of a difference of shares, 95 %.

    Parameters
    ----------
    k1, n1, k2, n2 : array_like of int
        Keepers and frames of either condition. [-], 0 <= k <= n, n >= 1

    Returns
    -------
    low, high : ndarray of float64
        Of the first share less the second. [-], -1 to 1

    Raises
    ------
    ValueError
        If a count is outside its range.

    References
    ----------
    .. [1] R. G. Newcombe, Stat. Med. 17, 873 (1998), method 10 (from memory).
    """
    low1, high1 = wilson(k1, n1)
    low2, high2 = wilson(k2, n2)
    share1, share2 = np.divide(k1, n1), np.divide(k2, n2)
    difference = share1 - share2
    return (
        difference - np.hypot(share1 - low1, high2 - share2),
        difference + np.hypot(high1 - share1, share2 - low2),
    )


def _mid_p(n1: int, n2: int, total: npt.NDArray[np.int64]) -> FloatArray:
    """Two-sided mid-p of every table with these totals of keepers.

    Returns (n_total, n1 + 1), by the keepers of the first condition; 0 where no table is.
    """
    k1 = np.arange(n1 + 1)
    k2 = total[:, None] - k1
    possible = (k2 >= 0) & (k2 <= n2)
    # log of C(n1, k1) C(n2, k2); their sum over k1 is C(n1 + n2, total).
    log = -gammaln(k1 + 1) - gammaln(n1 - k1 + 1) + np.zeros(k2.shape)
    inside = np.clip(k2, 0, n2)
    log += -gammaln(inside + 1) - gammaln(n2 - inside + 1)
    log = np.where(possible, log, -np.inf)
    likelihood = np.exp(log - log.max(axis=1, keepdims=True))
    likelihood /= likelihood.sum(axis=1, keepdims=True)
    order = np.argsort(likelihood, axis=1)
    rising = np.take_along_axis(likelihood, order, axis=1)
    below = np.concatenate([np.zeros((len(total), 1)), np.cumsum(rising, axis=1)], axis=1)
    # Runs of equally likely tables: each is more extreme than the other by half.
    at = np.arange(n1 + 1)
    starts = np.ones(rising.shape, dtype=bool)
    starts[:, 1:] = rising[:, 1:] > rising[:, :-1] * (1 + _EQUALLY_LIKELY)
    first = np.maximum.accumulate(np.where(starts, at, 0), axis=1)
    ends = np.ones(rising.shape, dtype=bool)
    ends[:, :-1] = starts[:, 1:]
    last = np.minimum.accumulate(np.where(ends, at, n1)[:, ::-1], axis=1)[:, ::-1]
    mid = np.take_along_axis(below, first, axis=1) + np.take_along_axis(below, last + 1, axis=1)
    p = np.empty_like(mid)
    np.put_along_axis(p, order, mid / 2, axis=1)
    # All frames kept or none: no other table could have come, and nothing speaks against it.
    alone = possible.sum(axis=1, keepdims=True) == 1
    return np.where(possible, np.where(alone, 1.0, np.minimum(p, 1.0)), 0.0)


def exact_difference_p(k1: npt.ArrayLike, n1: int, k2: npt.ArrayLike, n2: int) -> FloatArray:
    """Two-sided mid-p of Fisher's exact test that two shares are equal.

    Given the keepers of both conditions together, tables less likely than the one seen
    count as more extreme, and tables as likely, itself included, by half. That halving
    keeps the rate of false alarms near the nominal one, mostly below it; Fisher's own p
    stays far below with few frames (``tests.bench.keeper_study``).

    Parameters
    ----------
    k1, k2 : array_like of int
        Keepers of either condition. [-], 0 to n1, 0 to n2
    n1, n2 : int
        Frames of either condition. [-], >= 1

    Returns
    -------
    ndarray of float64
        1 where all frames of both are keepers, or none. [-], 0 to 1

    Raises
    ------
    ValueError
        If a count is outside its range.

    References
    ----------
    .. [1] A. Agresti, Categorical Data Analysis, on mid-p (from memory).
    """
    first, _ = _counts(k1, n1)
    second, _ = _counts(k2, n2)
    first, second = np.broadcast_arrays(first, second)
    total, row = np.unique((first + second).astype(np.int64), return_inverse=True)
    return np.asarray(_mid_p(n1, n2, total)[row.reshape(first.shape), first.astype(np.int64)])


def frames_for_one(share: float, sure: float = 0.95) -> int | None:
    """Frames to shoot so that at least one is a keeper, smallest n of 1 - (1 - p)^n >= sure.

    Parameters
    ----------
    share : float
        Chance that a frame is a keeper. [-], 0 to 1
    sure : float
        Chance of at least one keeper. [-], inside 0 to 1

    Returns
    -------
    int or None
        None where no number of frames is enough: a share of 0.

    Raises
    ------
    ValueError
        If an argument is outside its range.

    Examples
    --------
    >>> frames_for_one(0.4)  # 1 - 0.6**5 = 0.922, 1 - 0.6**6 = 0.953
    6
    """
    _share("sure", sure, open_ended=True)
    if _share("share", share) == 0:
        return None
    if share == 1:
        return 1
    exact = math.log1p(-sure) / math.log1p(-share)
    return max(1, math.ceil(exact * (1 - 1e-12)))  # a whole number stays itself


def frames_for_one_interval(k: int, n: int) -> tuple[int | None, int | None]:
    """95 % interval of ``frames_for_one``: what the ends of Wilson's interval ask for.

    Parameters
    ----------
    k, n : int
        Keepers, and frames of which they are counted. [-], 0 <= k <= n, n >= 1

    Returns
    -------
    low, high : int or None
        ``high`` is None, not bounded, where there is no keeper.

    Raises
    ------
    ValueError
        If a count is outside its range.
    """
    low, high = wilson(k, n)
    return frames_for_one(float(high)), frames_for_one(float(low))


def _binomial(n: int, share: float) -> tuple[npt.NDArray[np.int64], FloatArray]:
    """Counts that may come, and their probabilities."""
    k = np.arange(n + 1)
    log = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    chance = np.exp(log + xlogy(k, share) + xlog1py(n - k, -share))
    may = chance > _NEVER / (n + 1)
    return k[may], chance[may]


def _power(n: int, p1: float, p2: float, alpha: float) -> float:
    k1, chance1 = _binomial(n, p1)
    k2, chance2 = _binomial(n, p2)
    total = np.arange(k1[0] + k2[0], k1[-1] + k2[-1] + 1)
    table = k1[:, None] + k2 - total[0], k1[:, None]
    told = _mid_p(n, n, total)[table] <= alpha
    return float(chance1 @ told @ chance2)


def power(n: int, p1: float, p2: float, alpha: float = 0.05) -> float:
    """Chance that ``exact_difference_p`` tells two shares apart, over all possible counts.

    Parameters
    ----------
    n : int
        Frames per condition. [-], >= 1
    p1, p2 : float
        True shares of keepers. [-], 0 to 1
    alpha : float
        Largest p that counts as told apart. [-], inside 0 to 1

    Returns
    -------
    float
        With equal shares, the rate of false alarms. [-], 0 to 1

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    _counts(0, n)
    _share("alpha", alpha, open_ended=True)
    return _power(n, _share("p1", p1), _share("p2", p2), alpha)


def frames_to_tell(p1: float, p2: float, *, power: float = 0.8, alpha: float = 0.05) -> int | None:
    """Frames per condition from which the test tells two shares apart.

    Power rises with the frames in steps that may fall back a little, since counts are
    whole; what comes back is the smallest number that reaches the power asked for.

    Parameters
    ----------
    p1, p2 : float
        True shares of keepers. [-], 0 to 1
    power : float
        Chance to tell them apart. [-], inside 0 to 1
    alpha : float
        Largest p that counts as told apart. [-], inside 0 to 1

    Returns
    -------
    int or None
        None where more than ``MOST_FRAMES`` would be needed; so for equal shares.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    _share("p1", p1)
    _share("p2", p2)
    _share("power", power, open_ended=True)
    _share("alpha", alpha, open_ended=True)
    if p1 == p2:
        return None

    def enough(n: int) -> bool:
        return _power(n, p1, p2, alpha) >= power

    low, high = 0, 1
    while not enough(high):
        if high == MOST_FRAMES:
            return None
        low, high = high, min(2 * high, MOST_FRAMES)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    before = range(max(1, high - _FALL_BACK), high)
    return next((n for n in before if enough(n)), high)
