"""The [pedal] table of a bench's file."""

from __future__ import annotations

from typing import Literal

import msgspec

from meterlink.inputs.gestures import Timing
from meterlink.inputs.machine import Binding
from meterlink.inputs.reports import USAGES
from meterlink.inputs.switches import LINES, Contacts, Keyboard, Switches


class Settings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Where the pedal is and what its switches mean.

    kind      "contact": modem lines of the serial port `port`; "keyboard": the USB device `port` (VVVV:PPPP)
    switches  line (CTS, DSR, DCD, RI) or key (b, f13, page-up, ...) to "gestures", "keep", "back" or "next"
    """

    kind: Literal["contact", "keyboard"]
    port: str
    switches: dict[str, Binding]
    timing: Timing = Timing()

    def problem(self) -> str | None:
        """What is wrong with it that the types do not say, or None."""
        known = LINES if self.kind == "contact" else tuple(USAGES)
        for name in self.switches:
            if name not in known and not (self.kind == "keyboard" and name.startswith("0x")):
                return f"no switch {name!r}; a {self.kind} pedal has {', '.join(known)}"
        return None if self.switches else "no switch is bound: switches = { CTS = 'gestures' }"

    def rhythm(self) -> Timing:
        """The timing that holds: a keyboard reports no bounces, and two reports may be read at once."""
        return self.timing if self.kind == "contact" else msgspec.structs.replace(self.timing, bounce_s=0.0)

    def open(self) -> Switches:
        """Raises LinkLost, BadInput."""
        return Contacts(self.port) if self.kind == "contact" else Keyboard(self.port)
