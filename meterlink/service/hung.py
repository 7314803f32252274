"""Sees that an instrument's thread stands still: a driver that never comes back is told as lost, the bench goes on.

A thread cannot be ended from outside. Time counts only while the loop itself looks on, a little at each look: when the
machine sleeps or the whole process is stopped, nobody is blamed for it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable

from meterlink.service.supervisor import Supervisor

HUNG_S = 5.0  # a turn of the thread takes a twentieth of a second; a slow USB transfer a second or two
STEP_S = 0.1  # the most that one look adds


class HangWatch:
    """Owned by the loop."""

    def __init__(self, supervisors: Iterable[Supervisor], now: Callable[[], float] = time.monotonic) -> None:
        self._turns = dict.fromkeys(supervisors, -1)
        self._stood = dict.fromkeys(self._turns, 0.0)
        self._now = now
        self._last = now()

    def look(self) -> None:
        """Call it at every turn of the loop."""
        now = self._now()
        step, self._last = min(now - self._last, STEP_S), now
        for one, turn in self._turns.items():
            feeding = one.switch is not None and one.switch.injector is not None  # that has a watchdog of its own
            if one.talking and one.turn == turn and not feeding:
                self._stood[one] += step
            else:
                self._turns[one], self._stood[one] = one.turn, 0.0
            if self._stood[one] > HUNG_S and not one.hung:
                one.hung = True
                one.broken("it hangs, and its thread cannot be ended: unplug it, and start the service anew")
