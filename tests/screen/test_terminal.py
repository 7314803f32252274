"""The screen in a real terminal: tmux sends the keys and reads what stands there. Skipped without tmux."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from meterlink import records
from meterlink.journal.reader import entries as journal_entries
from tests.screen.terminal import Terminal, tmux
from tests.service.conftest import Running, bench_at, until


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Running]:
    with bench_at(tmp_path / "b") as running:
        running.start()
        running.call("job open", job="GC-2611", expected=2)
        running.call("board receive", board="GC-01")
        yield running


@tmux
@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_keys_in_and_screen_out(bench: Running, tmp_path: Path, size: tuple[int, int]) -> None:
    command = (sys.executable, "-m", "meterlink", "screen", "--dir", str(bench.folders.root))
    terminal = Terminal(tmp_path / "tmux", *size, *command)
    try:
        terminal.shows("1 boards counted, 2 said")
        terminal.keys("b")
        terminal.shows("Which board?")
        terminal.at_once("gc-01\r")
        terminal.shows("board GC-01")
        bench.handheld.dial("diode")
        bench.handheld.touch(0.6)
        terminal.shows("0.600 V")
        assert "█" in terminal.text
        bench.handheld.lift()
        terminal.shows("probes in the air")
        terminal.keys("q")
        until(lambda: terminal.ended, what="the screen to close")
        assert bench.call("status")["context"]["board"] == "GC-01"  # the bench goes on
    finally:
        terminal.end()


@tmux
def test_it_waits_for_a_service_that_is_not_there(tmp_path: Path) -> None:
    command = (sys.executable, "-m", "meterlink", "screen", "--light", "--dir", str(tmp_path / "b"))
    terminal = Terminal(tmp_path / "tmux", 80, 24, *command)
    try:
        terminal.shows("NOT ATTACHED")
        with bench_at(tmp_path / "b") as running:
            running.start()
            terminal.shows("no job")
            running.stop()
            terminal.shows("NOT ATTACHED")
        terminal.keys("q")
        until(lambda: terminal.ended, what="the screen to close")
    finally:
        terminal.end()


def test_without_a_terminal_it_says_so_in_one_line() -> None:
    command = [sys.executable, "-m", "meterlink", "screen"]
    done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=30, check=False)
    assert done.returncode == 2 and not done.stdout
    assert done.stderr.startswith("meterlink: the screen needs a terminal") and done.stderr.count("\n") == 1


@tmux
def test_a_day_by_scanner_and_keys_stands_in_the_journal(bench: Running, tmp_path: Path) -> None:
    """Scan a board that is known and one that is not, find, undo, change hands: keys in, journal and screen out."""
    command = (sys.executable, "-m", "meterlink", "screen", "--dir", str(bench.folders.root))
    terminal = Terminal(tmp_path / "tmux", 80, 24, *command)
    try:
        terminal.shows("NO BOARD is on the bench")
        terminal.at_once("gc-01\r")
        terminal.shows("board GC-01")
        terminal.at_once("sn-3\r")
        terminal.shows("count it in to GC-2611")
        assert bench.call("status")["context"]["board"] == "GC-01"
        terminal.keys("n")
        until(lambda: "leave it" not in terminal.text, 5, what=f"the offer to be left\n{terminal.text}")
        terminal.keys("h")
        terminal.shows("Who is at the bench?")
        terminal.at_once("Mira\r")
        terminal.shows("by Mira")
        terminal.keys("f")
        terminal.shows("GC-01: what was found or done?")
        terminal.at_once("replaced\rC412\r100 nF\r")
        terminal.shows("after")
        terminal.shows("u takes back")
        terminal.keys("u")
        terminal.shows("BACK")
        until(lambda: bench.call("status")["context"]["stage"] == "before", what="the stage to be set back")
        entries = [entry.record for entry in journal_entries(bench.folders.journal, readings=False)]
        assert [r.board for r in entries if isinstance(r, records.Board)][-1] == "GC-01", "sn-3 made no board"
        (found,) = [r for r in entries if isinstance(r, records.Finding)]
        assert (found.what, found.part, found.by) == ("replaced", "C412", "Mira")
        assert any(isinstance(r, records.Void) for r in entries)
        assert any(isinstance(r, records.Context) and r.source == "scanner" for r in entries)
    finally:
        terminal.end()
