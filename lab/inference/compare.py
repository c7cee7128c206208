"""Which of several measured sessions is sharper, at what, and can it be told?

Three questions, each with its own answer: at each session's own optimum; at one
effective f-number; and over one object field held to one depth, each at its best stop
for that. Differences are of the logarithm of object-side MTF50, which knows neither
pixel pitch nor magnification as a scale. What belongs to a session alone adds up; the
doubt about the target cancels only where one target is known to have served both.

Pairs of one question, over all magnifications and stops, are corrected together, so that
5 % of comparisons of equal lenses show a difference anywhere under a question. There
is no overall figure: a lens ahead at one stop may be behind at another.

Leaves out the field away from the centre.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from lab.errors import LabError
from lab.inference.compare_curves import KeptSession, SizeCurve, size_curves
from lab.inference.compare_notes import cautions_of, letter_of, same_frames, warnings_of
from lab.inference.compare_records import (
    ComparedSession,
    ComparedValue,
    Comparison,
    FieldComparison,
    MagnificationComparison,
    PairDifference,
    Place,
    Question,
    Repeatability,
)
from lab.inference.permutation import holm
from lab.session.config import Target

__all__ = ["KeptSession", "compare_sessions"]

_SAME_SIZE = 1.05
_Z95 = 1.959964
_LEVEL = 0.05
_WIDTHS_PER_DEPTH = 100.0  # a field this many times as wide as the depth, chosen by us
_ASSUMED_WIDTH_MM = 36.0  # of every sensor where one is unknown


@dataclass(frozen=True, kw_only=True)
class _Answer:
    """A figure before pairs are formed: its logarithm and doubts, and what is shown."""

    log: float
    own: float
    target: float
    shown: ComparedValue


def compare_sessions(
    sessions: Sequence[KeptSession],
    *,
    loss_percent: float = 10.0,
    depth_um: float | None = None,
    same_target: bool = False,
) -> Comparison:
    """Set sessions beside each other.

    Parameters
    ----------
    sessions : sequence of KeptSession
        Two or more.
    loss_percent : float
        Of MTF50, for the depth at the optimum. [%], 0 < loss < 100
    depth_um : float, optional
        Depth in the subject that one frame must hold, > 0. By default a hundredth of each
        field's width, to the nearest of 1, 2, 5. [um]
    same_target : bool
        One and the same target served all sessions: its doubt cancels.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    LabError
        If there are fewer than two sessions, or one holds no measured stop.
    """
    if not 0 < loss_percent < 100:
        raise ValueError("loss_percent must lie between 0 and 100")
    if depth_um is not None and not 0 < depth_um < math.inf:
        raise ValueError("depth_um must be > 0")
    if len(sessions) < 2:
        raise LabError("compare: one session alone cannot be compared. Name at least two.")
    curves = [size_curves(kept, k) for k, kept in enumerate(sessions)]
    for kept, own in zip(sessions, curves, strict=True):
        if not own:
            raise LabError(
                f"{kept.result.name[:60]}: no stop of this session was measured. Leave it out, or "
                "see what its frames lack: stopwise measure."
            )
    every = [one for several in curves for one in several]
    groups = _grouped(every, lambda curve: curve.magnification)
    shared = [group for group in groups if len(group) > 1]
    pairs = _Pairs(sessions, same_target)
    sizes = tuple(_size(group, len(sessions), pairs, loss_percent) for group in shared)
    fields = tuple(_fields(sessions, every, pairs, depth_um))
    sizes, fields, tests = _corrected(sizes, fields)
    repeatability = _repeatability(sessions, shared)
    if repeatability is not None:
        sizes, fields = _each(sizes, fields, lambda q: _held_against(q, repeatability, sessions))
    named = tuple(
        ComparedSession(
            letter=letter_of(k),
            name=kept.result.name,
            lens_name=kept.result.lens_name,
            body_name=kept.result.body_name,
            pixel_pitch_um=kept.result.pixel_pitch_um,
            magnifications=tuple(c.series.magnification for c in curves[k]),
        )
        for k, kept in enumerate(sessions)
    )
    return Comparison(
        sessions=named,
        magnifications=sizes,
        unshared=tuple(
            (group[0].series.magnification, group[0].session) for group in groups if len(group) == 1
        ),
        fields=fields,
        repeatability=repeatability,
        tests=tests,
        warnings=warnings_of(sessions, [one.letter for one in named]),
        cautions=cautions_of(repeatability, same_target, sessions),
        depth_is_chosen=depth_um is None,
        same_target=same_target,
        provenance=tuple(kept.result.provenance for kept in sessions),
    )


class _Pairs:
    """Which doubts two sessions share."""

    def __init__(self, sessions: Sequence[KeptSession], same_target: bool) -> None:
        """Only sessions that state the same target can have used one and the same."""
        self._targets = [
            None if s.config is None else _as_stated(s.config.target) for s in sessions
        ]
        self._same_target = same_target

    def question(
        self, key: str, unit: str, answers: Sequence[_Answer], f_number: float | None = None
    ) -> Question:
        """Answers of several sessions with all their differences, not yet corrected."""
        found = []
        for one, other in combinations(answers, 2):
            i, j = one.shown.session, other.shown.session
            target = math.hypot(one.target, other.target)
            stated = self._targets[i]
            if self._same_target and stated is not None and stated == self._targets[j]:
                target = abs(one.target - other.target)
            std = math.sqrt(one.own**2 + other.own**2 + target**2)
            apart = one.log - other.log
            # Where nothing is known of the doubt, nothing is claimed.
            p = math.erfc(abs(apart) / std / math.sqrt(2)) if std > 0 else 1.0
            low, high = apart - _Z95 * std, apart + _Z95 * std
            found.append(
                PairDifference(
                    first=i,
                    second=j,
                    percent=100 * math.expm1(apart),
                    low95=100 * math.expm1(low),
                    high95=100 * math.expm1(high),
                    p=p,
                    p_corrected=p,
                    told_apart=False,
                )
            )
        return Question(
            key=key,
            unit=unit,
            values=tuple(answer.shown for answer in answers),
            pairs=tuple(found),
            places=(),
            effective_f_number=f_number,
        )


def _as_stated(target: Target) -> tuple[object, ...]:
    return target.kind, target.technology, target.edge_blur_um, target.edge_blur_std_um


def _grouped(
    curves: Sequence[SizeCurve], measure: Callable[[SizeCurve], float]
) -> list[list[SizeCurve]]:
    """Curves alike within 5 % in a measure, rising; a session once in each group."""
    groups: list[list[SizeCurve]] = []
    for curve in sorted(curves, key=lambda c: (measure(c), c.session)):
        last = groups[-1] if groups else []
        is_near = last and measure(curve) <= _SAME_SIZE * measure(last[0])
        if is_near and curve.session not in {one.session for one in last}:
            last.append(curve)
        else:
            groups.append([curve])
    return [sorted(group, key=lambda c: c.session) for group in groups]


def _answer(
    curve: SizeCurve,
    stop: float,
    f_number: float,
    log: float,
    own: float,
    target: float,
) -> _Answer:
    spread = _Z95 * math.hypot(own, target)
    value = ComparedValue(
        session=curve.session,
        value=math.exp(log),
        low95=math.exp(log - spread),
        high95=math.exp(log + spread),
        stop=stop,
        effective_f_number=f_number,
        magnification=curve.magnification,
    )
    return _Answer(log=log, own=own, target=target, shown=value)


def _size(
    group: Sequence[SizeCurve], n_session: int, pairs: _Pairs, loss_percent: float
) -> MagnificationComparison:
    """The questions of one magnification."""
    at_best, depths = [], []
    for curve in group:
        best = curve.sharpest()
        f_number = math.exp(curve.at_stop(curve.log_f_number, best.stop))
        answer = _answer(curve, best.stop, f_number, best.log_mtf50, best.own, best.target)
        shown = answer.shown
        at_best.append(
            replace(
                answer,
                shown=replace(
                    shown,
                    mtf50_image_cyc_per_mm=shown.value / curve.magnification,
                    image_low95=shown.low95 / curve.magnification,
                    image_high95=shown.high95 / curve.magnification,
                    percent_of_diffraction=best.percent_of_diffraction,
                    flags=best.flags,
                ),
            )
        )
        if curve.lens is not None:
            depth_um, std = curve.lens.depth_within(best.stop, loss_percent)
            depths.append(_answer(curve, best.stop, f_number, math.log(depth_um), std, 0.0))
    low = max(float(curve.log_f_number[0]) for curve in group)
    high = min(float(curve.log_f_number[-1]) for curve in group)
    nominal = {curve.series.magnification for curve in group}
    sessions = tuple(curve.session for curve in group)
    mean = float(np.mean([curve.magnification for curve in group]))
    return MagnificationComparison(
        magnification=nominal.pop() if len(nominal) == 1 else mean,
        measured_low=min(curve.magnification for curve in group),
        measured_high=max(curve.magnification for curve in group),
        sessions=sessions,
        missing=tuple(k for k in range(n_session) if k not in sessions),
        curves=tuple(curve.drawn() for curve in group),
        optimum=pairs.question("optimum", "cycles/mm", at_best),
        shared_low=math.exp(low) if low <= high else None,
        shared_high=math.exp(high) if low <= high else None,
        equal_stops=tuple(_equal_stop(group, n, pairs) for n in _whole_stops(low, high)),
        depth_at_optimum=pairs.question("depth-at-optimum", "um", depths)
        if len(depths) > 1
        else None,
        loss_percent=loss_percent,
    )


def _whole_stops(low: float, high: float) -> list[float]:
    """Logarithms of whole stops between two, or their middle where there is none."""
    if low > high:
        return []
    stop = math.log(2) / 2
    whole = [
        k * stop for k in range(math.ceil(low / stop - 1e-9), math.floor(high / stop + 1e-9) + 1)
    ]
    return whole or [(low + high) / 2]


def _equal_stop(group: Sequence[SizeCurve], log_f_number: float, pairs: _Pairs) -> Question:
    answers = []
    f_number = math.exp(log_f_number)
    for curve in group:
        stop = math.exp(float(np.interp(log_f_number, curve.log_f_number, curve.log_stop)))
        answers.append(_answer(curve, stop, f_number, *curve.at_f_number(log_f_number)))
    return pairs.question("equal-stop", "cycles/mm", answers, f_number)


def _fields(
    sessions: Sequence[KeptSession],
    curves: Sequence[SizeCurve],
    pairs: _Pairs,
    depth_um: float | None,
) -> Iterator[FieldComparison]:
    """Each object field that some session fills, with all that can show it, cropped or not."""
    widths = [_sensor_width_mm(kept) for kept in sessions]
    is_known = None not in widths

    def width(curve: SizeCurve) -> float:
        own = widths[curve.session] if is_known else None
        return (_ASSUMED_WIDTH_MM if own is None else own) / curve.magnification

    for group in reversed(_distinct(curves, width)):
        field_mm = min(width(curve) for curve in group)
        depth = _rounded(1e3 * field_mm / _WIDTHS_PER_DEPTH) if depth_um is None else depth_um
        answers = []
        for k in range(len(sessions)):
            wide = [c for c in curves if c.session == k and width(c) * _SAME_SIZE >= field_mm]
            if not wide:
                continue
            curve = min(wide, key=width)
            answer = _held(curve, depth)
            if answer is not None:
                crop = min(1.0, field_mm / width(curve))
                answers.append(replace(answer, shown=replace(answer.shown, crop_width=crop)))
        if len(answers) > 1:
            seen = {answer.shown.session for answer in answers}
            yield FieldComparison(
                magnification=float(np.mean([curve.magnification for curve in group])),
                field_width_mm=field_mm if is_known else None,
                depth_um=depth,
                held=pairs.question("held", "cycles/mm", answers),
                left_out=tuple(k for k in range(len(sessions)) if k not in seen),
            )


def _distinct(
    curves: Sequence[SizeCurve], measure: Callable[[SizeCurve], float]
) -> list[list[SizeCurve]]:
    """Curves alike within 5 % in a measure, rising."""
    groups: list[list[SizeCurve]] = []
    for curve in sorted(curves, key=measure):
        if groups and measure(curve) <= _SAME_SIZE * measure(groups[-1][0]):
            groups[-1].append(curve)
        else:
            groups.append([curve])
    return groups


def _held(curve: SizeCurve, depth_um: float) -> _Answer | None:
    """What a session holds over a depth; None without a model of the lens, or nothing held."""
    if curve.lens is None:
        return None
    best, fall_std = curve.lens.held(depth_um)
    if not best.held > 0:
        return None
    own = curve.at_stop(curve.own, best.stop) + fall_std
    target = curve.at_stop(curve.target, best.stop)
    return _answer(curve, best.stop, best.f_number, math.log(best.held), own, target)


def _sensor_width_mm(kept: KeptSession) -> float | None:
    return None if kept.config is None else max(kept.config.body.sensor_mm)


def _rounded(value: float) -> float:
    """To the nearest of 1, 2 and 5 times a power of ten, by ratio."""
    power = 10.0 ** math.floor(math.log10(value))
    return min((k * power for k in (1, 2, 5, 10)), key=lambda one: abs(math.log(one / value)))


_Sizes = tuple[MagnificationComparison, ...]
_Fields = tuple[FieldComparison, ...]


def _each(
    sizes: _Sizes, fields: _Fields, change: Callable[[Question], Question]
) -> tuple[_Sizes, _Fields]:
    """Every question changed, in one order."""
    return (
        tuple(
            replace(
                size,
                optimum=change(size.optimum),
                equal_stops=tuple(change(one) for one in size.equal_stops),
                depth_at_optimum=None
                if size.depth_at_optimum is None
                else change(size.depth_at_optimum),
            )
            for size in sizes
        ),
        tuple(replace(field, held=change(field.held)) for field in fields),
    )


def _corrected(sizes: _Sizes, fields: _Fields) -> tuple[_Sizes, _Fields, dict[str, int]]:
    """Verdicts and places, once all pairs under a question are counted."""
    raw: dict[str, list[float]] = {}

    def gather(question: Question) -> Question:
        raw.setdefault(question.key, []).extend(pair.p for pair in question.pairs)
        return question

    _each(sizes, fields, gather)
    corrected = {key: iter(holm(several)) for key, several in raw.items()}

    def settle(question: Question) -> Question:
        pairs = []
        for pair in question.pairs:
            p = next(corrected[question.key])
            pairs.append(replace(pair, p_corrected=p, told_apart=p < _LEVEL))
        ahead = dict.fromkeys((one.session for one in question.values), 1)
        for pair in pairs:
            if pair.told_apart:
                ahead[pair.second if pair.percent > 0 else pair.first] += 1
        ranked = sorted(question.values, key=lambda one: (ahead[one.session], -one.value))
        places = tuple(Place(session=v.session, place=ahead[v.session]) for v in ranked)
        return replace(question, pairs=tuple(pairs), places=places)

    sizes, fields = _each(sizes, fields, settle)
    return sizes, fields, {key: len(several) for key, several in raw.items()}


def _lens_key(kept: KeptSession) -> tuple[str, float]:
    result = kept.result
    return " ".join(result.lens_name.casefold().split()), result.pixel_pitch_um


def _repeatability(
    sessions: Sequence[KeptSession], groups: Sequence[Sequence[SizeCurve]]
) -> Repeatability | None:
    """Scatter of the optimum between sessions of one lens; None without any."""
    from scipy.special import stdtrit

    twins: dict[tuple[str, float], list[int]] = {}
    for k, kept in enumerate(sessions):
        several = twins.setdefault(_lens_key(kept), [])
        if kept.result.lens_name.strip() and not any(
            same_frames(kept.result, sessions[other].result) for other in several
        ):
            several.append(k)
    freedom, total, lenses = 0, 0.0, []
    for several in twins.values():
        logs = [[c.sharpest().log_mtf50 for c in g if c.session in several] for g in groups]
        logs = [one for one in logs if len(one) > 1]
        if logs:
            # Magnifications of a session share how it was put up: they add no freedom.
            own = max(len(one) for one in logs) - 1
            total += own * float(np.mean([np.var(one, ddof=1) for one in logs]))
            freedom += own
            lenses.append(tuple(several))
    if not freedom:
        return None
    std = math.sqrt(total / freedom)
    limit = float(stdtrit(freedom, 0.975)) * math.sqrt(2) * std
    return Repeatability(
        std_percent=100 * math.expm1(std),
        limit_percent=100 * math.expm1(limit),
        freedom=freedom,
        lenses=tuple(lenses),
    )


def _held_against(
    question: Question, repeatability: Repeatability, sessions: Sequence[KeptSession]
) -> Question:
    """Pairs of different lenses against what sessions of one lens differ by."""
    if question.key == "depth-at-optimum":
        return question
    limit = math.log1p(repeatability.limit_percent / 100)
    return replace(
        question,
        pairs=tuple(
            pair
            if _lens_key(sessions[pair.first]) == _lens_key(sessions[pair.second])
            else replace(
                pair,
                within_repeatability=abs(math.log1p(pair.percent / 100)) <= limit,
            )
            for pair in question.pairs
        ),
    )
