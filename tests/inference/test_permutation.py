"""Two conditions' sharpness: scipy's statistic beside ours, exact laws, recovery of nominal."""

from __future__ import annotations

import math
from itertools import combinations, product

import numpy as np
import pytest
from scipy.stats import brunnermunzel, rankdata

from lab.inference.permutation import (
    REJECTED,
    holm,
    median,
    median_difference_interval,
    median_interval,
    permutation_p,
)

# Published: pain scores of Brunner and Munzel 2000, as scipy's documentation prints them.
PAIN = (
    [1, 2, 1, 1, 1, 1, 1, 1, 1, 1, 2, 4, 1, 1],
    [3, 3, 4, 3, 1, 2, 3, 1, 1, 5, 4],
)


def _by_scipy(a: list[float], b: list[float]) -> float:
    """Permutation p from scipy's own statistic, every way to deal the frames out."""
    ranks = rankdata(a + b)  # rejected frames as the lowest rank: scipy takes no -inf
    statistics = []
    for chosen in combinations(range(len(ranks)), len(a)):
        others = np.delete(ranks, chosen)
        with np.errstate(divide="ignore", invalid="ignore"):
            found = abs(brunnermunzel(ranks[list(chosen)], others, distribution="normal").statistic)
        statistics.append(0.0 if math.isnan(found) else found)
    return float(np.mean(np.array(statistics) >= statistics[0] * (1 - 1e-9)))


# Exact. The first way that ``combinations`` gives is the one seen.
@pytest.mark.parametrize(
    ("a", "b"),
    [
        ([3.1, 4.7, 5.2, 2.9], [4.8, 6.3, 5.9]),
        ([3.0, 5.0, 5.0, 2.0], [5.0, 6.0, 3.0, 9.0, 5.0]),
        ([REJECTED, 4.0, REJECTED, 4.5], [4.0, 6.0, REJECTED, 5.0, 7.0]),
        ([1.0, 2.0, 3.0], [4.0, 5.0, 6.0, 7.0]),
    ],
)
@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # scipy's, for conditions wholly apart
def test_exact_p_is_that_of_scipys_statistic(a: list[float], b: list[float]) -> None:
    rng = np.random.default_rng(1)
    p = permutation_p(a, b, rng)
    assert p == pytest.approx(_by_scipy(a, b), abs=1e-12)
    assert permutation_p(b, a, rng) == pytest.approx(p, abs=1e-12)
    assert rng.random() == np.random.default_rng(1).random()  # no draw was needed


def test_p_of_pain_scores() -> None:
    # Published: 0.008038 by all 4 457 400 ways (from memory); by random ones here.
    p = permutation_p(*PAIN, np.random.default_rng(3), draws=40_000)
    assert p == pytest.approx(0.008038, abs=4 * math.sqrt(0.008 / 40_000))


def test_p_has_a_floor_and_a_ceiling() -> None:
    apart = np.arange(12.0), np.arange(20.0, 32.0)
    assert permutation_p(*apart, np.random.default_rng(4), draws=199) == 1 / 200
    assert permutation_p([7.0] * 12, [7.0] * 15, np.random.default_rng(4)) == 1
    assert permutation_p([REJECTED] * 3, [REJECTED] * 4, np.random.default_rng(4)) == 1


def test_only_the_order_of_frames_counts() -> None:
    rng = np.random.default_rng(6)
    a, b = rng.normal(40, 5, 7), rng.normal(44, 5, 8)
    p = permutation_p(a, b, rng)
    assert permutation_p(np.exp(a), np.exp(b), rng) == p
    lowest = min(a.min(), b.min())
    a[a == lowest], b[b == lowest] = REJECTED, REJECTED
    assert permutation_p(a, b, rng) == p


# Recovery: equal conditions, a third of the frames rejected, ties; and a scatter of one
# condition five times the other's. 800 trials of a true 5 %: 99.9 % lie in 2.5 to 7.5 %.
@pytest.mark.parametrize("scatter", [1.0, 5.0])
def test_false_alarms(scatter: float) -> None:
    rng = np.random.default_rng(7)
    alarms = 0
    for _ in range(800):
        a, b = np.round(rng.normal(0, [[1.0], [scatter]], (2, 12)), 1)
        if scatter == 1:
            a[a < -0.43], b[b < -0.43] = REJECTED, REJECTED
        alarms += permutation_p(a, b, rng, draws=199) <= 0.05
    assert 0.025 <= alarms / 800 <= 0.075


def test_median_counts_rejected_frames_below_all() -> None:
    assert median([30.0, REJECTED, 20.0, 50.0, 40.0]) == 30
    assert median([30.0, REJECTED, 20.0, 40.0]) == 25
    assert median([30.0, REJECTED, REJECTED, 40.0]) is None
    assert median([REJECTED, REJECTED, 40.0]) is None


# Exact: every sample that can be drawn from six or seven frames, one by one.
@pytest.mark.parametrize("n", [6, 7])
def test_interval_is_that_of_all_samples(n: int) -> None:
    frames = np.random.default_rng(n).normal(40, 6, n)
    drawn = np.sort(np.median(frames[np.array(list(product(range(n), repeat=n)))], axis=1))
    low, high = median_interval(frames)
    tail = math.ceil(0.025 * drawn.size)
    assert low == pytest.approx(drawn[tail - 1]) and high == pytest.approx(drawn[-tail])
    assert frames.min() <= low < high <= frames.max()


# Recovery: resampling by random numbers, unequal numbers of frames.
def test_interval_of_a_difference_is_that_of_random_samples() -> None:
    rng = np.random.default_rng(9)
    a, b = rng.normal(40, 6, 20), rng.normal(30, 3, 13)
    drawn = np.median(rng.choice(a, (40_000, 20)), axis=1) - np.median(
        rng.choice(b, (40_000, 13)), axis=1
    )
    low, high = median_difference_interval(a, b)
    assert low is not None and high is not None
    assert np.mean(drawn < low) == pytest.approx(0.025, abs=0.004)
    assert np.mean(drawn > high) == pytest.approx(0.025, abs=0.004)
    assert median_difference_interval(b, a) == pytest.approx((-high, -low))
    assert median_difference_interval(3 * a + 7, 3 * b) == pytest.approx(
        (3 * low + 7, 3 * high + 7)
    )


def test_ends_among_rejected_frames_are_not_bounded() -> None:
    sharp = [41.0, 42.0, 43.0, 44.0, 45.0, 46.0, 47.0, 48.0]
    half = [REJECTED] * 4 + [31.0, 32.0, 33.0, 34.0]
    assert median_interval(half) == (None, 33.0)
    low, high = median_difference_interval(sharp, half)
    assert low is not None and low > 0 and high is None
    low, high = median_difference_interval(half, sharp)
    assert low is None and high is not None and high < 0
    assert median_difference_interval(half, half) == (None, None)
    assert median_interval([REJECTED] * 7) == (None, None)


def test_too_few_frames_have_no_interval() -> None:
    five = [41.0, 43.0, 44.0, 47.0, 48.0]
    assert median_interval(five) == (None, None)
    assert median_difference_interval(five, [*five, 50.0]) == (None, None)
    assert None not in median_difference_interval([*five, 50.0], [*five, 49.0])


# Recovery: 400 runs of a true 95 % give 0.9275 to 0.97; the bootstrap of few frames covers
# up to 97 % (``tests.bench.keeper_study``), which gives up to 0.985.
@pytest.mark.parametrize(("n", "scatter"), [(11, 1.0), (20, 4.0)])
def test_coverage(n: int, scatter: float) -> None:
    rng = np.random.default_rng(10)
    hits = 0
    for _ in range(400):
        low, high = median_difference_interval(3 - rng.gumbel(size=n), rng.normal(0, scatter, n))
        assert low is not None and high is not None
        hits += low <= 3 + math.log(math.log(2)) <= high  # median of the Gumbel law, mirrored
    assert 0.9275 <= hits / 400 <= 0.985


def test_holm() -> None:
    # Exact: 4 x 0.005, 3 x 0.01, 2 x 0.03, and never below the one before.
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx((0.03, 0.06, 0.06, 0.02))
    assert holm([0.6, 0.9]) == (1.0, 1.0)
    assert holm([0.2]) == (0.2,) and holm([]) == ()


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: permutation_p([], [1.0], np.random.default_rng(0)), "a must hold"),
        (lambda: permutation_p([1.0], [math.nan], np.random.default_rng(0)), "b must hold"),
        (lambda: permutation_p([1.0], [2.0], np.random.default_rng(0), draws=0), "draws"),
        (lambda: median([math.inf, 2.0]), "finite or REJECTED"),
        (lambda: median_interval([]), "values must hold"),
        (lambda: median_difference_interval([1.0], [math.nan]), "b must hold"),
        (lambda: holm([0.2, 1.2]), "from 0 to 1"),
        (lambda: holm([math.nan]), "from 0 to 1"),
    ],
)
def test_bad_input(call: object, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        call()  # type: ignore[operator]
