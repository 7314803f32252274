"""Reference libraries that are imported where something of them is first used.

Each of pytest's workers reads every test file; SciPy, pandas, Arrow and DuckDB together would take seconds of each.
"""

from __future__ import annotations

import importlib
import importlib.util
from typing import Any

import pytest


class Lazily:
    """Stands for a module; the file is skipped where its package is not installed."""

    def __init__(self, name: str) -> None:
        self._name = name
        if importlib.util.find_spec(name.partition(".")[0]) is None:
            pytest.skip(f"{name} is not installed: it is in the extra `test`", allow_module_level=True)

    def __getattr__(self, attribute: str) -> Any:
        if attribute.startswith("_"):  # pytest asks every name in a file whether it is a wrapped fixture
            raise AttributeError(attribute)
        return getattr(importlib.import_module(self._name), attribute)
