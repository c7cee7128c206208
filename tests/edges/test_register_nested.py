"""Recovery: the chart for a range of magnifications is found, and its edges are where it says.

Each case renders a frame whose truth is known; what a fault is stands in the study.
"""

from __future__ import annotations

import pytest

from tests.bench.register_study import Case, cases, outcome

QUICK = {(1.0, 3.0), (3.0, 90.0), (5.0, 180.0)}  # magnification, turn


def is_quick(case: Case) -> bool:
    return (
        (case.magnification, case.turn_deg) in QUICK
        and case.sensor_mm == (23.5, 15.6)
        and case.pitch_um > 5
        and not any(case.tilt_deg)
    )


@pytest.mark.parametrize("case", [case for case in cases() if is_quick(case)], ids=str)
def test_chart_is_found(case: Case) -> None:
    assert outcome(case).faults == ()


@pytest.mark.slow
@pytest.mark.parametrize("case", [case for case in cases() if not is_quick(case)], ids=str)
def test_chart_is_found_everywhere(case: Case) -> None:
    assert outcome(case).faults == ()
