"""Brings what the service tells, in a thread of its own, and attaches again whenever the service comes back."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Protocol

from meterlink.errors import MeterlinkError
from meterlink.service import wire

AGAIN_S = 0.5  # between two tries to attach
HEALTH_S = 1.0  # between two looks at health and alarms, which no change may tell of


class Wire(Protocol):
    """The service as the screen meets it; tests bring their own."""

    def watch(self) -> Iterator[dict[str, Any]]: ...
    def call(self, do: str, **fields: Any) -> dict[str, Any]: ...


class Socket:
    """The service behind its socket."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def watch(self) -> Iterator[dict[str, Any]]:
        return wire.watch(self._path)

    def call(self, do: str, **fields: Any) -> dict[str, Any]:
        return wire.call(self._path, do, **fields)


class Feed:
    """Two daemon threads: a blocked read must never hold up the end of the program.

    `tell` is given each message, `gone` why there is none; both are called from these threads.
    """

    def __init__(self, service: Wire, tell: Callable[[dict[str, Any]], None], gone: Callable[[str], None]) -> None:
        self._service = service
        self._tell = tell
        self._gone = gone
        self._ending = threading.Event()
        self._attached = threading.Event()
        self._threads = [
            threading.Thread(target=work, name=f"screen {work.__name__}", daemon=True)
            for work in (self._watch, self._ask)
        ]

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    def end(self) -> None:
        """Tell nothing any more; what is being waited for is let go."""
        self._ending.set()

    def _watch(self) -> None:
        while not self._ending.is_set():
            why = "the service has ended"
            try:
                for message in self._service.watch():
                    if self._ending.is_set():
                        return
                    self._attached.set()
                    self._tell(message)
            except MeterlinkError as error:
                why = str(error)
            except (OSError, json.JSONDecodeError) as error:
                why = f"the service broke off: {error}"  # killed in mid-line
            self._attached.clear()
            if not self._ending.is_set():
                self._gone(why)
            self._ending.wait(AGAIN_S)

    def _ask(self) -> None:
        while not self._ending.wait(HEALTH_S):
            if not self._attached.is_set():
                continue
            try:
                status = self._service.call("status")
            except MeterlinkError:
                continue  # the watch tells that it is gone
            if not self._ending.is_set():
                self._tell({"event": "status", **status})
