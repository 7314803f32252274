"""The pedal's supervisor: switches looked at, presses handed to the loop. A thread of its own."""

from __future__ import annotations

from collections.abc import Callable

from meterlink.inputs.machine import Clash, Pedal
from meterlink.inputs.settings import PedalSettings
from meterlink.inputs.switches import Switches
from meterlink.service.clock import Clock
from meterlink.service.input_messages import FootDown, InputMessage, InputRefused, Pressed
from meterlink.service.input_supervisor import InputSupervisor

LOOK_S = 0.01


class Footwork(InputSupervisor[Switches]):
    """Runs until `stop()`."""

    def __init__(
        self,
        settings: PedalSettings,
        put: Callable[[InputMessage], None],
        clock: Clock,
        open_: Callable[[], Switches] | None = None,
    ) -> None:
        super().__init__("pedal", open_ or settings.open, put, clock)
        self._settings = settings
        self.begin()

    def begin(self) -> None:
        self._pedal = Pedal(self._settings.switches, self._settings.rhythm())

    def look(self, device: Switches) -> None:
        changes = device.changes(LOOK_S)
        now = self._clock.now()
        if any(down and name in self._settings.switches for name, down in changes):
            self._put(FootDown(now))
        out = [one for name, down in changes for one in self._pedal.change(name, down, now.t)]
        for one in [*out, *self._pedal.passed(now.t)]:
            if isinstance(one, Clash):
                self._put(InputRefused("pedal", f"{' and '.join(one.switches)} at once: neither counts", now))
            else:
                self._put(Pressed(one, now))
