"""Simulated sessions that several folders share: raw files on disk, measured once."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

# As the commands do, before the array library loads: the same digits on every machine.
os.environ["OPENBLAS_NUM_THREADS"] = "1"

from lab.session.running import MeasuredSession, measure_session
from lab.simulate.demo import DemoPlan, DemoSeries, write_demo_session
from lab.simulate.rig import SimulatedRig
from lab.simulate.truth import SimulatedTruth

# For processes that tests start; to look for doctests in them would load them here too.
collect_ignore = ["no_network/sitecustomize.py", "faulty_decoders/sitecustomize.py"]

_RIG = SimulatedRig(n_rows=400, n_cols=600)


@dataclass(frozen=True, kw_only=True)
class SimulatedSession:
    """A session folder, the truth behind it, and what measuring it gave."""

    folder: Path
    plan: DemoPlan
    truth: SimulatedTruth
    measured: MeasuredSession


def _simulated(folder: Path, plan: DemoPlan, seed: int) -> SimulatedSession:
    truth = write_demo_session(folder, seed=seed, workers=1, plan=plan)
    measured = measure_session(folder, workers=1)
    return SimulatedSession(folder=folder, plan=plan, truth=truth, measured=measured)


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> SimulatedSession:
    """Four stops of five frames at 2x about the optimum. Read only."""
    plan = DemoPlan(
        rig=_RIG,
        stops=(2.8, 4.0, 5.6, 8.0),
        frames_per_stop=5,
        series=(DemoSeries(magnification=2.0, true_magnification=1.991, focus_step_um=25.0),),
    )
    return _simulated(tmp_path_factory.mktemp("demo"), plan, seed=7)


@pytest.fixture(scope="session")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> SimulatedSession:
    """Two stops of three frames at 2x, for running rather than figures. Read only."""
    plan = DemoPlan(
        rig=_RIG,
        stops=(4.0, 8.0),
        frames_per_stop=3,
        series=(DemoSeries(magnification=2.0, true_magnification=2.006, focus_step_um=25.0),),
    )
    return _simulated(tmp_path_factory.mktemp("tiny"), plan, seed=3)


@pytest.fixture
def tiny_copy(tiny: SimulatedSession, tmp_path: Path) -> Callable[..., Path]:
    """Copy of the tiny session to change at will, with or without its results."""

    def copy(*, measured: bool) -> Path:
        folder = tmp_path / "tiny"
        shutil.copytree(tiny.folder, folder)
        if not measured:
            (folder / "results.sqlite").unlink()
        return folder

    return copy
