"""The two kinds of pedal as switches: modem lines of a serial adapter, keys of a USB keyboard-type pedal.

A contact between RTS and CTS, DSR or DCD of a spare adapter: RTS and DTR are on, so a closed contact reads on
(TIA/EIA-232-F, from memory; an open input reads off). The adapter may be on a terminal server in the network (RFC 2217,
Telnet Com Port Control Option; by pyserial). A keyboard-type device is claimed for the bench alone: its keystrokes
reach no other program. Both pedals give (switch, down) changes and raise LinkLost when they go away.
"""

from __future__ import annotations

import errno
import fcntl
import termios
import time
from contextlib import suppress
from typing import Protocol
from urllib.parse import urlsplit

import serial
from usb.backend import IBackend

from meterlink.errors import BadInput, LinkLost
from meterlink.inputs.reports import Keys, name_of
from meterlink.link import opening
from meterlink.link.hid import Hid, is_boot_keyboard
from meterlink.link.serial import explain
from meterlink.link.usb import parse_id
from meterlink.reading import Line

LOOK_S = 0.004  # between two looks at the modem lines: well inside a contact's bounce time
FED_S = 0.1  # from RTS on to the first look: adapters report their lines some milliseconds late (no source)
FIRST_NOTICE_S = 1.0  # for the terminal server's first word on its modem lines
ALIVE_S = 5.0  # between two questions whether the terminal server is still there
LINES = ("CTS", "DSR", "DCD", "RI")
REMOTE = "rfc2217://"
NO_LINES = (errno.ENOTTY, errno.EINVAL)


class Switches(Protocol):
    """An open pedal."""

    def changes(self, wait_s: float) -> list[tuple[str, bool]]:
        """Switches that changed; waits at most wait_s for one. Raises LinkLost."""

    def close(self) -> None:
        """Give it back."""


def check_contact_port(port: str) -> None:
    """Whether a port can have modem lines. Raises BadInput."""
    if port.startswith(REMOTE):
        try:
            there = urlsplit(port)
            if not there.hostname or not there.port:
                raise ValueError("no host or no port number")
        except ValueError as error:
            raise BadInput(f"{port}: give a host and a port number, as in {REMOTE}192.0.2.7:4001 ({error})") from error
    elif "://" in port or opening.parse(port)[0] != "serial":
        raise BadInput(f"{port} has no modem lines: a contact is on a serial port, or on {REMOTE}HOST:PORT")


class Contacts:
    """Foot switches on the modem lines of a serial port.

    A contact that is closed when the port is opened is no press until it was open: nobody is kept on a board by a foot
    that stood on the pedal while it was plugged in.
    """

    def __init__(self, port: str) -> None:
        """Takes a serial port's name, or rfc2217://HOST:PORT. Raises LinkLost, BadInput."""
        check_contact_port(port)
        self._name = port
        self._remote = port.startswith(REMOTE)
        self._port = self._remote_port(port) if self._remote else self._local_port(opening.parse(port)[1])
        self._asked = time.monotonic()  # of a terminal server: whether it is still there
        try:
            time.sleep(FED_S)
            self._on = self._first_look()
        except BaseException:
            self.close()
            raise

    def changes(self, wait_s: float) -> list[tuple[str, bool]]:
        end = time.monotonic() + wait_s
        while True:
            now = self._look()
            out = [(name, on) for name, on in now.items() if on != self._on[name]]
            self._on = now
            if out or time.monotonic() >= end:
                return out
            time.sleep(LOOK_S)

    def close(self) -> None:
        with suppress(OSError, ValueError):  # gone already
            self._port.close()

    @staticmethod
    def _local_port(path: str) -> serial.Serial:
        port = serial.Serial()
        port.port, port.exclusive, port.timeout = path, True, 0
        port.dtr = port.rts = True
        try:
            port.open()
            fcntl.ioctl(port.fileno(), termios.TIOCEXCL)  # as for an instrument's port: every later open is refused
        except (OSError, ValueError, termios.error) as error:
            with suppress(OSError):
                port.close()
            raise LinkLost(explain(path, Line(baudrate=9600), error)) from error
        return port

    @staticmethod
    def _remote_port(url: str) -> serial.Serial:
        port = serial.serial_for_url(url, do_not_open=True)
        port.timeout = 0
        port.dtr = port.rts = True
        try:
            port.open()
        except (OSError, ValueError) as error:
            raise LinkLost(
                f"{url} cannot be reached: is the terminal server on and in this network, does it speak RFC 2217, "
                f"and does it serve no one else? ({error})"
            ) from error
        return port

    def _first_look(self) -> dict[str, bool]:
        end = time.monotonic() + FIRST_NOTICE_S
        while True:
            try:
                return self._look()
            except LinkLost as error:
                if not self._remote:
                    raise
                if time.monotonic() >= end:  # until the server's first notification there is no state
                    raise LinkLost(
                        f"{self._name}: the terminal server closed it, or says nothing of its modem lines: "
                        f"try ?poll_modem after the port's name ({error.__cause__})"
                    ) from error
            time.sleep(LOOK_S)

    def _look(self) -> dict[str, bool]:
        try:
            if self._remote:
                self._still_there()
            port = self._port
            return {"CTS": port.cts, "DSR": port.dsr, "DCD": port.cd, "RI": port.ri}
        except (OSError, ValueError, termios.error) as error:
            if getattr(error, "errno", None) in NO_LINES:
                raise LinkLost(f"{self._name} has no modem lines: take an adapter that has CTS, DSR or DCD") from error
            raise LinkLost(f"the pedal's port {self._name} went away: is it still plugged in? ({error})") from error

    def _still_there(self) -> None:
        """Raises OSError or ValueError for a server that closed, or that has not answered for some seconds."""
        self._port.read(1)  # tells a closed connection; what a line with a switch on it sends is noise
        if time.monotonic() - self._asked >= ALIVE_S:
            self._port.reset_input_buffer()  # a question that RFC 2217 has an answer to (PURGE-DATA)
            self._asked = time.monotonic()


class BootReports:
    """A USB device of the keyboard kind, taken over: its boot reports."""

    def __init__(self, name: str, backend: IBackend | None = None) -> None:
        """Takes "VVVV:PPPP[:SERIAL]". Raises LinkLost, BadInput."""
        self._hid = Hid(parse_id(name), backend, is_boot_keyboard)
        try:
            self._hid.boot_protocol()
            self._hid.drain()
        except BaseException:
            self._hid.close()
            raise

    def next(self, wait_s: float) -> bytes:
        """The next report's 8 bytes; b"" when none came in time. Raises LinkLost."""
        return self._hid.report(wait_s)[:8]

    def close(self) -> None:
        self._hid.close()


class Keyboard:
    """A keyboard-type pedal, taken over."""

    def __init__(self, name: str, backend: IBackend | None = None) -> None:
        """Takes "VVVV:PPPP[:SERIAL]". Raises LinkLost, BadInput."""
        self._reports = BootReports(name, backend)
        self._keys = Keys()

    def changes(self, wait_s: float) -> list[tuple[str, bool]]:
        report = self._reports.next(wait_s)
        if not report:
            return []
        pressed, released = self._keys.report(report)
        return [(name_of(u), False) for u in sorted(released)] + [(name_of(u), True) for u in sorted(pressed)]

    def close(self) -> None:
        self._reports.close()
