"""Pairs in arrays: the same verdicts as one by one, and as the textbook's correction."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest

from lab.inference import compare_pairs
from lab.inference.compare_curves import Figure
from lab.inference.compare_pairs import Answer, Asked, Judge, Shared
from lab.inference.compare_records import ComparedValue
from lab.inference.permutation import holm


def answers(rng: np.random.Generator, count: int, spread: float) -> list[Answer]:
    """Sessions 2, 4, 6, ...: places and numbers of sessions must not be mixed up."""
    out = []
    for k in range(count):
        figure = Figure(
            log=float(rng.normal(4.0, spread)),
            stop=4.0,
            f_number=12.0,
            own=float(rng.uniform(0.005, 0.02)),
            target=float(rng.uniform(0.0, 0.01)),
            by_light=float(rng.uniform(-1.0, 0.0)),
            light=float(rng.normal(0, 0.01)),
            light_std=float(rng.uniform(0.01, 0.015)),
        )
        value = math.exp(figure.log)
        shown = ComparedValue(
            session=2 * k + 2, value=value, low95=value, high95=value, stop=4, effective_f_number=12
        )
        out.append(Answer(figure=figure, shown=shown))
    return out


def family(rng: np.random.Generator, shared: Shared, counts: tuple[int, ...]) -> list[Asked]:
    return [Asked("optimum", "", answers(rng, n, 0.03), shared) for n in counts]


def nothing_shared(count: int = 200) -> Shared:
    return Shared(target=np.full(count, -1), light=np.full(count, -1))


def by_hand(one: Figure, other: Figure, target: bool, light: bool) -> tuple[float, float]:
    """Difference and its standard uncertainty, from the module's words."""
    apart = one.log - other.log
    variance = one.own**2 + other.own**2
    if light:
        apart -= one.by_light * one.light - other.by_light * other.light
        known = min(one.light_std, other.light_std)
        variance += (known * (one.by_light - other.by_light)) ** 2
    else:
        variance += sum((f.by_light * f.light_std) ** 2 for f in (one, other))
    variance += (one.target - other.target) ** 2 if target else one.target**2 + other.target**2
    return apart, math.sqrt(variance)


# Exact


def test_each_pair_shares_what_its_sessions_share() -> None:
    # Sessions 2, 4, 6: the first two share a light, the last two a target.
    light, target = np.full(8, -1), np.full(8, -1)
    light[[2, 4]], target[[4, 6]] = 5, 0
    asked = Asked(
        "held", "", answers(np.random.default_rng(3), 3, 0.1), Shared(target=target, light=light)
    )
    apart, std = asked.differences(*asked.every_pair())
    figures = [answer.figure for answer in asked.answers]
    shares = {(0, 1): (False, True), (0, 2): (False, False), (1, 2): (True, False)}
    for k, (i, j) in enumerate(combinations(range(3), 2)):
        assert (apart[k], std[k]) == pytest.approx(by_hand(figures[i], figures[j], *shares[i, j]))


@pytest.mark.parametrize("seed", range(6))
def test_verdicts_are_those_of_the_step_down_correction(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(compare_pairs, "_CHUNK", 7)  # of many
    several = family(np.random.default_rng(seed), nothing_shared(), (5, 9, 2))
    judge = Judge(several)
    pairs = [pair for one in several for pair in judge.settled(one).pairs]
    assert len(pairs) == judge.pair_count == 10 + 36 + 1
    expected = holm([pair.p for pair in pairs])
    assert [pair.p_corrected for pair in pairs] == pytest.approx(expected, rel=1e-12)
    assert [pair.told_apart for pair in pairs] == [p < 0.05 for p in expected]
    assert 0 < sum(pair.told_apart for pair in pairs) < len(pairs)
    # The limit lies between the last that is told and the first that is not.
    z = np.array([math.sqrt(2) * _erfcinv(pair.p) for pair in pairs])
    told = np.array([pair.told_apart for pair in pairs])
    assert z[~told].max() <= judge.limit < z[told].min()


def _erfcinv(p: float) -> float:
    from scipy.special import erfcinv

    return float(erfcinv(p))


def test_of_many_sessions_the_pairs_with_the_first_are_listed() -> None:
    (asked,) = family(np.random.default_rng(8), nothing_shared(), (40,))
    question = Judge([asked]).settled(asked)
    assert (question.pair_count, len(question.pairs)) == (780, 39)
    first = question.places[0].session
    assert all(first in (pair.first, pair.second) for pair in question.pairs)
    assert {pair.first + pair.second - first for pair in question.pairs} == {
        one.session for one in question.places[1:]
    }
    # As many are ahead of each as the pairs one by one say.
    p = holm([_p(*by_hand(a.figure, b.figure, False, False)) for a, b in _two(asked)])
    ahead = {answer.shown.session: 1 for answer in asked.answers}
    for chance, (one, other) in zip(p, _two(asked), strict=True):
        if chance < 0.05:
            ahead[min(one, other, key=lambda a: a.figure.log).shown.session] += 1
    assert {one.session: one.place for one in question.places} == ahead


def _two(asked: Asked) -> list[tuple[Answer, Answer]]:
    return list(combinations(asked.answers, 2))


def _p(apart: float, std: float) -> float:
    return math.erfc(abs(apart) / std / math.sqrt(2))


def test_nothing_is_claimed_where_no_doubt_is_known() -> None:
    pair = [
        Answer(
            figure=Figure(log=log, stop=4, f_number=12, own=0, target=0),
            shown=ComparedValue(
                session=k, value=1, low95=1, high95=1, stop=4, effective_f_number=12
            ),
        )
        for k, log in enumerate((1.0, 2.0))
    ]
    asked = Asked("optimum", "", pair, nothing_shared())
    (found,) = Judge([asked]).settled(asked).pairs
    assert (found.p, found.told_apart) == (1.0, False)


# Recovery


def test_equal_lenses_show_a_difference_in_five_percent_of_families() -> None:
    rng, alarms = np.random.default_rng(11), 0
    for _ in range(400):
        figures = []
        for k in range(12):
            own = float(rng.uniform(0.005, 0.02))
            figure = Figure(
                log=4 + own * float(rng.normal()), stop=4, f_number=12, own=own, target=0
            )
            shown = ComparedValue(
                session=k, value=1, low95=1, high95=1, stop=4, effective_f_number=12
            )
            figures.append(Answer(figure=figure, shown=shown))
        asked = Asked("optimum", "", figures, nothing_shared())
        alarms += any(pair.told_apart for pair in Judge([asked]).settled(asked).pairs)
    # 5 % nominal, and fewer since pairs share sessions; binomial 2 sigma of 400: 2.2 %.
    assert 0.01 < alarms / 400 <= 0.072
