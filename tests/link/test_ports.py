"""What is plugged in: on a simulated bus, and by the real pyserial and libusb on a machine that umockdev shows them."""

from __future__ import annotations

import grp
import json
import os
import pwd
import shutil
import struct
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import msgspec
import pytest

from meterlink import ports
from meterlink.ports import access, usb_devices
from meterlink.registry import Spec, all_specs, find
from tests.link.simulated_bus import Device, Interface, SimulatedBus
from tests.link.usb_devices import Cp2110, HidDevice, UsbTmc, WchCable

MACHINE = Path(__file__).with_name("machine.umockdev")
COMMAND = "import typer; from meterlink.cli.ports import ports; typer.run(ports)"


@pytest.fixture(autouse=True)
def _no_sys(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The simulated bus has no /sys; this machine's own must not be mixed in."""
    monkeypatch.setattr(ports, "USB_SYS", tmp_path / "sys")


def test_usb_devices_by_what_they_are() -> None:
    bus = SimulatedBus(
        Cp2110("A1", port=1),
        WchCable(port=2),
        HidDevice(0x046D, 0xC31C, 8, codes=(3, 1, 1), port=3),
        UsbTmc(lambda _: None, serial="MY1"),
        Device(0x1D6B, 2, [Interface((9, 0, 0), [])]),
    )
    specs = all_specs()
    serial = tuple(s.name for s in specs if s.info.line)
    assert serial
    got = {p.usb: p for p in usb_devices(specs, set(), bus)}
    assert (got["10C4:EA80"].port, got["10C4:EA80"].stable) == ("hid:10C4:EA80", "hid:10C4:EA80:A1")
    assert (got["10C4:EA80"].what, got["10C4:EA80"].drivers) == ("HID serial cable", serial)
    assert (got["1A86:E008"].serial, got["1A86:E008"].stable) == (None, "hid:1A86:E008:1-2")
    assert (got["046D:C31C"].port, got["046D:C31C"].drivers) == (None, ())
    assert "pedal" in got["046D:C31C"].what
    assert got["2A8D:0001"].stable == "usbtmc:2A8D:0001:MY1"
    assert "scpi_meter" in got["2A8D:0001"].drivers


def test_a_usbtmc_instrument_is_for_the_drivers_that_say_so() -> None:
    """Not for those with a certain word in their name."""
    meter = find("scpi_meter")
    named = {
        name: Spec(SimpleNamespace(INFO=msgspec.structs.replace(meter.info, name=name, links=links)), "test")
        for name, links in (("bench_dmm", ("usbtmc",)), ("scpi_on_a_line", ()), ("scpi_network", ("tcp",)))
    }
    (port,) = usb_devices(list(named.values()), set(), SimulatedBus(UsbTmc(lambda _: None, serial="MY1")))
    assert port.drivers == ("bench_dmm",)


def test_listing_leaves_the_devices_alone() -> None:
    cable = Cp2110("A1")
    usb_devices(all_specs(), set(), SimulatedBus(cable))
    assert (cable.features, cable.claimed, cable.kernel_driver) == ([], set(), {0})


def test_what_is_a_serial_port_already_is_not_listed_twice() -> None:
    assert usb_devices(all_specs(), {"1-1"}, SimulatedBus(Cp2110(port=1))) == []


def test_a_device_that_may_not_be_asked_is_listed_all_the_same() -> None:
    cable = Cp2110("A1")
    cable.permitted = False
    (port,) = usb_devices(all_specs(), set(), SimulatedBus(cable))
    assert (port.serial, port.stable) == (None, "hid:10C4:EA80:1-1")


def test_who_may_open_a_file(tmp_path: Path) -> None:
    file = tmp_path / "node"
    file.touch(mode=0o640)
    file.chmod(0o640)
    rights = access(str(file))
    assert rights is not None
    assert (rights.owner, rights.group) == (pwd.getpwuid(os.getuid())[0], grp.getgrgid(file.stat().st_gid)[0])
    assert (rights.mode, rights.users, rights.mine) == ("0640", (), True)
    assert access(str(tmp_path / "gone")) is None


def test_who_may_open_a_file_by_access_list(tmp_path: Path) -> None:
    """linux/posix_acl_xattr.h: version 2; USER_OBJ 01, USER 02, GROUP_OBJ 04, MASK 10, OTHER 20; read 4, write 2."""
    file = tmp_path / "node"
    file.touch()
    none = 0xFFFFFFFF
    entries = [(1, 6, none), (2, 6, 1), (2, 4, 2), (4, 0, none), (0x10, 6, none), (0x20, 0, none)]
    try:
        os.setxattr(file, ports.ACL, struct.pack("<I", 2) + b"".join(struct.pack("<HHI", *e) for e in entries))
    except OSError as error:
        pytest.skip(f"no access lists on the file system of {tmp_path}: {error}")
    rights = access(str(file))
    assert rights is not None
    assert rights.users == (pwd.getpwuid(1)[0],)


def on_the_machine(*args: str) -> subprocess.CompletedProcess[str]:
    """The command under umockdev: /sys and /dev are machine.umockdev's, libusb and pyserial the real ones."""
    umockdev = shutil.which("umockdev-run")
    if umockdev is None:
        pytest.skip("no umockdev on this machine (Debian package umockdev)")
    run = subprocess.run(
        [umockdev, "-d", str(MACHINE), "--", sys.executable, "-c", COMMAND, *args],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    if "USB devices are not listed" in run.stderr:
        pytest.skip("no libusb on this machine")
    return run


def rows(*args: str) -> dict[str, Any]:
    run = on_the_machine("--json", *args)
    assert run.returncode == 0, run.stderr
    return {row["usb"]: row for row in map(json.loads, run.stdout.splitlines())}


def test_real_libusb_and_the_real_port_list() -> None:
    got = rows()
    assert set(got) == {"0403:6001", "10C4:EA80", "2A8D:0001"}  # the hub is left out, the FTDI is listed once
    ftdi, cable, tmc = got["0403:6001"], got["10C4:EA80"], got["2A8D:0001"]
    assert (ftdi["port"], ftdi["serial"], ftdi["node"]) == ("/dev/ttyUSB0", "A50285BI", "/dev/ttyUSB0")
    assert ftdi["stable"] == "/dev/serial/by-id/usb-FTDI_FT232R_USB_UART_A50285BI-if00-port0"
    assert ftdi["what"] == "FTDI FT232R USB UART"
    assert (cable["port"], cable["stable"]) == ("hid:10C4:EA80", "hid:10C4:EA80:0042A1")
    assert cable["what"] == "HID serial cable: Silicon Laboratories HID to UART Bridge"
    assert cable["node"] == "/dev/bus/usb/001/005"
    assert (tmc["stable"], tmc["what"]) == ("usbtmc:2A8D:0001:TEST0001", "USBTMC instrument")
    assert all(row["access"]["mine"] for row in got.values())
    assert "fs9721" in ftdi["drivers"]


def test_only_what_was_named() -> None:
    assert set(rows("hid:10C4:EA80:0042A1")) == {"10C4:EA80"}
    assert set(rows("/dev/ttyUSB0")) == {"0403:6001"}


def test_for_people() -> None:
    run = on_the_machine()
    assert run.returncode == 0, run.stderr
    told = [line.split(None, 1) for line in run.stdout.splitlines() if not line.startswith(" ")]
    assert told == [["/dev/ttyUSB0"], ["hid:10C4:EA80"], ["usbtmc:2A8D:0001"]]
    assert "stable name       /dev/serial/by-id/usb-FTDI_FT232R_USB_UART_A50285BI-if00-port0\n" in run.stdout
    assert "stable name       usbtmc:2A8D:0001:TEST0001\n" in run.stdout
