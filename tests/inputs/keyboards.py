"""A keyboard-type device on the simulated bus, written from the published report format, not from our own code."""

from __future__ import annotations

from tests.link.usb_devices import HidDevice

# USB HID 1.11, appendix B.1: modifiers, reserved, six usages. HID Usage Tables 1.12, section 10, table 12
# (Keyboard/Keypad Page, 0x07); from memory. The pair is (modifiers, usage); 02 is LeftShift.
USAGE = {chr(ord("a") + i): (0, 0x04 + i) for i in range(26)}
USAGE |= {c.upper(): (2, usage) for c, (_, usage) in USAGE.items()}
USAGE |= {c: (0, 0x1E + i) for i, c in enumerate("1234567890")}
USAGE |= {"\r": (0, 0x28), " ": (0, 0x2C), "-": (0, 0x2D), "#": (2, 0x20), "_": (2, 0x2D)}
UP = bytes(8)


def down(modifiers: int, usage: int) -> bytes:
    return bytes([modifiers, 0, usage, 0, 0, 0, 0, 0])


def typed(text: str) -> list[bytes]:
    """The reports of a text typed on a US keyboard: each key down, then all up."""
    return [report for c in text for report in (down(*USAGE[c]), UP)]


class KeyboardDevice(HidDevice):
    """Boot keyboard: interface class 3, subclass 1, protocol 1."""

    def __init__(self, vendor: int, product: int, port: int = 1) -> None:
        super().__init__(vendor, product, 8, codes=(3, 1, 1), port=port)

    def reports(self, *data: bytes) -> None:
        for one in data:
            self.report(one)

    def taken(self) -> bool:
        """In the boot protocol, and the kernel's own driver has let go: no other program gets its keys."""
        return self.there and self.protocol == 0 and not self.kernel_driver

    def plug(self) -> None:
        """Back on the bus, as the kernel finds a new device."""
        with self.changed:
            for packets in self.packets.values():
                packets.clear()
            self.claimed.clear()
            self.halted.clear()
            self.kernel_driver = {i.number for i in self.interfaces}
            self.protocol = None
            self.there = True
