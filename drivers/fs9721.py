"""FS9721_LP3 / FS9721B: a meter's LCD segments, 14 bytes, sent by themselves.

Source: [V] "Information: VC820_VC840_VC860 Protocol Rev 1.0", Voltcraft, pp. 2-3; [T] "TP4000ZC RS232 Serial
Communications Protocol Reference Diagrams", Multimeter Warehouse. The full glyph table, the over-range glyphs and
byte 14 are partly from memory of the chip's data sheet.
"""

from __future__ import annotations

from itertools import product

from construct import Bitwise, BitsInteger, Const, Nibble, Struct, Terminated

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
UNITS = ("F", "Ohm", "A", "V", "Hz", "%")
FUNCTION = {"F": "capacitance", "Ohm": "resistance", "A": "current", "V": "voltage", "Hz": "frequency", "%": "duty"}
# prefixes that a range of these meters can show: the rest is a damaged frame
PREFIXES = {
    "F": ("n", "u", "m"),
    "Ohm": ("", "k", "M"),
    "A": ("u", "m", ""),
    "V": ("m", ""),
    "Hz": ("", "k", "M"),
    "%": ("",),
}

FRAME = Bitwise(
    Struct(
        *(field for i in range(1, 15) for field in (Const(i, Nibble), f"low{i}" / BitsInteger(4))),
        Terminated,
    )
)


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn one frame into its one reading.

    Takes   14 bytes, index halves 1 to E.
    Gives   the number that the LCD shows. Any L glyph is state "over"; an empty display is "blank"; a glyph that is no
            digit is "blank" with the flag "unreadable": nothing is guessed.
    Raises  BadFrame for other bytes, and for annunciators that no range of these meters lights together.
    Source  [T] bit map; [V] flags of byte 1 (listed there in the reverse order).
    """
    if frame.hex()[::2] != INDEX:
        raise BadFrame(f"index halves are not 1 to E: {frame.hex(' ')}")
    low = [b & 0xF for b in frame]
    glyphs = [(low[i] & 7) << 4 | low[i + 1] for i in (1, 3, 5, 7)]
    negative = bool(low[1] & 8)
    points = [i for i, at in enumerate((3, 5, 7), 1) if low[at] & 8]
    bits = low[9] << 12 | low[10] << 8 | low[11] << 4 | low[12]
    lit = {m for i, m in enumerate(MARKS) if bits >> (15 - i) & 1}
    units = [u for u in UNITS if u in lit]
    prefixes = [p for p in ("u", "n", "k", "m", "M") if p in lit]
    if len(units) > 1 or len(prefixes) > 1 or len(points) > 1:
        raise BadFrame(f"annunciators {sorted(lit)}, points {points} do not go together: {frame.hex(' ')}")
    unit = units[0] if units else "1"
    prefix = prefixes[0] if prefixes else ""
    if (
        (prefix not in PREFIXES.get(unit, ("",)))
        or ("diode" in lit and unit != "V")
        or ("beep" in lit and unit != "Ohm")
    ):
        raise BadFrame(f"annunciators {sorted(lit)} do not go together: {frame.hex(' ')}")
    function = "diode" if "diode" in lit else "continuity" if "beep" in lit else FUNCTION.get(unit, "unknown")
    coupling = COUPLING.get(low[0] & (AC | DC)) if function in ("voltage", "current") else None
    flags = [
        name
        for name, on in (
            ("auto", low[0] & AUTO),
            ("hold", "hold" in lit),
            ("rel", "rel" in lit),
            ("battery", "battery" in lit),
        )
        if on
    ]
    decimals = 4 - points[0] if points else 0
    exponent = PREFIX[prefix] - decimals
    shown = "".join(GLYPHS.get(g, "?") for g in glyphs)
    text = _display(shown, negative, points, f"{prefix}{unit}" if unit != "1" else "")
    value = None
    state: State = "ok"
    digits = shown.lstrip(" ")
    if "L" in shown:
        state = "over"
    elif not digits:
        state = "blank"
    elif not digits.isdigit():
        state = "blank"
        flags.append("unreadable")
    else:
        value = number(negative, digits, exponent)
    return [
        Reading(
            function=function,
            coupling=coupling,
            value=value,
            unit=unit,
            resolution=count(exponent),
            state=state,
            flags=tuple(flags),
            display=text,
        )
    ]


def _display(shown: str, negative: bool, points: list[int], unit: str) -> str:
    at = points[0] if points else 4
    text = f"{shown[:at]}.{shown[at:]}" if points else shown
    return f"{'-' if negative else ''}{text.strip()} {unit}".strip()


def build(reading: Reading, model: str | None = None) -> bytes:
    """The frame that shows a reading of up to four digits. Raises ValueError for one that no display shows."""
    marks = {f for f in reading.flags if f in ("rel", "hold", "battery")}
    if reading.resolution is None:
        raise ValueError("a display shows a resolution")
    last = int(reading.resolution.as_tuple().exponent)
    if reading.unit == "1":
        prefix, decimals = "", -last
    else:
        prefix, decimals = next(
            (p, PREFIX[p] - last) for p in reversed(PREFIXES[reading.unit]) if 0 <= PREFIX[p] - last <= 3
        )
        marks |= {prefix, reading.unit} - {""}
    marks |= {"diode"} if reading.function == "diode" else {"beep"} if reading.function == "continuity" else set()
    negative = False
    if reading.state == "over":
        glyphs = " 0L "
    elif reading.value is None:
        glyphs = "    "
    else:
        sign, digits, exponent = reading.value.as_tuple()
        if exponent != last or len(digits) > 4:
            raise ValueError(f"{reading.value} is not shown in counts of {reading.resolution}")
        negative = bool(sign)
        glyphs = "".join(map(str, digits)).rjust(decimals + 1, "0").rjust(4)
    low = [0] * 14
    low[0] = (
        RS232
        | next((bits for bits, c in COUPLING.items() if c == reading.coupling), 0)
        | (AUTO if "auto" in reading.flags else 0)
    )
    for i, glyph in enumerate(glyphs):
        low[1 + 2 * i], low[2 + 2 * i] = CODES[glyph] >> 4, CODES[glyph] & 0xF
    low[1] |= 8 if negative else 0
    if decimals:
        low[1 + 2 * (4 - decimals)] |= 8
    bits = sum(1 << (15 - MARKS.index(m)) for m in marks)
    low[9:13] = [bits >> 12 & 0xF, bits >> 8 & 0xF, bits >> 4 & 0xF, bits & 0xF]
    return bytes((i + 1) << 4 | n for i, n in enumerate(low))


def Driver(model: str | None = None) -> Framer:  # noqa: N802 - the contract's name
    """A fresh framer."""
    return FixedFrames(14, decode, model, starts=frozenset(range(0x10, 0x20)))


def _shapes() -> list[Reading]:
    out = []
    for (unit, prefixes), sign, digits, decimals in product(
        PREFIXES.items(), (False, True), ("1234", "0000"), (1, 2, 3)
    ):
        for prefix in prefixes:
            exponent = PREFIX[prefix] - decimals
            coupling: Coupling | None = "dc" if unit in ("V", "A") else None
            out.append(
                Reading(
                    function=FUNCTION[unit],
                    coupling=coupling,
                    value=number(sign, digits, exponent),
                    unit=unit,
                    resolution=count(exponent),
                    flags=("auto",),
                )
            )
    return out


SHAPES = _shapes()
