"""The pedal's supervisor: open, listen, lose, back off, open again; hands presses to the loop. A thread of its own."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

import msgspec

from meterlink.errors import MeterlinkError
from meterlink.inputs.machine import Clash, Pedal
from meterlink.inputs.settings import Settings
from meterlink.inputs.switches import Switches
from meterlink.service.clock import Clock, Moment

LOOK_S = 0.01
BACK_OFF_S = 1.0


class Pressed(msgspec.Struct, frozen=True):
    """The pedal asks for an action: keep, back or next."""

    action: str
    moment: Moment


class PedalTold(msgspec.Struct, frozen=True):
    """Two switches at once, or the pedal came or went."""

    text: str
    refused: bool


class Footwork(threading.Thread):
    """Runs until `stop()`."""

    def __init__(
        self,
        settings: Settings,
        put: Callable[[Any], None],
        clock: Clock,
        open_: Callable[[], Switches] | None = None,
    ) -> None:
        super().__init__(name="pedal", daemon=True)
        self.state = "not opened yet"
        self._settings = settings
        self._open = open_ or settings.open
        self._put = put
        self._clock = clock
        self._ending = threading.Event()

    def stop(self) -> None:
        self._ending.set()

    def run(self) -> None:
        pedal = Pedal(self._settings.switches, self._settings.rhythm())
        told = ""
        while not self._ending.is_set():
            try:
                switches = self._open()
                self.state = told = "open"
                try:
                    self._listen(pedal, switches)
                finally:
                    switches.close()
            except MeterlinkError as error:
                pedal.lost()
                self.state = f"lost: {error}"
                if told != self.state:
                    told = self.state
                    self._put(PedalTold(f"the pedal is gone: {error}", refused=True))
                self._ending.wait(BACK_OFF_S)

    def _listen(self, pedal: Pedal, switches: Switches) -> None:
        while not self._ending.is_set():
            changes = switches.changes(LOOK_S)
            now = self._clock.now()
            out = [told for name, down in changes for told in pedal.change(name, down, now.t)]
            for told in [*out, *pedal.passed(now.t)]:
                if isinstance(told, Clash):
                    self._put(PedalTold(f"{' and '.join(told.switches)} at once: neither counts", refused=True))
                else:
                    self._put(Pressed(told, now))
