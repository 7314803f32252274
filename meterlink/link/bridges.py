"""HID-to-UART bridges: what their reports look like. Pure; meterlink/link/hid.py does the transfers.

Sources: AN434 "CP2110/4 Interface Specification", Silicon Labs (sheet hid-bridges, 1: report table from memory, field
codes cross-checked); for the WCH cable no document could be read: its layout is from memory and stands in one place,
WCH_LINE and Wch.payload, so that a cable that wants another is one line.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import msgspec
from construct import Const, Enum, Int8ub, Int16ul, Int32ub, Struct, Terminated

from meterlink.errors import LinkLost
from meterlink.reading import Line


class Report(msgspec.Struct, frozen=True):
    """A feature report: its id (0: the device numbers none), and its bytes after the id."""

    number: int
    body: bytes


class Bridge(Protocol):
    """One kind of bridge, set to one line."""

    def configure(self) -> Sequence[Report]:
        """Feature reports that set the line and empty the bridge's buffers, in order."""

    def payload(self, report: bytes) -> bytes | None:
        """The characters in an input report, perhaps none; None for a report that is not of this kind."""

    def output(self, data: bytes) -> Sequence[bytes]:
        """The output reports that send these characters. Raises LinkLost where it cannot send."""


UART_CONFIG = Struct(
    "baudrate" / Int32ub,
    "parity" / Enum(Int8ub, N=0, O=1, E=2),
    "flow" / Const(0, Int8ub),
    "bytesize" / Enum(Int8ub, bits5=0, bits6=1, bits7=2, bits8=3),
    "stopbits" / Enum(Int8ub, one=0, two=1),
    Terminated,
)
LONGEST = 63  # characters in one report; the report's id is their number


class Cp2110:
    """Silicon Labs CP2110: report id = number of characters, 1 to 63; any line a UART knows."""

    def __init__(self, line: Line) -> None:
        self.line = line

    def configure(self) -> Sequence[Report]:
        line = self.line
        config = UART_CONFIG.build(
            {
                "baudrate": line.baudrate,
                "parity": line.parity,
                "bytesize": f"bits{line.bytesize}",
                "stopbits": "one" if line.stopbits == 1 else "two",
            }
        )
        # the UART keeps the settings of whoever used it before: always all three
        return Report(0x50, config), Report(0x41, b"\x01"), Report(0x43, b"\x03")

    def payload(self, report: bytes) -> bytes | None:
        if not report or not 1 <= report[0] <= LONGEST or len(report) <= report[0]:
            return None
        return report[1 : 1 + report[0]]  # the rest of the report is garbage

    def output(self, data: bytes) -> Sequence[bytes]:
        parts = (data[i : i + LONGEST] for i in range(0, len(data), LONGEST))
        return [bytes([len(part)]) + part for part in parts]


WCH_LINE = Struct("baudrate" / Int16ul, Const(b"\x00\x00"), Const(b"\x03"), Terminated)


class Wch:
    """WCH cable: 8-byte reports, the low nibble of the first byte = how many characters follow; always 8 bits.

    A 7-bit line passes it as characters whose bit 7 is the parity (or the first stop bit). The bit is checked and
    stripped here; a character with a wrong one is passed as 00, as terminals do (POSIX INPCK), and counted.
    """

    def __init__(self, line: Line) -> None:
        """Raises LinkLost for a line that does not fit into eight bits or sixteen bits of baud rate."""
        framing = f"{line.bytesize}{line.parity}{line.stopbits}"
        if framing not in ("8N1", "8N2", "7O1", "7E1", "7O2", "7E2", "7N2") or line.baudrate > 0xFFFF:
            raise LinkLost(f"this cable cannot do {line.baudrate} baud {framing}: use a CP2110 or serial cable")
        self.line = line
        self.bad_parity = 0

    def configure(self) -> Sequence[Report]:
        return (Report(0, WCH_LINE.build({"baudrate": self.line.baudrate})),)

    def payload(self, report: bytes) -> bytes | None:
        if not report or (n := report[0] & 0xF) >= len(report):
            return None
        characters = report[1 : 1 + n]
        return characters if self.line.bytesize == 8 else bytes(map(self._seven, characters))

    def _seven(self, character: int) -> int:
        expected = {"O": 1, "E": 0}.get(self.line.parity)
        right = character >> 7 == 1 if expected is None else bin(character).count("1") % 2 == expected
        if right:
            return character & 0x7F
        self.bad_parity += 1
        return 0

    def output(self, data: bytes) -> Sequence[bytes]:
        raise LinkLost("how this cable (WCH HID) sends is not published: it can only listen; use another for polling")


BRIDGES: dict[tuple[int, int], type[Cp2110] | type[Wch]] = {
    (0x10C4, 0xEA80): Cp2110,
    (0x1A86, 0xE008): Wch,
}
