"""Which stop and focus position has each frame of one series?

The rules of ``lab.session.assign`` for a single series: slates, EXIF f-number, order of
capture against the count, focus positions by place in the bracket, and what disagrees.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Collection
from itertools import groupby, pairwise

from lab.optics.geometry import effective_f_number
from lab.session.bracket_settings import check_bracket_settings
from lab.session.capture_order import capture_order
from lab.session.config import Series, SessionConfig
from lab.session.draft import Draft, Problem, listed, report
from lab.session.frame_checks import check_setting
from lab.session.frame_files import natural_key
from lab.session.slates import uneven_slates, withdraw_long_runs
from lab.session.stops import exact_stop

__all__ = ["assign_series"]

# How far an EXIF f-number may lie from a stop, in stops. Cameras write f-numbers in third
# stops at the coarsest (common practice, no published source): half a third. An effective
# one is computed from a nominal magnification as well, hence a whole third.
_MARKED_TOLERANCE_STOPS = 1 / 6
_EFFECTIVE_TOLERANCE_STOPS = 1 / 3
# What EXIF holds, marked or effective, is told by three f-numbers that differ (fewer may fit
# by chance) in three quarters of the frames; judged by us.
_TELLING_NUMBERS, _FITS = 3, 0.75
_WORDS = {
    "frames.csv": "frames.csv",
    "slate": "the slate",
    "exif": "EXIF",
    "order": "the order of capture",
}
_NO_ORDER = (
    "some frames carry no capture time, and the names are not in the order of the other frames' "
    "times"
)


def assign_series(
    config: SessionConfig,
    series: Series,
    members: list[Draft],
    files: Collection[str],
    problems: list[Problem],
) -> None:
    """Work out stops and focus positions of one series, in place.

    Parameters
    ----------
    config : SessionConfig
        For what the lens reports.
    series : Series
        The series.
    members : list of Draft
        Its frames, with the stops of frames.csv and slates already in them; slates, copies
        and companions are not among them.
    files : collection of str
        All frame files of the session, to see where their numbers skip.
    problems : list of Problem
        What is found is added here.
    """
    label = _label(series)
    if not any(d.used for d in members):
        text = f"{label}: no frame fits. Patterns are relative to frames/; correct it."
        problems.append(Problem(severity="error", text=text, files=()))
        return
    check_setting(members, "focal length", label, lambda m: m.focal_length_mm, problems)
    _stops_from_exif(config, series, members, problems)
    queue = capture_order(members)
    withdraw_long_runs(label, series, queue or [], problems)
    bracket = _bracket_by_order(series, queue) if queue is not None else None
    for draft, place in bracket or ():
        draft.stops.setdefault("order", place[0])
        draft.position_um = _centred_um(series, *place)
    lost = [d for d in members if d.used and d.stop is None]
    if bracket is None:
        wrong = _NO_ORDER if queue is None else _count_words(series, members, files)
        _report_count(series, members, lost, problems, wrong=wrong)
    _positions_from_runs(series, [d for d in queue or () if d.used])
    _report_disagreement(series, members, problems)
    _report_strangers(series, members, problems)
    check_bracket_settings(label, series.stops, [d for d in members if d.used], problems)
    blind = [
        d
        for d in members
        if d.used
        and d.stop is not None
        and series.focus_step_um(d.stop) > 0
        and d.position_um is None
        and d.row.focus_position_um is None
    ]
    if blind:
        text = (
            f"{label}: no focus position for {{frames}}, since they are not brackets of "
            f"{series.frames_per_stop} frames in a row at one stop. Give focus_position_um in "
            "frames.csv."
        )
        report(problems, "warning", text, blind)


def _tell_kind(
    config: SessionConfig, series: Series, members: list[Draft], problems: list[Problem]
) -> None:
    """Say so where EXIF f-numbers are plainly of another kind than session.toml has it."""
    lens = config.lens
    seen = [d for d in members if d.used and 0 < (d.metadata.f_number or 0) < math.inf]
    numbers = [d.metadata.f_number or 0 for d in seen]
    if len(set(numbers)) < _TELLING_NUMBERS:
        return
    ratio = 1.0 if lens.pupil_ratio is None else lens.pupil_ratio
    marked = [exact_stop(stop) for stop in series.stops]
    kinds = {
        "marked": marked,
        "effective": [float(effective_f_number(n, series.magnification, ratio)) for n in marked],
    }
    fits = {
        kind: sum(
            min(abs(2 * math.log2(number / n)) for n in expected) <= _MARKED_TOLERANCE_STOPS
            for number in numbers
        )
        / len(numbers)
        for kind, expected in kinds.items()
    }
    for kind, other in (("marked", "effective"), ("effective", "marked")):
        if kind != lens.exif_f_number and fits[kind] >= _FITS > fits[other]:
            text = (
                f"{_label(series)}: the f-numbers in EXIF are those of the {kind} stops, but "
                f'session.toml says lens.exif_f_number = "{lens.exif_f_number}": {{frames}}. Set '
                f'it to "{kind}" if the camera writes them so.'
            )
            report(problems, "warning", text, seen)


def _stops_from_exif(
    config: SessionConfig, series: Series, members: list[Draft], problems: list[Problem]
) -> None:
    lens = config.lens
    _tell_kind(config, series, members, problems)
    if lens.exif_f_number == "absent":
        return
    effective = lens.exif_f_number == "effective"
    expected = {stop: exact_stop(stop) for stop in series.stops}
    if effective:
        if lens.pupil_ratio is None:  # reported once for the session
            return
        for stop, exact in expected.items():
            cone = effective_f_number(exact, series.magnification, lens.pupil_ratio)
            expected[stop] = float(cone)
    tolerance = _EFFECTIVE_TOLERANCE_STOPS if effective else _MARKED_TOLERANCE_STOPS
    silent, unfit = [], []
    for draft in members:
        number = draft.metadata.f_number
        if number is None or not 0 < number < math.inf:
            silent += [draft] if draft.used else []
            continue
        near = [s for s, n in expected.items() if abs(2 * math.log2(number / n)) <= tolerance]
        if len(near) == 1:
            draft.stops["exif"] = near[0]
        elif effective:
            unfit += [draft] if draft.used else []
        else:
            draft.stops["exif"] = number
    label = _label(series)
    if silent:
        text = (
            f'{label}: no f-number in EXIF although lens.exif_f_number = "{lens.exif_f_number}": '
            "{frames}. Check the lens's contacts, or give marked_stop in frames.csv."
        )
        report(problems, "warning", text, silent)
    if unfit:
        text = (
            f"{label}: the effective f-number in EXIF fits no single stop of the series at this "
            "magnification and lens.pupil_ratio: {frames}. Check both in session.toml, or give "
            "marked_stop in frames.csv."
        )
        report(problems, "warning", text, unfit)


def _bracket_by_order(
    series: Series, queue: list[Draft]
) -> list[tuple[Draft, tuple[float, int]]] | None:
    """Stop and index in the bracket of each frame that holds a place; None = count is off."""
    used = [d for d in queue if d.used]
    told = [d for d in used if _told_stop(d) is not None]
    left = [stop for stop in series.stops if stop not in {_told_stop(d) for d in told}]
    untold = [d for d in used if _told_stop(d) is None]
    n = series.frames_per_stop
    for stops, frames in ((series.stops, queue), (series.stops, used), (left, untold)):
        if len(frames) == n * len(stops) > 0 and not _contradicts_count(series, frames):
            places = [(stop, i) for stop in stops for i in range(n)]
            return list(zip(frames, places, strict=True))
    return [] if all(d.row.marked_stop is not None for d in used) else None


def _told_stop(draft: Draft) -> float | None:
    """The stop that a person told, in frames.csv or by a slate."""
    return draft.stops.get("frames.csv", draft.stops.get("slate"))


def _contradicts_count(series: Series, queue: list[Draft]) -> bool:
    """Whether a right count hides a frame too many beside one too few.

    It does where slates or f-numbers part the frames into one run for each stop, and the
    runs are of different lengths.
    """
    if uneven_slates(series, queue):
        return True
    runs = [(stop, len(list(group))) for stop, group in groupby(queue, key=lambda d: d.stop)]
    once = len({stop for stop, _ in runs}) == len(runs)
    return (
        once
        and all(stop is not None for stop, _ in runs)
        and any(length != series.frames_per_stop for _, length in runs)
    )


def _centred_um(series: Series, stop: float, index: int) -> float | None:
    step_um = series.focus_step_um(stop)
    if step_um == 0:
        return None
    return (index - (series.frames_per_stop - 1) / 2) * step_um


def _positions_from_runs(series: Series, queue: list[Draft]) -> None:
    """Focus positions of full brackets at one known stop that the count did not place."""
    for stop, group in groupby(queue, key=lambda d: d.stop):
        run = list(group)
        if (
            stop is not None
            and len(run) == series.frames_per_stop
            and all(d.position_um is None for d in run)
        ):
            for i, draft in enumerate(run):
                draft.position_um = _centred_um(series, stop, i)


def _report_count(
    series: Series,
    members: list[Draft],
    lost: list[Draft],
    problems: list[Problem],
    *,
    wrong: str,
) -> None:
    if lost:
        text = (
            f"{_label(series)}: {wrong}. The order of capture cannot tell the stop, so these "
            "have none: {frames}. In frames.csv write use = no for a frame that does not "
            "belong, or give marked_stop for every frame of the stop that is short or long."
        )
        report(problems, "error", text, lost)
    else:
        odd = _odd_stops(series, [d for d in members if d.used])
        text = (
            f"{_label(series)}: {wrong}. Every stop is known from frames.csv, slates or EXIF, so "
            f"no frame is lost. Check that the series is complete{': ' if odd else ''}{odd}."
        )
        problems.append(Problem(severity="warning", text=text, files=()))


def _count_words(series: Series, members: list[Draft], files: Collection[str]) -> str:
    """What is wrong with the number of frames, and what it looks like."""
    n_used = sum(d.used for d in members)
    n_stops, n = len(series.stops), series.frames_per_stop
    product = f"{n_stops} stops x {n} frames_per_stop"
    if n_used == n_stops * n:
        return f"{n_used} frames, as many as {product}, but not {n} at each stop"
    wrong = f"{n_used} frames, but {product} = {n_stops * n}"
    short = n_stops * n - n_used
    if short > 0 and short % n == 0:
        wrong += (
            f". It looks as if {short // n} of the stops had not been shot; if so, take it out of "
            "stops in session.toml"
        )
    gaps = _number_gaps(files, {d.file for d in members})
    if gaps:
        wrong += f". The file numbers skip {listed(gaps)}"
    return wrong


def _odd_stops(series: Series, used: list[Draft]) -> str:
    tally = Counter(d.stop for d in used)
    n = series.frames_per_stop
    return listed([f"f/{stop:g} has {tally[stop]}" for stop in series.stops if tally[stop] != n])


def _number_gaps(files: Collection[str], members: set[str]) -> list[str]:
    """Where the running numbers leave some out beside a member: "after IMG_0412.dng"."""
    counted = []
    for file in sorted(files, key=natural_key):
        found = re.fullmatch(r"(.*?)([0-9]+)(\.[^.]*)", file)
        if found:
            counted.append((found[1], int(found[2]), file))
    return [
        f"after {before[2]}"
        for before, after in pairwise(counted)
        if before[0] == after[0] and after[1] > before[1] + 1 and {before[2], after[2]} & members
    ]


def _report_disagreement(series: Series, members: list[Draft], problems: list[Problem]) -> None:
    split = [d for d in members if d.used and len(set(d.stops.values())) > 1]
    if split:
        said = [
            f"{d.file} ({', '.join(f'{_WORDS[s]}: f/{n:g}' for s, n in d.stops.items())})"
            for d in split
        ]
        text = (
            f"{_label(series)}: sources disagree on the stop of {listed(said)}. The first named "
            "was used. Check these frames; marked_stop in frames.csv decides."
        )
        report(problems, "warning", text, split, "stop-disagreement")


def _report_strangers(series: Series, members: list[Draft], problems: list[Problem]) -> None:
    strange = [d for d in members if d.used and d.stop is not None and d.stop not in series.stops]
    if strange:
        said = [f"{d.file} (f/{d.stop:g})" for d in strange]
        text = (
            f"{_label(series)}: a stop that session.toml does not list: {listed(said)}. Add it "
            "to stops, or correct frames.csv."
        )
        report(problems, "warning", text, strange)


def _label(series: Series) -> str:
    return f"Series {series.magnification:g}x ({series.frames})"
