"""A scripted technician: touches points, listens to the bench, taps the pedal; waits as a person would.

The bench is met by its socket alone, as every other client meets it. Each wait is for something the bench
told (a sound, a record), with a limit after which the script says what it waited for.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from meterlink.errors import Unreachable
from meterlink.service import wire


class Ear:
    """Listens to the service: every effect and promised record, in order, since it began."""

    def __init__(self, socket: Path) -> None:
        self._socket = socket
        self._told = threading.Condition()
        self._messages: list[dict[str, Any]] = []
        self.timed: list[tuple[dict[str, Any], float]] = []  # with the monotonic second of its arrival
        self._began = threading.Event()
        self._thread = threading.Thread(target=self._listen, name="ear", daemon=True)
        self._thread.start()
        if not self._began.wait(10.0):
            raise Unreachable("the service does not tell anything")

    def _listen(self) -> None:
        for message in wire.watch(self._socket):
            self._began.set()
            with self._told:
                self._messages.append(message)
                self.timed.append((message, time.monotonic()))
                self._told.notify_all()

    @property
    def heard(self) -> int:
        """How many messages so far; a mark for `wait`."""
        return len(self._messages)

    def wait(
        self, wanted: Callable[[dict[str, Any]], bool], since: int, limit_s: float = 15.0, what: str = ""
    ) -> dict[str, Any]:
        """The first message after the mark that is wanted. Raises TimeoutError naming what was waited for."""
        end = time.monotonic() + limit_s
        with self._told:
            while True:
                for message in self._messages[since:]:
                    if wanted(message):
                        return message
                since = len(self._messages)
                left = end - time.monotonic()
                if left <= 0 or not self._told.wait(left):
                    raise TimeoutError(f"the technician waited {limit_s:g} s for {what or 'a sound'}")


def is_kept(message: dict[str, Any]) -> bool:
    """A kept record is on the disk."""
    return bool(message["event"] == "record" and message["record"]["kind"] == "kept")


def is_shown(function: str) -> Callable[[dict[str, Any]], bool]:
    """A meter that the hands are on shows this function."""
    return lambda m: m["event"] == "reading" and m["channel"] is None and m["function"] == function


def is_sound(*names: str) -> Callable[[dict[str, Any]], bool]:
    """One of these sounds was given."""
    return lambda m: m["event"] == "effect" and m["sound"] in names


def is_flowing(message: dict[str, Any]) -> bool:
    """The supply's output is on and a current flows."""
    return bool(message["event"] == "injection" and message["state"] == "on" and message["amperes"] > 0.1)


def is_ended(message: dict[str, Any]) -> bool:
    """An injection is over."""
    return bool(message["event"] == "injection" and message["state"] == "ended")
