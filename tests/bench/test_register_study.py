"""The aims of finding the chart for a range of magnifications: ``./check -m slow``."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import pytest

from lab.threads import one_thread
from tests.bench import register_study

pytestmark = pytest.mark.slow


def test_every_frame_is_found_with_its_edges() -> None:
    cases = list(register_study.cases())
    assert len(cases) == 5 * 2 * 2 * 4 * 2 + 3
    with one_thread(), ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        outcomes = pool.map(register_study.outcome, cases)
    failed = {str(case): one.faults for case, one in zip(cases, outcomes, strict=True)}
    assert not {case: faults for case, faults in failed.items() if faults}
