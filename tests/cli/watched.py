"""A running `stopwise watch`, for tests: start it, feed it, read it, end it."""

from __future__ import annotations

import json
import os
import select
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

__all__ = ["Watched", "empty_session"]

_COMMAND = "from lab.cli.main import app; app()"


def empty_session(source: Path, folder: Path) -> list[Path]:
    """A session of the source's chart and series without frames; the frames to feed it with."""
    (folder / "frames" / "2x").mkdir(parents=True)
    for name in ("target.json", "session.toml"):
        shutil.copy(source / name, folder)
    return sorted((source / "frames" / "2x").glob("*.dng"))


class Watched:
    """A context manager around the process; ``url`` is the page's."""

    def __init__(self, folder: Path, *options: str, command: str = _COMMAND) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", command, "watch", "--json", *options, str(folder)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            stdin=subprocess.DEVNULL,
            cwd=Path(__file__).parents[2],
        )
        assert self._process.stderr is not None
        self._process.stderr.readline()
        self.url = self._process.stderr.readline().decode().strip()
        self._rest = b""

    def __enter__(self) -> Watched:
        return self

    def __exit__(self, *error: object) -> None:
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait(10)
        for pipe in (self._process.stdout, self._process.stderr):
            assert pipe is not None
            pipe.close()

    @property
    def pid(self) -> int:
        return self._process.pid

    def document(self, timeout_s: float = 40) -> dict[str, Any]:
        """The next frame's JSON."""
        assert self._process.stdout is not None
        end = time.monotonic() + timeout_s
        while b"\n" not in self._rest:
            wait = max(end - time.monotonic(), 0)
            assert select.select([self._process.stdout], [], [], wait)[0], "no answer"
            piece = os.read(self._process.stdout.fileno(), 1 << 16)
            assert piece, "it ended"
            self._rest += piece
        line, _, self._rest = self._rest.partition(b"\n")
        document: dict[str, Any] = json.loads(line)
        return document

    def is_silent(self, for_s: float) -> bool:
        assert self._process.stdout is not None
        return not self._rest and not select.select([self._process.stdout], [], [], for_s)[0]

    def stop(self, number: int = signal.SIGINT) -> int:
        self._process.send_signal(number)
        return self._process.wait(20)

    def errors(self) -> str:
        assert self._process.stderr is not None
        return self._process.stderr.read().decode()
