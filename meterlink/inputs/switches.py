"""The two kinds of pedal as switches: modem lines of a serial adapter, keys of a USB keyboard-type pedal.

A contact between RTS and CTS, DSR or DCD of a spare adapter: RTS and DTR are on, so a closed contact reads on
(TIA/EIA-232-F, from memory; an open input reads off). A keyboard-type pedal is claimed for the bench alone: its
keystrokes reach no other program. Both give (switch, down) changes and raise LinkLost when they go away.
"""

from __future__ import annotations

import time
from typing import Protocol

import serial
from usb.backend import IBackend

from meterlink.errors import LinkLost
from meterlink.inputs.reports import Keys, name_of
from meterlink.link.hid import Hid, is_boot_keyboard
from meterlink.link.serial import explain
from meterlink.link.usb import parse_id
from meterlink.reading import Line

LOOK_S = 0.004  # between two looks at the modem lines: well inside a contact's bounce time
LINES = ("CTS", "DSR", "DCD", "RI")


class Switches(Protocol):
    """An open pedal."""

    def changes(self, wait_s: float) -> list[tuple[str, bool]]:
        """Switches that changed; waits at most wait_s for one. Raises LinkLost."""

    def close(self) -> None:
        """Give it back."""


class Contacts:
    """Foot switches on the modem lines of a serial port."""

    def __init__(self, path: str) -> None:
        port = serial.Serial()
        port.port, port.exclusive, port.timeout = path, True, 0
        port.dtr = port.rts = True
        try:
            port.open()
        except (OSError, ValueError) as error:
            raise LinkLost(explain(path, Line(baudrate=9600), error)) from error
        self._port = port
        self._on = dict.fromkeys(LINES, False)

    def changes(self, wait_s: float) -> list[tuple[str, bool]]:
        end = time.monotonic() + wait_s
        while True:
            now = self._look()
            out = [(name, on) for name, on in now.items() if on != self._on[name]]
            self._on = now
            if out or time.monotonic() >= end:
                return out
            time.sleep(LOOK_S)

    def _look(self) -> dict[str, bool]:
        try:
            return {"CTS": self._port.cts, "DSR": self._port.dsr, "DCD": self._port.cd, "RI": self._port.ri}
        except OSError as error:
            raise LinkLost(f"the pedal's port went away: {error}") from error

    def close(self) -> None:
        try:
            self._port.close()
        except OSError:
            pass  # gone already


class Keyboard:
    """A keyboard-type pedal, taken over."""

    def __init__(self, name: str, backend: IBackend | None = None) -> None:
        """Takes "VVVV:PPPP[:SERIAL]". Raises LinkLost, BadInput."""
        self._hid = Hid(parse_id(name), backend, is_boot_keyboard)
        self._keys = Keys()
        try:
            self._hid.boot_protocol()
            self._hid.drain()
        except BaseException:
            self._hid.close()
            raise

    def changes(self, wait_s: float) -> list[tuple[str, bool]]:
        report = self._hid.report(wait_s)
        if not report:
            return []
        pressed, released = self._keys.report(report[:8])
        return [(name_of(u), False) for u in sorted(released)] + [(name_of(u), True) for u in sorted(pressed)]

    def close(self) -> None:
        self._hid.close()
