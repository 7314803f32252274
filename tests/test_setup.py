"""First steps: the interview writes a file that loads, doctor names what is wrong with its remedy."""

from __future__ import annotations

import json
import random
import shutil
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import msgspec
import pytest

from meterlink import checkup, registry
from meterlink.checkup import examine
from meterlink.cli import interview, setup
from meterlink.folders import Folders, bench_folder
from meterlink.inputs.gestures import Timing
from meterlink.inputs.machine import Pedal
from meterlink.service.config import load
from meterlink.virtual.handheld import Handheld
from meterlink.virtual.terminal import VirtualTerminal


def answers(*lines: str) -> Any:
    """Stands for a person: one answer a question, the default for an empty one."""
    left = list(lines)
    return lambda question, default="": left.pop(0) or default


@pytest.fixture
def folders(tmp_path: Path) -> Folders:
    return msgspec.structs.replace(bench_folder(tmp_path), drivers=tmp_path / "own drivers")


def test_the_pedal_is_found_by_pressing_it(folders: Folders, monkeypatch: pytest.MonkeyPatch) -> None:
    class Pressed:
        def __init__(self, port: str) -> None:
            self.script = [[], [("DSR", True)]]

        def changes(self, wait_s: float) -> list[tuple[str, bool]]:
            return self.script.pop(0)

        def close(self) -> None:
            """Nothing to give back."""

    monkeypatch.setattr("meterlink.inputs.switches.Contacts", Pressed)
    told: list[str] = []
    said = answers("", "", "meter", "/dev/m", "no", "n", "fs9721", "", "supply", "contact", "/dev/ttyUSB7")
    monkeypatch.setattr(interview, "plugged_in", lambda folders: [])
    text = interview.interview(folders, said, told.append)
    folders.config.write_text(text, encoding="utf-8")
    pedal = load(folders.config, folders).config.pedal
    assert pedal is not None and pedal.switches == {"DSR": "gestures"} and "  press the pedal now" in told
    assert "  'supply' is none of them: none, contact, keyboard" in told


def test_a_meter_is_heard_or_the_cause_is_named(folders: Folders) -> None:
    spec = registry.find("fs9721")
    handheld = Handheld(spec, random.Random(1), 20.0)
    port = folders.root / "port"
    with VirtualTerminal(port, stream=handheld.frame, rate_hz=20.0):
        assert "it shows" in setup.hear(spec, str(port), spec.info.line)
    with VirtualTerminal(port, stream=lambda t: b"\x55", rate_hz=50.0):
        assert "no frame fits" in setup.hear(spec, str(port), spec.info.line, 0.5)
    assert "not there" in setup.hear(spec, "/dev/not-there", spec.info.line)


def test_a_file_that_is_there_is_not_written_over(folders: Folders) -> None:
    folders.config.write_text("bench = 'mine'\n")
    done = subprocess.run(
        [sys.executable, "-m", "meterlink", "setup", "--dir", str(folders.root)],
        capture_output=True,
        text=True,
        input="",
        check=False,
    )
    assert done.returncode == 2 and "--force" in done.stderr
    assert folders.config.read_text() == "bench = 'mine'\n"


def found(folders: Folders) -> dict[str, checkup.Finding]:
    return {f.what: f for f in examine(folders)}


def test_doctor_on_a_fresh_machine(folders: Folders) -> None:
    findings = found(folders)
    assert findings["configuration"].ok is False and "meterlink setup" in findings["configuration"].remedy
    assert findings["service"].ok is None and "meterlink run" in findings["service"].remedy
    assert findings["drivers"].ok and findings["disk"].found.endswith("GB free")


def test_doctor_names_port_driver_and_line(folders: Folders) -> None:
    folders.config.write_text('[instruments.m]\ndriver = "fs9721"\nport = "/dev/not-there"\n')
    folders.drivers.mkdir(parents=True)
    (folders.drivers / "broken.py").write_text("import nowhere_to_be_found\n")
    findings = found(folders)
    assert findings["port of m"].ok is False and "not there" in findings["port of m"].found
    assert findings["drivers"].ok is False and "broken.py" in findings["drivers"].found
    folders.config.write_text('[instruments.m]\ndrvier = "fs9721"\n')
    assert "bench.toml:2" in found(folders)["configuration"].found


def test_doctor_tells_a_full_disk_and_a_foreign_file_system(folders: Folders, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = shutil.disk_usage(folders.root)
    monkeypatch.setattr(checkup.shutil, "disk_usage", lambda p: usage._replace(free=10**6))
    monkeypatch.setattr(checkup, "_file_system", lambda p: "nfs4")
    findings = found(folders)
    assert findings["disk"].ok is False and findings["file system"].ok is False


def test_doctor_as_a_command(folders: Folders) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "meterlink", "doctor", "--json", "--dir", str(folders.root)],
        capture_output=True,
        text=True,
        check=False,
    )
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 1 and done.stderr.count("\n") == 1
    assert {"what", "ok", "found", "remedy"} == set(rows[0])


def test_press_the_pedal_now(capsys: pytest.CaptureFixture[str]) -> None:
    class Switches:
        script: Any = iter([[("CTS", True)], [("CTS", False)]])
        closed = False

        def changes(self, wait_s: float) -> list[tuple[str, bool]]:
            return next(self.script, [])

        def close(self) -> None:
            self.closed = True

    switches = Switches()
    setup.listen(switches, Pedal({"CTS": "keep"}, Timing(bounce_s=0.0)), 0.3)
    said = capsys.readouterr().out
    assert "press the pedal now" in said and "CTS pressed" in said and "-> keep" in said
    assert switches.closed


def test_the_runtime_folder_is_private(folders: Folders) -> None:
    """The socket's folder is the user's alone once a service made it (checked with the socket in tests/service)."""
    if folders.socket.parent.exists():
        assert stat.S_IMODE(folders.socket.parent.stat().st_mode) == 0o700
    else:
        pytest.skip("no service has run as this user")
