"""A meter that sends as fast as a line can: the bench goes on, commands are obeyed, what is dropped is told."""

from __future__ import annotations

import os
import pty
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path

import pytest

from meterlink import records, registry
from meterlink.journal.reader import entries
from meterlink.reading import Reading
from tests.program import meterlink
from tests.service.conftest import Running, bench_at, until

FRAME = registry.find("fs9721").build(
    Reading(function="voltage", coupling="dc", value=Decimal("1.000"), unit="V", resolution=Decimal("0.001"))
)


@contextmanager
def flood(path: Path) -> Iterator[threading.Event]:
    """A line that is always full, once the event is set."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    path.symlink_to(os.ttyname(slave))
    on, ending = threading.Event(), threading.Event()

    def send() -> None:
        assert FRAME is not None
        on.wait()
        block = FRAME * 4000
        os.set_blocking(master, False)
        while not ending.is_set():
            try:
                os.write(master, block[: len(FRAME) * 250])
            except BlockingIOError:
                ending.wait(0.0005)

    thread = threading.Thread(target=send, daemon=True)
    thread.start()
    try:
        yield on
    finally:
        ending.set()
        on.set()
        thread.join()
        os.close(master)
        os.close(slave)


def memory_kb(bench: Running) -> int:
    assert bench.process is not None
    status = Path(f"/proc/{bench.process.pid}/status").read_text()
    return int(next(line for line in status.splitlines() if line.startswith("VmRSS")).split()[1])


@pytest.mark.long
def test_the_bench_goes_on_and_ends_when_it_is_asked_to(tmp_path: Path) -> None:
    with bench_at(tmp_path / "bench") as bench, flood(tmp_path / "flood") as on:
        with bench.folders.config.open("a") as file:
            file.write(f'[instruments.flood]\ndriver = "fs9721"\nport = "{tmp_path / "flood"}"\nhands_free = false\n')
        bench.start()
        bench.call("job open", job="J1")
        bench.call("board take", board="GC-01", count_in=True)
        bench.handheld.dial("diode")
        before = memory_kb(bench)
        on.set()
        journal = bench.folders.journal

        def told() -> list[records.Gap]:
            return [e.record for e in entries(journal, readings=False) if isinstance(e.record, records.Gap)]

        until(told, limit_s=60, what="a gap")
        for i in range(5):  # commands and the other meter's touches, all the while
            bench.call("point", point=f"P{i}")
            bench.call("keep", source="pedal")
        bench.handheld.touch(0.5)
        until(lambda: (bench.call("status")["last_keep"] or {}).get("by") == "settled", 60, what="a touch to be kept")
        assert {gap.instrument for gap in told()} == {"flood"}
        assert all("more than the bench can take" in gap.why for gap in told())
        assert memory_kb(bench) < before + 150_000
        assert bench.process is not None
        bench.process.terminate()
        assert bench.process.wait(10) == 0, "5 s are promised; this machine does other work too"
    assert meterlink("journal", "verify", "--dir", str(bench.folders.root)).returncode == 0
