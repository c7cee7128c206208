"""A result is kept until anything that went into it changes, and no longer."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from lab.errors import SessionError
from lab.inference import lens_result
from lab.inference.session_analysis import analyse_session
from lab.session import kept_result
from lab.session.draft import Problem
from lab.session.kept_result import (
    Analysed,
    analysed_session,
    inputs_key,
    kept_or_computed,
    session_result,
)
from lab.session.records import CURVES
from lab.session.running import MeasuredSession, stored_session
from lab.session.store import ResultsStore
from lab.session.trial_config import Condition, Trial

Copy = Callable[..., Path]


@pytest.fixture(scope="module")
def analysed(tiny: Any) -> Analysed:
    return analyse_session(tiny.measured.config, tiny.measured.frames), ()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[ResultsStore]:
    with ResultsStore(tmp_path / "results.sqlite") as opened:
        yield opened


TEN = ("10.0", "2x: f/8")


def never() -> Analysed:
    raise AssertionError("it was kept")


# The key


def key_of(session: MeasuredSession) -> str:
    return inputs_key(session.config, session.assignment, session.frames)


def with_edge(session: MeasuredSession, **changes: object) -> MeasuredSession:
    first = session.frames[0]
    edge = replace(first.edges[3], **changes)  # type: ignore[arg-type]
    edges = (*first.edges[:3], edge, *first.edges[4:])
    return replace(session, frames=(replace(first, edges=edges), *session.frames[1:]))


def test_the_key_is_the_same_for_the_same_inputs(tiny: Any) -> None:
    session = tiny.measured
    assert key_of(session) == key_of(replace(session))
    assert len(key_of(session)) == 64


def test_whatever_goes_in_changes_the_key(tiny: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    session: MeasuredSession = tiny.measured
    config, assignment = session.config, session.assignment
    edge = session.frames[0].edges[3]
    place = assignment.frames[0]
    problem = Problem(severity="warning", text="Look again.", files=())
    changed = [
        replace(session, config=replace(config, name="another")),
        replace(session, config=replace(config, lens=replace(config.lens, pupil_ratio=0.9))),
        replace(session, assignment=replace(assignment, problems=(problem,))),
        replace(
            session,
            assignment=replace(
                assignment, frames=(replace(place, exposure_s=1 / 200), *assignment.frames[1:])
            ),
        ),
        replace(session, frames=session.frames[1:]),
        replace(session, frames=session.frames[::-1]),
        replace(
            session,
            frames=(replace(session.frames[0], focus_position_um=1.5), *session.frames[1:]),
        ),
        with_edge(session, mtf50_std=0.01),
        *(
            with_edge(session, **{name: tuple(v + 1e-16 for v in getattr(edge, name))})
            for name in CURVES[:3]
            if any(getattr(edge, name))
        ),
        with_edge(session, profile_px=(1.0,), profile_dn=(2.0,), profile_std_dn=(3.0,)),
        with_edge(session, profile_px=(2.0,), profile_dn=(1.0,), profile_std_dn=(3.0,)),
    ]
    keys = [key_of(session), *map(key_of, changed)]
    monkeypatch.setattr(kept_result, "version", lambda _: "9.9")
    keys.append(key_of(session))
    monkeypatch.undo()
    monkeypatch.setattr(kept_result, "_ANALYSIS", 99)
    keys.append(key_of(session))
    assert len(set(keys)) == len(keys)


# Keeping


def test_it_is_worked_out_once(store: ResultsStore, analysed: Analysed) -> None:
    calls: list[int] = []

    def compute() -> Analysed:
        calls.append(1)
        return analysed

    first = kept_or_computed(store, "a", TEN, compute)
    again = kept_or_computed(store, "a", TEN, never)
    assert calls == [1]
    assert first == again == analysed
    assert repr(again) == repr(analysed)
    kept_or_computed(store, "b", TEN, compute)
    assert calls == [1, 1]
    kept_or_computed(store, "a", TEN, compute)  # one is kept, the last
    assert calls == [1, 1, 1]


def test_other_options_are_worked_out_unless_whatever_will_do(
    store: ResultsStore, analysed: Analysed
) -> None:
    five = ("5.0", *TEN[1:])
    other = replace(analysed[0], name="made with 5 %"), ()
    kept_or_computed(store, "a", five, lambda: other)
    assert kept_or_computed(store, "a", TEN, never, whatever=True) == other
    assert kept_or_computed(store, "a", TEN, lambda: analysed) == analysed
    assert kept_or_computed(store, "b", five, lambda: other, whatever=True) == other


@pytest.mark.parametrize(
    "text",
    [
        '"nonsense"',
        "{}",
        '{"schema": 9, "kept": {}}',
        '{"schema": 1, "kept": {"key": "a"}}',
        '{"schema": 2, "kept": {"key": "a"}}',
        '{"schema": 2, "kept": []}',
    ],
)
def test_what_cannot_be_read_is_worked_out_again(
    text: str, store: ResultsStore, analysed: Analysed
) -> None:
    store.put_summary("result", text)
    assert kept_or_computed(store, "a", TEN, lambda: analysed) == analysed
    assert json.loads(store.get_summary("result") or "")["kept"]["key"] == "a"


def test_a_disk_that_takes_nothing_costs_only_time(
    store: ResultsStore, analysed: Analysed, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuses(_self: ResultsStore, _key: str, _text: str) -> None:
        raise SessionError("read-only")

    monkeypatch.setattr(ResultsStore, "put_summary", refuses)
    assert kept_or_computed(store, "a", TEN, lambda: analysed) == analysed
    assert store.get_summary("result") is None


def test_a_failure_is_not_kept(store: ResultsStore, analysed: Analysed) -> None:
    def fails() -> Analysed:
        raise SessionError("no frame of the reference")

    with pytest.raises(SessionError):
        kept_or_computed(store, "a", TEN, fails)
    assert kept_or_computed(store, "a", TEN, lambda: analysed) == analysed


# A session


@pytest.fixture
def fits(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The loss of each call for the slow fit, which is spared here."""
    calls: list[float] = []

    def quick(*_: object, loss_percent: float, rules: object) -> None:
        calls.append(loss_percent)

    monkeypatch.setattr(lens_result, "lens_result", quick)
    return calls


def test_a_session_is_fitted_again_only_when_it_changed(tiny_copy: Copy, fits: list[float]) -> None:
    folder = tiny_copy(measured=True)
    first = session_result(folder)
    assert session_result(folder) == first
    assert session_result(folder, loss_percent=10) == first
    assert fits == [10.0]
    session_result(folder, loss_percent=5.0)
    # What hangs on no loss takes what is kept, and keeps it.
    analysed_session(folder, stored_session(folder), whatever=True)
    session_result(folder, loss_percent=5.0)
    assert fits == [10.0, 5.0]
    session_result(folder, loss_percent=5.0, rules=("2x: f/8",))
    toml = folder / "session.toml"
    text = toml.read_text("utf-8")
    toml.write_text(text.replace("pupil_ratio = 0.", "pupil_ratio = 1."), "utf-8")
    changed, _ = session_result(folder, loss_percent=5.0, rules=("2x: f/8",))
    assert fits == [10.0, 5.0, 5.0, 5.0]
    assert changed.pupil_ratio != first[0].pupil_ratio
    with sqlite3.connect(folder / "results.sqlite") as database:
        rows = database.execute("SELECT count(*) FROM summary WHERE key LIKE 'result%'").fetchone()
    assert rows == (1,)


def test_a_trial_without_its_reference_is_told_and_the_rest_reported(
    tiny: Any, fits: list[float]
) -> None:
    session: MeasuredSession = tiny.measured
    conditions = (Condition(name="stand"), Condition(name="hand"))
    trial = Trial(name="porch", conditions=conditions, frames_per_condition=2, reference="stand")
    series = replace(
        session.config.series[0], stops=(4.0,), focus_steps_um=(0.0,), trial=trial, frames="x/*"
    )
    config = replace(session.config, series=(*session.config.series, series))
    result, trials = kept_result._analysed(
        replace(session, config=config), loss_percent=10.0, rules=()
    )
    assert trials == ()
    assert result.cautions[0].startswith("Trial porch: no frame of the reference condition")
    assert len(result.series[0].points) == 2
