"""One interface of a USB device by pyusb: found, claimed, talked to, and given back as it was.

All use of pyusb is here. Every failure is LinkLost; a stalled endpoint is its subclass Stalled, since whoever knows the
class of the device can go on from it. The backend is passed in (None: the system's libusb), so tests bring their own.
Source: USB 2.0, 8.5.3.4 and 9.4.5 (stall, halt); pyusb 1.3 usb.core, usb.backend.IBackend; libusb 1.0 (a time-out of 0
means for ever).
"""

from __future__ import annotations

import errno
import math
import re
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import Any

import msgspec
import usb.core
import usb.util
from usb.backend import IBackend

from meterlink.errors import BadInput, LinkLost

CONTROL_S = 1.0
WRITE_S = 2.0
GONE = (errno.ENODEV, errno.ENXIO, errno.ENOENT, errno.EIO, errno.ESHUTDOWN, errno.EPROTO)


class Stalled(LinkLost):
    """An endpoint answered STALL; it is halted until the halt is cleared."""


class Wanted(msgspec.Struct, frozen=True):
    """A device as a port names it; `which` is its serial number or its place (as in 1-2.3: bus, then ports)."""

    vendor: int
    product: int
    which: str | None = None

    def __str__(self) -> str:
        return f"{self.vendor:04X}:{self.product:04X}" + (f":{self.which}" if self.which else "")


def parse_id(text: str) -> Wanted:
    """The device of "VVVV:PPPP" or "VVVV:PPPP:SERIAL"; ids in hex. Raises BadInput."""
    match = re.fullmatch(r"([0-9A-Fa-f]{4}):([0-9A-Fa-f]{4})(?::(.+))?", text)
    if not match:
        raise BadInput(f"{text}: a USB id is VVVV:PPPP in hex, and a serial number may follow: 10C4:EA80:0042")
    return Wanted(int(match[1], 16), int(match[2], 16), match[3])


def devices(backend: IBackend | None = None) -> Iterator[Any]:
    """Every device on the bus, as pyusb's Device. Raises LinkLost where there is no libusb."""
    try:
        yield from usb.core.find(find_all=True, backend=backend)
    except usb.core.NoBackendError as error:
        raise LinkLost("no libusb on this machine: install it (Debian: apt install libusb-1.0-0)") from error
    except usb.core.USBError as error:
        raise LinkLost(f"the USB cannot be listed: {error}") from error


def place(device: Any) -> str:
    """Where a device is plugged in, as the kernel names it: bus, then the ports on the way ("1-2.3")."""
    return f"{device.bus}-" + ".".join(map(str, device.port_numbers or (0,)))


def node(device: Any) -> str:
    """The device file that must be opened (Linux)."""
    return f"/dev/bus/usb/{device.bus:03d}/{device.address:03d}"


def serial_of(device: Any) -> str | None:
    """Its serial number, or None where it has none or may not be asked."""
    with suppress(usb.core.USBError, ValueError, NotImplementedError):  # ValueError: strings are not to be had
        text = device.serial_number
        return str(text) if text else None
    return None


class UsbInterface:
    """One claimed interface; the kernel's own driver is detached while it is open."""

    def __init__(self, wanted: Wanted, fits: Callable[[Any], bool], what: str, backend: IBackend | None = None) -> None:
        """Claim the first interface of the device that `fits` says yes to (it is given pyusb's Interface).

        Takes   what: how the messages name such an interface, as in "a HID interface".
        Raises  LinkLost: not there, not permitted, in use, or no such interface.
        """
        self.name = str(wanted)
        self._device = _find(wanted, backend)
        self._detached = False
        self._open = True
        try:
            self.descriptor = self._configured(fits, what)
            self.number: int = self.descriptor.bInterfaceNumber
            self._take()
        except BaseException:
            self.close()
            raise

    def _configured(self, fits: Callable[[Any], bool], what: str) -> Any:
        try:
            configuration = self._device.get_active_configuration()
        except usb.core.USBError as error:
            if error.errno is not None:
                raise self._lost(error, "opened") from error
            self._control(self._device.set_configuration)
            configuration = self._device.get_active_configuration()
        for interface in configuration:
            if interface.bAlternateSetting == 0 and fits(interface):
                return interface
        raise LinkLost(f"USB {self.name} has no {what}: is it the right device?")

    def _take(self) -> None:
        with suppress(NotImplementedError):  # only Linux has drivers to detach
            if self._control(self._device.is_kernel_driver_active, self.number):
                self._control(self._device.detach_kernel_driver, self.number)
                self._detached = True
        self._control(usb.util.claim_interface, self._device, self.number)

    def endpoint(self, kind: int, into_host: bool) -> Any:
        """Its first endpoint of a kind (usb.util.ENDPOINT_TYPE_...) and direction, or None."""
        direction = usb.util.ENDPOINT_IN if into_host else usb.util.ENDPOINT_OUT
        for endpoint in self.descriptor:
            address, attributes = endpoint.bEndpointAddress, endpoint.bmAttributes
            if usb.util.endpoint_direction(address) == direction and usb.util.endpoint_type(attributes) == kind:
                return endpoint
        return None

    def receive(self, endpoint: Any, size: int, wait_s: float) -> bytes:
        """What one read of an IN endpoint gives, at most `size` bytes; b"" when nothing came in time."""
        try:
            return bytes(self._device.read(endpoint.bEndpointAddress, size, milliseconds(wait_s)))
        except usb.core.USBTimeoutError:
            return b""
        except usb.core.USBError as error:
            raise self._lost(error, "read") from error

    def send(self, endpoint: Any, data: bytes) -> None:
        """All of it through an OUT endpoint."""
        try:
            sent = self._device.write(endpoint.bEndpointAddress, data, milliseconds(WRITE_S))
        except usb.core.USBError as error:
            raise self._lost(error, "written to") from error
        if sent != len(data):
            raise LinkLost(f"USB {self.name} took {sent} of {len(data)} bytes: plug it in anew")

    def ask(self, request_type: int, request: int, value: int, index: int, length: int) -> bytes:
        """The data of a control transfer into the host, at most `length` bytes."""
        return bytes(self._control(self._device.ctrl_transfer, request_type, request, value, index, length))

    def tell(self, request_type: int, request: int, value: int, index: int, data: bytes = b"") -> None:
        """A control transfer out of the host."""
        self._control(self._device.ctrl_transfer, request_type, request, value, index, data)

    def clear_halt(self, endpoint: Any) -> None:
        """End an endpoint's stall."""
        self._control(self._device.clear_halt, endpoint.bEndpointAddress)

    def close(self) -> None:
        """Give it back, and the kernel's driver with it; closing twice is harmless."""
        if not self._open:
            return
        self._open = False
        with suppress(usb.core.USBError, NotImplementedError):  # it may have been unplugged
            if self._detached:
                usb.util.release_interface(self._device, self.number)
                self._device.attach_kernel_driver(self.number)
        with suppress(usb.core.USBError):
            usb.util.dispose_resources(self._device)

    def _control(self, call: Callable[..., Any], *args: Any) -> Any:
        try:
            return call(*args)
        except usb.core.USBError as error:
            raise self._lost(error, "asked" if call == self._device.ctrl_transfer else "opened") from error

    def _lost(self, error: usb.core.USBError, doing: str) -> LinkLost:
        where = f"USB {self.name}"
        if error.errno == errno.EPIPE:
            return Stalled(f"{where} refused (stall) when it was {doing}: plug it in anew if that stays")
        if error.errno in (errno.EACCES, errno.EPERM):
            return LinkLost(
                f"{where} may not be opened by this user ({node(self._device)}): "
                "install the udev rules (docs/connecting.md) and plug it in anew"
            )
        if error.errno == errno.EBUSY:
            return LinkLost(f"{where} is in use by another program: end that one first")
        if error.errno in GONE:
            return LinkLost(f"{where} went away when it was {doing}: is the cable still plugged in?")
        return LinkLost(f"{where} failed when it was {doing}: {error}; plug it in anew")


def milliseconds(wait_s: float) -> int:
    """A wait in libusb's unit; never 0, which means for ever."""
    return max(1, math.ceil(wait_s * 1000))


def _find(wanted: Wanted, backend: IBackend | None) -> Any:
    """The one device that is wanted. Raises LinkLost: none, or several between which nothing decides."""
    same = [d for d in devices(backend) if (d.idVendor, d.idProduct) == (wanted.vendor, wanted.product)]
    which = wanted.which
    fitting = [d for d in same if which is None or which == place(d) or which == serial_of(d)]
    if len(fitting) == 1:
        return fitting[0]
    if not same:
        raise LinkLost(f"USB {wanted} is not there: plug it in, or see what is there with: meterlink ports")
    names = ", ".join(sorted(f"{serial_of(d) or 'no readable serial number'} at {place(d)}" for d in same))
    for device in same:
        usb.util.dispose_resources(device)
    if not fitting:
        raise LinkLost(f"USB {wanted} is not there; of this kind there are: {names}")
    raise LinkLost(f"USB {wanted} is there {len(fitting)} times: name one by its serial number or place: {names}")
