"""Ended from outside, in order: a service whose terminal is closed (docs/supply.md), a demo that is told to end."""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import sys
from decimal import Decimal
from pathlib import Path

from meterlink.demo.play import wait_ready
from meterlink.demo.technician import Ear, is_flowing
from meterlink.errors import Unreachable
from meterlink.folders import bench_folder
from meterlink.journal.reader import entries
from meterlink.service import wire
from meterlink.virtual.supply import Load, ScpiEnd, VirtualSupply
from meterlink.virtual.terminal import VirtualTerminal
from tests.service.conftest import until

CONFIG = '[sound]\non = false\n[instruments.supply]\ndriver = "scpi_supply:E36xx"\nport = "{}"\ncontrol = true\n'
# what a terminal program does: a session with this terminal as its controlling one (setsid(2), ioctl_tty(2)), and
# SIGHUP as it was, should these tests run under nohup
TAKE_TERMINAL = (
    "import fcntl, os, signal, sys, termios; signal.signal(signal.SIGHUP, signal.SIG_DFL); "
    "fcntl.ioctl(0, termios.TIOCSCTTY, 0); os.execv(sys.argv[1], sys.argv[1:])"
)


def test_closing_the_terminal_switches_off(tmp_path: Path) -> None:
    """Closing the other end of a session leader's terminal hangs it up: SIGHUP, and no more to write to."""
    folders = bench_folder(tmp_path)
    folders.config.write_text(CONFIG.format(tmp_path / "supply"), encoding="utf-8")
    (tmp_path / "service.log").touch()
    supply = VirtualSupply(Load(rail_ohm=Decimal("0.7")))
    with VirtualTerminal(tmp_path / "supply", answer=ScpiEnd(supply).feed):
        master, slave = pty.openpty()
        run = [sys.executable, "-m", "meterlink", "run", "--dir", str(tmp_path)]
        service = subprocess.Popen(
            [sys.executable, "-c", TAKE_TERMINAL, *run],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
        )
        os.close(slave)
        try:
            wait_ready(folders, service)
            wire.call(folders.socket, "job open", job="GC-2611")
            wire.call(folders.socket, "board take", board="GC-04", count_in=True)
            ear = Ear(folders.socket)
            order = {"rail": "+3V3", "volts": 1.0, "amperes": 1.5, "nominal": 3.3, "hold_s": 20.0, "confirm": True}
            wire.call(folders.socket, "supply inject", **order)
            ear.wait(is_flowing, 0, what="current to flow")
            assert supply.on
        finally:
            os.close(master)
        try:
            assert service.wait(40) == 0  # what the end may wait for an off, twice, on a busy machine
        finally:
            service.kill()
    assert not supply.on
    off, stop = [e.record for e in entries(folders.journal, readings=False)][-2:]
    assert (off.event, off.rail) == ("off", "+3V3")
    assert stop.why == "SIGHUP"


def test_a_demo_that_is_ended_leaves_no_service_behind(tmp_path: Path) -> None:
    folders = bench_folder(tmp_path)
    demo = subprocess.Popen(
        [sys.executable, "-m", "meterlink", "demo", "--quick", "--dir", str(tmp_path)], stdout=subprocess.DEVNULL
    )
    try:
        until(lambda: answers(folders.socket), what="the demo's service to answer")
        demo.send_signal(signal.SIGTERM)
        assert demo.wait(20) == 130
    finally:
        demo.kill()
    assert not answers(folders.socket)
    last = [e.record for e in entries(folders.journal, readings=False)][-1]
    assert last.why == "SIGTERM"


def answers(socket: Path) -> bool:
    try:
        return bool(wire.call(socket, "status"))
    except Unreachable:
        return False
