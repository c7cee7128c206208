"""How is a comparison of sessions said in words?

Verdicts, places and questions, for the page and the terminal alike. Sessions go by
letter: names can be anything and are escaped where they are shown. Plain text.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby, zip_longest

from lab.inference.compare_records import (
    ComparedSession,
    Comparison,
    FieldComparison,
    PairDifference,
    Question,
)
from lab.inference.results import SIMULATED_WORDS
from reports import words

__all__ = [
    "answers",
    "difference_words",
    "field_words",
    "listed",
    "named_sessions",
    "pair_words",
    "place_words",
    "repeatability_words",
    "rest_words",
    "simulated_words",
    "tests_words",
    "unshared_words",
]

_MORE = {"optimum": "sharper", "equal-stop": "sharper", "held": "sharper"}
_MOST_NAMED = 12
_MOST_PLACES = 7
_ALIKE = 1.05  # crops and magnifications within 5 % need no word
_MANY = 100  # pairs, beyond which their price is said
_BASIS = {
    "optimum": "own optimum",
    "equal-stop": "one effective f-number",
    "depth-at-optimum": "depth at the optimum",
    "held": "over a depth",
}


def listed(names: Sequence[str]) -> str:
    """``A, B and C``; many are counted."""
    if len(names) > _MOST_NAMED:
        return f"{', '.join(names[:_MOST_NAMED])} and {len(names) - _MOST_NAMED} more"
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1]))) if names else "none"


def difference_words(pair: PairDifference) -> str:
    """``+3.1 % (95 %: 2.6 to 3.6)`` of the first over the second."""
    digits = _digits(pair)
    return (
        f"{words.number(pair.percent, digits, signed=True)} % (95 %: "
        f"{words.number(pair.low95, digits)} to {words.number(pair.high95, digits)})"
    )


def pair_words(
    question: Question, pair: PairDifference, sessions: Sequence[ComparedSession]
) -> str:
    """The verdict on two sessions, by letter."""
    one, other = sessions[pair.first].letter, sessions[pair.second].letter
    if not pair.told_apart:
        sure = " (its interval alone leaves out 0; all pairs counted, chance does as much)"
        alone = sure if pair.low95 > 0 or pair.high95 < 0 else ""
        return (
            f"{one} and {other} cannot be told apart: {difference_words(pair)}{alone}"
            f"{_taken_words(question, pair, sessions)}"
        )
    low, high, percent = pair.low95, pair.high95, pair.percent
    if percent < 0:
        one, other = other, one
        percent, low, high = (100 * (100 / (100 + x) - 1) for x in (percent, high, low))
    digits = _digits(pair)
    more = _MORE.get(question.key, "deeper")
    said = (
        f"{one} is {more} than {other} by {words.number(percent, digits)} % (95 %: "
        f"{words.number(low, digits)} to {words.number(high, digits)})"
    )
    if pair.within_repeatability:
        said += "; not beyond repeatability"
    return said + _taken_words(question, pair, sessions)


def _taken_words(
    question: Question, pair: PairDifference, sessions: Sequence[ComparedSession]
) -> str:
    """``; A at 2.00x, B cropped from 1.00x``: how each shows a field, where that differs."""
    values = {value.session: value for value in question.values}
    both = [values[k] for k in sorted((pair.first, pair.second)) if k in values]
    crops = [v.crop_width for v in both if v.crop_width is not None]
    sizes = [v.magnification for v in both if v.magnification is not None]
    if len(crops) < 2 or len(sizes) < 2:
        return ""
    if max(crops) <= _ALIKE * min(crops) and max(sizes) <= _ALIKE * min(sizes):
        return ""
    taken = [
        f"{sessions[v.session].letter} "
        f"{'at' if crop * _ALIKE >= 1 else 'cropped from'} "
        f"{words.number(size, 2)}\N{MULTIPLICATION SIGN}"
        for v, crop, size in zip(both, crops, sizes, strict=True)
    ]
    return f"; {', '.join(taken)}"


def _digits(pair: PairDifference) -> int:
    return 1 if pair.high95 - pair.low95 >= 0.2 else 2


def place_words(question: Question, sessions: Sequence[ComparedSession]) -> str:
    """``1: A and C (tied); 3: B``, or that none is told apart; the tied in their own order."""
    at: dict[int, list[str]] = {}
    for one in sorted(question.places, key=lambda one: one.session):
        at.setdefault(one.place, []).append(sessions[one.session].letter)
    if len(at) == 1:
        (several,) = at.values()
        return f"{listed(several)} cannot be told apart"
    parts = [
        f"{place}: {listed(several)}" + (" (tied)" if len(several) > 1 else "")
        for place, several in sorted(at.items())
    ]
    rest = sum(len(several) for _, several in sorted(at.items())[_MOST_PLACES:])
    return "; ".join(parts[:_MOST_PLACES]) + (f"; then {rest} more" if rest else "")


def rest_words(question: Question, rest: int) -> str:
    """Where the pairs are that are not shown."""
    if question.pair_count == len(question.pairs):
        return f"{rest} more pairs are in data.csv and in --json."
    return (
        f"{rest} more pairs: data.csv and --json hold those with the first place. Any other "
        "follows from two figures: the difference of their logarithms, with their intervals' "
        "half widths added in quadrature."
    )


def simulated_words(comparison: Comparison) -> str:
    """Which sessions are simulated, "" where none is."""
    having = [one.letter for one in comparison.sessions if one.simulated]
    if not having:
        return ""
    who = "all sessions" if len(having) == len(comparison.sessions) else listed(having)
    return f"Simulated: {who}. {SIMULATED_WORDS}"


def named_sessions(comparison: Comparison, most: int) -> list[int]:
    """Sessions to introduce: all of a few; of many the first of every question, by turns."""
    count = len(comparison.sessions)
    if count <= most:
        return list(range(count))
    ranked = [[one.session for one in question.places] for question in _questions(comparison)]
    named: dict[int, None] = {}
    for together in zip_longest(*ranked):
        for session in together:
            if session is not None and len(named) < most:
                named.setdefault(session)
    return sorted(named)


def _questions(comparison: Comparison) -> Iterator[Question]:
    for size in comparison.magnifications:
        yield size.optimum
        yield from size.equal_stops
        if size.depth_at_optimum is not None:
            yield size.depth_at_optimum
    for field in comparison.fields:
        yield field.held


def answers(comparison: Comparison) -> list[tuple[str, str]]:
    """Every question as a statement, and its places; stops with one answer go together."""
    sessions = comparison.sessions
    out = []
    for size in comparison.magnifications:
        at = words.magnification_words(round(size.magnification, 2))
        out.append(
            (f"Sharpest at {at}, each at its own optimum", place_words(size.optimum, sessions))
        )
        for places, alike in groupby(size.equal_stops, lambda one: place_words(one, sessions)):
            stops = [f"f/{words.number(one.effective_f_number)}" for one in alike]
            span = stops[0] if len(stops) == 1 else f"{stops[0]} to {stops[-1]}"
            out.append((f"Sharpest at {at} and effective {span}", places))
        if size.depth_at_optimum is not None:
            out.append(
                (
                    f"Most depth at {at} within {size.loss_percent:g} % of its own optimum's MTF50",
                    place_words(size.depth_at_optimum, sessions),
                )
            )
    for one in comparison.fields:
        statement = f"Sharpest {field_words(one)}, each at its best stop"
        out.append((statement, place_words(one.held, sessions)))
    return out


def field_words(field: FieldComparison) -> str:
    """``over 100 µm of depth on a field 7.8 mm wide``."""
    where = (
        f"on the field of {words.number(field.magnification, 1)}\N{MULTIPLICATION SIGN}"
        if field.field_width_mm is None
        else f"on a field {words.number(field.field_width_mm, 1)} mm wide"
    )
    return f"over {field.depth_um:g} µm of depth {where}"


def unshared_words(comparison: Comparison) -> str | None:
    """Which magnifications only one session has, and which only some."""
    some = [
        f"{words.magnification_words(round(size.magnification, 2))} is only in "
        f"{listed([comparison.sessions[k].letter for k in size.sessions])}."
        for size in comparison.magnifications
        if size.missing
    ]
    more = f" {len(some) - _MOST_PLACES} more are only in some." if len(some) > _MOST_PLACES else ""
    said = " ".join(some[:_MOST_PLACES]) + more
    if not comparison.unshared:
        return said or None
    parts = [
        f"{words.magnification_words(round(m, 2))} ({comparison.sessions[k].letter})"
        for m, k in comparison.unshared[:_MOST_NAMED]
    ]
    rest = len(comparison.unshared) - len(parts)
    more = f" and {rest} more" if rest else ""
    alone = f"Not shared, so not compared at its own magnification: {', '.join(parts)}{more}."
    return f"{alone} {said}".rstrip()


def repeatability_words(comparison: Comparison) -> str:
    """How far sessions of one lens differ, or that it is unknown."""
    known = comparison.repeatability
    if known is None:
        return (
            "No lens was measured in two sessions, so how well a session repeats is unknown. "
            "Measure one lens twice before a small difference is believed."
        )
    lenses = "; ".join(
        listed([comparison.sessions[k].letter for k in several])
        for several in known.lenses[:_MOST_PLACES]
    )
    if len(known.lenses) > _MOST_PLACES:
        lenses += f"; and {len(known.lenses) - _MOST_PLACES} more lenses"
    return (
        f"Sessions of one lens ({lenses}) scatter by {words.number(known.std_percent)} % in MTF50 "
        f"at the optimum (standard deviation; degrees of freedom: {known.freedom}). Two sessions "
        f"of one lens differ by less than {words.number(known.limit_percent)} % in 95 %: between "
        "lenses, a smaller difference is not beyond repeatability."
    )


def tests_words(comparison: Comparison) -> str:
    """How many pairs were counted together."""
    counts = ", ".join(
        f"{_BASIS[key]} {n} (a difference is told beyond {words.number(comparison.limits[key], 2)} "
        "standard uncertainties)"
        for key, n in comparison.tests.items()
    )
    many = max(comparison.tests.values(), default=0) > _MANY
    price = (
        " So many pairs ask for much larger differences than one alone, 1.96: for a finer verdict "
        "compare the few sessions it is about, by themselves."
    )
    return (
        "Intervals are of one pair alone. Verdicts count all pairs of their question together, "
        "over magnifications and stops, so that equal lenses show any difference under a question "
        f"in at most 5 % of comparisons (step-down correction): {counts}." + (price if many else "")
    )
