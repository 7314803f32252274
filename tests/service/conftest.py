"""A bench whose meter is a program: real pseudo-terminal, real service process, real socket."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from meterlink import registry
from meterlink.errors import Unreachable
from meterlink.folders import Folders, bench_folder
from meterlink.service import wire
from meterlink.virtual.handheld import Handheld
from meterlink.virtual.terminal import VirtualTerminal

CONFIG = """
bench = "test bench"
operator = "demo"
[keep]
span_s = 0.05
slip_s = 0
[instruments.handheld]
driver = "fs9721"
port = "{port}"
"""


def until(condition: Callable[[], Any], limit_s: float = 20.0, what: str = "", every_s: float = 0.01) -> Any:
    """Wait for a condition, not for luck; gives what it gave."""
    end = time.monotonic() + limit_s
    while not (found := condition()):
        assert time.monotonic() < end, f"waited {limit_s} s for {what or condition}"
        time.sleep(every_s)
    return found


class Service:
    """A service process of one bench folder."""

    def __init__(self, folders: Folders) -> None:
        self.folders = folders
        self.process: subprocess.Popen[bytes] | None = None

    def launch(self) -> None:
        """Start it, and wait for nothing."""
        self.process = subprocess.Popen(
            [sys.executable, "-m", "meterlink", "run", "--dir", str(self.folders.root)],
            stdin=subprocess.DEVNULL,
            stderr=(self.folders.root / "service.log").open("ab"),
        )

    def start(self) -> None:
        """Start it, and wait until its first instrument is heard."""
        self.launch()
        until(self.answers, what="the service to answer")

    def answers(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, (self.folders.root / "service.log").read_text()
        try:
            return bool(self.call("status")["instruments"][0]["frames"])
        except Unreachable:
            return False

    def call(self, do: str, **fields: Any) -> dict[str, Any]:
        return wire.call(self.folders.socket, do, **fields)

    def stop(self) -> int:
        assert self.process is not None
        self.process.terminate()
        return self.process.wait(20)

    def kill(self) -> None:
        """Kill what still runs."""
        if self.process and self.process.poll() is None:
            self.process.kill()
            self.process.wait()


class Running(Service):
    """A service on a bench with one virtual handheld."""

    def __init__(self, folders: Folders, handheld: Handheld, terminal: VirtualTerminal) -> None:
        super().__init__(folders)
        self.handheld = handheld
        self.terminal = terminal


@contextmanager
def bench_at(root: Path, rate_hz: float = 50.0) -> Iterator[Running]:
    """The bench without its service; whatever runs at the end is killed."""
    root.mkdir(parents=True, exist_ok=True)
    folders = bench_folder(root)
    handheld = Handheld(registry.find("fs9721"), random.Random(7), rate_hz)
    folders.config.write_text(CONFIG.format(port=root / "handheld"), encoding="utf-8")
    with VirtualTerminal(root / "handheld", stream=handheld.frame, rate_hz=rate_hz) as terminal:
        running = Running(folders, handheld, terminal)
        try:
            yield running
        finally:
            running.kill()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Running]:
    """A running bench."""
    with bench_at(tmp_path / "bench") as running:
        running.start()
        yield running
