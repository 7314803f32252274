"""`meterlink setup` as a person meets it: lines typed into the command, and the file that is there afterwards."""

from __future__ import annotations

import os
import pty
import random
import re
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from meterlink import registry
from meterlink.cli import interview
from meterlink.folders import Folders, bench_folder
from meterlink.service.config import load
from meterlink.virtual.handheld import Handheld
from meterlink.virtual.terminal import VirtualTerminal


@pytest.fixture
def folders(tmp_path: Path) -> Folders:
    return bench_folder(tmp_path / "bench")


def typed(folders: Folders, *lines: str | bytes, force: bool = False) -> subprocess.CompletedProcess[str]:
    """The real command with these lines on its standard input, then its end."""
    text = b"\n".join(line if isinstance(line, bytes) else line.encode() for line in lines) + b"\n"
    done = subprocess.run(
        [sys.executable, "-m", "meterlink", "setup", "--dir", str(folders.root), *(["--force"] if force else [])],
        input=text,
        capture_output=True,
        check=False,
        timeout=90,
    )
    return subprocess.CompletedProcess(
        done.args, done.returncode, done.stdout.decode(errors="replace"), done.stderr.decode(errors="replace")
    )


def test_what_the_service_refuses_is_asked_for_again_with_its_reason(folders: Folders) -> None:
    """Every wrong answer that a person could give, one after another; the file that comes of it loads."""
    done = typed(
        folders,
        'bench "left" \\ 1', b"N\xfcrnberg", "Nürnberg",  # Latin-1, then what was meant
        "m 1", "-m", "m.1", "carrier:pigeon", "tcp:127.0.0.1:1", "n", "fs9712", "ka",  # names, ports, drivers
        "m.1", "m2", "tcp:127.0.0.1:1", "n", "ka", "tcp:127.0.0.1:2", "n", "ka",  # the same name, the same port
        "", "perhaps", "contact", "/dev/not-there", "b", "contact", "/dev/not-there", "CTS",
    )  # fmt: skip
    loaded = load(folders.config, folders)
    assert loaded.config.bench == 'bench "left" \\ 1' and loaded.config.operator == "Nürnberg"
    assert {n: (one.driver, one.port) for n, one in loaded.config.instruments.items()} == {
        "m.1": ("ka", "tcp:127.0.0.1:1"),
        "m2": ("ka", "tcp:127.0.0.1:2"),
    }
    assert loaded.config.pedal is not None and loaded.config.pedal.switches == {"CTS": "gestures"}
    for reason in ("letter or digit", "no such kind of port", "fs9721", "m.1 is there already", "one instrument a",
                   "not UTF-8", "no switch 'b'"):  # fmt: skip
        assert reason in done.stdout, reason
    assert "fault" not in done.stderr
    text = folders.config.read_text(encoding="utf-8")
    assert "# control = true" in text and "docs/operator.md" in text and "/dev/ttyUSB" not in text


def test_a_port_that_is_not_there_is_not_offered(folders: Folders, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing plugged in: no default, and an empty answer is asked again; one plugged in: that, and only once."""
    questions: list[tuple[str, str | None]] = []
    left = ["", "", "a", "tcp:127.0.0.1:9", "n", "ka", "", "none"]

    def ask(question: str, default: str | None = None) -> str:
        questions.append((question, default))
        return left.pop(0) or (default or "")

    monkeypatch.setattr(interview, "plugged_in", lambda folders: [])
    assert "/dev/ttyUSB" not in interview.interview(folders, ask, lambda text: None)
    assert ("  its port", None) in questions and ("  its driver (meterlink driver list)", None) in questions
    monkeypatch.setattr(interview, "plugged_in", lambda folders: [("/dev/serial/by-id/one", "opto cable")])
    questions.clear()
    left += ["", "", "a", "", "n", "n", "fs9721", "b", "/dev/other", "n", "n", "ka", "", "none"]
    text = interview.interview(folders, ask, lambda text: None)
    assert [d for q, d in questions if q == "  its port"] == ["/dev/serial/by-id/one", None]
    assert interview.problem(folders, text) is None


def test_an_interview_that_breaks_off_leaves_nothing(folders: Folders) -> None:
    done = typed(folders, "bench", "N.", "meter", "tcp:127.0.0.1:1")
    assert done.returncode == 2 and "call this in a terminal" in done.stderr
    assert not folders.root.exists()
    folders.root.mkdir()
    folders.config.write_text("bench = 'mine'\n")
    assert typed(folders, "bench", "N.", "meter", force=True).returncode == 2
    assert [p.name for p in folders.root.iterdir()] == ["bench.toml"]
    assert folders.config.read_text() == "bench = 'mine'\n"


def test_it_finds_the_driver_of_a_meter_that_is_sending(folders: Folders) -> None:
    """Listening at a real pseudo-terminal: the driver that fits is offered, and Enter takes it."""
    folders.root.mkdir(parents=True)
    handheld = Handheld(registry.find("fs9721"), random.Random(1), 20.0)
    handheld.touch(0.5)
    port = folders.root / "port"
    with VirtualTerminal(port, stream=handheld.frame, rate_hz=20.0):
        done = typed(folders, "", "", "meter", str(port), "y", "", "", "none")
    assert "fs9721: sure" in done.stdout and "its driver (meterlink driver list) [fs9721]" in done.stdout
    assert load(folders.config, folders).specs["meter"].name == "fs9721"
    assert "meter: heard, it shows" in done.stdout


@pytest.mark.long
def test_a_silent_port_is_told_and_any_driver_may_be_named(folders: Folders) -> None:
    folders.root.mkdir(parents=True)
    port = folders.root / "port"
    with VirtualTerminal(port, stream=lambda t: b"", rate_hz=20.0):
        done = typed(folders, "", "", "meter", str(port), "y", "n", "fs9721", "", "none")
    assert "no driver's frames" in done.stdout and "A query can move a relay" in done.stdout
    assert load(folders.config, folders).specs["meter"].name == "fs9721"


def test_in_a_terminal(folders: Folders) -> None:
    """Keys into a pseudo-terminal, one answer for each question as it comes."""
    pid, fd = pty.fork()
    if pid == 0:
        os.execv(sys.executable, [sys.executable, "-m", "meterlink", "setup", "--dir", str(folders.root)])
    answers = [
        ("name for this bench", "left"), ("Who works", "Nora"), ("short name", "m 1"), ("short name", "m1"),
        ("its port", "tcp:127.0.0.1:1"), ("A query", "n"), ("its driver", "ka"), ("short name", ""),
        ("A pedal", ""),
    ]  # fmt: skip
    screen, shown, end = "", "", time.monotonic() + 60
    try:
        while time.monotonic() < end:
            if select.select([fd], [], [], 0.1)[0]:
                try:
                    screen += (came := os.read(fd, 4096).decode(errors="replace"))
                except OSError:
                    break  # the command has ended
                shown += came
            if answers and re.search(rf"{answers[0][0]}[^\n]*: $", screen):
                os.write(fd, answers.pop(0)[1].encode() + b"\n")
                screen = ""
    finally:
        os.close(fd)
        _, status = os.waitpid(pid, 0)
    assert answers == [] and os.waitstatus_to_exitcode(status) == 0, shown
    assert "begins with a letter or digit" in shown
    config = load(folders.config, folders).config
    assert (config.bench, config.operator, list(config.instruments)) == ("left", "Nora", ["m1"])
