"""The process that reads mutated files: what became of each, told on one line.

Asked on standard input by a line ``{"reader": name, "path": file, "trace": true}``; answered
by a line of JSON. A case that takes more CPU time than its limit ends this process by SIGPROF,
one that crashes a decoder by that decoder's signal: whoever waits sees the exit code. Memory is
limited to so much beyond what the imports took. What Python prints or logs without a handler
is a finding; what libraries in C write past Python cannot be held back by a reader and is
only told, as ``words``.

Run by ``tests.fuzz.campaign``: ``python -m tests.fuzz.worker MODULE CPU_S MEMORY_MB``
"""

from __future__ import annotations

import importlib
import io
import json
import logging
import os
import re
import resource
import signal
import sys
import tempfile
import traceback
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import lab
from lab.errors import LabError
from targets.errors import TargetError

__all__ = ["judged"]

_ROOT = str(Path(lab.__file__).parents[1])
_OURS = tuple(f"{_ROOT}{os.sep}{room}{os.sep}" for room in ("lab", "targets"))
_MOST_TEXT = 2000  # characters of a message to a person


class Lines:
    """Lines of ours that were run; a function whose lines are all known is traced no more."""

    def __init__(self) -> None:
        self.new: set[str] = set()
        self._left: dict[CodeType, set[int]] = {}

    def _called(self, frame: FrameType, event: str, argument: Any) -> Any:
        code = frame.f_code
        if not code.co_filename.startswith(_OURS):
            return None
        if code not in self._left:
            self._left[code] = {line for _, _, line in code.co_lines() if line is not None}
            self._ran(frame)
        return self._line if self._left[code] else None

    def _line(self, frame: FrameType, event: str, argument: Any) -> Any:
        self._ran(frame)
        return self._line

    def _ran(self, frame: FrameType) -> None:
        left = self._left[frame.f_code]
        if frame.f_lineno in left:
            left.discard(frame.f_lineno)
            self.new.add(f"{frame.f_code.co_filename[len(_ROOT) + 1 :]}:{frame.f_lineno}")

    def traced(self, read: Callable[[Path], None], path: Path) -> None:
        sys.settrace(self._called)
        try:
            read(path)
        finally:
            sys.settrace(None)

    def taken(self) -> list[str]:
        found, self.new = sorted(self.new), set()
        return found


def judged(read: Callable[[Path], None], path: Path) -> dict[str, str]:
    """What a reader did with a file: "read", "refused", or the kind of a finding.

    Parameters
    ----------
    read : callable
        Of a path.
    path : Path

    Returns
    -------
    dict
        ``outcome``; for a finding also ``text``, and ``where`` it came from.
    """
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            read(path)
            answer = {"outcome": "read"}
        except (LabError, TargetError) as error:
            answer = _refused(error, path)
        except BaseException as error:
            answer = _found(type(error).__name__, str(error), error)
    if caught and answer["outcome"] in ("read", "refused"):
        first = caught[0]
        place = f"{_short(first.filename)}:{first.lineno}"
        answer = {"outcome": "warning", "text": str(first.message)[:300], "where": place}
    return answer


def _refused(error: BaseException, path: Path) -> dict[str, str]:
    text = str(error).replace(str(path.parent), "")
    if any("Memory" in type(cause).__name__ for cause in _causes(error)):
        return _found("memory", text, error)
    lines = text.splitlines()
    if not text.strip() or not all(map(str.isprintable, lines)) or len(text) > _MOST_TEXT:
        return _found("message", ascii(text), error)
    return {"outcome": "refused", "text": text[:300]}


def _causes(error: BaseException | None) -> Iterator[BaseException]:
    seen = 0
    while error is not None and seen < 50:
        yield error
        error, seen = error.__cause__ or error.__context__, seen + 1


def _found(kind: str, text: str, error: BaseException) -> dict[str, str]:
    """Where it was raised: the innermost line of ours, and the innermost of all."""
    steps = traceback.extract_tb(list(_causes(error))[-1].__traceback__)
    ours = [step for step in steps if step.filename.startswith(_OURS)]
    places = [f"{_short(s.filename)}:{s.lineno}" for s in (*ours[-1:], *steps[-1:])]
    where = " <- ".join(dict.fromkeys(reversed(places)))
    return {"outcome": kind, "text": ascii(text)[:300], "where": where}


def _short(name: str) -> str:
    return "/".join(Path(name).parts[-2:])


def _limit_memory(beyond_mb: int) -> None:
    pages = Path("/proc/self/statm")
    if pages.exists():  # elsewhere address space is not limited
        now = int(pages.read_text().split()[0]) * resource.getpagesize()
        most = now + beyond_mb * 1_000_000
        resource.setrlimit(resource.RLIMIT_AS, (most, most))


def main() -> None:
    """Answer until standard input ends."""
    module, cpu_s, memory_mb = sys.argv[1:4]
    readers: dict[str, Callable[[Path], None]] = importlib.import_module(module).READERS
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    answers = os.fdopen(os.dup(1), "w")
    noise = tempfile.TemporaryFile()  # noqa: SIM115 - as long as the process
    os.dup2(noise.fileno(), 1)
    os.dup2(noise.fileno(), 2)
    _limit_memory(int(memory_mb))
    printed = sys.stdout = sys.stderr = io.StringIO()
    logging.lastResort = logging.StreamHandler(printed)
    logging.lastResort.setLevel(logging.WARNING)
    lines = Lines()
    for asked in sys.stdin:
        case = json.loads(asked)
        read, path = readers[case["reader"]], Path(case["path"])
        for stream in (noise, printed):
            stream.seek(0)
            stream.truncate()
        signal.setitimer(signal.ITIMER_PROF, float(cpu_s))
        if case["trace"]:
            answer = judged(lambda path, plain=read: lines.traced(plain, path), path)
        else:
            answer = judged(read, path)
        signal.setitimer(signal.ITIMER_PROF, 0)
        told = printed.getvalue()
        if told and answer["outcome"] in ("read", "refused"):
            kind = re.sub(r"\d+", "#", told.splitlines()[0])
            answer = {"outcome": "print", "text": ascii(told)[:300], "where": ascii(kind)[:40]}
        noise.seek(0)
        words = noise.read(300).decode(errors="replace").replace(str(path), "").strip()
        reply = {**answer, "words": re.sub(r"\d+", "#", words)[:60], "lines": lines.taken()}
        answers.write(json.dumps(reply) + "\n")
        answers.flush()


if __name__ == "__main__":
    main()
