"""Links move bytes and say when they came; they know no protocol.

A port is named by what stands before its first colon; a bare path is a serial port:
    /dev/ttyUSB0    serial:PATH    tcp:HOST:PORT    hid:VVVV:PPPP[:SERIAL]    usbtmc:VVVV:PPPP[:SERIAL]
    recording:FILE
In place of SERIAL the place where a device is plugged in may stand (1-2.3: bus, then ports), for cables without one.
"""

from __future__ import annotations

from typing import Protocol


class Link(Protocol):
    """An open port. Owned by one thread; every failure of the port is LinkLost."""

    def read(self, wait_s: float) -> bytes:
        """Bytes that have come; waits at most wait_s for the first, gives b"" when none came."""

    def write(self, data: bytes) -> None:
        """Send all of it."""

    def close(self) -> None:
        """Give the port back; closing twice is harmless."""
