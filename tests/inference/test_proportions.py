"""Shares of keepers: published intervals, exact laws, and scipy's Fisher test beside ours."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import binom, binomtest, fisher_exact, hypergeom

from lab.inference import proportions as ours


# Published: check values computed from Wilson's closed form, section 6.
@pytest.mark.parametrize(
    ("k", "n", "low", "high"),
    [
        (0, 10, 0.0, 0.277533),
        (8, 10, 0.490162, 0.943318),
        (10, 10, 0.722467, 1.0),
        (18, 20, 0.698966, 0.972134),
        (45, 50, 0.786398, 0.956524),
        (90, 100, 0.825634, 0.944771),
    ],
)
def test_wilson_published(k: int, n: int, low: float, high: float) -> None:
    # Ends at 0 and 1 have six digits too; rounding must not leave them by 1e-17.
    assert ours.wilson(k, n) == (pytest.approx(low, abs=6e-7), pytest.approx(high, abs=6e-7))
    assert ours.wilson(0, n)[0] == 0 and ours.wilson(n, n)[1] == 1


# Exact: another implementation, and other levels.
@pytest.mark.parametrize("level", [0.8, 0.99])
def test_wilson_against_scipy(level: float) -> None:
    low, high = ours.wilson([3, 17], [11, 19], level)
    for i, (k, n) in enumerate([(3, 11), (17, 19)]):
        other = binomtest(k, n).proportion_ci(level, method="wilson")
        assert (low[i], high[i]) == pytest.approx((other.low, other.high), rel=1e-12)


# Published: examples of Newcombe 1998, method 10, from memory.
@pytest.mark.parametrize(
    ("counts", "low", "high"),
    [
        ((56, 70, 48, 80), 0.0524, 0.3339),
        ((9, 10, 3, 10), 0.1705, 0.8090),
        ((6, 7, 2, 7), 0.0582, 0.8062),
        ((5, 56, 0, 29), -0.0381, 0.1926),
        ((0, 10, 0, 20), -0.1611, 0.2775),
        ((10, 10, 0, 20), 0.6791, 1.0),
    ],
)
def test_difference_published(counts: tuple[int, int, int, int], low: float, high: float) -> None:
    assert ours.difference_interval(*counts) == pytest.approx((low, high), abs=5.1e-5)
    swapped = ours.difference_interval(*counts[2:], *counts[:2])
    assert swapped == pytest.approx((-high, -low), abs=5.1e-5)


# Exact: ours and half of the tables as likely as the one seen make scipy's plain p.
@pytest.mark.parametrize(("n1", "n2"), [(7, 7), (9, 14), (20, 13)])
def test_mid_p_against_scipy(n1: int, n2: int) -> None:
    k1, k2 = np.meshgrid(np.arange(n1 + 1), np.arange(n2 + 1), indexing="ij")
    p = ours.exact_difference_p(k1, n1, k2, n2)
    assert p.shape == (n1 + 1, n2 + 1)
    for i, j in zip(k1.ravel(), k2.ravel(), strict=True):
        plain = fisher_exact([[i, n1 - i], [j, n2 - j]]).pvalue
        likely = hypergeom.pmf(np.arange(n1 + 1), n1 + n2, i + j, n1)
        tied = likely[np.isclose(likely, likely[i], rtol=1e-6, atol=0)].sum()
        expected = 1.0 if i + j in (0, n1 + n2) else plain - tied / 2
        assert p[i, j] == pytest.approx(expected, abs=1e-12)


def test_mid_p_in_closed_form() -> None:
    # 3 of 3 against 0 of 3: two tables of 1 / C(6, 3) each, halved.
    assert ours.exact_difference_p(3, 3, 0, 3) == pytest.approx(1 / 20)
    assert ours.exact_difference_p(6, 6, 9, 9) == 1


def test_frames_for_one() -> None:
    for share in (0.031, 0.1, 0.37, 0.5, 0.83, 0.95, 0.999):
        n = ours.frames_for_one(share)
        assert n is not None
        assert 1 - (1 - share) ** n >= 0.95 - 1e-12
        assert n == 1 or 1 - (1 - share) ** (n - 1) < 0.95
    assert ours.frames_for_one(0.5, sure=0.875) == 3  # a whole number stays itself
    assert ours.frames_for_one(0.0) is None and ours.frames_for_one(1.0) == 1


def test_frames_for_one_interval() -> None:
    # Wilson's ends of 8 of 10, 0.943318 and 0.490162: ln 0.05 / ln(1 - p) = 1.04, 4.45.
    assert ours.frames_for_one_interval(8, 10) == (2, 5)
    assert ours.frames_for_one_interval(0, 10) == (10, None)
    assert ours.frames_for_one_interval(10, 10) == (1, 3)


# Exact: the sum over all tables, from scipy's binomials and ours one table at a time.
@pytest.mark.parametrize(("n", "p1", "p2", "alpha"), [(9, 0.9, 0.3, 0.05), (14, 0.6, 0.6, 0.2)])
def test_power_is_the_chance_of_a_small_p(n: int, p1: float, p2: float, alpha: float) -> None:
    told = sum(
        binom.pmf(i, n, p1) * binom.pmf(j, n, p2)
        for i in range(n + 1)
        for j in range(n + 1)
        if ours.exact_difference_p(i, n, j, n) <= alpha
    )
    assert ours.power(n, p1, p2, alpha) == pytest.approx(told, abs=1e-9)


# Recovery: the share of simulated trials that the test tells apart.
def test_power_against_simulation() -> None:
    rng = np.random.default_rng(8)
    k1, k2 = rng.binomial(25, [[0.85], [0.5]], (2, 20_000))
    seen = np.mean(ours.exact_difference_p(k1, 25, k2, 25) <= 0.05)
    assert ours.power(25, 0.85, 0.5) == pytest.approx(seen, abs=4 * math.sqrt(0.25 / 20_000))


@pytest.mark.parametrize(
    ("p1", "p2", "goal", "alpha"),
    [(0.9, 0.6, 0.8, 0.05), (0.43, 0.76, 0.5, 0.05), (0.2, 0.7, 0.9, 0.01), (1.0, 0.0, 0.8, 0.05)],
)
def test_frames_to_tell_is_the_first_that_is_enough(
    p1: float, p2: float, goal: float, alpha: float
) -> None:
    n = ours.frames_to_tell(p1, p2, power=goal, alpha=alpha)
    assert n == next(m for m in range(1, 200) if ours.power(m, p1, p2, alpha) >= goal)
    assert n == ours.frames_to_tell(p2, p1, power=goal, alpha=alpha)


def test_search_ends() -> None:
    assert ours.frames_to_tell(0.5, 0.46) is None
    assert ours.power(ours.MOST_FRAMES, 0.5, 0.46) < 0.8
    assert ours.frames_to_tell(0.7, 0.7) is None


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: ours.wilson(3, 0), "n >= 1"),
        (lambda: ours.wilson(4, 3), "k <= n"),
        (lambda: ours.wilson(-1, 3), "0 <= k"),
        (lambda: ours.wilson(1.5, 3), "whole"),
        (lambda: ours.wilson(math.nan, 3), "whole"),
        (lambda: ours.wilson(1, 3, 1.0), "level"),
        (lambda: ours.difference_interval(1, 3, 4, 3), "k <= n"),
        (lambda: ours.exact_difference_p([1, 4], 3, 2, 3), "k <= n"),
        (lambda: ours.frames_for_one(math.nan), "share"),
        (lambda: ours.frames_for_one(0.5, 1.0), "sure"),
        (lambda: ours.power(0, 0.5, 0.6), "n >= 1"),
        (lambda: ours.power(9, 0.5, 1.1), "p2"),
        (lambda: ours.power(9, 0.5, 0.6, 0.0), "alpha"),
        (lambda: ours.frames_to_tell(-0.1, 0.6), "p1"),
        (lambda: ours.frames_to_tell(0.4, 0.6, power=1.0), "power"),
        (lambda: ours.frames_to_tell(0.4, 0.6, alpha=math.nan), "alpha"),
    ],
)
def test_bad_input(call: object, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        call()  # type: ignore[operator]
