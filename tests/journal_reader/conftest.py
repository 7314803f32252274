from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.journal_reader.generate import small


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made") / "journal"
    small(folder, boards=2, days=2)
    return folder


@pytest.fixture
def journal(made: Path, tmp_path: Path) -> Path:
    """A fresh copy of a journal of two days and four boards, in a bench's folder."""
    return shutil.copytree(made, tmp_path / "bench" / "journal")


@pytest.fixture
def edit() -> Callable[[Path, int, Callable[[bytes], bytes]], None]:
    """Change one line (counted from 1) of a segment."""

    def change(segment: Path, number: int, how: Callable[[bytes], bytes]) -> None:
        lines = segment.read_bytes().splitlines(keepends=True)
        lines[number - 1] = how(lines[number - 1])
        segment.write_bytes(b"".join(lines))

    return change
