"""Which of many pairs of sessions can be told apart, when all are counted together?

A question has a figure for each session, and each two of them a difference. All differences
under one key, over magnifications and stops, are corrected together (Holm's step-down, [1]_):
of comparisons of equal lenses, 5 % show a difference anywhere under a key. What a verdict
may be quoted for alone calls for that rather than for a share of false ones among many; its
price, the standard uncertainties that a difference must exceed, is part of the answer.

A thousand sessions make half a million pairs at each stop. Differences are therefore worked
out in arrays, again where they are needed; records are made of all pairs of a few sessions,
of many only of those with the session that comes first.

References
----------
.. [1] S. Holm, Scand. J. Statist. 6, 65 (1979) (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.inference.compare_curves import Figure
from lab.inference.compare_records import ComparedValue, PairDifference, Place, Question

__all__ = ["Answer", "Asked", "Judge", "Shared"]

IntArray = npt.NDArray[np.intp]

_Z95 = 1.959964
_LEVEL = 0.05
_ALL_PAIRS = 30  # sessions, beyond which a question lists only pairs with the first
_CHUNK = 1 << 20


@dataclass(frozen=True, kw_only=True)
class Answer:
    """A session's figure for a question, and what is shown of it."""

    figure: Figure
    shown: ComparedValue


@dataclass(frozen=True, kw_only=True)
class Shared:
    """Which doubts sessions share: those with one number share it, -1 shares with none."""

    target: IntArray
    light: IntArray


class Asked:
    """A question with its answers, before verdicts.

    Parameters
    ----------
    key, unit : str
    answers : sequence of Answer
        By rising session.
    shared : Shared
        Of all sessions.
    f_number : float, optional
        Of "equal-stop".
    """

    def __init__(
        self,
        key: str,
        unit: str,
        answers: Sequence[Answer],
        shared: Shared,
        f_number: float | None = None,
    ) -> None:
        self.key, self.unit, self.answers, self.f_number = key, unit, tuple(answers), f_number
        figures = [answer.figure for answer in answers]
        self._log, self._own, self._target, self._by_light, self._light, self._light_std = (
            np.array([getattr(one, name) for one in figures])
            for name in ("log", "own", "target", "by_light", "light", "light_std")
        )
        sessions = np.array([answer.shown.session for answer in answers], dtype=np.intp)
        self._same_target, self._same_light = shared.target[sessions], shared.light[sessions]

    @property
    def pair_count(self) -> int:
        """Differences that the question has."""
        return math.comb(len(self.answers), 2)

    def every_pair(self) -> tuple[IntArray, IntArray]:
        """Places of the first and of the second answer of each pair."""
        first, second = np.triu_indices(len(self.answers), 1)
        return first, second

    def differences(self, first: IntArray, second: IntArray) -> tuple[FloatArray, FloatArray]:
        """Differences of logarithms and their standard uncertainties, (n,) each.

        Where one light served both, they are compared at one wavelength, the stated one, and
        what they hang on it alike cancels. So does the doubt about one target.
        """
        target, light = self._target, self._by_light * self._light_std
        one_target = _is_one(self._same_target, first, second)
        one_light = _is_one(self._same_light, first, second)
        found = self._by_light * self._light
        apart = self._log[first] - self._log[second]
        apart -= np.where(one_light, found[first] - found[second], 0.0)
        known = np.minimum(self._light_std[first], self._light_std[second])
        variance = (
            self._own[first] ** 2
            + self._own[second] ** 2
            + np.where(
                one_target,
                (target[first] - target[second]) ** 2,
                target[first] ** 2 + target[second] ** 2,
            )
            + np.where(
                one_light,
                (known * (self._by_light[first] - self._by_light[second])) ** 2,
                light[first] ** 2 + light[second] ** 2,
            )
        )
        return apart, np.sqrt(variance)


def _is_one(number: IntArray, first: IntArray, second: IntArray) -> npt.NDArray[np.bool_]:
    return np.asarray((number[first] == number[second]) & (number[first] >= 0))


def _chances(apart: FloatArray, std: FloatArray) -> FloatArray:
    """Two-sided p; 1 where nothing is known of the doubt: then nothing is claimed."""
    from scipy.special import erfc

    known = std > 0
    return np.asarray(
        np.where(known, erfc(np.abs(apart) / np.where(known, std, 1.0) / math.sqrt(2)), 1.0)
    )


class Judge:
    """Verdicts on all questions of one key.

    Parameters
    ----------
    several : sequence of Asked
    """

    def __init__(self, several: Sequence[Asked]) -> None:
        self.pair_count = sum(one.pair_count for one in several)
        self._p = np.empty(self.pair_count)
        at = 0
        for one in several:
            p = _chances(*one.differences(*one.every_pair()))
            self._p[at : at + p.size] = p
            at += p.size
        self._p.sort()
        # Holm's steps at once: what one level tells apart raises the level for the rest.
        told = 0
        while True:
            self._level = _LEVEL / max(self.pair_count - told, 1)
            more = int(np.searchsorted(self._p, self._level))
            if more <= told:
                break
            told = more

    @property
    def limit(self) -> float:
        """Standard uncertainties that a difference must exceed to be told."""
        from scipy.special import ndtri

        return float(-ndtri(self._level / 2))

    def corrected(self, p: FloatArray) -> FloatArray:
        """Values of the family as the step-down correction makes them, (n,)."""
        order = np.argsort(p, kind="stable")
        ranks = np.searchsorted(self._p, p[order], "right") - 1
        out = np.empty(p.size)
        highest, done = 0.0, 0
        for start in range(0, int(ranks[-1]) + 1 if p.size else 0, _CHUNK):
            stop = min(start + _CHUNK, self._p.size)
            steps = (self._p.size - np.arange(start, stop)) * self._p[start:stop]
            steps = np.maximum(np.maximum.accumulate(steps), highest)
            highest = float(steps[-1])
            until = int(np.searchsorted(ranks, stop))
            out[order[done:until]] = steps[ranks[done:until] - start]
            done = until
        return np.minimum(out, 1.0)

    def settled(self, asked: Asked) -> Question:
        """A question of this key with its places and differences."""
        first, second = asked.every_pair()
        apart, std = asked.differences(first, second)
        told = _chances(apart, std) < self._level
        behind = np.where(apart > 0, second, first)[told]
        ahead = 1 + np.bincount(behind, minlength=len(asked.answers))
        by_place = sorted(
            range(len(asked.answers)), key=lambda k: (ahead[k], -asked.answers[k].shown.value)
        )
        if len(asked.answers) > _ALL_PAIRS:
            listed = (first == by_place[0]) | (second == by_place[0])
            first, second = first[listed], second[listed]
        return Question(
            key=asked.key,
            unit=asked.unit,
            values=tuple(answer.shown for answer in asked.answers),
            pairs=self._pairs(asked, first, second),
            pair_count=asked.pair_count,
            places=tuple(
                Place(session=asked.answers[k].shown.session, place=int(ahead[k])) for k in by_place
            ),
            effective_f_number=asked.f_number,
        )

    def _pairs(self, asked: Asked, first: IntArray, second: IntArray) -> tuple[PairDifference, ...]:
        apart, std = asked.differences(first, second)
        p = _chances(apart, std)
        columns = (
            first.tolist(),
            second.tolist(),
            (100 * np.expm1(apart)).tolist(),
            (100 * np.expm1(apart - _Z95 * std)).tolist(),
            (100 * np.expm1(apart + _Z95 * std)).tolist(),
            p.tolist(),
            self.corrected(p).tolist(),
            (p < self._level).tolist(),
        )
        sessions = [answer.shown.session for answer in asked.answers]
        return tuple(
            PairDifference(
                first=sessions[i],
                second=sessions[j],
                percent=percent,
                low95=low,
                high95=high,
                p=one,
                p_corrected=corrected,
                told_apart=told,
            )
            for i, j, percent, low, high, one, corrected, told in zip(*columns, strict=True)
        )
