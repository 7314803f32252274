"""Port names: what each means, and what is told for one that can be no port."""

from __future__ import annotations

import socket

import pytest

from meterlink.errors import BadInput, LinkLost
from meterlink.link.opening import open_link, parse
from meterlink.link.tcp import split
from tests.link.simulated_bus import SimulatedBus


@pytest.mark.parametrize(
    ("port", "meaning"),
    [
        ("/dev/ttyUSB0", ("serial", "/dev/ttyUSB0")),
        ("serial:/dev/ttyUSB0", ("serial", "/dev/ttyUSB0")),
        (
            "/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0",
            ("serial", "/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0"),
        ),
        ("ttyUSB0", ("serial", "ttyUSB0")),
        ("./meter:1", ("serial", "./meter:1")),
        ("tcp:192.0.2.7:5025", ("tcp", "192.0.2.7:5025")),
        ("hid:10C4:EA80", ("hid", "10C4:EA80")),
        ("hid:10C4:EA80:00:42", ("hid", "10C4:EA80:00:42")),
        ("usbtmc:2A8D:0001:MY53", ("usbtmc", "2A8D:0001:MY53")),
        ("recording:captures/a b.txt", ("recording", "captures/a b.txt")),
    ],
)
def test_names(port: str, meaning: tuple[str, str]) -> None:
    assert parse(port) == meaning


@pytest.mark.parametrize(
    ("port", "message"),
    [
        ("", "empty port name"),
        ("usb:10C4:EA80", "no such kind of port; there are: a path, serial:, tcp:, hid:, usbtmc:, recording:"),
        ("serial:", "nothing stands after the colon"),
        ("hid:10C4", "VVVV:PPPP"),
        ("usbtmc:2A8D:00011", "VVVV:PPPP"),
        ("tcp:bench", "a host and a port number"),
        ("tcp:bench:port", "a host and a port number"),
        ("tcp::5025", "a host and a port number"),
        ("tcp:bench:70000", "a host and a port number"),
        ("tcp:bench:0", "a host and a port number"),
    ],
)
def test_names_that_can_be_no_port(port: str, message: str) -> None:
    with pytest.raises(BadInput, match=message):
        parse(port)
    with pytest.raises(LinkLost, match=message):
        open_link(port, None, backend=SimulatedBus())


@pytest.mark.parametrize(
    ("address", "meaning"), [("psu.example:5025", ("psu.example", 5025)), ("[2001:db8::7]:5025", ("2001:db8::7", 5025))]
)
def test_network_addresses(address: str, meaning: tuple[str, int]) -> None:
    assert split(address) == meaning


def test_a_host_that_serves_nothing_there() -> None:
    with socket.socket() as taken:  # bound, not listening: nobody else can get the number
        taken.bind(("127.0.0.1", 0))
        with pytest.raises(LinkLost, match="refuses: is the port number right"):
            open_link(f"tcp:127.0.0.1:{taken.getsockname()[1]}", None)


def test_a_host_that_has_no_name() -> None:
    with pytest.raises(LinkLost, match="no host of that name"):
        open_link("tcp:bench..invalid:5025", None)


def test_a_usb_device_that_is_not_there() -> None:
    for port in ("hid:10C4:EA80", "usbtmc:2A8D:0001"):
        with pytest.raises(LinkLost, match="is not there: plug it in"):
            open_link(port, None, backend=SimulatedBus())
