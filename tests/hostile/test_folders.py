"""A folder that a stranger hands over is data: whoever reads, verifies and reports it runs none of its code, waits for
none of its pipes, and changes nothing outside of it."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from meterlink.cli.reference import EXITS
from tests.hostile.commands import KNOWN, STAYS, lines, orderly
from tests.hostile.journals import story, write

NAME = "2026-11-25.jsonl"
RUNS = "import pathlib\npathlib.Path({marker!r}).touch()\n"
READS = [  # all that can be pointed at a folder, and asks no service for anything
    name
    for name, command in KNOWN.items()
    if name not in STAYS and any(p.name == "dir_" for p in command.params) and 3 not in EXITS.get(name, ())
]


def code(folder: Path, outside: Path) -> None:
    """Drivers wherever one could be looked for; a journal that asks for theirs."""
    for place in ("drivers", "journal", "journal/drivers", ".", "sheets", "profiles"):
        (folder / place).mkdir(exist_ok=True)
        for name in ("evil", "fs9721", "conftest", "sitecustomize", "meterlink"):
            (folder / place / f"{name}.py").write_text(RUNS.format(marker=str(outside / "ran")))
    (folder / "bench.toml").write_text('[instruments.m]\ndriver = "evil"\nport = "/dev/null"\n')


def index(folder: Path, outside: Path) -> None:
    """A link to somebody's database under the name of an index."""
    for name in ("index.sqlite", "index.sqlite-wal", "index.sqlite-journal"):
        (folder / "journal" / name).symlink_to(outside / "photos.sqlite")


def linked_segment(folder: Path, outside: Path) -> None:
    (folder / "journal" / "2026-11-26.jsonl").symlink_to(outside / "secret")


def pipe_segment(folder: Path, outside: Path) -> None:
    os.mkfifo(folder / "journal" / "2026-11-26.jsonl")


def folder_segment(folder: Path, outside: Path) -> None:
    (folder / "journal" / "2026-11-26.jsonl").mkdir()


def endless_segment(folder: Path, outside: Path) -> None:
    (folder / "journal" / "2026-11-26.jsonl").symlink_to("/dev/zero")


def pipes(folder: Path, outside: Path) -> None:
    """Pipes under every other name that is looked at."""
    names = ["bench.toml", "journal/journal.lock", f"journal/{NAME}.torn-1", f"journal/{NAME}.through-3.sig"]
    names += ["sheets/x.toml", "known-good/x.json", "profiles/x.toml"]
    for name in names:
        (folder / name).parent.mkdir(exist_ok=True)
        os.mkfifo(folder / name)


def loops(folder: Path, outside: Path) -> None:
    """Links in a circle and to nowhere."""
    for name in ("bench.toml", "sheets", "known-good", "profiles", "reports", "drivers"):
        (folder / name).symlink_to(name)


@pytest.fixture(autouse=True)
def nobody_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "sleep", lambda seconds: None)


LATER = [pipes, index, linked_segment, pipe_segment, folder_segment, endless_segment, loops]


@pytest.mark.parametrize("hostile", [code, *(pytest.param(one, marks=pytest.mark.long) for one in LATER)])
def test_a_strangers_folder_is_read_and_nothing_else_happens(
    tmp_path: Path, hostile: Callable[[Path, Path], None]
) -> None:
    folder, outside = tmp_path / "theirs", tmp_path / "mine"
    outside.mkdir()
    (outside / "secret").write_text("the key to the safe\n")
    with sqlite3.connect(outside / "photos.sqlite") as database:
        database.execute("CREATE TABLE entries (photo TEXT)")
    write(folder / "journal", story("x"))
    hostile(folder, outside)
    before = {p: p.read_bytes() for p in outside.iterdir()}
    for name in READS:
        for words in lines(name, "x", folder / "journal" / NAME, folder):
            done = orderly(words)
            assert "the safe" not in done.stdout + done.stderr
    assert {p: p.read_bytes() for p in outside.iterdir()} == before
    assert not list(folder.rglob("__pycache__"))


def test_the_commands_are_found() -> None:
    assert {"doctor", "report", "journal verify", "journal show", "board show", "known-good learn"} <= set(READS)
