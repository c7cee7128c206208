"""Exact f-numbers behind the markings."""

import math

import pytest

from lab.session import exact_stop


# Exact: 2**(k/2) and 2**(k/6), computed by hand from the series.
@pytest.mark.parametrize(
    ("marked", "sixths"),
    [(1.4, 3), (2.8, 9), (5.6, 15), (11, 21), (22, 27), (45, 33), (90, 39)]
    + [(0.7, -3), (1.2, 2), (1.8, 5), (3.5, 11), (6.3, 16), (7.1, 17), (13, 22), (57, 35)],
)
def test_customary_rounding_gives_the_exact_member(marked: float, sixths: int) -> None:
    assert exact_stop(marked) == pytest.approx(math.sqrt(2) ** (sixths / 3), rel=1e-14)


# Published: whole stops as printed to six decimals (series of ISO 517).
@pytest.mark.parametrize(
    ("marked", "printed"), [(2.8, 2.828427), (5.6, 5.656854), (11, 11.313708), (22, 22.627417)]
)
def test_whole_stops_match_printed_figures(marked: float, printed: float) -> None:
    assert exact_stop(marked) == pytest.approx(printed, abs=5e-7)


@pytest.mark.parametrize("marked", [4.8, 5.656854, 12.5, 1.7, 23.0, 6.4, 0.95])
def test_any_other_number_stands_for_itself(marked: float) -> None:
    assert exact_stop(marked) == marked


@pytest.mark.parametrize("marked", [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0])
def test_powers_of_two_are_exact(marked: float) -> None:
    assert exact_stop(marked) == marked


def test_every_marking_lies_near_its_exact_stop() -> None:
    # The worst customary rounding is 1.2 for 1.26 (4.8 %); a slip by one third stop is 12 %.
    for tenth in range(7, 1000):
        marked = tenth / 10
        assert abs(exact_stop(marked) / marked - 1) < 0.05


def test_cameras_32_bit_float_is_recognised() -> None:
    assert exact_stop(5.599999904632568) == exact_stop(5.6)


@pytest.mark.parametrize("marked", [0, -5.6, math.nan, math.inf])
def test_refuses_what_is_no_f_number(marked: float) -> None:
    with pytest.raises(ValueError, match="marked"):
        exact_stop(marked)
