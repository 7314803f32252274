"""How hard hypothesis looks: enough for every change by default, ten times as hard with `-m full`."""

from __future__ import annotations

import pytest
from hypothesis import settings

settings.register_profile("every change", max_examples=50, deadline=None)
settings.register_profile("full", max_examples=500, deadline=None)


def pytest_configure(config: pytest.Config) -> None:
    settings.load_profile("full" if config.getoption("markexpr") == "full" else "every change")
