"""How stops are written, in the report and in the terminal alike."""

from __future__ import annotations

import pytest

from lab.cli.summary import stop_text
from reports.words import estimated_stop, marked_stop

# Exact


@pytest.mark.parametrize(
    ("stop", "text"),
    [
        (0.95, "f/0.9"),
        (2**1.5, "f/2.8"),
        (3.98, "f/4"),
        (2**2.5, "f/5.7"),
        (9.94, "f/9.9"),
        (9.96, "f/10"),
        (2**3.5, "f/11"),
        (128.4, "f/128"),
    ],
)
def test_estimated_stops_as_rings_write_theirs(stop: float, text: str) -> None:
    assert estimated_stop(stop) == stop_text(stop) == text


def test_more_digits_and_none() -> None:
    assert [estimated_stop(s, 2) for s in (3.996, 4.123, 10.56)] == ["f/4.00", "f/4.12", "f/10.56"]
    assert estimated_stop(None) == estimated_stop(float("nan")) == "not bracketed"
    assert stop_text(None) == "-"
    assert [marked_stop(s) for s in (8.0, 5.6, 3.183)] == ["f/8", "f/5.6", "f/3.183"]
