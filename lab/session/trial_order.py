"""Which condition has each frame of a trial?

From frames.csv, else from the slate before the frame, else, where neither tells any frame
of the trial, from the order of capture: ``frames_per_condition`` frames each, in the order
in which session.toml lists the conditions. Nothing is guessed: a frame without a condition
is reported and left out.
"""

from __future__ import annotations

from collections import Counter

from lab.session.capture_order import capture_order
from lab.session.config import Series
from lab.session.draft import Draft, Problem, listed, report
from lab.session.frame_checks import check_setting
from lab.session.trial_config import Trial

__all__ = ["assign_trial"]


def assign_trial(
    series: Series, trial: Trial, members: list[Draft], problems: list[Problem]
) -> None:
    """Work out stop and condition of a trial's frames, in place.

    Parameters
    ----------
    series : Series
        The trial as a series of one stop.
    trial : Trial
    members : list of Draft
        Its frames; slates, copies and companions are not among them.
    problems : list of Problem
        What is found is added here.
    """
    label = f"Trial {trial.name} ({series.frames})"
    used = [d for d in members if d.used]
    if not used:
        text = f"{label}: no frame fits. Patterns are relative to frames/; correct it."
        problems.append(Problem(severity="error", text=text, files=()))
        return
    (stop,) = series.stops
    other = [d for d in used if d.stop not in (None, stop)]
    if other:
        said = listed([f"{d.file} (f/{d.stop:g})" for d in other])
        text = (
            f"{label}: shot at f/{stop:g} by session.toml, but frames.csv or a slate says "
            f"otherwise: {said}. These are left out of the trial."
        )
        report(problems, "warning", text, other, "stop-disagreement")
    here = [d for d in used if d not in other]
    for draft in here:
        draft.stops.setdefault("order", stop)
        said_slate = draft.announced.condition if draft.announced else None
        draft.condition = draft.row.condition or said_slate or ""
    if not any(d.condition for d in here):
        _by_order(label, trial, here, problems)
    unknown = [d for d in here if d.condition and d.condition not in trial.names]
    if unknown:
        said = listed([f"{d.file} ({d.condition})" for d in unknown])
        text = (
            f"{label}: conditions that session.toml does not list: {said}. They are left out. Add "
            f"a [[trial.condition]], or correct frames.csv; listed are {', '.join(trial.names)}."
        )
        report(problems, "error", text, unknown)
    silent = [d for d in here if not d.condition]
    if silent and any(d.condition for d in here):
        text = (
            f"{label}: no condition for {{frames}}. They are left out. Photograph a slate before "
            "each condition, or give condition in frames.csv."
        )
        report(problems, "error", text, silent)
    counts = Counter(d.condition for d in here)
    bare = [name for name in trial.names if not counts[name]]
    if bare and len(bare) < len(trial.names):
        text = f"{label}: no frame for {listed(bare)}."
        problems.append(Problem(severity="warning", text=text, files=()))
    for draft in members:
        if draft not in here or draft.condition not in trial.names:
            draft.condition = None
    check_setting(here, "focal length", label, lambda m: m.focal_length_mm, problems)
    for name in trial.names:
        shot = [d for d in here if d.condition == name]
        among = f"{trial.name}, {name}"
        check_setting(shot, "ISO", among, lambda m: m.iso, problems)
        check_setting(shot, "exposure time", among, lambda m: m.exposure_s, problems)


def _by_order(label: str, trial: Trial, here: list[Draft], problems: list[Problem]) -> None:
    queue = capture_order(here)
    n = trial.frames_per_condition
    if queue is not None and len(queue) == n * len(trial.names):
        for index, draft in enumerate(queue):
            draft.condition = trial.names[index // n]
        return
    wrong = (
        "the order of capture is not known (some frames carry no time)"
        if queue is None
        else f"{len(queue)} frames, but {len(trial.names)} conditions x {n} frames_per_condition "
        f"= {n * len(trial.names)}"
    )
    text = (
        f"{label}: which condition each frame has is not known: {wrong}: {{frames}}. Correct "
        "frames_per_condition, photograph a slate before each condition, or give condition in "
        "frames.csv."
    )
    report(problems, "error", text, here)
