"""The scanner's supervisor: bytes read, scans handed to the loop. A thread of its own."""

from __future__ import annotations

from collections.abc import Callable

from meterlink.inputs.readers import Reader
from meterlink.inputs.scans import Scan
from meterlink.inputs.settings import ScannerSettings
from meterlink.service.clock import Clock
from meterlink.service.input_messages import InputMessage, InputRefused, Scanned
from meterlink.service.input_supervisor import InputSupervisor

LOOK_S = 0.05


class Scanning(InputSupervisor[Reader]):
    """Runs until `stop()`."""

    def __init__(
        self,
        settings: ScannerSettings,
        put: Callable[[InputMessage], None],
        clock: Clock,
        open_: Callable[[], Reader] | None = None,
    ) -> None:
        super().__init__("scanner", open_ or settings.open, put, clock)
        self._settings = settings
        self.begin()

    def begin(self) -> None:
        self._scans = self._settings.scans()

    def look(self, device: Reader) -> None:
        data = device.read(LOOK_S)
        now = self._clock.now()
        for one in self._scans.feed(data, now.t):
            self._put(Scanned(one.text, now) if isinstance(one, Scan) else InputRefused("scanner", one.why, now))
