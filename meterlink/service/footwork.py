"""The pedal's supervisor: open, listen, lose, back off, open again; hands presses to the loop. A thread of its own."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from meterlink.errors import MeterlinkError
from meterlink.inputs.machine import Clash, Pedal
from meterlink.inputs.settings import Settings
from meterlink.inputs.switches import Switches
from meterlink.service.clock import Clock
from meterlink.service.input_messages import InputChanged, InputRefused, Pressed

LOOK_S = 0.01
BACK_OFF_S = 1.0


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
        self.why: str | None = None
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
                if told.startswith("lost"):
                    self._put(InputChanged("pedal", "open", None, self._clock.now()))
                self.state, self.why, told = "open", None, "open"
                try:
                    self._listen(pedal, switches)
                finally:
                    switches.close()
            except MeterlinkError as error:
                pedal.lost()
                self.state, self.why = "lost", str(error)
                if told != f"lost: {error}":
                    told = f"lost: {error}"
                    self._put(InputChanged("pedal", "lost", str(error), self._clock.now()))
                self._ending.wait(BACK_OFF_S)

    def _listen(self, pedal: Pedal, switches: Switches) -> None:
        while not self._ending.is_set():
            changes = switches.changes(LOOK_S)
            now = self._clock.now()
            out = [told for name, down in changes for told in pedal.change(name, down, now.t)]
            for told in [*out, *pedal.passed(now.t)]:
                if isinstance(told, Clash):
                    why = f"{' and '.join(told.switches)} at once: neither counts"
                    self._put(InputRefused("pedal", why, now))
                else:
                    self._put(Pressed(told, now))
