"""Devices for the simulated bus, written from the published descriptions with struct, not from the links' own code."""

from __future__ import annotations

import struct
from collections.abc import Callable

from tests.link.simulated_bus import BULK, INTERRUPT, Device, Interface

IN, OUT = 0x81, 0x02
HID = (3, 0, 0)


class HidDevice(Device):
    """Reports in; remembers the feature and output reports that it was given."""

    def __init__(
        self,
        vendor: int,
        product: int,
        report: int,
        codes: tuple[int, int, int] = HID,
        out: bool = True,
        serial: str | None = None,
        port: int = 1,
    ) -> None:
        endpoints = [(IN, INTERRUPT, report)] + ([(OUT, INTERRUPT, report)] if out else [])
        super().__init__(vendor, product, [Interface(codes, endpoints)], serial, port)
        self.features: list[tuple[int, bytes]] = []  # report id, the data stage
        self.outputs: list[bytes] = []
        self.protocol: int | None = None

    def report(self, data: bytes) -> None:
        """One input report: one packet."""
        self.send(IN, data)

    def control(self, kind: int, request: int, value: int, index: int, data: bytes, length: int) -> bytes | None:
        if kind != 0x21 or index != 0:
            return None
        if request == 0x09 and value >> 8 == 3:
            self.features.append((value & 0xFF, data))
            return b""
        if request == 0x09 and value >> 8 == 2:
            self.outputs.append(data)
            return b""
        if request == 0x0B:
            self.protocol = value
            return b""
        return None

    def took(self, endpoint: int, data: bytes) -> None:
        self.outputs.append(data)


class Cp2110(HidDevice):
    """Passes characters only while its UART is enabled (AN434: report 41); purges what it holds (43)."""

    def __init__(self, serial: str | None = None, port: int = 1) -> None:
        super().__init__(0x10C4, 0xEA80, 64, serial=serial, port=port)
        self.enabled = False

    def control(self, kind: int, request: int, value: int, index: int, data: bytes, length: int) -> bytes | None:
        reply = super().control(kind, request, value, index, data, length)
        if reply is None or not data or data[0] != value & 0xFF:
            return None
        if data[:1] == b"\x41":
            self.enabled = data[1:] == b"\x01"
        return reply

    def characters(self, data: bytes) -> None:
        """What the UART heard, in reports of at most 63 characters, the rest of each garbage."""
        if self.enabled:
            for i in range(0, len(data), 63):
                part = data[i : i + 63]
                self.report((bytes([len(part)]) + part).ljust(64, b"\xa5"))


class WchCable(HidDevice):
    """8-byte reports, the count in the low nibble of the first."""

    def __init__(self, port: int = 1) -> None:
        super().__init__(0x1A86, 0xE008, 8, port=port)

    def characters(self, data: bytes) -> None:
        for i in range(0, len(data), 7):
            part = data[i : i + 7]
            self.report((bytes([0xF0 | len(part)]) + part).ljust(8, b"\xa5"))

    def idle(self) -> None:
        self.report(b"\xf0" + bytes(7))


class UsbTmc(Device):
    """A USB488 instrument: answers each query by `answer`, keeps to the class's rules and stalls on a breach."""

    def __init__(self, answer: Callable[[bytes], bytes | None], packet: int = 64, serial: str | None = None) -> None:
        super().__init__(0x2A8D, 0x0001, [Interface((0xFE, 3, 1), [(IN, BULK, packet), (OUT, BULK, packet)])], serial)
        self.answer = answer
        self.waiting = b""  # of the answer, not sent yet
        self.queued = False  # an answer is there or being made
        self.request: tuple[int, int] | None = None  # tag and size of a request that could not be served yet
        self.message = b""
        self.asked: list[bytes] = []  # whole messages
        self.tags: list[int] = []
        self.local = True
        self.most_per_transfer = 1 << 20  # less: the answer comes in several transfers
        self.pending = 1  # times that CHECK_..._STATUS says pending
        self.clears = True  # False: refuses INITIATE_CLEAR
        self.aborts = True
        self.wrong_tag = False  # answers with the tag before
        self._left = 0
        self.controls: list[int] = []

    def end_full_transfer(self, endpoint: int) -> None:
        self.packets[endpoint].append(b"")  # USB 2.0, 5.8.3: a zero-length packet ends it

    def took(self, endpoint: int, data: bytes) -> None:
        kind, tag, inverse, reserved, size, attributes = struct.unpack_from("<BBBBIB", data)
        self.local = False
        bad = tag == 0 or inverse != 255 - tag or reserved or data[10:12] != b"\0\0" or tag in self.tags[-1:]
        self.tags.append(tag)
        if bad or (kind == 1 and len(data) != 12 + size + -size % 4):
            self.stall(endpoint)
        elif kind == 1:
            self.message += data[12 : 12 + size]
            if attributes & 1:
                message, self.message = self.message, b""
                self.asked.append(message)
                self.queued = message.rstrip().endswith(b"?")
                self.ready(self.answer(message) if self.queued else None)
        elif kind == 2 and self.queued:
            self.request = (tag, size)
            self.serve()
        else:
            self.stall(IN)  # nothing was asked: query UNTERMINATED

    def ready(self, answer: bytes | None) -> None:
        """The answer is made; None: it takes longer."""
        self.waiting += answer or b""
        self.serve()

    def serve(self) -> None:
        if self.request is None or not self.waiting:
            return
        (tag, size), self.request = self.request, None
        n = min(size, self.most_per_transfer)
        part, self.waiting = self.waiting[:n], self.waiting[n:]
        if self.wrong_tag:
            tag, self.wrong_tag = (tag - 2) % 255 + 1, False
        self.queued = bool(self.waiting)
        head = struct.pack("<BBBBIBBH", 2, tag, 255 - tag, 0, len(part), not self.waiting, 0, 0)
        self.send(IN, head + part + bytes(-len(part) % 4))

    def control(self, kind: int, request: int, value: int, index: int, data: bytes, length: int) -> bytes | None:
        self.controls.append(request)
        if (kind, request) == (0xA1, 7):
            return bytes([1, 0, 0, 1, 4, 1, *bytes(6), 0, 1, 0x06, 0x0F, *bytes(8)])
        if (kind, request, index) == (0xA2, 3, IN):
            if not self.aborts:
                return bytes([0x81, 0])
            self._forget()  # but what is on its way to the host already, the host must read
            self._left = self.pending
            return bytes([1, value & 0xFF])
        if (kind, request, index) == (0xA1, 5, 0):
            if not self.clears:
                return bytes([0x80])
            self._forget()
            for packets in self.packets.values():
                packets.clear()
            self.halted.add(OUT)  # USBTMC 1.00, 4.2.1.6: the device halts bulk-OUT; the host ends it
            self._left = self.pending
            return bytes([1])
        if (kind, request) in ((0xA2, 4), (0xA1, 6)):
            self._left -= 1
            status = 2 if self._left >= 0 else 1
            return bytes([status, 0, *bytes(6)])[:length]
        if (kind, request, index) == (0xA1, 161, 0):
            self.local = True
            return bytes([1])
        return None

    def _forget(self) -> None:
        self.waiting, self.message, self.request, self.queued = b"", b"", None, False
