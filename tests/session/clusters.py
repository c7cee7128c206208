"""A cluster on this machine: a scheduler and workers, each a process, over TCP."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import lab

ROOT = Path(lab.__file__).parents[1]
_PATIENCE_S = 60.0


@dataclass
class Cluster:
    """Address of the scheduler, and its processes."""

    address: str
    scheduler: subprocess.Popen[bytes]
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)


def _started(*command: object, log: Path) -> subprocess.Popen[bytes]:
    with log.open("ab") as said:
        return subprocess.Popen(
            [sys.executable, "-m", *map(str, command)],
            cwd=ROOT,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
            stdout=said,
            stderr=said,
            start_new_session=True,
        )


@contextmanager
def local_cluster(scratch: Path, *, workers: int, options: Sequence[str] = ()) -> Iterator[Cluster]:
    """A scheduler and so many workers of one thread, all there when it is handed over."""
    scratch.mkdir(exist_ok=True)
    where = scratch / "scheduler.json"
    scheduler = _started(
        *("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", 0),
        *("--no-dashboard", "--scheduler-file", where),
        log=scratch / "log.txt",
    )
    cluster = Cluster("", scheduler)
    try:
        _await(where.exists)
        time.sleep(0.2)
        cluster.address = json.loads(where.read_text())["address"]
        for i in range(workers):
            cluster.workers.append(
                _started(
                    *("distributed.cli.dask_worker", cluster.address, "--nthreads", 1),
                    *("--no-dashboard", "--host", "127.0.0.1", "--name", f"worker-{i}"),
                    *("--local-directory", scratch / f"worker-{i}", *options),
                    log=scratch / "log.txt",
                )
            )
        _await_workers(cluster.address, workers)
        yield cluster
    finally:
        for process in (*cluster.workers, scheduler):
            process.terminate()
        for process in (*cluster.workers, scheduler):
            try:
                process.wait(15)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _await(there: object) -> None:
    until = time.monotonic() + _PATIENCE_S
    while not there():  # type: ignore[operator]
        if time.monotonic() > until:
            raise TimeoutError("the cluster did not start")
        time.sleep(0.05)


def _await_workers(address: str, workers: int) -> None:
    """Asked by another process, so that none of the library's threads stays in this one."""
    if not workers:
        return
    code = (
        "import sys; from distributed import Client\n"
        "client = Client(sys.argv[1], timeout=60, set_as_default=False)\n"
        "client.wait_for_workers(int(sys.argv[2]), timeout=60); client.close()\n"
    )
    subprocess.run([sys.executable, "-c", code, address, str(workers)], check=True, timeout=120)
