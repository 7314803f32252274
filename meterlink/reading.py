"""What a driver gives: readings, and what it says of itself.

Values stay decimal until the journal: built from digits and an exponent, never scaled as floats, so
that 0.4700 V with a resolution of 0.0001 V is exactly that. Units are UCUM codes of the base unit
(UCUM 2.2): 12.34 mV is Decimal("0.01234") V with display "12.34 mV".
"""

from __future__ import annotations

from decimal import Decimal
from functools import lru_cache
from typing import Annotated, Literal

import msgspec

from meterlink.errors import MeterlinkError

Coupling = Literal["dc", "ac", "acdc"]
State = Literal["ok", "over", "under", "blank"]

# Functions the bench knows by name, with the units they come in. A driver may name others: they are
# journalled and shown, and never kept hands-free.
FUNCTIONS: dict[str, tuple[str, ...]] = {
    "voltage": ("V",),
    "current": ("A",),
    "resistance": ("Ohm",),
    "continuity": ("Ohm",),
    "diode": ("V",),
    "capacitance": ("F",),
    "inductance": ("H",),
    "frequency": ("Hz",),
    "period": ("s",),
    "duty": ("%",),
    "temperature": ("Cel", "[degF]", "K"),
    "conductance": ("S",),
    "power": ("W",),
    "gain": ("1",),
    "rotation": ("/min",),
    "level": ("dB", "dB[V]", "dB[mV]", "dB[W]"),
    "ratio": ("1", "%"),
    "humidity": ("%",),
    "unknown": ("1",),
}
PREFIX = {"p": -12, "n": -9, "u": -6, "m": -3, "": 0, "k": 3, "M": 6, "G": 9}  # SI Brochure, 9th edition


class BadFrame(MeterlinkError):  # noqa: N818
    """These bytes are no frame of this protocol; the message says why, with the bytes in hex."""


class Reading(msgspec.Struct, frozen=True, kw_only=True):
    """One value as the instrument showed it.

    value       base unit, digits as shown (5.000 stays 5.000); None unless state is "ok"
    unit        UCUM code of the base unit, without a prefix
    resolution  one count of the display in the base unit, or None where the protocol does not tell
    state       ok; over, under: outside the range; blank: no number shown, or none that can be read
                (then with the flag "unreadable": nothing is guessed)
    flags       lower-case words: auto, hold, max, min, rel, battery, apo, lowpass, peak-max, peak-min,
                cv, cc, on, off, setting (a supply's set value), over-voltage (with setting: its protection's
                level), from-mode marks a driver documents
    display     the number and its prefixed unit as the instrument shows them ("12.34 mV", "0L")
    channel     a supply's channel or a meter's second display; None for the main display
    raw, asked  the frame's bytes, and for polled instruments the queries that brought it; filled in by
                the framer, so that an auditor can decode them anew
    """

    function: str
    value: Decimal | None
    unit: str
    coupling: Coupling | None = None
    resolution: Decimal | None = None
    state: State = "ok"
    flags: tuple[str, ...] = ()
    display: str | None = None
    channel: str | None = None
    raw: bytes = b""
    asked: bytes = b""


Baudrate = Annotated[int, msgspec.Meta(ge=50, le=4_000_000)]  # B50 of termios(3); what USB bridges can at most


class Line(msgspec.Struct, frozen=True, kw_only=True):
    """Serial line settings; dtr and rts are the levels that feed an opto cable's receiver."""

    baudrate: Baudrate
    bytesize: int = 8
    parity: Literal["N", "E", "O"] = "N"
    stopbits: int = 1
    dtr: bool = True
    rts: bool = False
    settle_s: float = 0.0  # after opening: wait, then drop what came before


class UsbId(msgspec.Struct, frozen=True, kw_only=True):
    """A USB device that speaks this protocol itself (not a bridge: those identify the cable)."""

    vendor: int
    product: int
    report: int = 8  # HID report size in bytes, 0 for USBTMC


class Info(msgspec.Struct, frozen=True, kw_only=True):
    """What a driver says of itself; `driver list`, `driver show`, links and virtual instruments read it.

    sure    "published": every table stands in a document that was read; "partly from memory";
            "from memory": check against the maker's document before relying on it
    notes   what in particular is from memory, over-range figures not printed, and the like
    models  where the same bytes mean something else by model: the names `decode(..., model=)` takes,
            the first is the default; a bench names one as "manson:HCS-3102"
    poll_s  None for an instrument that streams by itself, else seconds between rounds of queries
    links   besides the serial line and the USB ids of its own: "usbtmc" where any USBTMC instrument may be one of
            these, "tcp" where it answers on a TCP port
    """

    name: str
    title: str
    instruments: tuple[str, ...]
    published: str
    kind: Literal["meter", "supply"] = "meter"
    sure: Literal["published", "partly from memory", "from memory"] = "published"
    notes: str = ""
    wiring: str = ""
    line: Line | None = None
    usb: tuple[UsbId, ...] = ()
    links: tuple[Literal["usbtmc", "tcp"], ...] = ()
    frame_length: int | None = None
    poll_s: float | None = None
    rate_hz: float = 2.0
    silence_s: float = 0.5
    models: tuple[str, ...] = ()
    version: str = "1"


def number(negative: bool, digits: str, exponent: int) -> Decimal:
    """The decimal number that stands on a display.

    Takes   the sign, digits 0-9 without a point, and the power of ten of the last digit in the base unit.
    Gives   exactly that many digits: number(True, "0473", -3) is Decimal("-0.473").
    """
    return Decimal(f"{'-' if negative else ''}0{digits}E{exponent}")


@lru_cache(maxsize=64)
def count(exponent: int) -> Decimal:
    """One count of a display whose last digit stands at this power of ten."""
    return Decimal((0, (1,), exponent))
