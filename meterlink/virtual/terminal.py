"""The instrument's end of a pseudo-terminal: a program that the service opens as it would open a serial port.

The name a bench is given is a symbolic link, so that an instrument can be unplugged and plugged in again under the
same name, as udev's by-id names are.
"""

from __future__ import annotations

import os
import pty
import select
import threading
import time
import tty
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

Stream = Callable[[float], bytes]  # monotonic second -> the bytes that the instrument sends then
Answer = Callable[[bytes], bytes]  # what came, in any cut -> what it sends back


class VirtualTerminal:
    """Give it `stream` and a rate for an instrument that sends by itself, `answer` for a polled one; or use `send`.

    path    the name to open; a link made at `plug`
    Both callables run in the terminal's own thread; what they raise ends it, and `unplug` raises it again.
    """

    def __init__(
        self, path: Path, *, stream: Stream | None = None, rate_hz: float = 2.0, answer: Answer | None = None
    ) -> None:
        self.path = path
        self._stream = stream
        self._period_s = 1 / rate_hz
        self._answer = answer
        self._master: int | None = None
        self._slave: int | None = None  # held open, so that the bench may close and open as it likes
        self._wake: int | None = None  # written to when the thread is to end, which reads _woken
        self._woken: int | None = None
        self._thread: threading.Thread | None = None
        self._failed: Exception | None = None

    def plug(self) -> VirtualTerminal:
        """Appear under the name, and begin."""
        if self._master is not None:
            raise ValueError(f"{self.path} is plugged in already")
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self._woken, self._wake = os.pipe()
        new = self.path.with_name(self.path.name + ".new")
        new.unlink(missing_ok=True)
        new.symlink_to(os.ttyname(self._slave))
        new.replace(self.path)
        self._thread = threading.Thread(
            target=self._run, args=(self._master, self._woken), name=f"virtual {self.path.name}", daemon=True
        )
        self._thread.start()
        return self

    def unplug(self) -> None:
        """Vanish: the name is gone and whoever reads the port loses it. Unplugging twice is harmless."""
        if self._wake is None or self._thread is None:
            return
        os.write(self._wake, b"x")
        self._thread.join()
        self.path.unlink(missing_ok=True)
        for fd in (self._master, self._slave, self._wake, self._woken):
            if fd is not None:
                os.close(fd)
        self._master = self._slave = self._wake = self._woken = self._thread = None
        if self._failed:
            failed, self._failed = self._failed, None
            raise failed

    def send(self, data: bytes) -> None:
        """Bytes as the instrument sends them; what finds no room is lost, as on a line that nobody reads."""
        if self._master is not None:
            _send(self._master, data)

    def _run(self, master: int, woken: int) -> None:
        due = time.monotonic()
        try:
            while True:
                wait = max(0.0, due - time.monotonic()) if self._stream else None
                ready, _, _ = select.select([master, woken], [], [], wait)
                if woken in ready:
                    return
                if master in ready:
                    asked = os.read(master, 4096)
                    if self._answer:
                        _send(master, self._answer(asked))
                now = time.monotonic()
                if self._stream and now >= due:
                    _send(master, self._stream(now))
                    # a late instrument does not catch up: its next frame comes a period after this one was due
                    due = max(due + self._period_s, now - self._period_s)
        except Exception as error:  # noqa: BLE001 - raised again by unplug, in the thread of whoever made it
            self._failed = error

    def __enter__(self) -> VirtualTerminal:
        return self.plug()

    def __exit__(self, *_: object) -> None:
        self.unplug()


def _send(fd: int, data: bytes) -> None:
    with suppress(BlockingIOError):  # nobody reads: a meter sends into the air as well
        os.write(fd, data)
