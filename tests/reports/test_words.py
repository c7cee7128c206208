"""How stops are written, in the report and in the terminal alike."""

from __future__ import annotations

import pytest

from lab.cli.summary import stop_text
from reports.words import (
    estimated_stop,
    interval_words,
    marked_stop,
    telling_digits,
    with_micro,
)

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


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (14.8, 15.3, "14.8 to 15.3"),
        (0.0, 0.4, "0.0 to 0.4"),
        (3.2, 8.9, "3 to 9"),
        (7.0, 7.0, "7 to 7"),
    ],
)
def test_an_interval_never_reads_as_one_figure(low: float, high: float, said: str) -> None:
    assert interval_words(low, high, telling_digits(low, high, 0)) == said


def test_micrometres_on_pages() -> None:
    assert (
        with_micro("0.53 um, not rum um and 4 umbrellas") == "0.53 µm, not rum um and 4 umbrellas"
    )
    assert with_micro("um") == "µm"
