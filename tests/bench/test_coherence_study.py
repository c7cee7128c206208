"""The aims of the overshoot flag, as slow tests: ``./check -m slow``."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench import coherence_study as study

pytestmark = pytest.mark.slow


def test_honest_edges_are_not_flagged() -> None:
    got = study.outcome(study.honest_edges(2, np.random.default_rng(41)))
    assert got.measured > 500
    assert got.flagged < 0.01 * got.measured
    # Half the share that is flagged: a drift shows before it raises flags.
    assert np.quantile(got.falls, 0.95) < 0.005


@pytest.mark.parametrize("size", [0.9, 2.2, 5.0])
@pytest.mark.parametrize("ratio", [0.25, 0.5])
@pytest.mark.parametrize("w20", [0.0, 0.5])
def test_directed_light_is_flagged(size: float, ratio: float, w20: float) -> None:
    got = study.outcome(study.directed_edges(size, ratio, w20, 0.01, 20, np.random.default_rng(42)))
    assert got.measured >= 19
    assert got.flagged >= 0.95 * got.measured


@pytest.mark.parametrize("size", [0.9, 2.2, 5.0])
@pytest.mark.parametrize("radius", [1.0, 2.0])
@pytest.mark.parametrize("amount", [0.5, 1.0, 1.5])
def test_sharpening_is_flagged_where_it_overshoots(
    size: float, radius: float, amount: float
) -> None:
    # Mild sharpening of a soft edge only makes it steeper: there is no overshoot to see.
    true = study.true_sharpened_fall(size, radius, amount)
    got = study.outcome(
        study.sharpened_edges(size, radius, amount, 0.01, 20, np.random.default_rng(43))
    )
    assert got.measured >= 19
    if true > 0.015:
        assert got.flagged >= 0.95 * got.measured
    elif true < 0.005:
        assert got.flagged <= 0.05 * got.measured
