"""The [pedal] and [scanner] tables of a bench's file."""

from __future__ import annotations

from typing import Literal

import msgspec

from meterlink.errors import BadInput
from meterlink.inputs.characters import TYPEABLE
from meterlink.inputs.gestures import Timing
from meterlink.inputs.machine import Binding
from meterlink.inputs.readers import Reader, TypingReader
from meterlink.inputs.reports import USAGES
from meterlink.inputs.scans import LINE_ENDS, Scans
from meterlink.inputs.switches import LINES, BootReports, Contacts, Keyboard, Switches, check_contact_port
from meterlink.link import opening
from meterlink.link.usb import parse_id
from meterlink.reading import Baudrate, Line

Problem = tuple[str, str]  # a key of the table, and what is wrong with it
ENDS = {"enter": "\r", "tab": "\t"}  # suffixes that have a name
LONGEST_END = 16  # characters of a prefix or suffix


class PedalSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Where the pedal is and what its switches mean.

    kind      "contact": modem lines of the serial port `port` (also rfc2217://HOST:PORT); "keyboard": the USB device
              `port` (VVVV:PPPP)
    switches  line (CTS, DSR, DCD, RI) or key (b, f13, page-up, ...) to "gestures", "keep", "back" or "next"
    """

    kind: Literal["contact", "keyboard"]
    port: str
    switches: dict[str, Binding]
    timing: Timing = Timing()

    def problem(self) -> Problem | None:
        """What is wrong with it that the types do not say, or None."""
        try:
            parse_id(self.port) if self.kind == "keyboard" else check_contact_port(self.port)
        except BadInput as error:
            return "port", str(error)
        known = LINES if self.kind == "contact" else tuple(USAGES)
        for name in self.switches:
            if name not in known and not (self.kind == "keyboard" and name.startswith("0x")):
                return "switches", f"no switch {name!r}; a {self.kind} pedal has {', '.join(known)}"
        return None if self.switches else ("switches", "no switch is bound: switches = { CTS = 'gestures' }")

    def rhythm(self) -> Timing:
        """The timing that holds: a keyboard reports no bounces, and two reports may be read at once."""
        return self.timing if self.kind == "contact" else msgspec.structs.replace(self.timing, bounce_s=0.0)

    def open(self) -> Switches:
        """Raises LinkLost, BadInput."""
        return Contacts(self.port) if self.kind == "contact" else Keyboard(self.port)


class ScannerLine(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The [scanner.line] table: the serial settings that the scanner is set to."""

    baudrate: Baudrate = 9600
    bytesize: Literal[7, 8] = 8
    parity: Literal["N", "E", "O"] = "N"
    stopbits: Literal[1, 2] = 1


class ScannerSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Where the scanner is and how its scans begin and end.

    kind    "keyboard": the USB device `port` (VVVV:PPPP), taken over; "serial": the serial port `port`
    prefix  what each scan must begin with; "" where scans begin with the mark itself
    suffix  what ends each scan: "enter" (CR), "tab", or the characters themselves
    """

    kind: Literal["keyboard", "serial"]
    port: str
    prefix: str = ""
    suffix: str = "enter"
    line: ScannerLine = ScannerLine()

    @property
    def ending(self) -> str:
        """The suffix as characters."""
        return ENDS.get(self.suffix, self.suffix)

    def problem(self) -> Problem | None:
        """What is wrong with it that the types do not say, or None."""
        try:
            if self.kind == "keyboard":
                parse_id(self.port)
            elif opening.parse(self.port)[0] not in ("serial", "tcp"):
                raise BadInput(f"{self.port}: a serial scanner is on a serial port, or on tcp:HOST:PORT")
        except BadInput as error:
            return "port", str(error)
        for key, text in (("prefix", self.prefix), ("suffix", self.ending)):
            if len(text) > LONGEST_END:
                return key, f"{len(text)} characters: give {LONGEST_END} at most"
            if self.kind == "keyboard" and (strange := sorted(set(text) - TYPEABLE)):
                return key, f"no key of a US keyboard types {strange[0]!r}"
        if not self.suffix:
            return "suffix", "is empty: set the scanner to end each scan, with Enter as a rule"
        if self.ending in self.prefix or set(self.prefix) & set(LINE_ENDS.decode()):
            return "prefix", "holds the end of a scan: give another prefix or suffix"
        return None

    def scans(self) -> Scans:
        """What cuts its bytes into scans."""
        return Scans(self.prefix, self.ending)

    def open(self) -> Reader:
        """Raises LinkLost, BadInput."""
        if self.kind == "keyboard":
            return TypingReader(BootReports(self.port))
        line = self.line
        return opening.open_link(
            self.port,
            Line(baudrate=line.baudrate, bytesize=line.bytesize, parity=line.parity, stopbits=line.stopbits, rts=True),
        )
