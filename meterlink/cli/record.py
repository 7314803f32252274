"""`driver record`: what comes from an unknown meter, with its timing, and what a person says its display shows."""

from __future__ import annotations

import select
import sys
from collections.abc import Callable
from typing import IO

from meterlink.framing import Framer
from meterlink.link import Link
from meterlink.link.recording import Event, line
from meterlink.reading import Reading

READ_S = 0.05


class Session:
    """Writes a recording's lines as they happen; asks in rhythm what is on the display.

    answer  gives a line that the person typed, None while there is none, "" when they will type no more
    say     shows a line to the person
    """

    def __init__(
        self,
        link: Link,
        out: IO[str],
        *,
        now: Callable[[], float],
        say: Callable[[str], None],
        answer: Callable[[], str | None],
        driver: Framer | None = None,
        every_s: float = 10.0,
    ) -> None:
        self.events = 0
        self.bytes = 0
        self.seen = 0
        self._link = link
        self._out = out
        self._now = now
        self._say = say
        self._answer: Callable[[], str | None] | None = answer
        self._driver = driver
        self._every_s = every_s
        self._zero = now()
        self._ask_at = every_s
        self._last: Reading | None = None

    def run(self, seconds: float | None) -> None:
        """Until that many seconds have passed, or the person types q. Raises LinkLost."""
        while (at := self._now() - self._zero) < (seconds or float("inf")):
            asked = self._driver.request(self._now()) if self._driver else None
            if asked is not None:
                self._note(Event(round(at, 3), ">", asked))
                self._link.write(asked)
            data = self._link.read(READ_S)
            at = self._now() - self._zero
            if data:
                self.bytes += len(data)
                self._note(Event(round(at, 3), "<", data))
                for reading in self._driver.feed(data) if self._driver else ():
                    self._last = reading
            if self._answer is not None and not self._listen(at):
                return

    def _listen(self, at: float) -> bool:
        """Ask when it is time, take an answer if there is one; False when the person is done."""
        if at >= self._ask_at:
            self._ask_at = at + self._every_s
            decoded = f" (decoded: {self._last.display})" if self._last and self._last.display else ""
            self._say(f"{at:6.1f} s, {self.bytes} bytes: what is on the display?{decoded} (Enter: skip, q: end)")
        assert self._answer is not None  # run asked
        text = self._answer()
        if text == "":
            self._answer = None
        elif text is not None and text.strip().lower() == "q":
            return False
        elif text is not None and text.strip():
            self.seen += 1
            self._note(Event(round(at, 3), "=", text=" ".join(text.split())))
        return True

    def _note(self, event: Event) -> None:
        self.events += 1
        self._out.write(line(event) + "\n")
        self._out.flush()  # a cable pulled out, or the power, takes nothing that was recorded


def typed() -> str | None:
    """A line from standard input if one is waiting; "" at its end."""
    ready, _, _ = select.select([sys.stdin], [], [], 0)
    return sys.stdin.readline() if ready else None
