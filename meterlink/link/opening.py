"""Opens a port by its name; the one place that knows which link a name means.

What is imported for one kind of port is imported when one is opened: a bench without USB needs no libusb.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from meterlink.errors import BadInput, LinkLost
from meterlink.link import Link
from meterlink.reading import Line, UsbId

if TYPE_CHECKING:
    from usb.backend import IBackend

SCHEMES = ("serial", "tcp", "hid", "usbtmc", "recording")
USUAL = Line(baudrate=9600)  # what serial SCPI instruments are delivered with (34401A user's guide; others vary)


def open_link(port: str, line: Line | None, usb: tuple[UsbId, ...] = (), *, backend: IBackend | None = None) -> Link:
    """Open a port as meterlink/link/__init__.py names it.

    Takes   the driver's line settings with the bench's changes (None: 9600 8N1; a bridge needs them too), the
            driver's own USB devices, and pyusb's backend (None: the system's libusb).
    Raises  LinkLost, and nothing else, saying what is wrong, where, and what to do.
    """
    try:
        scheme, rest = parse(port)
    except BadInput as error:
        raise LinkLost(str(error)) from error
    if scheme == "serial":
        from meterlink.link.serial import SerialLink

        return SerialLink(rest, line or USUAL)
    if scheme == "tcp":
        from meterlink.link.tcp import TcpLink

        return TcpLink(rest)
    if scheme == "recording":
        from meterlink.link.recording import RecordingLink

        return RecordingLink(Path(rest))
    from meterlink.link.usb import parse_id

    wanted = parse_id(rest)
    if scheme == "hid":
        from meterlink.link.hid import open_hid

        return open_hid(wanted, line or USUAL, usb, backend)
    from meterlink.link.usbtmc import UsbTmcLink

    return UsbTmcLink(wanted, backend)


def parse(port: str) -> tuple[str, str]:
    """("tcp", "HOST:PORT") of "tcp:HOST:PORT"; a name without a scheme is a serial port's path.

    Raises  BadInput for a name that can be no port, whatever is plugged in: a configuration is checked with it.
    """
    scheme, colon, rest = port.partition(":")
    if not port:
        raise BadInput("an empty port name: see the names with meterlink ports")
    if odd := next((c for c in port if not c.isprintable()), None):
        raise BadInput(f"a port's name cannot hold {odd!a}: see the names with meterlink ports")
    if not colon or "/" in scheme:  # udev's by-path names hold colons
        return "serial", port
    if scheme not in SCHEMES:
        raise BadInput(f"{port}: no such kind of port; there are: a path, {', '.join(f'{s}:' for s in SCHEMES)}")
    if not rest:
        raise BadInput(f"{port}: nothing stands after the colon; see the names with meterlink ports")
    if scheme == "tcp":
        from meterlink.link.tcp import split

        split(rest)
    elif scheme in ("hid", "usbtmc"):
        from meterlink.link.usb import parse_id

        parse_id(rest)
    return scheme, rest
