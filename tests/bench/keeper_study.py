"""Are a trial's intervals and tests as sure as they say, with the frames people shoot?

    python -m tests.bench.keeper_study            all tables, some minutes

Shares of keepers are worked out over all counts, without chance. Sharpness is drawn from
invented distributions; 1000 trials leave each figure a standard error of 0.7 %.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable

import numpy as np
from scipy.stats import binom, fisher_exact, norm

from lab.edges.types import FloatArray
from lab.inference.permutation import (
    REJECTED,
    median_difference_interval,
    median_interval,
    permutation_p,
)
from lab.inference.proportions import exact_difference_p, frames_to_tell, power, wilson

FRAMES = (10, 20, 30, 50)
SHARES = np.linspace(0.05, 0.95, 91)
ALPHA = 0.05

Draw = Callable[[np.random.Generator, int], FloatArray]


def _normal(std: float) -> Draw:
    return lambda rng, n: std * rng.standard_normal(n)


def _tailed(rng: np.random.Generator, n: int) -> FloatArray:
    """Capped above, with a tail of ever softer frames; its median is 0."""
    return np.asarray(1 - np.exp(rng.standard_normal(n)))


def _rejecting(share: float) -> Draw:
    """The tailed frames, the softest share of them rejected."""
    limit = 1 - np.exp(norm.isf(share))

    def draw(rng: np.random.Generator, n: int) -> FloatArray:
        frames = _tailed(rng, n)
        return np.where(frames < limit, REJECTED, frames)

    return draw


def _rounded(rng: np.random.Generator, n: int) -> FloatArray:
    return np.round(2 * rng.standard_normal(n)) / 2


# Equal medians: name, one condition, the other.
EQUAL: tuple[tuple[str, Draw, Draw], ...] = (
    ("normal", _normal(1), _normal(1)),
    ("tail of soft frames", _tailed, _tailed),
    ("tail, 30 % rejected", _rejecting(0.3), _rejecting(0.3)),
    ("ties, steps of sd / 2", _rounded, _rounded),
    ("scatter 1 : 3", _normal(1), _normal(3)),
    ("scatter 1 : 10", _normal(1), _normal(10)),
    ("narrow and tailed", _normal(0.3), _tailed),
)


def _chances(n: int) -> FloatArray:
    """(n + 1, n_share): chance of each count of keepers."""
    return np.asarray(binom.pmf(np.arange(n + 1)[:, None], n, SHARES))


def _print_shares() -> None:
    print("Wilson's interval of a share, 95 %, shares 0.05 to 0.95")
    for n in FRAMES:
        low, high = wilson(np.arange(n + 1), n)
        holds = (low[:, None] <= SHARES) & (high[:, None] >= SHARES)
        coverage = (_chances(n) * holds).sum(axis=0)
        worst = int(np.argmin(coverage))
        print(
            f"  n = {n}: {coverage.mean():.1%} on average, "
            f"worst {coverage[worst]:.1%} at a share of {SHARES[worst]:.2f}"
        )


def _print_false_alarms_of_shares() -> None:
    print(f"false alarms of the keeper test at {ALPHA:.0%}; in brackets Fisher's p unhalved")
    common = (SHARES >= 0.2 - 1e-9) & (SHARES <= 0.8 + 1e-9)
    for n in FRAMES:
        k = np.arange(n + 1)
        plain = np.array([[fisher_exact([[i, n - i], [j, n - j]]).pvalue for j in k] for i in k])
        rates = []
        for p in (exact_difference_p(k[:, None], n, k, n), plain):
            rates.append(np.einsum("is,js,ij->s", _chances(n), _chances(n), p <= ALPHA))
        mid, unhalved = rates
        print(
            f"  n = {n}: {mid.mean():.1%} on average ({unhalved.mean():.1%}), "
            f"{mid[common].mean():.1%} for shares 0.2 to 0.8, "
            f"from {mid.min():.1%} to {mid.max():.1%}"
        )


def _print_false_alarms_of_sharpness(runs: int) -> None:
    rng = np.random.default_rng(71)
    print(f"false alarms of the sharpness test at {ALPHA:.0%}, {runs} trials each")
    print(f"  {'':24}" + "".join(f"{f'n = {n}':>9}" for n in FRAMES))
    for name, one, other in EQUAL:
        rates = [
            np.mean(
                [
                    permutation_p(one(rng, n), other(rng, n), rng, draws=399) <= ALPHA
                    for _ in range(runs)
                ]
            )
            for n in FRAMES
        ]
        print(f"  {name:24}" + "".join(f"{rate:9.1%}" for rate in rates), flush=True)


def _holds(interval: tuple[float | None, float | None]) -> bool:
    """The true figure 0 lies inside; an end that is None does not bound it."""
    low, high = interval
    return (low is None or low <= 1e-12) and (high is None or high >= -1e-12)


def _print_medians(runs: int) -> None:
    rng = np.random.default_rng(72)
    print(f"intervals of a median and of a difference of medians, 95 %, {runs} trials each")
    print(f"  {'':24}" + "".join(f"{f'n = {n}':>16}" for n in FRAMES))
    for name, one, other in EQUAL:
        cells = []
        for n in FRAMES:
            drawn = [(one(rng, n), other(rng, n)) for _ in range(runs)]
            single = np.mean([_holds(median_interval(b)) for _, b in drawn])
            both = np.mean([_holds(median_difference_interval(a, b)) for a, b in drawn])
            cells.append(f"{single:9.1%}{both:7.1%}")
        print(f"  {name:24}" + "".join(cells), flush=True)


def _print_power(runs: int) -> None:
    rng = np.random.default_rng(73)
    print(f"power of the keeper test over all counts, and in {runs} simulated trials")
    for p1, p2 in ((0.9, 0.6), (0.8, 0.4), (0.95, 0.85), (0.5, 0.1)):
        cells = []
        for n in FRAMES:
            k1, k2 = rng.binomial(n, [[p1], [p2]], (2, runs))
            seen = np.mean(exact_difference_p(k1, n, k2, n) <= ALPHA)
            cells.append(f"{n}: {power(n, p1, p2, ALPHA):.1%} {seen:.1%}")
        print(f"  {p1} and {p2}: {', '.join(cells)}; 80 % from {frames_to_tell(p1, p2)} frames")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=1000, help="trials a figure of sharpness")
    runs = parser.parse_args().runs
    _print_shares()
    _print_false_alarms_of_shares()
    _print_power(100_000)
    _print_medians(runs)
    _print_false_alarms_of_sharpness(runs)


if __name__ == "__main__":
    main()
