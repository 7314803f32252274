"""FS9721_LP3 / FS9721B: a meter's LCD segments, 14 bytes, sent by themselves.

Source: [V] "Information: VC820_VC840_VC860 Protocol Rev 1.0", Voltcraft, pp. 2-3; [T] "TP4000ZC RS232 Serial
Communications Protocol Reference Diagrams", Multimeter Warehouse. The full glyph table, the over-range glyphs and
byte 14 are partly from memory of the chip's data sheet.
"""

from __future__ import annotations

from decimal import Decimal
from itertools import compress, product
from typing import get_args

from construct import BitsInteger, Bitwise, Const, Nibble, Struct, Terminated

from meterlink.driver import (
    PREFIX,
    BadFrame,
    Coupling,
    FixedFrames,
    Framer,
    Info,
    Line,
    Reading,
    State,
    count,
    number,
)

INFO = Info(
    name="fs9721",
    title="FS9721 LCD segments, 4000 counts",
    instruments=("Voltcraft VC820", "Voltcraft VC840", "Voltcraft VC860", "TekPower TP4000ZC"),
    published="Voltcraft protocol sheet VC820_VC840_VC860 Rev 1.0, pp. 2-3; TP4000ZC reference diagrams",
    sure="partly from memory",
    notes="from memory: most of the glyph table, the over-range glyphs, byte 14, the cable's DTR/RTS levels",
    wiring="opto cable fed from the modem lines: DTR on, RTS off (some cables want RTS on too)",
    line=Line(baudrate=2400, dtr=True, rts=False, settle_s=0.5),
    frame_length=14,
    rate_hz=4.0,  # [T]: a burst every 250 ms
    silence_s=0.15,  # a burst lasts 58.3 ms
)
INDEX = "123456789abcde"  # [T], [V]: the high half of byte i (from 1) is i
GLYPHS = {  # this protocol's own letters: a is bit 6 ... g is bit 0
    0x7D: "0",
    0x05: "1",
    0x5B: "2",
    0x1F: "3",
    0x27: "4",
    0x3E: "5",
    0x7E: "6",
    0x15: "7",
    0x7F: "8",
    0x3F: "9",
    0x68: "L",
    0x00: " ",
}
CODES = {shown: code for code, shown in GLYPHS.items()}
AC, DC, AUTO, RS232 = 8, 4, 2, 1  # byte 1
COUPLING: dict[int, Coupling] = {AC: "ac", DC: "dc", AC | DC: "acdc"}
# bytes 10 to 13, bit 3 first: prefix, quantity and flags as annunciators
MARKS = ("u", "n", "k", "diode", "m", "%", "M", "beep", "F", "Ohm", "rel", "hold", "A", "V", "Hz", "battery")
EXTRA = ("rel", "hold", "battery")
POINTS = {0: 4, 8: 1, 4: 2, 2: 3}  # the lit point -> digits before it
# function: its unit, the annunciator beside it, and the prefixes that a range of these meters can show
FUNCTIONS = {
    "voltage": ("V", "", ("m", "")),
    "current": ("A", "", ("u", "m", "")),
    "resistance": ("Ohm", "", ("", "k", "M")),
    "continuity": ("Ohm", "beep", ("", "k")),
    "diode": ("V", "diode", ("m", "")),
    "capacitance": ("F", "", ("n", "u", "m")),
    "frequency": ("Hz", "", ("", "k", "M")),
    "duty": ("%", "", ("",)),
    "unknown": ("1", "", ("",)),  # temperature, hFE
}

FRAME = Bitwise(
    Struct(
        *(field for i in range(1, 15) for field in (Const(i, Nibble), f"low{i}" / BitsInteger(4))),
        Terminated,
    )
)


class Meaning:
    """What the annunciators of bytes 10 to 13 together say."""

    __slots__ = ("flags", "function", "prefix", "shown", "unit")

    def __init__(self, function: str, unit: str, prefix: str, flags: tuple[str, ...]) -> None:
        self.function = function
        self.unit = unit
        self.prefix = prefix
        self.shown = "" if unit == "1" else f" {prefix}{unit}"
        self.flags = flags


def _lit(*marks: str) -> int:
    return sum(1 << (15 - MARKS.index(mark)) for mark in marks if mark)


def _meanings() -> dict[int, Meaning]:
    """Every legal combination by the 16 bits of bytes 10 to 13; what is not here is a damaged frame."""
    return {
        _lit(mark, prefix, unit if unit in MARKS else "", *flags): Meaning(function, unit, prefix, flags)
        for function, (unit, mark, prefixes) in FUNCTIONS.items()
        for prefix in prefixes
        for flags in (tuple(compress(EXTRA, on)) for on in product((0, 1), repeat=len(EXTRA)))
    }


MEANINGS = _meanings()
COUNTS = {e: count(e) for e in range(-12, 7)}  # the last digit of 1.000 n ... 1000 M


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn one frame into its one reading.

    Takes   14 bytes, index halves 1 to E.
    Gives   the number that the LCD shows. Any L glyph is state "over"; an empty display is "blank"; a glyph that is no
            digit is "blank" with the flag "unreadable": nothing is guessed. Without any unit (temperature, hFE) the
            function is "unknown" and the bits of byte 14 are the flags maker-8, maker-4, maker-2, maker-1: which of
            them is degC is not published.
    Raises  BadFrame for other bytes, and for annunciators that no range of these meters lights together.
    Source  [T] bit map; [V] flags of byte 1 (listed there in the reverse order).
    """
    if frame.hex()[::2] != INDEX:
        raise BadFrame(f"index halves are not 1 to E: {frame[:20].hex(' ')}")
    b1, b2, b3, b4, b5, b6, b7, b8, b9, b10, b11, b12, b13, b14 = frame
    meant = MEANINGS.get((b10 & 15) << 12 | (b11 & 15) << 8 | (b12 & 15) << 4 | b13 & 15)
    point = POINTS.get((b4 & 8) | (b6 & 8) >> 1 | (b8 & 8) >> 2)
    if meant is None or point is None:
        raise BadFrame(f"units, prefixes or points that do not go together: {frame.hex(' ')}")
    shown = (
        GLYPHS.get((b2 & 7) << 4 | b3 & 15, "?")
        + GLYPHS.get((b4 & 7) << 4 | b5 & 15, "?")
        + GLYPHS.get((b6 & 7) << 4 | b7 & 15, "?")
        + GLYPHS.get((b8 & 7) << 4 | b9 & 15, "?")
    )
    function = meant.function
    sign = "-" if b2 & 8 else ""
    exponent = PREFIX[meant.prefix] + point - 4
    flags = ("auto", *meant.flags) if b1 & AUTO else meant.flags
    if function == "unknown" and b14 & 15:
        flags += tuple(f"maker-{bit}" for bit in (8, 4, 2, 1) if b14 & bit)
    value = None
    state: State = "ok"
    digits = shown.lstrip()
    if digits.isdigit():
        value = Decimal(f"{sign}{digits}E{exponent}")
    elif "L" in shown:
        state = "over"
    else:
        state = "blank"
        flags += ("unreadable",) if digits else ()
    text = f"{shown[:point]}.{shown[point:]}" if point < 4 else shown
    return [
        Reading(
            function=function,
            coupling=COUPLING.get(b1 & (AC | DC)) if function in ("voltage", "current") else None,
            value=value,
            unit=meant.unit,
            resolution=COUNTS[exponent],
            state=state,
            flags=flags,
            display=f"{sign}{text.strip()}{meant.shown}".strip(),
        )
    ]


def build(reading: Reading, model: str | None = None) -> bytes:
    """The frame that shows a reading of up to four digits. Raises ValueError for one that no display shows."""
    if reading.function not in FUNCTIONS or reading.resolution is None:
        raise ValueError(f"no display shows {reading.function} in counts of {reading.resolution}")
    unit, mark, prefixes = FUNCTIONS[reading.function]
    last = int(reading.resolution.as_tuple().exponent)
    fits = [(p, PREFIX[p] - last) for p in reversed(prefixes) if 0 <= PREFIX[p] - last <= 3]
    if not fits or reading.unit != unit:
        raise ValueError(f"no range shows counts of {reading.resolution} {reading.unit}")
    prefix, decimals = fits[0]
    sign, glyphs = 0, " 0L " if reading.state == "over" else "    "
    if reading.value is not None:
        sign, digits, exponent = reading.value.as_tuple()
        if exponent != last or len(digits) > 4:
            raise ValueError(f"{reading.value} is not shown in counts of {reading.resolution}")
        glyphs = "".join(map(str, digits)).rjust(decimals + 1, "0").rjust(4)
    low = [0] * 14
    low[0] = RS232 | (AUTO if "auto" in reading.flags else 0)
    low[0] |= next((bits for bits, coupling in COUPLING.items() if coupling == reading.coupling), 0)
    for i, glyph in enumerate(glyphs):
        low[1 + 2 * i], low[2 + 2 * i] = CODES[glyph] >> 4, CODES[glyph] & 0xF
    low[1] |= 8 if sign else 0
    if decimals:
        low[1 + 2 * (4 - decimals)] |= 8
    bits = _lit(mark, prefix, unit if unit in MARKS else "", *(f for f in EXTRA if f in reading.flags))
    low[9:13] = [bits >> 12 & 0xF, bits >> 8 & 0xF, bits >> 4 & 0xF, bits & 0xF]
    return bytes((i + 1) << 4 | n for i, n in enumerate(low))


def Driver(model: str | None = None) -> Framer:  # noqa: N802 - the contract's name
    """A fresh framer."""
    return FixedFrames(14, decode, model, starts=frozenset(range(0x10, 0x20)))


# what every range can show: numbers of both signs, with 1 to 3 decimals, and over range
SHAPES = [
    Reading(
        function=function,
        coupling=coupling,
        value=None if digits is None else number(negative, digits, PREFIX[prefix] - decimals),
        unit=unit,
        resolution=count(PREFIX[prefix] - decimals),
        state="over" if digits is None else "ok",
        flags=flags,
    )
    for function, (unit, _, prefixes) in FUNCTIONS.items()
    for prefix, decimals, digits, negative, flags in product(
        prefixes, (1, 2, 3), ("1234", "0050", None), (False, True), (("auto",), ("rel", "hold"))
    )
    for coupling in (get_args(Coupling) if unit in ("V", "A") and function != "diode" else (None,))
]
