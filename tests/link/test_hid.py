"""HID bridges and meters through pyusb on the simulated bus."""

from __future__ import annotations

import pytest

from meterlink.errors import LinkLost
from meterlink.link.bridges import BRIDGES
from meterlink.link.hid import Hid, HidMeterLink, is_boot_keyboard
from meterlink.link.opening import open_link
from meterlink.link.usb import parse_id
from meterlink.reading import Line, UsbId
from tests.link.simulated_bus import Device, Interface, SimulatedBus
from tests.link.usb_devices import IN, OUT, Cp2110, HidDevice, WchCable

METER = UsbId(vendor=0x2571, product=0x4100, report=8)
SEVEN = Line(baudrate=19230, bytesize=7, parity="O")


def test_cp2110_is_set_up_and_emptied_before_anything_is_read() -> None:
    cable = Cp2110()
    cable.report(b"\x05stale" + bytes(58))
    link = open_link("hid:10c4:ea80", SEVEN, backend=SimulatedBus(cable))
    assert cable.features == [  # sheet hid-bridges, 1: 50, then 41 01, then 43; the id stands before the data
        (0x50, bytes.fromhex("50 00 00 4B 1E 01 00 02 00")),  # 19230 = 4B1E
        (0x41, b"\x41\x01"),
        (0x43, b"\x43\x03"),
    ]
    assert link.read(0.01) == b""
    cable.characters(b"0123" * 40)
    assert b"".join(link.read(0.1) for _ in range(3)) == b"0123" * 40


def test_a_bridge_that_only_sends_empty_reports_does_not_hold_the_reader_up() -> None:
    cable = WchCable()
    link = open_link("hid:1A86:E008", Line(baudrate=2400), backend=SimulatedBus(cable))
    for _ in range(5):
        cable.idle()
    assert link.read(0.05) == b""
    cable.idle()
    cable.characters(b"7")
    assert link.read(0.5) == b"7"


def test_a_seven_bit_meter_behind_an_eight_bit_cable() -> None:
    """30 has an even number of ones, so odd parity sets bit 7; 31 has an odd number."""
    cable = WchCable()
    link = open_link("hid:1A86:E008", SEVEN, backend=SimulatedBus(cable))
    cable.characters(b"\xb0\x31\x30\x0d")
    assert link.read(0.5) == b"01\x00\x0d"
    assert link.bad == 1  # type: ignore[attr-defined]


def test_reports_that_are_none_of_the_bridge_are_counted() -> None:
    cable = Cp2110()
    link = open_link("hid:10C4:EA80", SEVEN, backend=SimulatedBus(cable))
    cable.report(bytes(64))
    cable.characters(b"1")
    assert link.read(0.5) == b"1"
    assert link.bad == 1  # type: ignore[attr-defined]


def test_a_stalled_bridge_goes_on_after_the_halt_is_cleared() -> None:
    cable = Cp2110()
    link = open_link("hid:10C4:EA80", SEVEN, backend=SimulatedBus(cable))
    cable.stall(IN)
    cable.characters(b"1")
    assert link.read(0.5) == b"1"
    assert cable.log == ["clear halt 81"]
    assert link.bad == 1  # type: ignore[attr-defined]


def test_a_bridge_that_refuses_its_settings_is_lost_and_given_back() -> None:
    cable = HidDevice(0x10C4, 0xEA80, 64)
    cable.control = lambda *_: None  # type: ignore[method-assign]
    with pytest.raises(LinkLost, match="10C4:EA80 refused"):
        open_link("hid:10C4:EA80", SEVEN, backend=SimulatedBus(cable))
    assert (cable.claimed, cable.kernel_driver) == (set(), {0})


def test_a_meters_reports_come_whole_and_without_a_leading_zero() -> None:
    """Sheet hid-bridges, 3: 8 bytes, 9 with a leading 00 on some hosts."""
    meter = HidDevice(0x2571, 0x4100, 16)
    link = open_link("hid:2571:4100", None, (METER,), backend=SimulatedBus(meter))
    frame = bytes.fromhex("0212343000008000")
    meter.report(frame)
    meter.report(b"\0" + frame)
    assert [link.read(0.1), link.read(0.1)] == [frame, frame]


def test_a_meters_short_report_is_dropped_whole() -> None:
    meter = HidDevice(0x2571, 0x4100, 8)
    link = open_link("hid:2571:4100", None, (METER,), backend=SimulatedBus(meter))
    meter.report(b"\x02\x12\x34")
    meter.report(b"\x02\x12\x34\x30\0\0\x80\0")
    assert [link.read(0.1), link.read(0.1)] == [b"", b"\x02\x12\x34\x30\0\0\x80\0"]
    assert isinstance(link, HidMeterLink)
    assert link.bad == 1


def test_a_meters_reports_of_before_are_dropped() -> None:
    meter = HidDevice(0x2571, 0x4100, 8)
    meter.report(b"old old ")
    meter.report(b"old too ")
    link = open_link("hid:2571:4100", None, (METER,), backend=SimulatedBus(meter))
    assert link.read(0.01) == b""


def test_output_goes_by_the_control_pipe_where_there_is_no_out_endpoint() -> None:
    meter = HidDevice(0x2571, 0x4100, 8, out=False)
    link = open_link("hid:2571:4100", None, (METER,), backend=SimulatedBus(meter))
    link.write(b"\x00\x86\x66")
    assert meter.outputs == [b"\x00\x86\x66"]


def test_a_device_that_nobody_speaks_to() -> None:
    with pytest.raises(LinkLost, match="neither a bridge that is known") as told:
        open_link("hid:046D:C31C", None, (METER,), backend=SimulatedBus(HidDevice(0x046D, 0xC31C, 8)))
    assert all(f"{v:04X}:{p:04X}" in str(told.value) for v, p in BRIDGES)


def test_a_device_without_input_reports() -> None:
    silent = Device(0x2571, 0x4100, [Interface((3, 0, 0), [(OUT, 3, 8)])])
    with pytest.raises(LinkLost, match="sends no reports"):
        open_link("hid:2571:4100", None, (METER,), backend=SimulatedBus(silent))
    assert (silent.claimed, silent.kernel_driver, silent.opened) == (set(), {0}, 0)


def test_a_keyboard_pedal_is_taken_from_the_system_and_given_back() -> None:
    """HID 1.11, appendix B.1 and 7.2.6: boot reports after SET_PROTOCOL 0; sheet standards-08, 8.1."""
    pedal = HidDevice(0x1209, 0x0001, 8, codes=(3, 1, 1))
    hid = Hid(parse_id("1209:0001"), SimulatedBus(pedal), is_boot_keyboard)
    hid.boot_protocol()
    assert (pedal.protocol, pedal.kernel_driver) == (0, set())
    pedal.report(bytes.fromhex("0000050000000000"))
    pedal.report(bytes(8))
    assert [hid.report(0.1), hid.report(0.1)] == [bytes.fromhex("0000050000000000"), bytes(8)]
    hid.close()
    assert pedal.kernel_driver == {0}
