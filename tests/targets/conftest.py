"""Sheets that the tests of this folder share: one for a plate, one for paper."""

from __future__ import annotations

import pytest

from targets import Layout, chart_sheet, square_field


@pytest.fixture(scope="session")
def plate() -> Layout:
    """Three fields for a sensor of 7.83 x 5.22 mm."""
    fields = [
        square_field(magnification=m, sensor_width_mm=7.83, sensor_height_mm=5.22, name="club")
        for m in (3, 1, 2)
    ]
    return chart_sheet(fields, name="Club (plate)")


@pytest.fixture(scope="session")
def paper() -> Layout:
    """One field of 36 x 24 mm on A4."""
    field = square_field(magnification=1, sensor_width_mm=36, sensor_height_mm=24, name="club")
    return chart_sheet([field], name="Club on paper", paper="A4")
