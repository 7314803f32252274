"""USBTMC and its USB488 subclass: SCPI instruments on USB.

A link knows no protocol, this class nearly none: an instrument must only be asked to send when a query is under way
(else it stalls: query UNTERMINATED), so a message with a question mark is taken to bring one answer (IEEE 488.2, 7.6:
a query's header ends with one).
Source: USBTMC 1.00, 3.2 and 3.3 (headers), 4.2 (requests); USBTMC-USB488 1.00, 4.3; constants held against the
kernel's linux/usb/tmc.h by a test. Sequences: sheet usbtmc.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from typing import Any

import usb.util
from construct import Check, Int8ul, Int32ul, Padding, Rebuild, Struct, Terminated, this
from usb.backend import IBackend

from meterlink.errors import LinkLost
from meterlink.link.usb import Stalled, UsbInterface, Wanted

OUT, REQUEST_IN = 1, 2  # MsgID; the answer to a request carries the request's
EOM = 0x01
TERM_CHAR = 0x02
FROM_ENDPOINT, FROM_INTERFACE = 0xA2, 0xA1  # device to host, class
INITIATE_ABORT_BULK_IN, CHECK_ABORT_BULK_IN = 3, 4
INITIATE_CLEAR, CHECK_CLEAR = 5, 6
GET_CAPABILITIES = 7
GO_TO_LOCAL = 161
SUCCESS, PENDING = 0x01, 0x02
REMOTE_LOCAL = 0x02  # capability byte 14: REN_CONTROL, GO_TO_LOCAL and LOCAL_LOCKOUT are there

MOST = 64 * 1024  # payload asked for at once: some meters want the whole answer read in one request
BUFFER = MOST + 1024  # whole packets of any size: a last one that does not fit is an overflow
PIECE = 4096  # payload sent in one transfer
POLL_S = 0.02
POLLS = 100
QUOTED = re.compile(rb"\"[^\"]*\"|'[^']*'")  # string data; a question mark in it asks nothing

HEADER = Struct(
    "message" / Int8ul,
    "tag" / Int8ul,
    "inverse" / Rebuild(Int8ul, this.tag ^ 0xFF),
    Check(this.inverse == this.tag ^ 0xFF),
    Padding(1),
    "size" / Int32ul,
    "attributes" / Int8ul,
    "term_char" / Int8ul,
    Padding(2),
    Terminated,
)
HEADER_BYTES = 12


def message_out(tag: int, data: bytes, last: bool = True) -> bytes:
    """A transfer that carries a message or a piece of one, padded to a multiple of four."""
    head: bytes = HEADER.build(
        {"message": OUT, "tag": tag, "size": len(data), "attributes": EOM if last else 0, "term_char": 0}
    )
    return head + data + bytes(-len(data) % 4)


def request_in(tag: int, most: int, term_char: int | None = None) -> bytes:
    """The request for an answer of at most so many bytes."""
    attributes = 0 if term_char is None else TERM_CHAR
    head: bytes = HEADER.build(
        {"message": REQUEST_IN, "tag": tag, "size": most, "attributes": attributes, "term_char": term_char or 0}
    )
    return head


class UsbTmcLink:
    """One SCPI instrument. What went wrong and was put right is counted in `bad`."""

    def __init__(
        self, wanted: Wanted, backend: IBackend | None = None, sleep: Callable[[float], None] = time.sleep
    ) -> None:
        """Claim it and clear what an earlier user left in it. Raises LinkLost."""
        self._usb = UsbInterface(wanted, is_usbtmc, "USBTMC interface", backend)
        self._sleep = sleep
        self._tag = 0
        self._asked: int | None = None  # the tag of the request that is under way
        self._expected = False  # an answer, or more of one, is still to come
        self._arrived = bytearray()  # of the answer's transfer
        self.bad = 0
        self.last_bad = ""
        self._open = True
        kind = usb.util.ENDPOINT_TYPE_BULK
        self._in, self._out = self._usb.endpoint(kind, True), self._usb.endpoint(kind, False)
        try:
            if self._in is None or self._out is None:
                raise LinkLost(f"USB {wanted} has no bulk endpoints: is it the right device?")
            self._local = self._goes_local()
            self._begin_clean()
        except BaseException:
            self._usb.close()
            raise

    def _begin_clean(self) -> None:
        if not self._cleared():
            # the class asks for it, but one that refuses may well work: it is used as it is
            self.bad, self.last_bad = 1, "refuses INITIATE_CLEAR"

    def read(self, wait_s: float) -> bytes:
        end = time.monotonic() + wait_s
        if not self._expected:
            self._sleep(max(wait_s, 0.0))  # nothing can come, and the instrument must not be asked
            return b""
        try:
            if self._asked is None:
                self._asked = self._next_tag()
                self._usb.send(self._out, request_in(self._asked, MOST))
                self._arrived.clear()
            got = self._usb.receive(self._in, BUFFER, end - time.monotonic())
        except Stalled:
            self._recover("stall", halted=True)
            return b""
        self._arrived += got
        return self._answer() if got else b""

    def write(self, data: bytes) -> None:
        if self._expected:
            self._recover("no answer in time")
        pieces = [data[i : i + PIECE] for i in range(0, len(data), PIECE)]
        for piece in pieces:
            transfer = message_out(self._next_tag(), piece, last=piece is pieces[-1])
            try:
                self._usb.send(self._out, transfer)
            except Stalled as error:
                self._recover("stall", halted=True)
                what = repr(data[:40])
                raise LinkLost(f"USB {self._usb.name} refused {what}: is that a command of this instrument?") from error
        self._expected = b"?" in QUOTED.sub(b"", data)

    def close(self) -> None:
        """Give the panel back to the person in front of it, then the interface."""
        if not self._open:
            return
        self._open = False
        if self._local:
            try:
                self._status(FROM_INTERFACE, GO_TO_LOCAL, 0, self._usb.number, 1)
            except LinkLost:
                pass  # it was unplugged, or does not care; closing goes on
        self._usb.close()

    def _answer(self) -> bytes:
        """The payload of the answer, once its transfer is whole."""
        if len(self._arrived) < HEADER_BYTES:
            return b""
        head = self._arrived[:HEADER_BYTES]
        size = int.from_bytes(head[4:8], "little")
        tag, asked = head[1], self._asked
        if head[0] != REQUEST_IN or tag != asked or head[2] != tag ^ 0xFF or size > MOST:
            self._recover(f"an answer to something else: {head.hex()}", clear=True)
            return b""
        data = bytes(self._arrived[HEADER_BYTES : HEADER_BYTES + size])
        if len(data) < size:
            return b""  # the rest comes, or the driver gives up and asks anew
        self._asked = None
        self._expected = not head[8] & EOM
        self._arrived.clear()
        return data

    def _next_tag(self) -> int:
        self._tag = self._tag % 255 + 1
        return self._tag

    # -- getting back in step

    def _recover(self, why: str, *, clear: bool = False, halted: bool = False) -> None:
        """Abort the answer that is under way; where that does not help, clear the whole interface."""
        self.bad += 1
        self.last_bad = why
        asked, self._asked, self._expected = self._asked, None, False
        self._arrived.clear()
        aborted = asked is not None and not halted and self._abort(asked)
        if aborted and not clear:
            return
        if not self._cleared():
            raise LinkLost(f"USB {self._usb.name} cannot be cleared after {why}: switch it off and on again")
        if halted:
            self._usb.clear_halt(self._in)

    def _abort(self, tag: int) -> bool:
        """INITIATE_ABORT_BULK_IN, drain, CHECK_ABORT_BULK_IN_STATUS until it is done."""
        address = self._in.bEndpointAddress
        try:
            if self._status(FROM_ENDPOINT, INITIATE_ABORT_BULK_IN, tag, address, 2)[0] != SUCCESS:
                return False
            self._drain()
            return self._poll(FROM_ENDPOINT, CHECK_ABORT_BULK_IN, address, 8)
        except Stalled:
            return False

    def _cleared(self) -> bool:
        """INITIATE_CLEAR, CHECK_CLEAR_STATUS until it is done, then end the halt that it leaves on bulk-OUT."""
        try:
            if self._status(FROM_INTERFACE, INITIATE_CLEAR, 0, self._usb.number, 1)[0] != SUCCESS:
                return False
            done = self._poll(FROM_INTERFACE, CHECK_CLEAR, self._usb.number, 2)
        except Stalled:
            return False
        self._usb.clear_halt(self._out)
        return done

    def _poll(self, request_type: int, request: int, index: int, length: int) -> bool:
        for _ in range(POLLS):
            reply = self._status(request_type, request, 0, index, length)
            if reply[0] != PENDING:
                return reply[0] == SUCCESS
            if reply[1] & 1:  # it holds data that must be read before it can go on
                self._drain()
            else:
                self._sleep(POLL_S)
        return False

    def _drain(self) -> None:
        """Drop what bulk-IN still holds."""
        for _ in range(POLLS):
            try:
                if not self._usb.receive(self._in, BUFFER, POLL_S):
                    return
            except Stalled:
                self._usb.clear_halt(self._in)

    def _status(self, request_type: int, request: int, value: int, index: int, length: int) -> bytes:
        """A class request's reply, never empty."""
        reply = self._usb.ask(request_type, request, value, index, length)
        if len(reply) < min(length, 2):
            raise LinkLost(f"USB {self._usb.name} gave {len(reply)} bytes to request {request}: plug it in anew")
        return reply

    def _goes_local(self) -> bool:
        """Whether the instrument takes GO_TO_LOCAL (USB488 capability); one that does not tell is not asked to."""
        if self._usb.descriptor.bInterfaceProtocol != 1:
            return False
        try:
            told = self._usb.ask(FROM_INTERFACE, GET_CAPABILITIES, 0, self._usb.number, 24)
        except Stalled:
            return False
        return len(told) > 14 and bool(told[14] & REMOTE_LOCAL)


def is_usbtmc(interface: Any) -> bool:
    """A USBTMC interface, with or without the USB488 subclass's protocol (pyusb's Interface)."""
    return (interface.bInterfaceClass, interface.bInterfaceSubClass) == (0xFE, 0x03)
