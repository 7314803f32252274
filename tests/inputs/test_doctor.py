"""`meterlink doctor` on pedal and scanner: configured and missing is wrong, with what to do; and the two try-outs."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import usb.backend.libusb1

from meterlink import checkup
from meterlink.checkup import Finding, examine
from meterlink.folders import Folders, bench_folder
from meterlink.ports import Access
from meterlink.virtual.terminal import VirtualTerminal
from tests.inputs.keyboards import KeyboardDevice
from tests.inputs.rigs import CONTACT, ROOT, TAP_S, TerminalServer, bench_with_pedal
from tests.link.simulated_bus import SimulatedBus
from tests.service.conftest import until

TABLES = """
[pedal]
kind = "keyboard"
port = "05F3:00FF"
switches = { b = "gestures" }
[scanner]
kind = "keyboard"
port = "1209:0002"
"""


@pytest.fixture
def folders(tmp_path: Path) -> Folders:
    return bench_folder(tmp_path)


def found(folders: Folders) -> dict[str, Finding]:
    return {f.what: f for f in examine(folders)}


def test_keyboards_on_the_bus(folders: Folders, monkeypatch: pytest.MonkeyPatch) -> None:
    pedal, scanner = KeyboardDevice(0x05F3, 0x00FF), KeyboardDevice(0x1209, 0x0002, port=2)
    bus = SimulatedBus(pedal, scanner)
    monkeypatch.setattr(usb.backend.libusb1, "get_backend", lambda *_, **__: bus)
    folders.config.write_text(TABLES)
    findings = found(folders)
    assert findings["port of pedal"].ok is True and findings["port of scanner"].ok is True
    scanner.there = False
    findings = found(folders)
    assert findings["port of pedal"].ok is True
    assert findings["port of scanner"].ok is False and "plug it in" in findings["port of scanner"].remedy
    assert "1209:0002 is not there" in findings["port of scanner"].found
    bus.devices.append(KeyboardDevice(0x05F3, 0x00FF, port=3))
    assert "05F3:00FF:1-1" in found(folders)["port of pedal"].remedy
    foreign = Access(owner="root", group="root", mode="0664", users=(), mine=False)
    monkeypatch.setattr(checkup, "access", lambda path: foreign if path.startswith("/dev/bus") else None)
    bus.devices.pop()
    assert "docs/connecting.md" in found(folders)["port of pedal"].remedy


def test_ports_and_servers(folders: Folders) -> None:
    scanner = folders.root / "scanner"
    with TerminalServer() as server:
        folders.config.write_text(
            CONTACT.format(port=server.url, long_s=1.2) + f'[scanner]\nkind = "serial"\nport = "{scanner}"\n',
            encoding="utf-8",
        )
        findings = found(folders)
        assert findings["port of pedal"].ok is True
        assert findings["port of scanner"].ok is False and "not there" in findings["port of scanner"].found
        with VirtualTerminal(scanner):
            assert found(folders)["port of scanner"].ok is True
    findings = found(folders)
    assert findings["port of pedal"].ok is False and "cannot be reached" in findings["port of pedal"].found


def test_beside_a_running_service(tmp_path: Path) -> None:
    """As a person calls it; the service has the pedal's one connection, so the service is asked."""
    with bench_with_pedal("contact", tmp_path / "bench") as (bench, pedal):
        bench.start()
        bench.wait_open("pedal")
        lines = [line for line in bench.command("doctor").splitlines() if " pedal " in line]
        assert len(lines) == 1 and lines[0].startswith(("good", " good")) and "open" in lines[0]
        pedal.unplug()
        until(lambda: bench.input_state("pedal") == "lost", what="the loss")
        lines = [line for line in bench.command("doctor").splitlines() if " pedal " in line]
        assert len(lines) == 1 and "WRONG" in lines[0]


# -- the try-outs


@pytest.fixture
def tried(folders: Folders) -> Iterator[list[subprocess.Popen[str]]]:
    running: list[subprocess.Popen[str]] = []
    yield running
    for process in running:
        process.kill()
        process.wait()


def start(folders: Folders, command: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-u", "-m", "meterlink", command, "--seconds", "60", "--dir", str(folders.root)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )


def lines_until(process: subprocess.Popen[str], word: str) -> list[str]:
    assert process.stdout is not None
    out = []
    for line in process.stdout:
        out.append(line.strip())
        if word in line:
            return out
    raise AssertionError(out)


def test_try_the_scanner(folders: Folders, tried: list[subprocess.Popen[str]]) -> None:
    port = folders.root / "scanner"
    folders.config.write_text(f'[scanner]\nkind = "serial"\nport = "{port}"\nprefix = "#"\n')
    with VirtualTerminal(port) as terminal:
        process = start(folders, "scanner")
        tried.append(process)
        lines_until(process, "scan a code now")
        terminal.send(b"#ab-12\r\nGC-01\r\n")
        assert lines_until(process, "refused")[0] == "-> ab-12"


def test_try_the_pedal(folders: Folders, tried: list[subprocess.Popen[str]]) -> None:
    with TerminalServer() as server:
        folders.config.write_text(CONTACT.format(port=server.url, long_s=1.2))
        process = start(folders, "pedal")
        tried.append(process)
        lines_until(process, "press the pedal now")
        server.press("CTS")
        lines_until(process, "CTS pressed")
        time.sleep(TAP_S)  # how long the foot is down
        server.release("CTS")
        assert lines_until(process, "-> ")[-1] == "-> keep"


@pytest.mark.parametrize("command", ["pedal", "scanner"])
def test_without_its_table(command: str, folders: Folders) -> None:
    folders.config.write_text("")
    done = subprocess.run(
        [sys.executable, "-m", "meterlink", command, "--dir", str(folders.root)],
        capture_output=True, text=True, check=False, cwd=ROOT,
    )  # fmt: skip
    assert done.returncode == 2 and f"no [{command}] table" in done.stderr
