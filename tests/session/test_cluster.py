"""``measure --cluster``: same digits as on one machine, a worker killed half-way and all."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

import lab
from lab.session.running import measure_session, stored_session
from tests.session.clusters import local_cluster
from tests.session.crashing import check_part

Copy = Callable[..., Path]
ROOT = Path(lab.__file__).parents[1]
needs_distributed = pytest.mark.skipif(
    find_spec("distributed") is None, reason="needs the extra cluster"
)


def _measure(folder: Path, *options: object) -> subprocess.Popen[str]:
    code = "from lab.cli.main import app; app()"
    return subprocess.Popen(
        [sys.executable, "-c", code, "measure", str(folder), *map(str, options)],
        cwd=ROOT,
        env={**os.environ, "COLUMNS": "80"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def _said(run: subprocess.Popen[str]) -> str:
    """What a run that must fail as bad input says."""
    _, err = run.communicate(timeout=120)
    assert run.returncode == 2, err
    return " ".join(err.split())


@needs_distributed
def test_a_cluster_gives_the_same_digits_though_a_worker_dies(
    tiny: Any, tiny_copy: Copy, tmp_path: Path
) -> None:
    folder = tiny_copy(measured=False)
    with local_cluster(tmp_path / "cluster", workers=2) as cluster:
        run = _measure(folder, "--cluster", cluster.address)
        until = time.monotonic() + 100
        while time.monotonic() < until and not check_part(folder, tiny.measured.frames):
            time.sleep(0.05)
        n_before = len(check_part(folder, tiny.measured.frames))
        os.killpg(cluster.workers[0].pid, signal.SIGKILL)  # with the nanny that would restart it
        cluster.workers[0].wait()
        out, err = run.communicate(timeout=200)
    assert 0 < n_before < 6  # it was killed half-way
    assert (run.returncode, out) == (0, "6 measured\n"), err
    assert stored_session(folder) == tiny.measured
    assert measure_session(folder) == tiny.measured


@needs_distributed
def test_a_lost_scheduler_is_said_and_finished_frames_are_kept(
    tiny: Any, tiny_copy: Copy, tmp_path: Path
) -> None:
    folder = tiny_copy(measured=False)
    with local_cluster(tmp_path / "cluster", workers=1) as cluster:
        run = _measure(folder, "--cluster", cluster.address, "--json")
        until = time.monotonic() + 100
        while time.monotonic() < until and not check_part(folder, tiny.measured.frames):
            time.sleep(0.05)
        cluster.scheduler.kill()
        said = _said(run)
    assert said.startswith("stopwise: --cluster tcp://")  # and none of the library's words
    assert "the cluster was lost" in said and "Finished frames are kept" in said
    assert check_part(folder, tiny.measured.frames)


@needs_distributed
def test_no_workers_and_no_scheduler_are_said(tiny_copy: Copy, tmp_path: Path) -> None:
    folder = tiny_copy(measured=False)
    with local_cluster(tmp_path / "cluster", workers=0) as cluster:
        said = _said(_measure(folder, "--cluster", cluster.address))
        assert "the scheduler has no workers. Start some with: dask worker tcp://" in said
    said = _said(_measure(folder, "--cluster", "tcp://127.0.0.1:9"))
    assert "no scheduler answers there" in said and "dask scheduler" in said


def test_what_does_not_go_with_a_cluster_is_said(tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=False)
    said = _said(_measure(folder, "--cluster", "tcp://127.0.0.1:9", "--workers", "2"))
    assert "Leave --workers out" in said


def test_without_the_extra_the_mend_is_said(
    tiny_copy: Copy, monkeypatch: pytest.MonkeyPatch
) -> None:
    from lab.errors import SessionError

    monkeypatch.setitem(sys.modules, "distributed", None)  # as if it were not installed
    with pytest.raises(SessionError, match=r"pip install 'stopwise\[cluster\]'"):
        measure_session(tiny_copy(measured=False), cluster="tcp://127.0.0.1:9")


# What a worker does, without a cluster


def test_a_worker_that_does_not_see_a_frame_says_so(tmp_path: Path) -> None:
    from lab.errors import SessionError
    from lab.session.cluster import _on_worker, _worker_sees
    from lab.session.guarded_process import Limits
    from tests.session.misbehaviour import misbehave

    gone = tmp_path / "gone.dng"
    with pytest.raises(SessionError, match=r"does not see .*gone\.dng\. Put the session on"):
        _on_worker(misbehave, ("a", gone), str(gone), Limits())
    assert not _worker_sees(str(tmp_path))[1]
    (tmp_path / "session.toml").touch()
    assert _worker_sees(str(tmp_path))[1]


def test_a_worker_is_guarded_like_a_machine(tmp_path: Path) -> None:
    from lab.session import cluster
    from lab.session.guarded_process import Limits
    from tests.session.misbehaviour import misbehave

    file = tmp_path / "a.dng"
    file.touch()
    limits = Limits(time_s=60.0, memory_bytes=600_000_000)
    try:
        for what, loss, result in (
            ("a", "", "a done"),
            ("crash", "crashed the process that read it (SIGSEGV)", None),
            ("crash once", "", "crash once done"),
        ):
            file.write_text("")
            outcome = cluster._on_worker(misbehave, (what, file), str(file), limits)
            assert (outcome.loss, outcome.result) == (loss, result)
    finally:
        cluster._local.guard.end()
        del cluster._local.guard
