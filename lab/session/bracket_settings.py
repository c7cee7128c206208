"""Were the frames of a series exposed as they should be?

Within a stop all frames should be set alike. From stop to stop the exposure, shutter time
times ISO, either stays (flash, or a dimmed lamp) or makes up for the f-number: it goes
with N^2, and the magnification, which is the same in a series, drops out. A stop that
fits neither was set wrongly, or is not the stop that it is taken for.

Left out: how bright the pixels are. A lamp or a flash whose power was changed is not in
the metadata.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence

from lab.session.draft import Draft, Problem, listed, report
from lab.session.stops import exact_stop

__all__ = ["check_bracket_settings"]

# In stops. Cameras step by thirds, and their round figures (1/15, 1/60, 1/125 s) lie up to
# 0.1 off the exact ones, so that two differ by 0.2 at most (common practice, no published
# source; the figures computed): less is rounding, a third of a stop is not.
_TOLERANCE_STOPS = 0.25


def check_bracket_settings(
    label: str, stops: Sequence[float], used: list[Draft], problems: list[Problem]
) -> None:
    """Flag and report frames set otherwise than their bracket, and stops out of step.

    Parameters
    ----------
    label : str
        Name of the series for the messages.
    stops : sequence of float
        The series' marked stops.
    used : list of Draft
        Its frames in use, with their stops. Those of unknown stop count as one bracket for
        their ISO alone.
    problems : list of Problem
        What is found is added here.
    """
    brackets: dict[float | None, list[Draft]] = {}
    for draft in used:
        brackets.setdefault(draft.stop, []).append(draft)
    _check_iso(label, brackets, problems)
    brackets.pop(None, None)
    _check_brackets(label, brackets, problems)
    _check_steps(label, {s: brackets[s] for s in stops if s in brackets}, problems)


def _check_iso(
    label: str, brackets: dict[float | None, list[Draft]], problems: list[Problem]
) -> None:
    everywhere = Counter(d.metadata.iso for b in brackets.values() for d in b)
    odd, said = [], []
    for stop, bracket in brackets.items():
        usual = _usual([d.metadata.iso for d in bracket], everywhere)
        for draft in bracket:
            if draft.metadata.iso is not None and draft.metadata.iso != usual:
                odd.append(draft)
                where = "" if stop is None else f" at f/{stop:g}"
                said.append(f"{draft.file} ({draft.metadata.iso:g}, most frames{where} {usual:g})")
    if odd:
        text = (
            f"Changed ISO in {_inside(label)}: {listed(said)}. They are flagged and kept. Shoot "
            "them again with one setting, or write use = no in frames.csv."
        )
        report(problems, "warning", text, odd, "changed-ISO")


def _inside(label: str) -> str:
    return label[:1].lower() + label[1:]


def _usual(values: Sequence[float | None], everywhere: Mapping[float | None, int]) -> float | None:
    """The commonest value; of equally common ones that which the series has most."""
    counts = Counter(v for v in values if v is not None)
    return max(counts, key=lambda v: (counts[v], everywhere[v]), default=None)


def _level(draft: Draft) -> float | None:
    """Shutter time times ISO, in stops; None where the file does not say both."""
    seconds, iso = draft.metadata.exposure_s, draft.metadata.iso
    if not seconds or not iso or not 0 < seconds * iso < math.inf:
        return None
    return math.log2(seconds * iso)


def _check_brackets(
    label: str, brackets: dict[float | None, list[Draft]], problems: list[Problem]
) -> None:
    """Frames whose exposure is not that of most of their bracket."""
    everywhere = Counter(_level(d) for b in brackets.values() for d in b)
    odd, said = [], []
    for stop, bracket in brackets.items():
        usual = _usual([_level(d) for d in bracket], everywhere)
        for draft in bracket:
            level = _level(draft)
            if level is None or usual is None or "changed-ISO" in draft.flags:
                continue
            if abs(level - usual) > _TOLERANCE_STOPS:
                like = next(d for d in bracket if _level(d) == usual)
                odd.append(draft)
                said.append(f"{draft.file} ({_setting(draft)}; f/{stop:g} has {_setting(like)})")
    if odd:
        text = (
            f"Changed exposure within a stop, {_inside(label)}: {listed(said)}. They are flagged "
            "and kept. Check that they belong to this stop; frames.csv decides."
        )
        report(problems, "warning", text, odd, "changed-exposure")


def _setting(draft: Draft) -> str:
    seconds, iso = draft.metadata.exposure_s or 0.0, draft.metadata.iso or 0.0
    time = f"{seconds:g} s" if seconds >= 0.4 else f"1/{1 / seconds:.0f} s"
    return f"{time} at ISO {iso:g}"


def _check_steps(label: str, brackets: dict[float, list[Draft]], problems: list[Problem]) -> None:
    """Stops whose exposure goes neither with the others' nor with the f-number."""
    levels: dict[float, float] = {}
    for stop, bracket in brackets.items():
        known = [level for d in bracket if (level := _level(d)) is not None]
        if known:
            levels[stop] = Counter(known).most_common(1)[0][0]
    if len(levels) < 2:
        return
    steady = _out_of_step(levels)
    made_up = _out_of_step({s: v - 2 * math.log2(exact_stop(s)) for s, v in levels.items()})
    odd = min(made_up, steady, key=len)
    if not odd:
        return
    said = listed([f"f/{stop:g} {_typical(brackets[stop], levels[stop])}" for stop in levels])
    if 2 * len(odd) < len(levels):
        frames = [d for stop in odd for d in brackets[stop]]
        text = (
            f"{label}: the exposure at {listed([f'f/{stop:g}' for stop in odd])} goes neither "
            f"with the f-number nor with that of the other stops ({said}): {{frames}}. A setting "
            "slipped, or these were shot at another stop. Check, and give marked_stop in "
            "frames.csv if so."
        )
        report(problems, "warning", text, frames, "changed-exposure")
    else:
        text = (
            f"{label}: from stop to stop the exposure neither stays nor makes up for the f-number "
            f"({said}). Check that the stops were shot in the order of session.toml and the "
            "exposure was set by hand; frames.csv mends the stops."
        )
        files = tuple(d.file for bracket in brackets.values() for d in bracket)
        problems.append(Problem(severity="warning", text=text, files=files))


def _typical(bracket: list[Draft], level: float) -> str:
    return _setting(next(d for d in bracket if _level(d) == level))


def _out_of_step(levels: dict[float, float]) -> list[float]:
    """The fewest stops that must be left out for the levels of the others to agree."""
    odd = [
        [stop for stop, level in levels.items() if abs(level - middle) > _TOLERANCE_STOPS]
        for middle in levels.values()
    ]
    return min(odd, key=len)
