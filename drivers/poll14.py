"""Metex-built meters that answer one letter D with 14 characters: mode, value, unit, CR.

Source: the manuals of Metex-built meters (M-3650CR, M-3850D, M-4650CR, ME-32), from memory; [C] Conrad MS-9160 manual,
p. 20, for the socket and the cable. Check it against the manual of the meter before relying on it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal
from itertools import product

from construct import Bytes, Const, Struct, Terminated

from meterlink.driver import (
    PREFIX,
    BadFrame,
    Coupling,
    Dialogue,
    Framer,
    Info,
    Line,
    Query,
    Reading,
    count,
    number,
)

ONE, FOUR = "14", "4x14"  # characters of an answer: a record, or main display, two sub displays and time
INFO = Info(
    name="poll14",
    title="Polled answer of 14 characters",
    instruments=("Metex M-38xx", "Metex M-46xx", "Metex ME-32", "Voltcraft M series", "MS-9160 bench set"),
    published="manuals of Metex-built meters (from memory); Conrad MS-9160 manual, p. 20 (socket and cable)",
    sure="from memory",
    notes="all of it is from memory. A held value looks like any other: there are no marks. 1200 7N2 is the commonest "
    "setting; for another put line = { baudrate = 600 } (2400, 9600; newer ME types also bytesize = 8, stopbits = 1) "
    "beside the instrument's port. Model 4x14 is for meters that answer with four records; the fourth, the time, is "
    "not read. An unknown mode or unit is the function unknown, with the flag mode-.. or unit-..",
    wiring="the interface is fed from the modem lines: DTR on, RTS off; without that no answer",
    line=Line(baudrate=1200, bytesize=7, parity="N", stopbits=2, dtr=True, rts=False, settle_s=0.5),
    frame_length=14,
    poll_s=0.5,  # not faster than 2/s
    silence_s=1.5,
    models=(ONE, FOUR),
)
ASK = b"D"
LENGTH = 14
QUIET_S = 0.3  # longer than a record takes at 600 bit/s, 0.23 s
ELECTRIC = {"V": ("m", ""), "A": ("u", "m", "")}
# mode -> function, coupling, its units as they are sent, each with the prefixes of its ranges
MODES: dict[str, tuple[str, Coupling | None, dict[str, tuple[str, ...]]]] = {
    "DC": ("", "dc", ELECTRIC),
    "AC": ("", "ac", ELECTRIC),
    "OH": ("resistance", None, {"Ohm": ("", "k", "M")}),
    "CA": ("capacitance", None, {"F": ("p", "n", "u", "m")}),
    "FR": ("frequency", None, {"Hz": ("", "k", "M")}),
    "DI": ("diode", None, {"V": ("m", "")}),
    "TE": ("temperature", None, {"C": ("",)}),
    "TC": ("temperature", None, {"C": ("",)}),
    "HF": ("gain", None, {"": ("",)}),
    "DB": ("level", None, {"dB": ("",), "": ("",)}),
}
LOGIC = "LO"
UNIT = {"C": ("temperature", "Cel"), "V": ("voltage", "V"), "A": ("current", "A")}  # what is sent -> function, UCUM
Meaning = tuple[str, "Coupling | None", str, str]
MEANINGS: dict[tuple[str, str], Meaning] = {
    (mode, prefix + sent): (
        function or UNIT[sent][0],
        coupling,
        prefix,
        UNIT[sent][1] if sent in UNIT else "dB" if mode == "DB" else sent or "1",
    )
    for mode, (function, coupling, units) in MODES.items()
    for sent, prefixes in units.items()
    for prefix in prefixes
}
UNITS = {unit for _, unit in MEANINGS}
NUMBER = re.compile(r" *(?P<value>[+-]?(?:[0-9]{1,5}(?:\.[0-9]{0,4})?|\.[0-9]{1,4})) *(?P<unit>[A-Za-z]*) *")
OVER = re.compile(r" *(?P<value>[+-]?\.?[O0]\.?L\.?) *(?P<unit>[A-Za-z]*) *")
MODE = re.compile("[A-Z]{2}")
STRIP = bytes(b & 0x7F for b in range(256))

FRAME = Struct("mode" / Bytes(2), "value" / Bytes(7), "unit" / Bytes(4), Const(b"\r"), Terminated)


class Answers(Dialogue):
    """One D a round. Some meters send a second CR or an LF after the answer: it is skipped, and no fault.

    Others send more records: the next D waits until the line is quiet, or a sub display would be read as the main one.
    """

    _unasked = False

    def feed(self, data: bytes) -> list[Reading]:
        self._unasked = self._unasked or (self._sent_at is None and bool(data.strip(b"\r\n\x8d\x8a")))
        return super().feed(data)

    def request(self, now: float) -> bytes | None:
        if self._unasked:
            self._unasked = False
            self._due = max(self._due, now + QUIET_S)
        return super().request(now)

    def _skip(self, n: int, why: str) -> None:
        if self.held[:n].strip(b"\r\n\x8d\x8a"):
            super()._skip(n, why)
        else:
            self.skipped += n
            del self.held[:n]


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn one answer into its reading, or that of model 4x14 into those of its displays.

    Takes   14 characters with the CR, or four times 14. A port opened 8N1 sets bit 7 in every byte: it is taken off.
    Gives   the number shown; OL in any writing is state "over"; what is no number is blank with the flag unreadable.
            Channels "2" and "3" are sub displays, where they show something.
    Raises  BadFrame for other bytes, and for a unit that does not go with the mode.
    Source  the answer's table, from memory.
    """
    if asked not in (None, ASK):
        raise BadFrame(f"{asked!r} was asked, the question is D")
    records = 4 if model == FOUR else 1
    if len(frame) != LENGTH * records or not (frame.isascii() or min(frame) >= 0x80):
        raise BadFrame(f"not {records} times 14 bytes of 7 bits: {frame[:60].hex(' ')}")
    text = frame.translate(STRIP).decode()
    out = []
    for n in range(records):
        record = text[LENGTH * n : LENGTH * (n + 1)]
        if record[-1] != "\r" or not record[:-1].isprintable():
            raise BadFrame(f"record {n + 1} is not 13 characters and CR: {frame.hex(' ')}")
        if n == 3 or (n and not record.strip()):
            continue  # the time, or a sub display that shows nothing
        if not MODE.match(record):
            raise BadFrame(f"record {n + 1} begins with no mode: {record!r}")
        one = _reading(record[:2], record[2:-1], str(n + 1) if n else None)
        if one is None:
            raise BadFrame(f"a unit that does not go with the mode: {record!r}")
        out.append(one)
    return out


def _unit(sent: str) -> str:
    """The unit as the table has it: K or k, HZ or Hz."""
    plain = sent.replace("HZ", "Hz")
    return "k" + plain[1:] if plain[:1] == "K" else plain


def _reading(mode: str, rest: str, channel: str | None) -> Reading | None:
    """The reading of the 11 characters behind a mode, or None for a unit that is another mode's."""
    found = OVER.fullmatch(rest) or NUMBER.fullmatch(rest)
    unit = _unit(found["unit"] if found else rest[7:].strip())
    text = found["value"] if found else rest[:7].strip()
    meaning = MEANINGS.get((mode, unit))
    if meaning is None:
        if mode in MODES and unit in UNITS:
            return None
        code = f"unit-{unit.lower()}" if mode in MODES else f"mode-{mode.lower()}"
        return Reading(
            function="logic" if mode == LOGIC else "unknown",
            value=None,
            unit="1",
            state="blank",
            flags=("unreadable",) if mode == LOGIC else (code, "unreadable"),
            display=" ".join(f"{mode} {rest}".split()),
            channel=channel,
        )
    function, coupling, prefix, ucum = meaning
    display = text if ucum == "1" else f"{text} {prefix}{ucum}".lstrip()
    if found is None or found.re is OVER:
        return Reading(
            function=function,
            coupling=coupling,
            value=None,
            unit=ucum,
            state="over" if found else "blank",
            flags=() if found else ("unreadable",),
            display=display,
            channel=channel,
        )
    exponent = PREFIX[prefix] - len(text.partition(".")[2])
    return Reading(
        function=function,
        coupling=coupling,
        value=Decimal(f"{text}E{PREFIX[prefix]}"),
        unit=ucum,
        resolution=count(exponent),
        display=display,
        channel=channel,
    )


def _record(reading: Reading) -> bytes:
    """The 14 characters that show a reading. Raises ValueError for one that no range shows."""
    meant = (reading.function, reading.coupling, reading.unit)
    ranges = [(key, prefix) for key, (f, c, prefix, u) in reversed(MEANINGS.items()) if (f, c, u) == meant]
    if reading.state == "over" and ranges:
        (mode, unit), _ = ranges[0]
        return f"{mode}    O.L{unit:>4}\r".encode()
    fits = []
    for (mode, unit), prefix in ranges:
        if reading.value is None or reading.resolution is None:
            break
        decimals = PREFIX[prefix] - int(reading.resolution.as_tuple().exponent)
        text = f"{reading.value.scaleb(-PREFIX[prefix]):f}"
        if 0 <= decimals <= 4 and decimals == len(text.partition(".")[2]) and len(text) <= 7:
            record = f"{mode}{text}" if len(text) == 7 else f"{mode} {text:>6}"
            fits.append((decimals == 4, f"{record}{unit:>4}\r"))  # a range with fewer places first
    if not fits:
        raise ValueError(f"no range shows {reading.function} {reading.value} in counts of {reading.resolution}")
    return min(fits, key=lambda fit: fit[0])[1].encode()


def build(shown: Reading | Sequence[Reading], model: str | None = None) -> bytes:
    """The answer that shows a reading; of model 4x14 also those of the sub displays, and a time that is blank."""
    readings = [shown] if isinstance(shown, Reading) else list(shown)
    by_channel = {reading.channel: _record(reading) for reading in readings}
    displays: tuple[str | None, ...] = (None, "2", "3") if model == FOUR else (None,)
    if None not in by_channel or not set(by_channel) <= set(displays):
        raise ValueError(f"displays {sorted(map(str, by_channel))}; an answer has {', '.join(map(str, displays))}")
    blank = b" " * (LENGTH - 1) + b"\r"
    return b"".join(by_channel.get(d, blank) for d in displays) + (blank if model == FOUR else b"")


def answer(asked: bytes, shown: Reading | Sequence[Reading], model: str | None = None) -> bytes:
    """The reply to D; nothing to anything else."""
    return build(shown, model) if asked == ASK else b""


def _take(records: int) -> Query:
    ends = re.compile(rb"(?:[^\r\x8d]*[\r\x8d]){%d}" % records)

    def take(held: bytes) -> int | None:
        found = ends.match(held)
        return found.end() if found else None

    return Query(ask=ASK, take=take, wait_s=1.5)


def Driver(model: str | None = None) -> Framer:  # noqa: N802 - the contract's name
    """A fresh framer that asks twice a second."""
    return Answers(decode, model, round_=(_take(4 if model == FOUR else 1),), every_s=0.5, longest=128)


# what every range can show: numbers of both signs with 0 to 3 decimals, and over range
SHAPES = [
    Reading(
        function=function,
        coupling=coupling,
        value=number(negative, digits, PREFIX[prefix] - decimals),
        unit=unit,
        resolution=count(PREFIX[prefix] - decimals),
    )
    for (function, coupling, prefix, unit), decimals, digits, negative in product(
        dict.fromkeys(MEANINGS.values()), range(4), ("1999", "0043"), (False, True)
    )
] + [
    Reading(function=function, coupling=coupling, value=None, unit=unit, state="over")
    for function, coupling, unit in dict.fromkeys((f, c, u) for f, c, _, u in MEANINGS.values())
]
