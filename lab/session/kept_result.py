"""What did the analysis of this session say the last time? It is kept beside the frames.

Fitting the model of a lens takes up to a minute; what it gave is kept in the results store
under a key of everything that went in: the frames' records, configuration, problems,
exposure times, options, stopwise's version and ``_ANALYSIS``. Whatever changes, the key
changes, and the session is analysed again. One result is kept, the last. A comparison does
not hang on the options (permitted loss, rules), so that for it the last will do whatever
they were.

Left out: measuring; what ``fit`` works out with options of its own.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from lab.errors import LabError, SessionError
from lab.inference.result_json import (
    SCHEMA,
    as_plain,
    checked_schema,
    from_plain,
    read_json,
    write_json,
)
from lab.inference.results import SessionResult
from lab.inference.rules import DEFAULT_RULES
from lab.inference.trial_records import TrialResult
from lab.session.config import SessionConfig
from lab.session.draft import Assignment, Problem
from lab.session.inventory import STORE_NAME
from lab.session.records import CURVES, EDGE_COLUMNS, FRAME_COLUMNS, FrameRecord
from lab.session.running import MeasuredSession, stored_session
from lab.session.store import ResultsStore

__all__ = [
    "Analysed",
    "analysed_session",
    "inputs_key",
    "kept_document",
    "kept_or_computed",
    "options_of",
    "session_result",
]

Analysed = tuple[SessionResult, tuple[TrialResult, ...]]

_ANALYSIS = 2  # raised when a change of the analysis moves numbers
_SLOT = "result"  # among the store's summaries


@dataclass(frozen=True, kw_only=True)
class _Kept:
    """What stands in the store."""

    key: str
    options: tuple[str, ...]
    result: SessionResult
    trials: tuple[TrialResult, ...]


def session_result(
    folder: Path, *, loss_percent: float = 10.0, rules: Sequence[str] = DEFAULT_RULES
) -> Analysed:
    """Result of a measured session and of its trials, kept or worked out now.

    Parameters
    ----------
    folder : Path
        The session.
    loss_percent : float
        Permitted loss of MTF50, of the deepest sharp stop and of a keeper. [%],
        0 < loss < 100
    rules : sequence of str
        Rules of thumb, as ``lab.inference.rules`` reads them.

    Raises
    ------
    SessionError
        If the session or its store is wrong, or nothing is measured yet.
    """
    return analysed_session(folder, stored_session(folder), loss_percent=loss_percent, rules=rules)


def analysed_session(
    folder: Path,
    measured: MeasuredSession,
    *,
    loss_percent: float = 10.0,
    rules: Sequence[str] = DEFAULT_RULES,
    whatever: bool = False,
) -> Analysed:
    """As ``session_result``, of a session that is read already.

    Parameters
    ----------
    folder : Path
    measured : MeasuredSession
    loss_percent, rules
        As for ``session_result``.
    whatever : bool
        A kept result will do whatever loss and rules it was made with.

    Raises
    ------
    SessionError
        If the store is wrong.
    """
    key = inputs_key(measured.config, measured.assignment, measured.frames)
    with ResultsStore(folder / STORE_NAME) as store:
        return kept_or_computed(
            store,
            key,
            options_of(loss_percent, rules),
            lambda: _analysed(measured, loss_percent=loss_percent, rules=rules),
            whatever=whatever,
        )


def options_of(loss_percent: float, rules: Sequence[str] = DEFAULT_RULES) -> tuple[str, ...]:
    """Options of the analysis as they are kept beside its result."""
    return (repr(float(loss_percent)), *rules)


def inputs_key(
    config: SessionConfig,
    assignment: Assignment,
    frames: Sequence[FrameRecord],
) -> str:
    """A short name for everything but the options that decides a result.

    Parameters
    ----------
    config : SessionConfig
    assignment : Assignment
    frames : sequence of FrameRecord
        With their edges, curves and profiles included.
    """
    plain = [
        [_ANALYSIS, version("stopwise")],
        as_plain(SessionConfig, config, "config"),
        [as_plain(Problem, problem, "problem") for problem in assignment.problems],
        [[f.file, f.trial, f.condition, f.exposure_s] for f in assignment.frames],
    ]
    whole = hashlib.sha256(write_json(plain).encode())
    figures = [name for name in EDGE_COLUMNS if name not in CURVES]
    for frame in frames:
        whole.update(repr([getattr(frame, name) for name in FRAME_COLUMNS]).encode())
        for edge in frame.edges:
            whole.update(repr([getattr(edge, name) for name in figures]).encode())
            for name in CURVES:
                curve = np.asarray(getattr(edge, name), dtype="<f8")
                whole.update(f"{curve.size}:".encode() + curve.tobytes())
    return whole.hexdigest()


def kept_or_computed(
    store: ResultsStore,
    key: str,
    options: tuple[str, ...],
    compute: Callable[[], Analysed],
    *,
    whatever: bool = False,
) -> Analysed:
    """What the store holds under a key and options, or what ``compute`` gives, which is kept.

    Parameters
    ----------
    store : ResultsStore
    key : str
        Of ``inputs_key``.
    options : tuple of str
        Of ``options_of``.
    compute : callable
    whatever : bool
        What is kept will do whatever its options.

    Raises
    ------
    SessionError
        If the store cannot be read.
    """
    kept = _read(store)
    if kept is not None and kept.key == key and (whatever or kept.options == options):
        return kept.result, kept.trials
    result, trials = compute()
    new = _Kept(key=key, options=options, result=result, trials=trials)
    # A session on a read-only disk, or in use elsewhere, can still be reported.
    with suppress(SessionError):
        plain = as_plain(_Kept, new, _SLOT)
        store.put_summary(_SLOT, write_json({"schema": SCHEMA, "kept": plain}))
    return result, trials


def kept_document(store: ResultsStore) -> dict[str, Any] | None:
    """The plain record of what the store keeps, with ``key`` and ``result``.

    Returns
    -------
    dict or None
        None where it is nothing, or nothing that this version reads.

    Raises
    ------
    SessionError
        If the store cannot be read.
    """
    text = store.get_summary(_SLOT)
    if text is None:
        return None
    try:
        document = checked_schema(read_json(text, _SLOT), ("kept",), _SLOT)
    except LabError:
        return None
    # What an older version kept has another key, and is worked out again.
    kept = document["kept"]
    return kept if document["schema"] == SCHEMA and isinstance(kept, dict) else None


def _read(store: ResultsStore) -> _Kept | None:
    """What is kept, as ``kept_document``."""
    plain = kept_document(store)
    if plain is None:
        return None
    try:
        kept: _Kept = from_plain(_Kept, plain, _SLOT)
    except LabError:
        return None
    return kept


def _analysed(measured: MeasuredSession, *, loss_percent: float, rules: Sequence[str]) -> Analysed:
    from lab.inference.lens_result import lens_result, with_lens
    from lab.inference.session_analysis import analyse_session
    from lab.inference.trial_analysis import analyse_trial

    config, frames, assignment = measured.config, measured.frames, measured.assignment
    trials, untold = [], []
    for series in config.trials:
        try:
            trials.append(
                analyse_trial(config, assignment, frames, series, loss_percent=loss_percent)
            )
        except SessionError as error:  # one trial without its reference is no reason to stop
            untold.append(Problem(severity="warning", text=str(error), files=()))
    result = analyse_session(
        config, frames, (*assignment.problems, *untold), loss_percent=loss_percent
    )
    lens = lens_result(config, frames, loss_percent=loss_percent, rules=rules)
    return with_lens(result, lens), tuple(trials)
