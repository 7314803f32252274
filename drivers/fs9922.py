"""FS9922-DMM3 / FS9922-DMM4: ASCII digits and status bits, 14 bytes, sent by themselves.

Source: [P] "PeakTech 2025 Communication protocol", PeakTech, pp. 1-2. The over-range digits, the rate and the cable's
DTR/RTS levels are from memory of the FS9922-DMM4 data sheet, Fortune Semiconductor.
"""

from __future__ import annotations

from decimal import Decimal
from functools import cache
from itertools import product

from construct import BitsInteger, BitStruct, Bytes, Const, Enum, Flag, Struct, Terminated
from construct import Byte as OneByte

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
    name="fs9922",
    title="FS9922 digits and status bits, 4000 or 6000 counts",
    instruments=("PeakTech 2025 (serial board)", "UNI-T UT61B", "UNI-T UT61C", "UNI-T UT61D", "Victor 86 series"),
    published="PeakTech 2025 Communication protocol, pp. 1-2",
    sure="partly from memory",
    notes="from memory: the over-range digits ?0:?, the meters other than PeakTech 2025, the rate, the cable's DTR/RTS "
    "levels. A frame with hold repeats the frozen value. Which quantities go with which prefix and coupling is common "
    "practice, no source",
    wiring="opto cable fed from the modem lines: DTR on, RTS off (some cables want RTS on too)",
    line=Line(baudrate=2400, dtr=True, rts=False, settle_s=0.5),
    frame_length=14,
    rate_hz=2.5,
    silence_s=0.15,  # a frame lasts 58.3 ms
)
POINTS = {0x30: 0, 0x31: 1, 0x32: 2, 0x33: 3, 0x34: 3}  # byte 7 -> digits before the point, 0: no point
POINT_CODE = {0: 0x30, 1: 0x31, 2: 0x32, 3: 0x34}
OVER = "?0:?"
# SB1 to SB4 as one number of 32 bits, SB1 first
AUTO, DC, AC, REL, HOLD, BAR = (1 << bit for bit in (29, 28, 27, 26, 25, 24))
MAX, MIN, APO, BATTERY, NANO = (1 << bit for bit in (21, 20, 19, 18, 17))
MICRO, MILLI, KILO, MEGA, BEEPER, DIODE, PERCENT = (1 << bit for bit in (15, 14, 13, 12, 11, 10, 9))
VOLT, AMPERE, OHM, HFE, HERTZ, FARAD, CELSIUS, FAHRENHEIT = (1 << bit for bit in range(7, -1, -1))
FIXED = 0b11 << 30  # always 0
WORDS = {AUTO: "auto", REL: "rel", HOLD: "hold", MAX: "max", MIN: "min", APO: "apo", BATTERY: "battery"}
MARKED = sum(WORDS)
PREFIXES = {"n": NANO, "u": MICRO, "m": MILLI, "": 0, "k": KILO, "M": MEGA}
COUPLING: dict[int, Coupling | None] = {0: None, DC: "dc", AC: "ac", DC | AC: "acdc"}
ANY, NONE = (DC, AC, DC | AC), (0,)
# what is lit together: function, unit, its marks, the prefixes and couplings that a range of these meters shows
LIT = (
    ("voltage", "V", VOLT, ("m", ""), ANY),
    ("current", "A", AMPERE, ("u", "m", ""), ANY),
    ("resistance", "Ohm", OHM, ("", "k", "M"), NONE),
    ("continuity", "Ohm", OHM | BEEPER, ("", "k"), NONE),
    ("diode", "V", VOLT | DIODE, ("m", ""), (0, DC)),
    ("capacitance", "F", FARAD, ("n", "u", "m"), NONE),
    ("frequency", "Hz", HERTZ, ("", "k", "M"), (0, AC)),
    ("duty", "%", PERCENT, ("",), (0, AC)),
    ("gain", "1", HFE, ("",), NONE),
    ("temperature", "Cel", CELSIUS, ("",), NONE),
    ("temperature", "[degF]", FAHRENHEIT, ("",), NONE),
)
MEANT = DC | AC | NANO | 0xFE00 | 0xFF  # the bits that say what is measured; 0 in no legal combination
MEANINGS: dict[int, tuple[str, str, str, Coupling | None]] = {
    marks | PREFIXES[prefix] | bits: (
        function,
        unit,
        prefix,
        COUPLING[bits] if function in ("voltage", "current") else None,
    )
    for function, unit, marks, prefixes, couplings in LIT
    for prefix in prefixes
    for bits in couplings
}
COUNTS = {e: count(e) for e in range(-12, 7)}

STATUS = (
    "sb1"
    / BitStruct(
        Const(0, BitsInteger(2)), "auto" / Flag, "dc" / Flag, "ac" / Flag, "rel" / Flag, "hold" / Flag, "bar" / Flag
    ),
    "sb2"
    / BitStruct(
        "maker" / BitsInteger(2),
        *(word / Flag for word in ("max", "min", "apo", "battery", "nano")),
        "maker3" / Flag,
    ),
    "sb3"
    / BitStruct(*(word / Flag for word in ("micro", "milli", "kilo", "mega", "beeper", "diode", "percent", "maker4"))),
    "sb4" / BitStruct(*(w / Flag for w in ("volt", "ampere", "ohm", "hfe", "hertz", "farad", "celsius", "fahrenheit"))),
    "bar" / BitStruct("negative" / Flag, "segments" / BitsInteger(7)),
)
FRAME = Struct(
    "sign" / Enum(OneByte, plus=0x2B, minus=0x2D),
    "digits" / Bytes(4),
    Const(b" "),
    "point" / OneByte,
    *STATUS,
    Const(b"\r\n"),
    Terminated,
)


@cache  # of 128 combinations
def _flags(marks: int) -> tuple[str, ...]:
    return tuple(word for bit, word in WORDS.items() if marks & bit)


def reading(status: int, negative: bool, digits: str, point: int) -> Reading | None:
    """The reading of a display and its status bits, or None for bits that no range lights together.

    Takes   SB1 to SB4, the sign, four characters of which : ; < = > ? are no digits, and the digits before the point.
    """
    meant = MEANINGS.get(status & MEANT)
    if meant is None or status & FIXED:
        return None
    function, unit, prefix, coupling = meant
    exponent = PREFIX[prefix] - (4 - point if point else 0)
    flags = _flags(status & MARKED)
    value = None
    state: State = "ok"
    sign = "-" if negative else ""
    if digits.isdigit():
        value = Decimal(f"{sign}{digits}E{exponent}")
        text = sign + (f"{digits[:point]}.{digits[point:]}" if point else digits)
    elif digits == OVER:
        state, text = "over", f"{sign}OL"
    else:
        state, text = "blank", ""
        flags += ("unreadable",)
    return Reading(
        function=function,
        coupling=coupling,
        value=value,
        unit=unit,
        resolution=COUNTS[exponent],
        state=state,
        flags=flags,
        display=text if unit == "1" else f"{text} {prefix}{unit}".lstrip(),
    )


def shown(reading: Reading) -> tuple[int, bool, str, int]:
    """The inverse: status bits, sign, characters, digits before the point. Raises ValueError if no range shows it."""
    if reading.resolution is None or reading.state not in ("ok", "over"):
        raise ValueError(f"no frame is made for {reading.function} {reading.state} in counts of {reading.resolution}")
    last = int(reading.resolution.as_tuple().exponent)
    meant = (reading.function, reading.unit, reading.coupling)
    fits = [
        (bits, PREFIX[prefix] - last)
        for bits, (function, unit, prefix, coupling) in MEANINGS.items()
        if (function, unit, coupling) == meant and 0 <= PREFIX[prefix] - last <= 3
    ]
    if not fits:
        raise ValueError(f"no range shows {reading.function} in counts of {reading.resolution} {reading.unit}")
    bits, decimals = fits[0]
    status = bits | sum(bit for bit, word in WORDS.items() if word in reading.flags)
    point = 4 - decimals if decimals else 0
    if reading.value is None:
        return status, False, OVER, point
    sign, digits, exponent = reading.value.as_tuple()
    if exponent != last or len(digits) > 4:
        raise ValueError(f"{reading.value} is not shown in counts of {reading.resolution}")
    return status, bool(sign), "".join(map(str, digits)).rjust(4, "0"), point


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn one frame into its one reading.

    Takes   14 bytes, CR LF at the end.
    Gives   the number shown; the digits ?0:? are state "over", any other character that is no digit gives "blank"
            with the flag "unreadable". The maker's marks (Z1 to Z4) and the bar are not read.
    Raises  BadFrame for other bytes, and for marks that no range lights together.
    Source  [P] pp. 1-2.
    """
    if len(frame) != 14 or frame[12:] != b"\r\n" or frame[5] != 0x20 or frame[0] not in b"+-":
        raise BadFrame(f"not sign, digits, blank, point, status, CR LF: {frame[:20].hex(' ')}")
    if frame[6] not in POINTS or not all(0x30 <= b <= 0x3F for b in frame[1:5]):
        raise BadFrame(f"digits or point that do not exist: {frame.hex(' ')}")
    one = reading(int.from_bytes(frame[7:11], "big"), frame[0] == 0x2D, frame[1:5].decode(), POINTS[frame[6]])
    if one is None:
        raise BadFrame(f"marks that do not go together: {frame.hex(' ')}")
    return [one]


def build(reading: Reading, model: str | None = None) -> bytes:
    """The frame that shows a reading, without a bar. Raises ValueError for one that no range shows."""
    status, negative, digits, point = shown(reading)
    head = f"{'-' if negative else '+'}{digits} {chr(POINT_CODE[point])}".encode()
    return head + status.to_bytes(4, "big") + b"\0\r\n"


def Driver(model: str | None = None) -> Framer:  # noqa: N802 - the contract's name
    """A fresh framer."""
    return FixedFrames(14, decode, model, starts=frozenset(b"+-"))


# what every range can show: numbers of both signs, with 0 to 3 decimals, and over range
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
    for (function, unit, prefix, coupling), decimals, digits, negative, flags in product(
        dict.fromkeys(MEANINGS.values()), range(4), ("5678", "0043", None), (False, True), (("auto",), ("rel", "hold"))
    )
]
