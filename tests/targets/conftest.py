"""Sheets that the tests of this folder share: those that ``print_table`` measures."""

from __future__ import annotations

import pytest

from targets import Layout
from tests.targets import print_table


@pytest.fixture(scope="session")
def plate() -> Layout:
    """Three fields for a sensor of 7.83 x 5.22 mm."""
    return print_table.plate()


@pytest.fixture(scope="session")
def paper() -> Layout:
    """One field of 36 x 24 mm on A4."""
    return print_table.paper()
