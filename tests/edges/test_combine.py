"""Several measurements of one quantity: worked cases, limits and honest intervals.

The worked cases follow from the definition alone: the between variance ``b`` makes
``sum((y - mean)**2 / (s**2 + b))`` equal n - 1. For two values that gives
``b = ((y1 - y2)**2 - s1**2 - s2**2) / 2``; for equal ``s`` it makes ``s**2 + b`` the
sample variance.
"""

from __future__ import annotations

import numpy as np
import pytest

from lab.edges.combine import combine, mean_of_directions


def test_one_value_is_its_own_mean() -> None:
    assert combine([0.2173], [0.0041]) == pytest.approx((0.2173, 0.0041))


def test_agreeing_values_give_the_inverse_variance_mean() -> None:
    # Weights 1/4 and 1: (10/4 + 10.5) / 1.25 = 10.4; scatter 0.05 < 1.
    assert combine([10.0, 10.5], [2.0, 1.0]) == pytest.approx((10.4, 1.25**-0.5))


def test_scatter_at_its_expectation_adds_nothing() -> None:
    # 3**2 / (1 + 8) = 1 = n - 1 exactly, so b = 0: weights 1 and 1/8.
    mean, std = combine([10.0, 13.0], [1.0, 8**0.5])
    assert (mean, std) == pytest.approx((31 / 3, (8 / 9) ** 0.5))


def test_two_values_worked_by_hand() -> None:
    # b = (9 - 1 - 4) / 2 = 2, variances 3 and 6: (10/3 + 13/6) * 2 = 11, 1 / (1/2) = 2.
    assert combine([10.0, 13.0], [1.0, 2.0]) == pytest.approx((11.0, 2**0.5))


def test_three_values_worked_by_hand() -> None:
    # About a mean of 50 with b = 3, variances 4, 4, 9: the first two lie at -0.8 +- u, the
    # third at 3.6. Weighted sum -1.6/4 + 3.6/9 = 0; scatter (1.28 + 2 u**2)/4 + 1.44 = 2.
    u = 0.48**0.5
    values = [49.2 + u, 49.2 - u, 53.6]
    assert combine(values, [1.0, 1.0, 6**0.5]) == pytest.approx((50.0, (11 / 18) ** -0.5))


def test_equal_stds_below_the_scatter_give_the_sample_error_of_the_mean() -> None:
    values = [0.31, 0.36, 0.29, 0.35, 0.41]
    mean, std = combine(values, [0.01] * 5)
    assert mean == pytest.approx(np.mean(values))
    assert std == pytest.approx(np.std(values, ddof=1) / 5**0.5)


def test_order_origin_and_unit_do_not_matter() -> None:
    values, stds = np.array([3.0, 4.5, 8.0, 5.2]), np.array([0.3, 0.5, 2.0, 0.1])
    mean, std = combine(values.tolist(), stds.tolist())
    assert combine(values[::-1].tolist(), stds[::-1].tolist()) == pytest.approx((mean, std))
    moved = combine((40 + 1e3 * values).tolist(), (1e3 * stds).tolist())
    assert moved == pytest.approx((40 + 1e3 * mean, 1e3 * std))


def test_far_value_cannot_pull_the_mean_by_its_small_std() -> None:
    # Inverse variance alone would put the mean at 8.9 with a std of 0.01.
    mean, std = combine([1.0, 1.1, 0.9, 9.0], [0.1, 0.1, 0.1, 0.01])
    assert mean == pytest.approx(3.0, abs=0.01)
    assert std == pytest.approx(2.0, rel=0.01)


_STDS = np.array([0.4, 0.6, 1.0, 0.8, 0.5, 1.3, 0.7, 0.9])


def _means(between_std: float) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(8)
    draws = 20 + np.hypot(_STDS, between_std) * rng.standard_normal((1500, 8))
    found = [combine(draw.tolist(), _STDS.tolist()) for draw in draws]
    means, stds = np.array(found).T
    return means, stds


@pytest.mark.parametrize("between_std", [1.0, 3.0])
def test_stated_std_is_the_error_of_the_mean(between_std: float) -> None:
    means, stds = _means(between_std)
    # The mean square of 1500 errors is known to 4 % (1 sigma).
    assert np.mean((means - 20) ** 2) / np.mean(stds**2) == pytest.approx(1, abs=0.12)


def test_without_extra_scatter_the_std_errs_on_the_safe_side() -> None:
    means, stds = _means(0.0)
    noise_alone = np.sum(_STDS**-2) ** -0.5
    assert stds.min() == pytest.approx(noise_alone)  # in most draws nothing is added
    assert np.mean(np.isclose(stds, noise_alone)) > 0.5
    # b is never below 0, so on the average a little is added: 10 % of the std at n = 8.
    assert 1 < np.sqrt(np.mean(stds**2) / np.mean((means - 20) ** 2)) < 1.15


def test_each_direction_counts_alike() -> None:
    # Vertical: 10 with std 1 / sqrt(3); horizontal: 16 with std 2.
    mean, std = mean_of_directions(
        [10.0, 16.0, 10.0, 10.0],
        [1.0, 2.0, 1.0, 1.0],
        ["vertical", "horizontal", "vertical", "vertical"],
    )
    assert mean == pytest.approx(13.0)
    assert std == pytest.approx((1 / 3 + 4) ** 0.5 / 2)


def test_one_direction_is_the_mean_of_its_edges() -> None:
    one = mean_of_directions([10.0, 13.0], [1.0, 2.0], ["vertical", "vertical"])
    assert one == combine([10.0, 13.0], [1.0, 2.0])


def test_difference_of_directions_is_no_scatter() -> None:
    # Astigmatism parts the directions; that does not make their mean uncertain.
    _, std = mean_of_directions([10.0, 30.0], [0.1, 0.1], ["vertical", "horizontal"])
    assert std == pytest.approx(0.1 / 2**0.5)


@pytest.mark.parametrize(
    ("values", "stds"),
    [
        ([], []),
        ([1.0], []),
        ([1.0, 2.0], [0.1]),
        ([1.0], [0.0]),
        ([1.0, 2.0], [0.1, -0.1]),
        ([1.0], [float("nan")]),
    ],
)
def test_bad_input_is_refused(values: list[float], stds: list[float]) -> None:
    with pytest.raises(ValueError, match="std > 0"):
        combine(values, stds)
    with pytest.raises(ValueError, match="std > 0"):
        mean_of_directions(values, stds, ["vertical"] * len(values))


@pytest.mark.parametrize("directions", [[], ["vertical"], ["vertical"] * 3])
def test_direction_missing_or_too_many_is_refused(directions: list[str]) -> None:
    with pytest.raises(ValueError, match="one length"):
        mean_of_directions([1.0, 2.0], [0.1, 0.1], directions)
