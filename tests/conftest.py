"""How hard hypothesis looks, and which files begin first: enough for every change by default, ten times as hard with
`-m full`."""

from __future__ import annotations

import atexit
import os
import shutil
import sys
import tempfile

import pytest
from hypothesis import settings

# Modules are compiled once for all workers and for every program that a test starts, not by each of them anew.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

settings.register_profile("every change", max_examples=50, deadline=None)
settings.register_profile("full", max_examples=500, deadline=None)

# Files that mostly wait (for processes, ports, feet): they begin first, in random order among themselves, so that none
# of them is left alone at the end. Measured with --durations; a file that is not here is only later.
FIRST = frozenset(
    (
        "demo/test_demo",
        "docs/test_bench",
        "docs/test_day",
        "docs/test_supply",
        "drivers/test_docs",
        "injection/test_driver_faults",
        "injection/test_enumerated",
        "injection/test_service",
        "inputs/test_whole_way",
        "rules/test_rules",
        "screen/test_questions",
        "screen/test_screen",
        "service/test_attendance",
        "service/test_hands",
        "service/test_right_board",
        "service/test_service",
        "test_interview",
    )
)


# What a bench or a command keeps for its user outside of a bench's folder is kept for the tests alone.
OWN = tempfile.mkdtemp(prefix="meterlink-tests-")
atexit.register(shutil.rmtree, OWN, ignore_errors=True)
for _name in ("CONFIG", "CACHE", "DATA"):
    os.environ[f"XDG_{_name}_HOME"] = f"{OWN}/{_name.lower()}"


def pytest_configure(config: pytest.Config) -> None:
    settings.load_profile("full" if config.getoption("markexpr") == "full" else "every change")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: item.nodeid.partition(".py")[0].removeprefix("tests/") not in FIRST)
