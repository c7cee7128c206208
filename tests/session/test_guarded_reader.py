"""Files read in the background: their outcomes arrive in a queue, whatever becomes of each."""

from __future__ import annotations

import os
import time
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import pytest

from lab.errors import LabError
from lab.session import guarded_process
from lab.session.guarded_process import GuardedProcess, Limits
from lab.session.guarded_reader import GuardedReader
from tests.session.misbehaviour import misbehave

LIMITS = Limits(time_s=30.0, memory_bytes=600_000_000)
Queue = SimpleQueue[tuple[str, Any]]
WARMED: list[int] = []


def warm(_: None) -> None:
    WARMED.append(os.getpid())


def is_warm(_: None) -> bool:
    return [os.getpid()] == WARMED


def test_outcomes_arrive_in_order_and_a_new_process_is_warmed_again(tmp_path: Path) -> None:
    inbox: Queue = SimpleQueue()
    with GuardedReader(inbox, LIMITS, first=warm) as reader:
        reader.give("a", is_warm, None)
        reader.give("b", misbehave, ("crash", tmp_path / "b"))
        reader.give("c", is_warm, None)
        found = [inbox.get(timeout=60) for _ in range(3)]
    assert [kind for kind, _ in found] == ["a", "b", "c"]
    assert [item for _, (item, _) in found] == [None, ("crash", tmp_path / "b"), None]
    first, crashed, again = (outcome for _, (_, outcome) in found)
    assert (first.result, again.result) == (True, True)
    assert crashed.loss.startswith("crashed the process that read it")
    assert WARMED == []  # not in this process


def test_the_end_waits_for_nothing(tmp_path: Path) -> None:
    inbox: Queue = SimpleQueue()
    with GuardedReader(inbox, LIMITS) as reader:
        reader.give("process", misbehave, ("process", tmp_path / "a"))
        process = inbox.get(timeout=60)[1][1].result
        reader.give("hang", misbehave, ("hang in C", tmp_path / "b"))
        reader.give("never", misbehave, ("never", tmp_path / "c"))
        while not (tmp_path / "b").exists():
            time.sleep(0.01)
        start = time.monotonic()
    assert time.monotonic() - start < 2
    with pytest.raises(ProcessLookupError):
        os.kill(process, 0)
    assert inbox.empty()
    assert not (tmp_path / "c").exists()


def test_a_reader_that_cannot_start_is_told_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(guarded_process, "_serve", os._exit)  # takes the pipe for a code
    inbox: Queue = SimpleQueue()
    with GuardedReader(inbox, LIMITS) as reader:
        reader.give("a", misbehave, ("a", tmp_path / "a"))
        kind, error = inbox.get(timeout=60)
    assert kind == "fail"
    assert isinstance(error, LabError)


def test_who_insists_gets_a_frame_that_another_process_spoilt(tmp_path: Path) -> None:
    process = GuardedProcess(LIMITS)
    assert process.insist(misbehave, ("crash once", tmp_path / "a")).result == "crash once done"
    assert process.insist(misbehave, ("crash", tmp_path / "b")).died
    assert len((tmp_path / "b").read_text()) == 2
    process.end()
