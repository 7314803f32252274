"""One rig for each kind of link: the link, and the other end of it in the test's hand."""

from __future__ import annotations

import os
import pty
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from meterlink.link import Link
from meterlink.link.opening import open_link
from meterlink.reading import Line, UsbId
from meterlink.testing import FakeClock, FakeLink
from tests.link.simulated_bus import SimulatedBus
from tests.link.usb_devices import Cp2110, HidDevice, UsbTmc, WchCable

LINE = Line(baudrate=9600)
CHUNKS = [
    bytes(range(8)),
    bytes(range(248, 256)),
    bytes(range(64)) + b"\r\n" * 4,
    b"\0\xff\r\n\x11\x13\x03\x04",
    b"8" * 64,
]
METER = UsbId(vendor=0x2571, product=0x4100, report=8)


class Rig:
    """The link, and what a test does at its other end.

    arrive  bytes come in now; `soon` brings them a moment later, while the link is read
    heard   all that was sent so far; None where the link cannot send
    """

    def __init__(
        self,
        link: Link,
        arrive: Callable[[bytes], object],
        unplug: Callable[[], object],
        heard: Callable[[], bytes] | None = None,
        soon: Callable[[bytes], object] | None = None,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self.link = link
        self.arrive = arrive
        self.unplug = unplug
        self.heard = heard
        self.now = now
        self.soon = soon or (lambda data: later(arrive, data))


def later(call: Callable[[bytes], object], data: bytes) -> None:
    threading.Timer(0.05, call, [data]).start()


@contextmanager
def serial(folder: Path) -> Iterator[Rig]:
    master, slave = pty.openpty()
    tty.setraw(slave)
    ends = [master, slave]
    heard = bytearray()

    def unplug() -> None:
        while ends:
            os.close(ends.pop())

    def listen() -> bytes:
        heard.extend(os.read(master, 4096))
        return bytes(heard)

    link = open_link(os.ttyname(slave), LINE)
    try:
        yield Rig(link, lambda data: os.write(master, data), unplug, listen)
    finally:
        link.close()
        unplug()


@contextmanager
def tcp(folder: Path) -> Iterator[Rig]:
    with socket.create_server(("127.0.0.1", 0)) as server:
        link = open_link(f"tcp:127.0.0.1:{server.getsockname()[1]}", None)
        instrument, _ = server.accept()
        heard = bytearray()

        def listen() -> bytes:
            heard.extend(instrument.recv(4096))
            return bytes(heard)

        try:
            yield Rig(link, instrument.sendall, instrument.close, listen)
        finally:
            link.close()
            instrument.close()


@contextmanager
def cp2110(folder: Path) -> Iterator[Rig]:
    cable = Cp2110()
    link = open_link("hid:10C4:EA80", LINE, backend=SimulatedBus(cable))
    yield Rig(link, cable.characters, cable.unplug, lambda: b"".join(r[1 : 1 + r[0]] for r in cable.outputs))
    link.close()


@contextmanager
def wch(folder: Path) -> Iterator[Rig]:
    cable = WchCable()
    link = open_link("hid:1A86:E008", LINE, backend=SimulatedBus(cable))
    yield Rig(link, cable.characters, cable.unplug)
    link.close()


@contextmanager
def hid_meter(folder: Path) -> Iterator[Rig]:
    meter = HidDevice(METER.vendor, METER.product, METER.report)
    link = open_link("hid:2571:4100", None, (METER,), backend=SimulatedBus(meter))

    def arrive(data: bytes) -> None:
        for i in range(0, len(data), METER.report):
            meter.report(data[i : i + METER.report])

    yield Rig(link, arrive, meter.unplug, lambda: b"".join(meter.outputs))
    link.close()


@contextmanager
def usbtmc(folder: Path) -> Iterator[Rig]:
    """What arrives is the answer to a query that the rig sends first."""
    answers: list[bytes] = []
    instrument = UsbTmc(lambda asked: answers.pop(0) if answers else None)
    link = open_link("usbtmc:2A8D:0001", None, backend=SimulatedBus(instrument))

    def arrive(data: bytes) -> None:
        answers.append(data)
        link.write(b"READ?\n")

    def unplug() -> None:
        link.write(b"READ?\n")
        instrument.unplug()

    def soon(data: bytes) -> None:
        link.write(b"READ?\n")
        later(instrument.ready, data)

    yield Rig(link, arrive, unplug, lambda: b"".join(instrument.asked), soon)
    link.close()


@contextmanager
def fake(folder: Path) -> Iterator[Rig]:
    """Time passes only on its own clock, so nothing can come while it is read."""
    clock = FakeClock()
    link = FakeLink(clock)
    yield Rig(link, link.put, link.lose, lambda: link.written, soon=link.put, now=clock)


@contextmanager
def recording(folder: Path) -> Iterator[Rig]:
    """What arrives stands in the file behind a question, which the rig asks; it ends only by being closed."""
    file = folder / "all.rec"
    lines = [f"0.0 > {i:02x}\n0.0 < {chunk.hex()}" for i, chunk in enumerate(CHUNKS)]
    head = "# driver: none\n# instrument: none\n# source: made by this test\n"
    file.write_text(head + "\n".join(lines) + "\n")
    link = open_link(f"recording:{file}", None)

    def arrive(data: bytes) -> None:
        link.write(bytes([CHUNKS.index(data)]))

    yield Rig(link, arrive, link.close, soon=arrive)


RIGS = {f.__name__: f for f in (serial, tcp, cp2110, wch, hid_meter, usbtmc, fake, recording)}
