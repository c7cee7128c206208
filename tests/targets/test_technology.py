"""The table of ways to make a target: complete, consistent, and refused by its list."""

from __future__ import annotations

from dataclasses import replace

import pytest

from targets.errors import TargetError
from targets.technology import TECHNOLOGIES, technology

KEYS = ["office-print", "photo-print", "litho-film", "emulsion-plate", "chrome-on-glass", "blade"]


def test_every_technology_is_there_from_soft_to_sharp() -> None:
    assert list(TECHNOLOGIES) == KEYS
    blurs = [technology(key).blur_um for key in KEYS]
    assert blurs == sorted(blurs, reverse=True)
    for key in KEYS:
        one = technology(key)
        assert one.key == key
        assert one.blur_low_um < one.blur_um < one.blur_high_um
        # Exact: a rectangle's variance is its width squared over 12.
        assert one.blur_std_um**2 * 12 == pytest.approx((one.blur_high_um - one.blur_low_um) ** 2)
        assert one.spread_um**2 == pytest.approx(one.blur_um**2 + one.raggedness_um**2)


@pytest.mark.parametrize("key", KEYS)
def test_each_says_where_its_figures_come_from_and_what_can_hurt(key: str) -> None:
    one = technology(key)
    assert any(word in one.source for word in ("no published source", "from memory"))
    assert "local rules" in one.caution
    if "glass" in one.name:
        assert "sharp edges" in one.caution
    if key == "blade":
        assert "cuts" in one.caution


def test_addressing_figures_are_the_closed_form() -> None:
    # Pitch over sqrt(12): 1200 dots per inch 6.11 um, 20 000 0.367 um (published, computed).
    assert technology("photo-print").blur_low_um == pytest.approx(6.11, abs=0.05)
    assert technology("litho-film").blur_low_um == pytest.approx(0.367, abs=0.005)
    # 10 to 90 % widths of 50 and 150 um over 2.563103 standard deviations (published, computed).
    office = technology("office-print")
    assert office.blur_low_um == pytest.approx(50 / 2.563103, rel=0.03)
    assert office.blur_high_um == pytest.approx(150 / 2.563103, rel=0.01)


def test_an_unknown_technology_is_refused_with_the_list() -> None:
    with pytest.raises(TargetError) as caught:
        technology("stone-carving")
    for key in KEYS:
        assert key in str(caught.value)
    assert "stone-carving" in str(caught.value)


@pytest.mark.parametrize(
    "change",
    [
        {"blur_um": 9.0},
        {"blur_low_um": 0.0},
        {"blur_high_um": float("inf")},
        {"blur_um": float("nan")},
        {"raggedness_um": -0.1},
        {"raggedness_um": float("nan")},
    ],
)
def test_figures_out_of_order_are_refused(change: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"must be|need"):
        replace(technology("litho-film"), **change)  # type: ignore[arg-type]
