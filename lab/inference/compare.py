"""Which of several measured sessions is sharper, at what, and can it be told?

Three questions, each with its own answer: at each session's own optimum; at one
effective f-number; and over one object field held to one depth, each at its best stop
for that. Differences are of the logarithm of object-side MTF50, which knows neither
pixel pitch nor magnification as a scale. What belongs to a session alone adds up; the
doubts about the target and about the light cancel only where one target, or one light on
one body, is known to have served both.

Pairs of one question, over all magnifications and stops, are corrected together, so that
5 % of comparisons of equal lenses show a difference anywhere under a question. There
is no overall figure: a lens ahead at one stop may be behind at another.

Leaves out the field away from the centre.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from lab.errors import LabError
from lab.inference.compare_curves import Figure, SizeCurve
from lab.inference.compare_input import KeptSession
from lab.inference.compare_notes import cautions_of, letter_of, repeats, warnings_of
from lab.inference.compare_pairs import Answer, Asked, Judge, Shared
from lab.inference.compare_records import (
    ComparedSession,
    ComparedValue,
    Comparison,
    FieldComparison,
    MagnificationComparison,
    Question,
    Repeatability,
)

__all__ = ["compare_sessions"]

_SAME_SIZE = 1.05
_Z95 = 1.959964
_WIDTHS_PER_DEPTH = 100.0  # a field this many times as wide as the depth, chosen by us
_ASSUMED_WIDTH_MM = 36.0  # of every sensor where one is unknown


@dataclass(frozen=True, kw_only=True)
class _Curve:
    """A magnification of a session, and whose."""

    session: int
    of: SizeCurve


@dataclass(frozen=True, kw_only=True)
class _SizeAsked:
    """The questions of one magnification, before verdicts."""

    group: tuple[_Curve, ...]
    optimum: Asked
    shared_low: float
    shared_high: float
    equal_stops: tuple[Asked, ...]
    depth: Asked | None

    @property
    def every(self) -> Iterator[Asked]:
        yield self.optimum
        yield from self.equal_stops
        if self.depth is not None:
            yield self.depth


@dataclass(frozen=True, kw_only=True)
class _FieldAsked:
    """One field, before verdicts."""

    magnification: float
    field_width_mm: float | None
    depth_um: float
    held: Asked
    left_out: tuple[int, ...]


def compare_sessions(
    sessions: Sequence[KeptSession],
    *,
    loss_percent: float = 10.0,
    depth_um: float | None = None,
    same_target: bool = False,
    same_light: bool = False,
) -> Comparison:
    """Set sessions beside each other.

    Parameters
    ----------
    sessions : sequence of KeptSession
        Two or more.
    loss_percent : float
        Of MTF50, for the depth at the optimum, whatever the sessions' reports were made
        with. [%], 0.1 to 90
    depth_um : float, optional
        Depth in the subject that one frame must hold, > 0. By default a hundredth of each
        field's width, to the nearest of 1, 2, 5. [um]
    same_target : bool
        One and the same target served all sessions: its doubt cancels.
    same_light : bool
        One body in one light served all sessions: the doubt about the wavelength cancels.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    LabError
        If there are fewer than two sessions, or one holds no measured stop.
    """
    if not 0.1 <= loss_percent <= 90:
        raise ValueError("loss_percent must lie between 0.1 and 90")
    if depth_um is not None and not 0 < depth_um < math.inf:
        raise ValueError("depth_um must be > 0")
    if len(sessions) < 2:
        raise LabError("compare: one session alone cannot be compared. Name at least two.")
    for kept in sessions:
        if not kept.sizes:
            raise LabError(
                f"{kept.name[:60]}: no stop of this session was measured. Leave it out, or "
                "see what its frames lack: stopwise measure."
            )
    every = [_Curve(session=k, of=one) for k, kept in enumerate(sessions) for one in kept.sizes]
    groups = _grouped(every)
    shared = Shared(
        target=_numbered([_target_of(kept) if same_target else None for kept in sessions]),
        light=_numbered([_light_of(kept) if same_light else None for kept in sessions]),
    )
    sizes = [_size(group, shared, loss_percent) for group in groups if len(group) > 1]
    fields = list(_fields(sessions, every, shared, depth_um))
    by_key: dict[str, list[Asked]] = {}
    for asked in [one for size in sizes for one in size.every] + [one.held for one in fields]:
        by_key.setdefault(asked.key, []).append(asked)
    repeatability = _repeatability(sessions, [size.group for size in sizes])
    settled: dict[Asked, Question] = {}
    tests, limits = {}, {}
    for key, several in by_key.items():
        judge = Judge(several)  # one at a time: of a thousand sessions it holds 0.1 GB
        tests[key], limits[key] = judge.pair_count, judge.limit
        for asked in several:
            settled[asked] = _held_against(judge.settled(asked), repeatability, sessions)
    letters = [letter_of(k) for k in range(len(sessions))]
    return Comparison(
        sessions=tuple(
            ComparedSession(
                letter=letter,
                name=kept.name,
                lens_name=kept.lens_name,
                body_name=kept.body_name,
                pixel_pitch_um=kept.pixel_pitch_um,
                magnifications=tuple(one.stated for one in kept.sizes),
                source=kept.source,
                simulated=kept.simulated,
            )
            for letter, kept in zip(letters, sessions, strict=True)
        ),
        magnifications=tuple(
            _settled_size(size, len(sessions), settled.__getitem__, loss_percent) for size in sizes
        ),
        unshared=tuple((g[0].of.stated, g[0].session) for g in groups if len(g) == 1),
        fields=tuple(
            FieldComparison(
                magnification=one.magnification,
                field_width_mm=one.field_width_mm,
                depth_um=one.depth_um,
                held=settled[one.held],
                left_out=one.left_out,
            )
            for one in fields
        ),
        repeatability=repeatability,
        tests=tests,
        limits=limits,
        warnings=warnings_of(sessions, letters),
        cautions=cautions_of(
            repeatability, sessions, same_target=same_target, same_light=same_light
        ),
        depth_is_chosen=depth_um is None,
        same_target=same_target,
        same_light=same_light,
        provenance=tuple(kept.provenance for kept in sessions),
    )


def _numbered(stated: Sequence[Hashable | None]) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """One number for what is stated alike, -1 for None."""
    numbers: dict[Hashable, int] = {}
    return np.array(
        [-1 if one is None else numbers.setdefault(one, len(numbers)) for one in stated],
        dtype=np.intp,
    )


def _target_of(kept: KeptSession) -> Hashable | None:
    """Only sessions that state the same target can have used one and the same."""
    one = kept.target
    return one and (one.kind, one.technology, one.edge_blur_um, one.edge_blur_std_um)


def _light_of(kept: KeptSession) -> Hashable:
    """Only sessions that state one body and one wavelength can have had one light."""
    return kept.body_name, kept.pixel_pitch_um, kept.channel, kept.wavelength_um, kept.light_source


def _grouped(curves: Sequence[_Curve]) -> list[tuple[_Curve, ...]]:
    """Curves alike within 5 % in magnification, rising; a session once in each group."""
    groups: list[list[_Curve]] = []
    seen: set[int] = set()
    for curve in sorted(curves, key=lambda c: (c.of.magnification, c.session)):
        last = groups[-1] if groups else []
        is_near = last and curve.of.magnification <= _SAME_SIZE * last[0].of.magnification
        if is_near and curve.session not in seen:
            last.append(curve)
            seen.add(curve.session)
        else:
            groups.append([curve])
            seen = {curve.session}
    return [tuple(sorted(group, key=lambda c: c.session)) for group in groups]


def _answer(curve: _Curve, figure: Figure) -> Answer:
    spread = _Z95 * figure.std
    shown = ComparedValue(
        session=curve.session,
        value=math.exp(figure.log),
        low95=math.exp(figure.log - spread),
        high95=math.exp(figure.log + spread),
        stop=figure.stop,
        effective_f_number=figure.f_number,
        magnification=curve.of.magnification,
    )
    return Answer(figure=figure, shown=shown)


def _at_best(curve: _Curve) -> Answer:
    """The own optimum, on the sensor's side too."""
    best, size = curve.of.sharpest, curve.of.magnification
    answer = _answer(curve, best.figure)
    shown = answer.shown
    return replace(
        answer,
        shown=replace(
            shown,
            mtf50_image_cyc_per_mm=shown.value / size,
            image_low95=shown.low95 / size,
            image_high95=shown.high95 / size,
            percent_of_diffraction=best.percent_of_diffraction,
            flags=best.flags,
        ),
    )


def _size(group: Sequence[_Curve], shared: Shared, loss_percent: float) -> _SizeAsked:
    """The questions of one magnification."""
    depths = []
    for curve in group:
        within = curve.of.depth_within
        figure = None if within is None else within.figure(math.log(loss_percent))
        if figure is not None:
            depths.append(_answer(curve, figure))
    low = max(float(curve.of.equal_stop.at[0]) for curve in group)
    high = min(float(curve.of.equal_stop.at[-1]) for curve in group)
    return _SizeAsked(
        group=tuple(group),
        optimum=Asked("optimum", "cycles/mm", [_at_best(curve) for curve in group], shared),
        shared_low=low,
        shared_high=high,
        equal_stops=tuple(_equal_stop(group, at, shared) for at in _whole_stops(low, high)),
        depth=Asked("depth-at-optimum", "um", depths, shared) if len(depths) > 1 else None,
    )


def _settled_size(
    asked: _SizeAsked,
    n_session: int,
    settled: Callable[[Asked], Question],
    loss_percent: float,
) -> MagnificationComparison:
    measured = [curve.of.magnification for curve in asked.group]
    stated = {curve.of.stated for curve in asked.group}
    sessions = tuple(curve.session for curve in asked.group)
    low, high = asked.shared_low, asked.shared_high
    present = set(sessions)
    return MagnificationComparison(
        magnification=stated.pop() if len(stated) == 1 else float(np.mean(measured)),
        measured_low=min(measured),
        measured_high=max(measured),
        sessions=sessions,
        missing=tuple(k for k in range(n_session) if k not in present),
        curves=tuple(curve.of.drawn(curve.session) for curve in asked.group),
        optimum=settled(asked.optimum),
        shared_low=math.exp(low) if low <= high else None,
        shared_high=math.exp(high) if low <= high else None,
        equal_stops=tuple(settled(one) for one in asked.equal_stops),
        depth_at_optimum=None if asked.depth is None else settled(asked.depth),
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


def _equal_stop(group: Sequence[_Curve], log_f_number: float, shared: Shared) -> Asked:
    answers = []
    for curve in group:
        figure = curve.of.equal_stop.figure(log_f_number)
        assert figure is not None  # all were measured there
        answers.append(_answer(curve, figure))
    return Asked("equal-stop", "cycles/mm", answers, shared, math.exp(log_f_number))


def _fields(
    sessions: Sequence[KeptSession],
    curves: Sequence[_Curve],
    shared: Shared,
    depth_um: float | None,
) -> Iterator[_FieldAsked]:
    """Each object field that some session fills, with all that can show it, cropped or not."""
    widths = [kept.sensor_width_mm for kept in sessions]
    is_known = None not in widths

    def width(curve: _Curve) -> float:
        own = widths[curve.session] if is_known else None
        return (_ASSUMED_WIDTH_MM if own is None else own) / curve.of.magnification

    narrowest_first = sorted(curves, key=width)
    for group in reversed(_distinct(narrowest_first, width)):
        field_mm = width(group[0])
        depth = _rounded(1e3 * field_mm / _WIDTHS_PER_DEPTH) if depth_um is None else depth_um
        chosen: dict[int, _Curve] = {}
        for curve in narrowest_first:
            if width(curve) * _SAME_SIZE >= field_mm:
                chosen.setdefault(curve.session, curve)
        answers = []
        for _, curve in sorted(chosen.items()):
            held = curve.of.over_depth
            figure = None if held is None else held.figure(max(math.log(depth), held.at[0]))
            if figure is not None:
                answer = _answer(curve, figure)
                crop = min(1.0, field_mm / width(curve))
                answers.append(replace(answer, shown=replace(answer.shown, crop_width=crop)))
        if len(answers) > 1:
            seen = {answer.shown.session for answer in answers}
            yield _FieldAsked(
                magnification=float(np.mean([curve.of.magnification for curve in group])),
                field_width_mm=field_mm if is_known else None,
                depth_um=depth,
                held=Asked("held", "cycles/mm", answers, shared),
                left_out=tuple(k for k in range(len(sessions)) if k not in seen),
            )


def _distinct(rising: Sequence[_Curve], measure: Callable[[_Curve], float]) -> list[list[_Curve]]:
    """Curves alike within 5 % in a measure."""
    groups: list[list[_Curve]] = []
    for curve in rising:
        if groups and measure(curve) <= _SAME_SIZE * measure(groups[-1][0]):
            groups[-1].append(curve)
        else:
            groups.append([curve])
    return groups


def _rounded(value: float) -> float:
    """To the nearest of 1, 2 and 5 times a power of ten, by ratio."""
    power = 10.0 ** math.floor(math.log10(value))
    return min((k * power for k in (1, 2, 5, 10)), key=lambda one: abs(math.log(one / value)))


def _lens_key(kept: KeptSession) -> tuple[str, float]:
    return " ".join(kept.lens_name.casefold().split()), kept.pixel_pitch_um


def _repeatability(
    sessions: Sequence[KeptSession], groups: Sequence[Sequence[_Curve]]
) -> Repeatability | None:
    """Scatter of the optimum between sessions of one lens; None without any."""
    from scipy.special import stdtrit

    named: dict[tuple[str, float], list[int]] = {}
    for k, kept in enumerate(sessions):
        if kept.lens_name.strip():
            named.setdefault(_lens_key(kept), []).append(k)
    freedom, total, lenses = 0, 0.0, []
    bests = [{c.session: c.of.sharpest.figure.log for c in group} for group in groups]
    for several in (repeats(sessions, alike) for alike in named.values()):
        logs = [[best[k] for k in several if k in best] for best in bests]
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
    question: Question, repeatability: Repeatability | None, sessions: Sequence[KeptSession]
) -> Question:
    """Pairs of different lenses against what sessions of one lens differ by."""
    if repeatability is None or question.key == "depth-at-optimum":
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
