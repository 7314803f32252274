"""Seals the journal at the begin of a new day's segment and at the end of a job, where the bench's file names a key.

Signing is the business of ssh-keygen, which may wait for a touch or not come back: it runs beside the loop, with no
terminal to ask on, and the loop records what it gave. A seal that could not be made is told, and holds nobody up.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from pathlib import Path

import msgspec

from meterlink import records
from meterlink.errors import MeterlinkError
from meterlink.journal import seal as seals


class Signed(msgspec.Struct, frozen=True):
    """A seal that was made, or why it was not."""

    seal: records.Seal | None
    why: str = ""


class Sealer(threading.Thread):
    """Runs until stop(). `put` takes Signed."""

    def __init__(self, folder: Path, key: Path, put: Callable[[Signed], None]) -> None:
        super().__init__(name="sealer", daemon=True)
        self._folder, self._key, self._put = folder, key, put
        self._asked: queue.SimpleQueue[int | None] = queue.SimpleQueue()
        self._through = 0

    def ask(self, through: int) -> None:
        """Seal through this record, which is on the disk."""
        if through > self._through:
            self._through = through
            self._asked.put(through)

    def stop(self) -> None:
        """End; a signature under way is not waited for, it is found beside the journal and told by verify."""
        self._asked.put(None)

    def run(self) -> None:
        while (through := self._asked.get()) is not None:
            try:
                self._put(Signed(seals.make(self._folder, self._key, through)))
            except MeterlinkError as error:
                self._put(Signed(None, str(error)))
