"""The watchdog: an injection that outlives its time is stopped, and when even that hangs, off is sent past it."""

from __future__ import annotations

import threading
from typing import Any

import pytest

from meterlink import registry
from meterlink.bench.off import prepared
from meterlink.errors import LinkLost
from meterlink.service import injector
from meterlink.service.clock import SystemClock
from meterlink.service.injector import Injector
from tests.injection.peer import CONTROL, Peer
from tests.injection.test_injection import ORDER


class Hanging:
    """A link whose reads hang once the output is on; its writes still reach the supply."""

    def __init__(self) -> None:
        self.peer = Peer()
        self.replies = b""
        self.hang = threading.Event()
        self.free = threading.Event()

    def read(self, wait_s: float) -> bytes:
        if self.peer.on and wait_s > 0:
            self.hang.set()
            self.free.wait(20)
            raise LinkLost("freed by the test")
        out, self.replies = self.replies, b""
        return out

    def write(self, data: bytes) -> None:
        self.replies += self.peer.hear(data) or b""

    def close(self) -> None:
        """Nothing to give back."""


def test_off_goes_past_a_supervisor_that_hangs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(injector, "SET_UP_S", -1.5)  # the hold is 2 s: the watchdog acts after half a second
    link = Hanging()

    def put(item: Any) -> None:
        if isinstance(item, injector.Promise):
            item.answer(True)

    one = Injector("supply", ORDER, CONTROL, prepared(CONTROL), registry.find("scpi_supply"), put, SystemClock())
    thread = threading.Thread(target=one.run, args=(link,), daemon=True)
    thread.start()
    assert link.hang.wait(10)
    for _ in range(500):
        if not link.peer.on:
            break
        threading.Event().wait(0.01)
    assert not link.peer.on
    link.free.set()
    thread.join(10)
    assert one.over.is_set()
