"""docs/connecting.md: its commands run, its names mean what it says, its rules are udev's."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import Any

import pytest
from typer import Typer
from typer.testing import CliRunner

from meterlink.cli.ports import ports
from meterlink.link.opening import parse
from meterlink.link.serial import remedy
from meterlink.probe import LIKELY, SURE
from tests.link.udev_rules import Device, apply
from tests.link.udev_rules import parse as rules

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "docs" / "connecting.md").read_text()
COMMANDS = [line.strip() for line in TEXT.splitlines() if line.startswith("    ")]


def run(*args: str) -> Any:
    app = Typer()
    app.command()(ports)
    return CliRunner().invoke(app, args)


@pytest.mark.parametrize("command", [c for c in COMMANDS if c.startswith("meterlink ports")])
def test_the_commands_are_understood(command: str, tmp_path: Path) -> None:
    """With a port that is not there in place of /dev/ttyUSB0: nothing on this machine is opened."""
    args = shlex.split(command.replace("/dev/ttyUSB0", str(tmp_path / "ttyUSB0")))[2:]
    result = run(*args)
    assert result.exit_code == 0, result.output
    if args:
        assert "is not there: plug it in" in result.stderr


def test_the_port_names_are_ports() -> None:
    named = re.findall(r"`((?:hid|usbtmc|tcp|recording):[^`]+)`", TEXT)
    assert len(named) >= 6
    for name in named:
        assert parse(name)[0] == name.partition(":")[0]


def test_the_rules_file_is_there_and_is_installed_before_seat_late() -> None:
    (install,) = [c for c in COMMANDS if "install -m" in c]
    source = ROOT / shlex.split(install)[-2]
    assert source.is_file()
    assert source.name < "73-seat-late.rules"


def test_the_lines_that_are_to_be_added_work_below_the_others() -> None:
    lines = [c for c in COMMANDS if c.startswith("ATTR")]
    text = (ROOT / "udev" / "70-meterlink.rules").read_text()
    for line, product, kind in zip(lines, ("0001", "0002"), ("pedal", "scanner"), strict=True):
        added = text.replace('\nENV{METERLINK_KIND}=="",', f'\n{line}\nENV{{METERLINK_KIND}}=="",')
        device = apply(rules(added), Device("1-2", attr={"idVendor": "1209", "idProduct": product}))
        assert device.tags == {"uaccess"} and f"meterlink/{kind}-1-2" in device.links


def test_the_figures_are_the_programs() -> None:
    assert f"{SURE:.0%}".replace("%", " %") in TEXT
    assert LIKELY == 0.5


def test_messages_point_here(tmp_path: Path) -> None:
    assert "docs/connecting.md" in remedy(tmp_path)
