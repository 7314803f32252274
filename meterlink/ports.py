"""What is plugged in: serial ports and USB devices, who may open each, and which drivers could answer there.

Nothing is sent to any of them: serial ports are listed by pyserial from /sys, USB devices by libusb from their
descriptors, serial numbers are read from /sys where the kernel keeps them.
Source: acl(5) and linux/posix_acl_xattr.h (the extended attribute: version 2, then tag, permissions, id).
"""

from __future__ import annotations

import grp
import os
import pwd
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec
from serial.tools import list_ports

from meterlink.registry import Spec

if TYPE_CHECKING:
    from usb.backend import IBackend

HUB = 9
BY_ID = Path("/dev/serial/by-id")
USB_SYS = Path("/sys/bus/usb/devices")
ACL = "system.posix_acl_access"
ACL_USER = 0x02
UNNAMED = 0xFFFFFFFF


class Access(msgspec.Struct, frozen=True, kw_only=True):
    """Who may open a device file; `mine`: this user may, by whatever right."""

    owner: str
    group: str
    mode: str
    users: tuple[str, ...] = ()  # by access list, as udev's uaccess gives it to whoever sits at the machine
    mine: bool


class Port(msgspec.Struct, frozen=True, kw_only=True):
    """One port as a bench names it.

    port     None for a USB device that no link of ours can use
    stable   a name that stays when ports are plugged in another order, where there is one
    drivers  the names of the drivers that could answer there
    """

    port: str | None
    stable: str | None = None
    what: str
    usb: str | None = None
    serial: str | None = None
    node: str
    access: Access | None
    remedy: str | None = None
    drivers: tuple[str, ...] = ()


def found(specs: Sequence[Spec], backend: IBackend | None = None) -> list[Port]:
    """Serial ports first, then USB devices that are none; hubs are left out.

    Raises  LinkLost where there is no libusb; then `serial_ports` still works.
    """
    listed = list_ports.comports()
    behind = {info.location.partition(":")[0] for info in listed if info.location}
    return serial_ports(specs) + usb_devices(specs, behind, backend)


def serial_ports(specs: Sequence[Spec]) -> list[Port]:
    """What pyserial lists, by name."""
    drivers = tuple(s.name for s in specs if s.info.line)
    out = []
    for info in sorted(list_ports.comports(), key=lambda i: i.device):
        usb = f"{info.vid:04X}:{info.pid:04X}" if info.vid is not None and info.pid is not None else None
        what = " ".join(filter(None, (info.manufacturer, info.product))) or "serial port"
        out.append(
            _port(
                port=info.device,
                stable=_by_id(info.device),
                what=what,
                usb=usb,
                serial=info.serial_number,
                node=info.device,
                drivers=drivers,
            )
        )
    return out


def usb_devices(specs: Sequence[Spec], behind: set[str], backend: IBackend | None = None) -> list[Port]:
    """What libusb lists, but for hubs and for what is plugged in at the places `behind` (it is a serial port)."""
    from meterlink.link.usb import devices, node, place

    out = []
    for device in devices(backend):
        where = place(device)
        if device.bDeviceClass == HUB or where in behind:
            continue
        usb = f"{device.idVendor:04X}:{device.idProduct:04X}"
        scheme, what, drivers = _use(device, specs)
        serial = _told(device, where, "serial")
        names = " ".join(filter(None, (_told(device, where, "manufacturer"), _told(device, where, "product"))))
        out.append(
            _port(
                port=f"{scheme}:{usb}" if scheme else None,
                stable=f"{scheme}:{usb}:{serial or where}" if scheme else None,
                what=f"{what}: {names}" if names else what,
                usb=usb,
                serial=serial,
                node=node(device),
                drivers=drivers,
            )
        )
    return sorted(out, key=lambda p: (p.port is None, p.stable or "", p.node))


def access(path: str) -> Access | None:
    """Who may open a device file, or None where there is none."""
    try:
        state = os.stat(path)  # noqa: PTH116 - what the system says of it, links followed
    except OSError:
        return None
    return Access(
        owner=_name(pwd.getpwuid, state.st_uid),
        group=_name(grp.getgrgid, state.st_gid),
        mode=f"{state.st_mode & 0o777:04o}",
        users=_listed_users(path),
        mine=os.access(path, os.R_OK | os.W_OK),
    )


def _port(**fields: Any) -> Port:
    from meterlink.link.serial import remedy

    rights = access(fields["node"])
    missing = rights is not None and not rights.mine
    return Port(access=rights, remedy=remedy(Path(fields["node"])) if missing else None, **fields)


def _use(device: Any, specs: Sequence[Spec]) -> tuple[str | None, str, tuple[str, ...]]:
    """The scheme that opens a USB device, what it is, and the drivers that could answer."""
    import usb.core

    from meterlink.link.bridges import BRIDGES
    from meterlink.link.hid import is_boot_keyboard, is_hid
    from meterlink.link.usbtmc import is_usbtmc

    key = (device.idVendor, device.idProduct)
    own = {s.name: one for s in specs for one in s.info.usb if (one.vendor, one.product) == key}
    if key in BRIDGES:
        return "hid", "HID serial cable", tuple(s.name for s in specs if s.info.line)
    try:
        interfaces = list(device[0])
    except (usb.core.USBError, IndexError):
        interfaces = []
    if any(map(is_usbtmc, interfaces)):
        return "usbtmc", "USBTMC instrument", tuple(own) or tuple(s.name for s in specs if "usbtmc" in s.info.links)
    if any(one.report for one in own.values()):
        return "hid", "HID meter", tuple(own)
    if any(map(is_boot_keyboard, interfaces)):
        return None, "keyboard or keyboard-type pedal", ()
    return None, "HID device" if any(map(is_hid, interfaces)) else "USB device", ()


def _told(device: Any, where: str, what: str) -> str | None:
    """A text of a device: as the kernel read it when it was plugged in, else its serial number asked for."""
    from meterlink.link.usb import serial_of

    folder = USB_SYS / where
    try:
        return (folder / what).read_text("utf-8", "replace").strip() or None
    except OSError:
        return serial_of(device) if what == "serial" and not folder.exists() else None


def _by_id(device: str) -> str | None:
    """udev's stable name of a serial port."""
    try:
        number = os.stat(device).st_rdev  # noqa: PTH116 - of the device, links followed
        return next((str(n) for n in sorted(BY_ID.iterdir()) if n.stat().st_rdev == number), None)
    except OSError:
        return None


def _listed_users(path: str) -> tuple[str, ...]:
    """Users whom the access list names with the right to read and write."""
    try:
        data = os.getxattr(path, ACL)
    except OSError:
        return ()
    entries = struct.iter_unpack("<HHI", data[4 : 4 + (len(data) - 4) // 8 * 8])
    return tuple(_name(pwd.getpwuid, who) for tag, may, who in entries if tag == ACL_USER and may & 6 == 6)


def _name(lookup: Any, number: int) -> str:
    try:
        return str(lookup(number)[0])
    except KeyError:
        return str(number)
