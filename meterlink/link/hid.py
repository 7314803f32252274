"""USB HID: bridges, which look like a serial port to a driver, and meters whose reports are their frames.

Source: Device Class Definition for HID 1.11, 7.2 (SET_REPORT 09, SET_PROTOCOL 0B; value = report type and id, index =
interface), 5.6 (a report id stands before the data only where the device numbers its reports).
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import usb.util
from usb.backend import IBackend

from meterlink.errors import LinkLost
from meterlink.link import Link
from meterlink.link.bridges import BRIDGES, Bridge
from meterlink.link.usb import Stalled, UsbInterface, Wanted
from meterlink.reading import Line, UsbId

HID_CLASS = 3
TO_INTERFACE = 0x21  # host to device, class, interface
SET_REPORT, SET_PROTOCOL = 0x09, 0x0B
OUTPUT, FEATURE = 2, 3
STALE = 64  # reports that an operating system or a device may hold from before


def is_hid(interface: Any) -> bool:
    """Any HID interface (pyusb's Interface)."""
    return bool(interface.bInterfaceClass == HID_CLASS)


def is_boot_keyboard(interface: Any) -> bool:
    """A HID interface that speaks the boot keyboard protocol, as keyboard-type pedals do."""
    return is_hid(interface) and (interface.bInterfaceSubClass, interface.bInterfaceProtocol) == (1, 1)


class Hid:
    """A claimed HID interface: reports in and out. Also the pedal's way in."""

    def __init__(self, wanted: Wanted, backend: IBackend | None = None, fits: Callable[[Any], bool] = is_hid) -> None:
        """Raises LinkLost."""
        self.usb = UsbInterface(wanted, fits, "HID interface", backend)
        kind = usb.util.ENDPOINT_TYPE_INTR
        self._in, self._out = self.usb.endpoint(kind, True), self.usb.endpoint(kind, False)
        self.stalls = 0
        if self._in is None:
            self.close()
            raise LinkLost(f"USB {wanted} sends no reports: is it the right device?")

    def report(self, wait_s: float) -> bytes:
        """The next input report with its id, if it has one; b"" when none came in time.

        A stall is cleared once and counted. Raises LinkLost when it stalls again at once.
        """
        size = self._in.wMaxPacketSize & 0x7FF  # USB 2.0, 9.6.6; less would overflow
        try:
            return self.usb.receive(self._in, size, wait_s)
        except Stalled:
            self.stalls += 1
            self.usb.clear_halt(self._in)
            return self.usb.receive(self._in, size, wait_s)

    def feature(self, number: int, body: bytes) -> None:
        """Set a feature report."""
        self._set(FEATURE, number, (bytes([number]) if number else b"") + body)

    def output(self, report: bytes, number: int) -> None:
        """Send an output report, its id included where there is one."""
        if self._out is None:
            self._set(OUTPUT, number, report)
        else:
            self.usb.send(self._out, report)

    def boot_protocol(self) -> None:
        """Have a keyboard send boot reports."""
        self.usb.tell(TO_INTERFACE, SET_PROTOCOL, 0, self.usb.number)

    def drain(self) -> None:
        """Drop the reports that wait from before."""
        for _ in range(STALE):
            if not self.report(0.0):
                return

    def close(self) -> None:
        self.usb.close()

    def _set(self, kind: int, number: int, data: bytes) -> None:
        self.usb.tell(TO_INTERFACE, SET_REPORT, kind << 8 | number, self.usb.number, data)


class BridgeLink:
    """A serial line behind a HID bridge; the cable feeds its own receiver, so there is nothing to settle.

    bad     reports that were none of this bridge, and characters with wrong parity
    """

    def __init__(self, hid: Hid, bridge: Bridge) -> None:
        """Set the line, empty the buffers. Raises LinkLost."""
        self._hid = hid
        self._bridge = bridge
        self._bad_reports = 0
        try:
            for report in bridge.configure():
                hid.feature(report.number, report.body)
            hid.drain()
        except BaseException:
            hid.close()
            raise

    @property
    def bad(self) -> int:
        return self._bad_reports + self._hid.stalls + getattr(self._bridge, "bad_parity", 0)

    def read(self, wait_s: float) -> bytes:
        end = time.monotonic() + wait_s
        while True:
            report = self._hid.report(end - time.monotonic())
            if report:
                data = self._bridge.payload(report)
                if data:
                    return data
                self._bad_reports += data is None
            if not report or time.monotonic() >= end:
                return b""  # a bridge may send reports without a character all the time

    def write(self, data: bytes) -> None:
        for report in self._bridge.output(data):
            self._hid.output(report, report[0])

    def close(self) -> None:
        self._hid.close()


class HidMeterLink:
    """A meter whose HID reports are its frames: each is passed as it is, without the leading 00 that some hosts add.

    bad     reports of another size: they are dropped whole, since a piece of one could pass for another value
    """

    def __init__(self, hid: Hid, size: int) -> None:
        self._hid = hid
        self._size = size
        self._bad_reports = 0
        try:
            hid.drain()
        except BaseException:
            hid.close()
            raise

    @property
    def bad(self) -> int:
        return self._bad_reports + self._hid.stalls

    def read(self, wait_s: float) -> bytes:
        report = self._hid.report(wait_s)
        if len(report) == self._size + 1 and report[0] == 0:
            report = report[1:]
        if report and len(report) != self._size:
            self._bad_reports += 1
            return b""
        return report

    def write(self, data: bytes) -> None:
        self._hid.output(data, 0)

    def close(self) -> None:
        self._hid.close()


def open_hid(wanted: Wanted, line: Line, usb_ids: tuple[UsbId, ...], backend: IBackend | None) -> Link:
    """The link of a HID device: a bridge by its id, else a meter that the driver names. Raises LinkLost."""
    key = (wanted.vendor, wanted.product)
    if key in BRIDGES:
        bridge = BRIDGES[key](line)
        return BridgeLink(Hid(wanted, backend), bridge)
    for one in usb_ids:
        if (one.vendor, one.product) == key and one.report:
            return HidMeterLink(Hid(wanted, backend), one.report)
    bridges = ", ".join(f"{v:04X}:{p:04X}" for v, p in BRIDGES)
    raise LinkLost(f"hid:{wanted}: neither a bridge that is known ({bridges}) nor a device of this driver")
