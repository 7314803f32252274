"""A hand-held meter that streams: a probe model behind a driver's `build`. For VirtualTerminal(stream=...)."""

from __future__ import annotations

import random
import threading
import time

from meterlink.errors import BadInput
from meterlink.registry import Spec
from meterlink.virtual.probe import Node, Probe


class Handheld:
    """The hands are one thread, the terminal that sends its frames another: a lock stands between them."""

    def __init__(self, spec: Spec, rng: random.Random, rate_hz: float, counts: int = 4000, noise: float = 1.0) -> None:
        """Raises BadInput for a driver that has no `build`."""
        if not hasattr(spec.module, "build"):
            raise BadInput(f"driver {spec.name} has no build: it cannot play an instrument")
        self.spec = spec
        self.probe = Probe(rng, rate_hz=rate_hz, counts=counts, noise=noise)
        self._lock = threading.Lock()

    def dial(self, function: str) -> None:
        """Switch to another function; nothing happens when it is on it."""
        with self._lock:
            if self.probe.function != function:
                self.probe.switch(function)

    def touch(self, value: float | None, charge_s: float = 0.0) -> None:
        """Land on a node that shows this value in the present function (None: open)."""
        with self._lock:
            self.probe.touch(Node(shows={self.probe.function: value}, charge_s=charge_s), time.monotonic())

    def lift(self) -> None:
        with self._lock:
            self.probe.lift(time.monotonic())

    def frame(self, t: float) -> bytes:
        """The bytes of the reading that ends at monotonic second t."""
        with self._lock:
            reading = self.probe.sample(t)
        return self.spec.build(reading) or b""
