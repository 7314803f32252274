"""The supervisor of an input: open, look, lose, back off, open again; pedal and scanner are kinds of it.

Invariant: the thread ends by `stop()` alone, and its state says "open" only while the input is open and looked at.
Whatever else ends a look, expected or not, is a loss with its reason; the loop is handed one message for each change.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, Literal, Protocol, TypeVar

from meterlink.bench.fence import clean
from meterlink.errors import MeterlinkError
from meterlink.service.clock import Clock
from meterlink.service.input_messages import InputChanged, InputMessage, InputName

BACK_OFF_S = (0.25, 0.5, 1.0, 2.0, 5.0)
STEADY_S = 5.0  # open for so long: the next loss is a new one, and it is tried again at once


class Device(Protocol):
    """Whatever is opened."""

    def close(self) -> None:
        """Give it back."""


D = TypeVar("D", bound=Device)


class InputSupervisor(threading.Thread, Generic[D]):
    """Runs until `stop()`. `state` and `why` may be read from any thread.

    state   "not opened yet", "open", "lost" (then `why` has the reason), "closed" after the end
    """

    def __init__(
        self, name: InputName, open_: Callable[[], D], put: Callable[[InputMessage], None], clock: Clock
    ) -> None:
        super().__init__(name=name, daemon=True)
        self.input: InputName = name
        self.state: Literal["not opened yet", "open", "lost", "closed"] = "not opened yet"
        self.why: str | None = None
        self._open = open_
        self._put = put
        self._clock = clock
        self._ending = threading.Event()
        self._reasons: set[str] = set()  # of the present loss, those that were sent

    def begin(self) -> None:
        """It was opened: nothing that came before counts."""
        raise NotImplementedError

    def look(self, device: D) -> None:
        """Wait a moment for something to come, and hand it to the loop. Whatever it raises is a loss."""
        raise NotImplementedError

    def stop(self) -> None:
        """Ask it to end; `join` waits for it."""
        self._ending.set()

    def run(self) -> None:
        tries = 0
        try:
            while not self._ending.is_set():
                began = self._clock.now().t
                try:
                    self._once()
                except MeterlinkError as error:
                    self._lost(str(error))
                except Exception as error:  # noqa: BLE001 - a loss like any other: the bench goes on, and it is told
                    self._lost(f"the {self.input} failed: {error!r}")
                if self._clock.now().t - began >= STEADY_S:
                    tries = 0
                self._ending.wait(BACK_OFF_S[min(tries, len(BACK_OFF_S) - 1)])
                tries += 1
        finally:
            self.state = "closed"

    def _once(self) -> None:
        device = self._open()
        try:
            self.begin()
            self.state, self.why = "open", None
            self._reasons.clear()
            self._put(InputChanged(self.input, "open", None, self._clock.now()))
            while not self._ending.is_set():
                self.look(device)
        finally:
            device.close()

    def _lost(self, why: str) -> None:
        why = clean(why)  # a library's words perhaps: they are sent on
        self.state, self.why = "lost", why
        if why not in self._reasons:
            self._reasons.add(why)
            self._put(InputChanged(self.input, "lost", why, self._clock.now()))
