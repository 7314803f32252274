"""The udev rules: their grammar, their place among the system's, and what they do to each device that is supported."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from meterlink.link.bridges import BRIDGES
from meterlink.registry import all_specs
from tests.link.udev_rules import Device, apply, parse

FILE = Path(__file__).parents[2] / "udev" / "70-meterlink.rules"
RULES = parse(FILE.read_text())
METER = (0x2571, 0x4100)  # sheet hid-bridges, 3
IDS = sorted({METER, *BRIDGES, *((u.vendor, u.product) for s in all_specs() for u in s.info.usb if u.report)})


def usb(vendor: int, product: int, interfaces: str = ":030000:", **attr: str) -> Device:
    """A device as the kernel's attributes and udev's usb_id show it (ids in lower case)."""
    device = Device("1-2.3", attr={"idVendor": f"{vendor:04x}", "idProduct": f"{product:04x}", **attr})
    device.env["ID_USB_INTERFACES"] = interfaces
    return device


def test_they_come_before_the_rule_that_gives_access() -> None:
    """systemd's 73-seat-late.rules runs the builtin uaccess for devices that have the tag by then."""
    assert FILE.name < "73-seat-late.rules"
    assert FILE.name > "60"  # and after 50-udev-default.rules, which sets ID_USB_INTERFACES (usb_id)


@pytest.mark.parametrize(("vendor", "product"), IDS, ids=lambda n: f"{n:04X}")
def test_every_supported_id_is_given_to_the_user(vendor: int, product: int) -> None:
    device = apply(RULES, usb(vendor, product, serial="0042A1"))
    assert device.tags == {"uaccess"}
    kinds = {link.partition("-")[0] for link in device.links}
    assert len(kinds) == 1
    assert {link.partition("-")[2] for link in device.links} == {"1-2.3", "0042A1"}


def test_a_device_without_serial_number_is_named_by_its_place() -> None:
    assert apply(RULES, usb(0x1A86, 0xE008)).links == {"meterlink/wch-1-2.3"}


@pytest.mark.parametrize("interfaces", [":fe0300:", ":fe0301:", ":ff0000:fe0301:"])
def test_any_usbtmc_instrument(interfaces: str) -> None:
    device = apply(RULES, usb(0x1234, 0x5678, interfaces, serial="TEST0001"))
    assert (device.tags, "meterlink/usbtmc-TEST0001" in device.links) == ({"uaccess"}, True)


@pytest.mark.parametrize(
    "device",
    [
        usb(0x046D, 0xC31C, ":030101:"),
        usb(0x10C4, 0xEA60, ":ff0000:"),
        usb(0x0781, 0x5567, ":080650:"),
        usb(0x1234, 0x5678, ":fe0101:"),  # firmware upgrade: class fe, another subclass
    ],
)
def test_other_devices_are_left_alone(device: Device) -> None:
    apply(RULES, device)
    assert (device.tags, device.links) == (set(), set())


def test_other_subsystems_and_removals_are_left_alone() -> None:
    hid = usb(0x10C4, 0xEA80)
    hid.subsystem = "hidraw"
    interface = usb(0x10C4, 0xEA80)
    interface.env["DEVTYPE"] = "usb_interface"
    gone = usb(0x10C4, 0xEA80)
    gone.action = "remove"
    assert [apply(RULES, d).tags for d in (hid, interface, gone)] == [set()] * 3


@pytest.mark.parametrize(
    "broken",
    [
        'SUBSYSTEM=="usb" TAG+="uaccess"',
        'SUBSYSTEM="usb", TAG+="uaccess"',
        'SUBSYSTEN=="usb"',
        'SUBSYSTEM=="usb, TAG+="uaccess"',
        'GOTO="nowhere"',
        'LABEL="above"\nGOTO="above"',
    ],
)
def test_the_reader_finds_what_is_wrong(broken: str) -> None:
    with pytest.raises(ValueError, match=r"line 1|GOTO"):
        parse(broken)


def test_udevadm_finds_nothing_wrong() -> None:
    """`udevadm verify` is there from systemd 254."""
    udevadm = shutil.which("udevadm")
    if udevadm is None:
        pytest.skip("no udevadm on this machine")
    run = subprocess.run([udevadm, "verify", str(FILE)], capture_output=True, text=True, check=False)
    if "Unknown command verb" in run.stderr:
        pytest.skip("this udevadm has no verify: " + subprocess.getoutput(f"{udevadm} --version"))
    assert run.returncode == 0, run.stdout + run.stderr
