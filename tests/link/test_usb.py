"""Finding, claiming and giving back a USB device, and what each refusal tells the user to do."""

from __future__ import annotations

import pytest
import usb.util

from meterlink.errors import BadInput, LinkLost
from meterlink.link.hid import is_hid
from meterlink.link.usb import UsbInterface, Wanted, milliseconds, parse_id
from tests.link.simulated_bus import SimulatedBus
from tests.link.usb_devices import IN, Cp2110, HidDevice, UsbTmc


def take(port: str, *devices: object) -> UsbInterface:
    return UsbInterface(parse_id(port), is_hid, "HID interface", SimulatedBus(*devices))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("10C4:EA80", Wanted(0x10C4, 0xEA80)),
        ("10c4:ea80:00:42", Wanted(0x10C4, 0xEA80, "00:42")),
        ("2A8D:0001:MY5", Wanted(0x2A8D, 1, "MY5")),
    ],
)
def test_ids(text: str, wanted: Wanted) -> None:
    assert parse_id(text) == wanted


@pytest.mark.parametrize("text", ["", "10C4", "10C4:EA8", "10C4:EA8X", "0x10C4:0xEA80", " 0C4:EA80:1", "+0C4:EA80"])
def test_no_ids(text: str) -> None:
    with pytest.raises(BadInput, match="VVVV:PPPP"):
        parse_id(text)


def test_the_kernels_driver_is_detached_and_put_back() -> None:
    cable = Cp2110()
    port = take("10C4:EA80", cable)
    assert (cable.kernel_driver, cable.claimed) == (set(), {0})
    port.close()
    assert (cable.kernel_driver, cable.claimed, cable.opened) == ({0}, set(), 0)
    port.close()
    assert cable.opened == 0


def test_no_driver_is_put_where_none_was() -> None:
    cable = Cp2110()
    cable.kernel_driver.clear()
    take("10C4:EA80", cable).close()
    assert cable.kernel_driver == set()


def test_an_unconfigured_device_is_configured() -> None:
    cable = Cp2110()
    cable.configured = 0
    take("10C4:EA80", cable).close()
    assert cable.log == ["configuration 1"]


def test_a_configured_device_is_left_as_it_is() -> None:
    cable = Cp2110()
    take("10C4:EA80", cable).close()
    assert cable.log == []


def test_not_there() -> None:
    with pytest.raises(LinkLost, match="10C4:EA80 is not there: plug it in"):
        take("10C4:EA80", HidDevice(1, 2, 8))


def test_two_of_a_kind_are_told_apart_by_serial_number_or_place() -> None:
    one, two, three = Cp2110("A1", port=1), Cp2110("B2", port=2), Cp2110(port=3)
    with pytest.raises(LinkLost, match=r"there 3 times: .*A1 at 1-1, B2 at 1-2, no readable serial number at 1-3"):
        take("10C4:EA80", one, two, three)
    with pytest.raises(LinkLost, match=r"C3 is not there; of this kind there are: A1 at 1-1"):
        take("10C4:EA80:C3", one, two)
    assert (one.opened, two.opened, three.opened) == (0, 0, 0)
    held = [take("10C4:EA80:B2", one, two, three)]
    assert (one.claimed, two.claimed, three.claimed) == (set(), {0}, set())
    held.append(take("10C4:EA80:1-3", one, two, three))
    assert three.claimed == {0}


def test_not_permitted() -> None:
    cable = Cp2110()
    cable.permitted = False
    with pytest.raises(LinkLost, match=r"\(/dev/bus/usb/001/001\): install the udev rules \(docs/connecting.md\)"):
        take("10C4:EA80", cable)


def test_in_use() -> None:
    cable = Cp2110()
    cable.busy = True
    with pytest.raises(LinkLost, match="in use by another program"):
        take("10C4:EA80", cable)
    assert (cable.kernel_driver, cable.opened) == ({0}, 0)  # what was detached is put back


def test_no_such_interface() -> None:
    instrument = UsbTmc(lambda _: None)
    with pytest.raises(LinkLost, match="no HID interface"):
        take("2A8D:0001", instrument)
    assert instrument.opened == 0


def test_unplugged_while_open() -> None:
    cable = Cp2110()
    port = take("10C4:EA80", cable)
    endpoint = port.endpoint(usb.util.ENDPOINT_TYPE_INTR, True)
    assert endpoint.bEndpointAddress == IN
    cable.unplug()
    with pytest.raises(LinkLost, match="went away"):
        port.receive(endpoint, 64, 1.0)
    port.close()
    with pytest.raises(LinkLost, match="is not there"):
        take("10C4:EA80", cable)


def test_a_wait_is_never_for_ever() -> None:
    """libusb takes a time-out of 0 for no time-out at all."""
    assert [milliseconds(s) for s in (-1.0, 0.0, 0.0001, 0.05, 2.0)] == [1, 1, 1, 50, 2000]


def test_no_libusb(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("libusb1", "libusb0", "openusb"):
        monkeypatch.setattr(f"usb.backend.{name}.get_backend", lambda: None)
    with pytest.raises(LinkLost, match="install it"):
        UsbInterface(parse_id("10C4:EA80"), is_hid, "HID interface")
