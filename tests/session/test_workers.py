"""The pool of guarded processes: whatever a decoder does, it costs one frame."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import lab
from lab.errors import LabError
from lab.session import workers as workers_module
from lab.session.guarded_process import GuardedProcess, Limits
from lab.session.workers import default_workers, limits_for, worker_pool
from tests.session.misbehaviour import MISBEHAVING, Item

ROOT = Path(lab.__file__).parents[1]
LIMITS = Limits(time_s=60.0, memory_bytes=600_000_000)
SHORT = Limits(time_s=1.0, memory_bytes=600_000_000)


def _items(folder: Path, *what: str) -> list[Item]:
    return [(word, folder / f"{i}.txt") for i, word in enumerate(what)]


def _tries(item: Item) -> int:
    return len(item[1].read_text())


def test_results_come_one_for_each_item(tmp_path: Path) -> None:
    items = _items(tmp_path, *"abcdefg")
    with worker_pool(3, LIMITS) as run:
        assert sorted(run(MISBEHAVING, items)) == [f"{letter} done" for letter in "abcdefg"]
        assert list(run(MISBEHAVING, [])) == []
        assert list(run(MISBEHAVING, items[:1])) == ["a done"]  # and the pool goes on
    assert [_tries(item) for item in items] == [2, *[1] * 6]


def test_one_worker_keeps_the_order_and_one_process(tmp_path: Path) -> None:
    with worker_pool(1, LIMITS) as run:
        assert list(run(MISBEHAVING, _items(tmp_path, *"abc"))) == ["a done", "b done", "c done"]
        first, second = run(MISBEHAVING, _items(tmp_path, "process", "process"))
    assert first == second != os.getpid()
    with pytest.raises(ProcessLookupError):
        os.kill(int(first), 0)  # it went with the pool


def test_linear_algebra_has_one_thread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with worker_pool(1, LIMITS) as run:
        assert list(run(MISBEHAVING, _items(tmp_path, "threads"))) == ["1"]


@pytest.mark.parametrize("workers", [1, 2])
@pytest.mark.parametrize(
    ("what", "loss", "tries"),
    [
        ("crash", "crashed the process that read it (SIGSEGV).", 2),
        ("bad pointer", "crashed the process that read it (SIGSEGV).", 2),
        ("exit", "ended the process that read it (exit code 3).", 2),
        ("raise", "could not be measured (TypeError: a tag of the wrong kind).", 1),
    ],
)
def test_a_crash_costs_one_frame(
    tmp_path: Path, workers: int, what: str, loss: str, tries: int
) -> None:
    items = _items(tmp_path, "a", what, "b", "c")
    with worker_pool(workers, LIMITS) as run:
        results = list(run(MISBEHAVING, items))
    assert {*results} > {"a done", "b done", "c done"}
    (said,) = (result for result in results if " lost: " in result)
    assert said.startswith(f"{what} lost: {loss}")
    assert "Copy it from the card again" in said
    assert [_tries(item) for item in items] == [1, tries, 1, 1]


def test_a_process_killed_from_outside_costs_nothing(tmp_path: Path) -> None:
    items = _items(tmp_path, "a", "crash once", "b")
    with worker_pool(2, LIMITS) as run:
        assert sorted(run(MISBEHAVING, items)) == ["a done", "b done", "crash once done"]
    assert _tries(items[1]) == 2


def test_a_suspect_is_tried_again_when_it_is_alone(tmp_path: Path) -> None:
    items = _items(tmp_path, "crash once", *"abcdef")
    with worker_pool(3, LIMITS) as run:
        assert list(run(MISBEHAVING, items))[-1] == "crash once done"


@pytest.mark.parametrize("what", ["hang", "hang in C"])
def test_a_hang_costs_its_time_limit(tmp_path: Path, what: str) -> None:
    items = _items(tmp_path, "a", what, "b", "c")
    with worker_pool(1, LIMITS) as run:
        assert list(run(MISBEHAVING, items[:1])) == ["a done"]  # its server has started by now
    start = time.monotonic()
    with worker_pool(2, SHORT) as run:
        results = list(run(MISBEHAVING, items))
    assert 1 <= time.monotonic() - start < 20
    assert {*results} > {"a done", "b done", "c done"}
    assert f"{what} lost: took longer than 1 s, the limit for one frame" in results[-1]
    assert _tries(items[1]) == 1


@pytest.mark.skipif(sys.platform != "linux", reason="memory is limited on Linux alone")
def test_a_memory_bomb_costs_one_frame(tmp_path: Path) -> None:
    items = _items(tmp_path, "a", "eat memory", "b")
    with worker_pool(1, LIMITS) as run:
        results = list(run(MISBEHAVING, items))
    assert results[0::2] == ["a done", "b done"]
    assert "eat memory lost: needed more than 0.6 GB of memory" in results[1]


def test_who_stops_listening_ends_the_work(tmp_path: Path) -> None:
    items = _items(tmp_path, "process", "hang", "a")
    start = time.monotonic()
    with worker_pool(2, LIMITS) as run:
        process = next(run(MISBEHAVING, items))
        assert list(run(MISBEHAVING, items[2:])) == ["a done"]
    assert time.monotonic() - start < 30
    with pytest.raises(ProcessLookupError):
        os.kill(int(process), 0)


def test_a_dead_idle_process_is_replaced(tmp_path: Path) -> None:
    with worker_pool(1, LIMITS) as run:
        (first,) = run(MISBEHAVING, _items(tmp_path, "process"))
        os.kill(int(first), signal.SIGKILL)
        time.sleep(0.2)
        (second,) = run(MISBEHAVING, _items(tmp_path, "process"))
    assert first != second


def test_a_script_without_its_guard_is_told_so(tmp_path: Path) -> None:
    script = tmp_path / "script.py"
    script.write_text(
        "from pathlib import Path\n"
        "from lab.session.workers import worker_pool\n"
        "from tests.session.misbehaviour import MISBEHAVING\n"
        "with worker_pool(1) as run:\n"
        f"    print(list(run(MISBEHAVING, [('a', Path({str(tmp_path / 'a')!r}))])))\n"
    )
    run = subprocess.run(
        [sys.executable, script],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert run.returncode != 0
    assert 'put the call below: if __name__ == "__main__":' in run.stderr


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="kill -9 is a POSIX thing")
def test_processes_end_with_a_parent_that_is_killed(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path\n"
        "from lab.session.guarded_process import GuardedProcess, Limits\n"
        "from tests.session.misbehaviour import misbehave\n"
        "if __name__ == '__main__':\n"
        "    process = GuardedProcess(Limits())\n"
        "    print(process.ask(misbehave, ('process', Path(sys.argv[1]))).result, flush=True)\n"
        "    process.ask(misbehave, ('hang', Path(sys.argv[1])))\n"
    )
    script = tmp_path / "script.py"
    script.write_text(code)
    with subprocess.Popen(
        [sys.executable, script, tmp_path / "a"],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        text=True,
    ) as parent:
        assert parent.stdout is not None
        worker = int(parent.stdout.readline())
        os.kill(worker, 0)
        parent.kill()
        parent.stdout.read()  # ends when the last process that holds it has gone
    until = time.monotonic() + 10
    while time.monotonic() < until and Path(f"/proc/{worker}").exists():
        time.sleep(0.05)
    assert not Path(f"/proc/{worker}").exists()


def test_guarded_process_without_work(tmp_path: Path) -> None:
    process = GuardedProcess(LIMITS)
    with pytest.raises(ValueError, match="give it an item first"):
        _ = process.pipe
    process.end()
    outcome = process.ask(MISBEHAVING.do, _items(tmp_path, "a")[0])
    assert (outcome.result, outcome.loss, outcome.died) == ("a done", "", False)
    process.end()


@pytest.mark.parametrize("changes", [{"time_s": 0.0}, {"memory_bytes": -1}])
def test_limits_that_permit_nothing_are_refused(changes: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="must be > 0"):
        Limits(**changes)  # type: ignore[arg-type]


def test_no_worker_is_refused() -> None:
    with pytest.raises(ValueError, match="workers"), worker_pool(0):
        pass


# Sizes


def test_limits_grow_with_the_sensor_and_spare_small_ones() -> None:
    small, usual, large = limits_for(6e6), limits_for(24e6), limits_for(101e6)
    assert small == usual
    assert (usual.time_s, usual.memory_bytes) == (180.0, 3_840_000_000)
    assert (large.time_s, large.memory_bytes) == (565.0, 16_160_000_000)


@pytest.mark.parametrize(
    ("free", "pixels", "expected"),
    [(None, 45e6, 7), (1e12, 45e6, 7), (6.1e9, 45e6, 3), (1e8, 45e6, 1)],
)
def test_processes_fit_cores_and_memory(
    monkeypatch: pytest.MonkeyPatch, free: float | None, pixels: float, expected: int
) -> None:
    # 45 megapixels take 0.15 + 45e6 x 30e-9 = 1.5 GB; three quarters of 6.1 GB hold three.
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(7)), raising=False)
    monkeypatch.setattr(workers_module, "_free_bytes", lambda: free)
    assert default_workers(pixels) == expected


def test_a_process_that_cannot_start_blames_no_frame(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from lab.session import guarded_process

    monkeypatch.setattr(guarded_process, "_serve", os._exit)  # takes the pipe for a code
    process = GuardedProcess(LIMITS)
    with pytest.raises(LabError, match="a worker process could not be started"):
        process.ask(MISBEHAVING.do, _items(tmp_path, "a")[0])
