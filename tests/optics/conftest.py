"""The marker of this folder's comparison with a second library."""

import pytest


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line(
        "markers", "optics_check: a second route to one image; needs the extra optics-check"
    )
