"""Options of the fault tests."""

import pytest


@pytest.fixture
def every_act(request) -> bool:
    """Whether each act is tried, not only a spread."""
    return bool(request.config.getoption("--every-act"))
