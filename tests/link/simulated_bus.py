"""A simulated USB below pyusb: its own backend interface (usb.backend.IBackend), with faults to order.

A Device answers control transfers and holds one queue of packets per IN endpoint; what the host sends arrives at
`took`. Transfers follow USB 2.0, 5.7.3 and 5.8.3: a read takes packets until the buffer is full or a packet is
shorter than wMaxPacketSize. Waiting is real (a Condition), so time-outs are what a caller of libusb sees.
Faults: stall(endpoint), unplug(), permitted = False, busy = True, and packets of any size by send(..., split=).
"""

from __future__ import annotations

import errno
import struct
import threading
import time
from collections import deque
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import usb.backend
from usb.core import USBError, USBTimeoutError

INTERRUPT, BULK = 3, 2
GET_DESCRIPTOR, STRING = 6, 3


def fault(number: int, text: str) -> USBError:
    return USBError(text, -1, number)


class Interface:
    """One interface (class, subclass, protocol) and its endpoints as (address, type, packet size)."""

    def __init__(self, codes: tuple[int, int, int], endpoints: list[tuple[int, int, int]], number: int = 0) -> None:
        self.codes = codes
        self.endpoints = endpoints
        self.number = number


class Device:
    """A device on the bus. Subclasses override `control` and `took`."""

    def __init__(
        self, vendor: int, product: int, interfaces: list[Interface], serial: str | None = None, port: int = 1
    ) -> None:
        self.vendor, self.product, self.serial, self.port = vendor, product, serial, port
        self.interfaces = interfaces
        self.changed = threading.Condition()
        self.packets: dict[int, deque[bytes]] = {a: deque() for i in interfaces for a, _, _ in i.endpoints if a & 0x80}
        self.sizes = {a: size for i in interfaces for a, _, size in i.endpoints}
        self.halted: set[int] = set()
        self.there = True
        self.permitted = True
        self.busy = False
        self.configured = 1
        self.kernel_driver = {i.number for i in interfaces}
        self.claimed: set[int] = set()
        self.log: list[str] = []  # what the host did, in order
        self.opened = 0

    # -- what a test does to it

    def send(self, endpoint: int, data: bytes, split: int | None = None) -> None:
        """Queue a transfer's packets; `split` makes them shorter than the endpoint's: each ends a transfer."""
        size = split or self.sizes[endpoint]
        with self.changed:
            self.packets[endpoint] += [data[i : i + size] for i in range(0, len(data), size)] or [b""]
            if split is None and data and len(data) % size == 0:
                self.end_full_transfer(endpoint)
            self.changed.notify_all()

    def end_full_transfer(self, endpoint: int) -> None:
        """What follows a last packet of full size; nothing for an interrupt endpoint."""

    def stall(self, endpoint: int) -> None:
        with self.changed:
            self.halted.add(endpoint)
            self.changed.notify_all()

    def unplug(self) -> None:
        with self.changed:
            self.there = False
            self.changed.notify_all()

    # -- what it does by itself

    def control(self, kind: int, request: int, value: int, index: int, data: bytes, length: int) -> bytes | None:
        """The data of a request into the host, b"" for one out of it, None for a stall."""
        return None

    def took(self, endpoint: int, data: bytes) -> None:
        """The host sent a transfer through an OUT endpoint."""


class SimulatedBus(usb.backend.IBackend):  # type: ignore[misc]
    """The backend: hand it to whatever takes one."""

    def __init__(self, *devices: Device) -> None:
        self.devices = list(devices)

    # -- finding

    def enumerate_devices(self) -> Any:
        return iter([d for d in self.devices if d.there])

    def get_parent(self, dev: Device) -> None:
        return None

    def get_device_descriptor(self, dev: Device) -> Any:
        return SimpleNamespace(
            bLength=18,
            bDescriptorType=1,
            bcdUSB=0x0200,
            bDeviceClass=0,
            bDeviceSubClass=0,
            bDeviceProtocol=0,
            bMaxPacketSize0=64,
            idVendor=dev.vendor,
            idProduct=dev.product,
            bcdDevice=0x0100,
            iManufacturer=0,
            iProduct=0,
            iSerialNumber=3 if dev.serial else 0,
            bNumConfigurations=1,
            bus=1,
            address=self.devices.index(dev) + 1,
            port_number=dev.port,
            port_numbers=(dev.port,),
            speed=2,
        )

    def get_configuration_descriptor(self, dev: Device, config: int) -> Any:
        if config:
            raise IndexError(config)
        return SimpleNamespace(
            bLength=9,
            bDescriptorType=2,
            wTotalLength=0,
            bNumInterfaces=len(dev.interfaces),
            bConfigurationValue=1,
            iConfiguration=0,
            bmAttributes=0x80,
            bMaxPower=50,
            extra_descriptors=[],
        )

    def get_interface_descriptor(self, dev: Device, intf: int, alt: int, config: int) -> Any:
        if intf >= len(dev.interfaces) or alt:
            raise IndexError(intf)
        one = dev.interfaces[intf]
        return SimpleNamespace(
            bLength=9,
            bDescriptorType=4,
            bInterfaceNumber=one.number,
            bAlternateSetting=0,
            bNumEndpoints=len(one.endpoints),
            bInterfaceClass=one.codes[0],
            bInterfaceSubClass=one.codes[1],
            bInterfaceProtocol=one.codes[2],
            iInterface=0,
            extra_descriptors=[],
        )

    def get_endpoint_descriptor(self, dev: Device, ep: int, intf: int, alt: int, config: int) -> Any:
        address, kind, size = dev.interfaces[intf].endpoints[ep]
        return SimpleNamespace(
            bLength=7,
            bDescriptorType=5,
            bEndpointAddress=address,
            bmAttributes=kind,
            wMaxPacketSize=size,
            bInterval=1,
            bRefresh=0,
            bSynchAddress=0,
            extra_descriptors=[],
        )

    # -- opening

    def open_device(self, dev: Device) -> Device:
        self._check(dev)
        if not dev.permitted:
            raise fault(errno.EACCES, "Access denied (insufficient permissions)")
        dev.opened += 1
        return dev

    def close_device(self, dev_handle: Device) -> None:
        dev_handle.opened -= 1

    def set_configuration(self, dev_handle: Device, config_value: int) -> None:
        self._check(dev_handle)
        dev_handle.configured = config_value
        dev_handle.log.append(f"configuration {config_value}")

    def get_configuration(self, dev_handle: Device) -> int:
        self._check(dev_handle)
        return dev_handle.configured

    def is_kernel_driver_active(self, dev_handle: Device, intf: int) -> bool:
        self._check(dev_handle)
        return intf in dev_handle.kernel_driver

    def detach_kernel_driver(self, dev_handle: Device, intf: int) -> None:
        self._check(dev_handle)
        dev_handle.kernel_driver.remove(intf)

    def attach_kernel_driver(self, dev_handle: Device, intf: int) -> None:
        self._check(dev_handle)
        if intf in dev_handle.claimed:
            raise fault(errno.EBUSY, "Resource busy")
        dev_handle.kernel_driver.add(intf)

    def claim_interface(self, dev_handle: Device, intf: int) -> None:
        self._check(dev_handle)
        if dev_handle.busy or intf in dev_handle.kernel_driver or intf in dev_handle.claimed:
            raise fault(errno.EBUSY, "Resource busy")
        dev_handle.claimed.add(intf)

    def release_interface(self, dev_handle: Device, intf: int) -> None:
        dev_handle.claimed.discard(intf)
        self._check(dev_handle)

    # -- transfers

    def ctrl_transfer(
        self, dev_handle: Device, kind: int, request: int, value: int, index: int, data: Any, timeout: int
    ) -> int:
        self._check(dev_handle)
        if (kind, request, value >> 8) == (0x80, GET_DESCRIPTOR, STRING):
            reply: bytes | None = _string(dev_handle, value & 0xFF)
        else:
            out = b"" if kind & 0x80 else bytes(data)
            reply = dev_handle.control(kind, request, value, index, out, len(data))
        if reply is None:
            raise fault(errno.EPIPE, "Pipe error")
        if not kind & 0x80:
            return len(data)
        n = min(len(reply), len(data))
        data[:n] = type(data)("B", reply[:n])
        return n

    def intr_read(self, dev_handle: Device, ep: int, intf: int, buff: Any, timeout: int) -> int:
        return self._read(dev_handle, ep, buff, timeout)

    def bulk_read(self, dev_handle: Device, ep: int, intf: int, buff: Any, timeout: int) -> int:
        return self._read(dev_handle, ep, buff, timeout)

    def intr_write(self, dev_handle: Device, ep: int, intf: int, data: Any, timeout: int) -> int:
        return self._write(dev_handle, ep, intf, data, timeout)

    def bulk_write(self, dev_handle: Device, ep: int, intf: int, data: Any, timeout: int) -> int:
        return self._write(dev_handle, ep, intf, data, timeout)

    def clear_halt(self, dev_handle: Device, ep: int) -> None:
        self._check(dev_handle)
        dev_handle.log.append(f"clear halt {ep:02X}")
        dev_handle.halted.discard(ep)

    def _read(self, dev: Device, ep: int, buff: Any, timeout: int) -> int:
        assert timeout > 0, "libusb takes 0 for: wait for ever"
        end = time.monotonic() + timeout / 1000
        got = b""
        size = dev.sizes[ep]
        with dev.changed:
            while True:
                self._check(dev)
                if ep in dev.halted:
                    raise fault(errno.EPIPE, "Pipe error")
                while dev.packets[ep]:
                    packet = dev.packets[ep].popleft()
                    if len(got) + len(packet) > len(buff):
                        raise fault(errno.EOVERFLOW, "Overflow")
                    got += packet
                    if len(packet) < size or len(got) == len(buff):
                        buff[: len(got)] = type(buff)("B", got)
                        return len(got)
                left = end - time.monotonic()
                if left <= 0 or not dev.changed.wait(left):
                    if got:  # libusb gives what came before the time-out
                        buff[: len(got)] = type(buff)("B", got)
                        return len(got)
                    raise USBTimeoutError("Operation timed out", -7, errno.ETIMEDOUT)

    def _write(self, dev: Device, ep: int, intf: int, data: Any, timeout: int) -> int:
        assert timeout > 0, "libusb takes 0 for: wait for ever"
        self._check(dev)
        assert intf in dev.claimed
        if ep in dev.halted:
            raise fault(errno.EPIPE, "Pipe error")
        dev.took(ep, bytes(data))
        if ep in dev.halted:
            raise fault(errno.EPIPE, "Pipe error")
        return len(data)

    @staticmethod
    def _check(dev: Device) -> None:
        if not dev.there:
            raise fault(errno.ENODEV, "No such device (it may have been disconnected)")


def _string(dev: Device, index: int) -> bytes | None:
    """String descriptors (USB 2.0, 9.6.7): the languages, and the serial number at index 3."""
    text: Callable[[bytes], bytes] = lambda body: struct.pack("BB", len(body) + 2, STRING) + body  # noqa: E731
    if index == 0:
        return text(struct.pack("<H", 0x0409))
    return text(dev.serial.encode("utf-16-le")) if index == 3 and dev.serial else None
