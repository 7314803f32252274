"""A bench for a scripted test: what the state machine found, by itself."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.rules.bench import Bench


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """The first job is open with its sheet, and its first board is on the bench."""
    b = Bench(tmp_path)
    try:
        b.open()
        yield b
    finally:
        b.end()
