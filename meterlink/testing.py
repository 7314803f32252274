"""For tests of drivers, links and services: a link and a clock that are fakes, and the checks of a driver.

Fakes, not mocks: FakeLink passes the contract tests that a pseudo-terminal passes (tests/drivers/test_fakes.py).
"""

from __future__ import annotations

from meterlink.driver_check import Result, check_driver
from meterlink.errors import LinkLost

__all__ = ["FakeClock", "FakeLink", "Result", "check_driver"]


class FakeClock:
    """Time that goes on only when it is told to; `wait` is a sleep that takes no time."""

    def __init__(self, now: float = 0.0) -> None:
        self.now = now

    def __call__(self) -> float:
        return self.now

    def wait(self, seconds: float) -> None:
        self.now += max(seconds, 0.0)


class FakeLink:
    """A Link whose other end is a test: `put` what comes, see in `written` what was sent, `lose` it.

    read takes no real time: it lets wait_s pass on the clock when nothing has come.
    """

    def __init__(self, clock: FakeClock | None = None) -> None:
        self.clock = clock or FakeClock()
        self.written = b""
        self.closed = False
        self._coming = bytearray()
        self._lost = ""

    def put(self, data: bytes) -> None:
        """Bytes arrive."""
        self._coming += data

    def lose(self, why: str = "unplugged") -> None:
        """From now on the port is gone; what came before it is gone with it."""
        self._lost = why
        self._coming.clear()

    def read(self, wait_s: float) -> bytes:
        self._check()
        if not self._coming:
            self.clock.wait(wait_s)
            return b""
        data = bytes(self._coming)
        self._coming.clear()
        return data

    def write(self, data: bytes) -> None:
        self._check()
        self.written += data

    def close(self) -> None:
        self.closed = True

    def _check(self) -> None:
        if self._lost or self.closed:
            raise LinkLost(f"fake link: {self._lost or 'closed'}")
