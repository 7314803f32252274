"""The two times: monotonic for intervals, UTC for records; one object gives both, so that tests can."""

from __future__ import annotations

import time
from datetime import datetime, timezone
from typing import Protocol

import msgspec


class Moment(msgspec.Struct, frozen=True):
    """One instant on both clocks."""

    t: float  # monotonic seconds
    at: datetime  # UTC


class Clock(Protocol):
    def now(self) -> Moment:
        """This instant."""


class SystemClock:
    """The machine's clocks."""

    def now(self) -> Moment:
        """Both are looked at again where the machine did something else between: it would look like a step."""
        while True:
            moment = Moment(time.monotonic(), datetime.now(timezone.utc))
            if time.monotonic() - moment.t < JumpWatch.LEAST_S / 5:
                return moment


class JumpWatch:
    """Notices wall time jumping against monotonic time: a step of the machine's clock, not its slow drift.

    A jump is a change of (wall - monotonic) of more than 0.5 s between two looks: NTP slews by at most
    0.5 ms/s, and larger corrections are steps (adjtime(3), ntpd's step threshold of 128 ms, from memory).
    """

    LEAST_S = 0.5

    def __init__(self, start: Moment) -> None:
        self._offset = start.at.timestamp() - start.t

    def step(self, now: Moment) -> float | None:
        """Seconds by which wall time jumped since the last look, or None."""
        offset = now.at.timestamp() - now.t
        moved, self._offset = offset - self._offset, offset
        return moved if abs(moved) > self.LEAST_S else None
