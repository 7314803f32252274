"""The two kinds of scanner as open devices that give bytes of text: taken-over keyboard, serial line.

A keyboard-type scanner is claimed for the bench alone, as such a pedal is: what it types reaches no other program.
"""

from __future__ import annotations

from typing import Protocol

from meterlink.inputs.characters import Typing
from meterlink.inputs.switches import BootReports


class Reader(Protocol):
    """An open scanner. A serial one is a Link, which has these too."""

    def read(self, wait_s: float) -> bytes:
        """Text that came, in UTF-8; waits at most wait_s for the first. Raises LinkLost."""

    def close(self) -> None:
        """Give it back."""


class TypingReader:
    """A scanner that types: its key reports as text."""

    def __init__(self, reports: BootReports) -> None:
        self._reports = reports
        self._typing = Typing()

    def read(self, wait_s: float) -> bytes:
        report = self._reports.next(wait_s)
        return self._typing.report(report).encode() if report else b""

    def close(self) -> None:
        self._reports.close()
