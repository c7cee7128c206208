"""Runs mutated files through the readers and keeps what they should not have done.

A case is right if its reader gives a result or an error of our own tree, within its limits
of time and memory, without a warning and without a word of Python's on the terminal. Inputs
that reach lines of ours that none before reached are mutated further.
"""

from __future__ import annotations

import json
import os
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from tests.fuzz.mutate import mutated

__all__ = ["CORPUS", "Campaign", "Finding", "Worker", "seeds"]

CORPUS = Path(__file__).parent / "corpus"
_MOST_KEPT = 400  # inputs of one reader that reached new lines
_TRACED, _TRACED_EACH = 300, 8  # tracing doubles the time: of later cases only some are


def seeds(reader: str) -> list[bytes]:
    """The corpus of a reader, by file name."""
    return [path.read_bytes() for path in sorted((CORPUS / reader).iterdir())]


@dataclass(kw_only=True)
class Finding:
    """What a reader should not have done: the first input that showed it, and how many did."""

    reader: str
    outcome: str
    where: str
    text: str
    case: str
    content: bytes
    count: int = 1

    @property
    def line(self) -> str:
        """One line for a person."""
        return f"{self.reader}: {self.outcome} x{self.count} at {self.where}: {self.text[:160]}"


class Worker:
    """The process that reads; started again after each of its deaths.

    Parameters
    ----------
    module : str
        Holds ``READERS``.
    cpu_s, memory_mb : float, int
        Limits of a case.
    wall_s : float
        Limit of a case that waits and uses no CPU time; on a busy machine far above ``cpu_s``.
    """

    def __init__(
        self,
        module: str = "tests.fuzz.readers",
        *,
        cpu_s: float = 5.0,
        memory_mb: int = 1000,
        wall_s: float = 60.0,
    ) -> None:
        self._command = [sys.executable, "-m", "tests.fuzz.worker", module]
        self._command += [str(cpu_s), str(memory_mb)]
        self._wall_s = wall_s
        self._folder = Path(tempfile.mkdtemp(prefix="fuzz-worker-"))
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Worker:
        return self

    def __exit__(self, *_: object) -> None:
        self._end()
        shutil.rmtree(self._folder, ignore_errors=True)

    def read(self, reader: str, content: bytes, *, trace: bool = False) -> dict[str, Any]:
        """What became of one input: ``outcome``, ``text`` and ``where``, ``lines``, ``words``."""
        for old in self._folder.iterdir():
            old.unlink()
        path = self._folder / "input"
        path.write_bytes(content)
        process = self._started()
        assert process.stdin is not None and process.stdout is not None
        case = {"reader": reader, "path": str(path), "trace": trace}
        process.stdin.write(json.dumps(case).encode() + b"\n")
        process.stdin.flush()
        ready, _, _ = select.select([process.stdout], [], [], self._wall_s)
        if not ready:
            self._end()
            return {"outcome": "stuck", "text": f"no answer in {self._wall_s:g} s", "where": "?"}
        line = process.stdout.readline()
        if line:
            answer: dict[str, Any] = json.loads(line)
            return answer
        code = process.wait()
        self._end()
        if code == -signal.SIGPROF:
            return {"outcome": "time", "text": "too much CPU time", "where": "?"}
        return {"outcome": f"signal {-code}", "text": "the process died", "where": "?"}

    def _started(self) -> subprocess.Popen[bytes]:
        if self._process is None:
            self._process = subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                cwd=Path(__file__).parents[2],
                env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
            )
        return self._process

    def _end(self) -> None:
        if self._process is None:
            return
        self._process.kill()
        self._process.wait()
        assert self._process.stdin is not None and self._process.stdout is not None
        with suppress(BrokenPipeError):
            self._process.stdin.close()
        self._process.stdout.close()
        self._process = None


@dataclass(kw_only=True)
class Campaign:
    """Mutated inputs of one reader, from a seed."""

    reader: str
    seed: int
    worker: Worker
    outcomes: Counter[str] = field(default_factory=Counter)
    words: Counter[str] = field(default_factory=Counter)
    findings: dict[tuple[str, str], Finding] = field(default_factory=dict)
    lines: set[str] = field(default_factory=set)
    cases: int = 0
    seconds: float = 0.0

    def __post_init__(self) -> None:
        self._pool = seeds(self.reader)
        self._n_seeds = len(self._pool)
        for number, content in enumerate(self._pool):
            self._one(f"seed {number}", content)

    def run(self, *, cases: int = 1_000_000_000, seconds: float = 1e9) -> None:
        """So many more cases, or as many as fit into the time."""
        start = time.monotonic()
        for _ in range(cases):
            if time.monotonic() - start > seconds:
                break
            rng = Random(f"{self.seed} {self.reader} {self.cases}")
            # Half of the time a seed: the kept ones would soon drown them.
            pool = self._pool[: self._n_seeds] if rng.random() < 0.5 else self._pool
            content = mutated(rng.choice(pool), rng.choice(pool), rng)
            is_new = self._one(f"{self.seed} {self.cases}", content)
            if is_new and len(self._pool) < _MOST_KEPT:
                self._pool.append(content)
            self.cases += 1
        self.seconds += time.monotonic() - start

    def _one(self, case: str, content: bytes) -> bool:
        answer = self.worker.read(
            self.reader, content, trace=self.cases < _TRACED or self.cases % _TRACED_EACH == 0
        )
        outcome = answer["outcome"]
        self.outcomes[outcome] += 1
        if answer.get("words"):
            self.words[answer["words"]] += 1
        if outcome not in ("read", "refused"):
            key = (outcome, answer["where"])
            if key in self.findings:
                self.findings[key].count += 1
            else:
                self.findings[key] = Finding(
                    reader=self.reader,
                    outcome=outcome,
                    where=answer["where"],
                    text=answer["text"],
                    case=case,
                    content=content,
                )
        found = set(answer.get("lines", ()))
        is_new = not found <= self.lines
        self.lines |= found
        return is_new
