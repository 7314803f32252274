"""ES51922: 22000 counts, 14 bytes ended by CR LF, 19230 bit/s 7O1, sent by themselves.

Source: from memory of the Cyrustek ES51922 data sheet, chapter "RS-232 output"; the byte style agrees with the
ES51986 pages of the IDEAL and EZ Digital manuals. Check it against the maker's page before relying on it.
"""

from __future__ import annotations

from decimal import Decimal
from itertools import product

from construct import BitsInteger, Bitwise, Const, Construct, Struct, Terminated

from meterlink.driver import PREFIX, BadFrame, Coupling, FixedFrames, Framer, Info, Line, Reading, State, count

INFO = Info(
    name="es51922",
    title="ES51922, 22000 counts",
    instruments=("UNI-T UT61E", "PeakTech 3430 class"),
    published="Cyrustek ES51922 data sheet, chapter RS-232 output (from memory)",
    sure="from memory",
    notes="all of it is from memory. Weak: the Hz range codes, one decimal of duty and temperature, the RMR mark. "
    "ADP positions show a maker's adapter: their point is not known, so no value is given",
    wiring="opto cable fed from the modem lines: DTR on, RTS off; a HID cable's bridge is set to 19200",
    line=Line(baudrate=19200, bytesize=7, parity="O", dtr=True, rts=False, settle_s=0.5),  # 0.16 % off 19230
    frame_length=14,
    rate_hz=2.0,
    silence_s=0.1,  # a frame lasts 7.3 ms
)
# Full scale by range code; by function code, and for the two current functions with VBAR too
VOLT = {0: "2.2000 V", 1: "22.000 V", 2: "220.00 V", 3: "2200.0 V", 4: "220.00 mV"}
OHM = "220.00 Ohm,2.2000 kOhm,22.000 kOhm,220.00 kOhm,2.2000 MOhm,22.000 MOhm,220.00 MOhm"
HERTZ = {
    0: "22.00 Hz",
    1: "220.0 Hz",
    3: "22.000 kHz",
    4: "220.00 kHz",
    5: "2.2000 MHz",
    6: "22.000 MHz",
    7: "220.00 MHz",
}
FARAD = "22.000 nF,220.00 nF,2.2000 uF,22.000 uF,220.00 uF,2.2000 mF,22.000 mF,220.00 mF"
ANY = dict.fromkeys(range(8))


def _ranges(text: str) -> dict[int, str]:
    return dict(enumerate(text.split(",")))


# (function code, judge, VBAR) -> the function and its ranges; None in a key: either
SCALES: dict[tuple[int, int | None, int | None], tuple[str, dict[int, str]]] = {
    (0xB, None, None): ("voltage", VOLT),
    (0x3, None, None): ("resistance", _ranges(OHM)),
    (0x2, 1, None): ("frequency", HERTZ),
    (0x2, 0, None): ("duty", dict.fromkeys(ANY, "100.0 %")),
    (0x4, 1, None): ("temperature", dict.fromkeys(ANY, "2200.0 Cel")),
    (0x4, 0, None): ("temperature", dict.fromkeys(ANY, "2200.0 [degF]")),
    (0xD, None, 0): ("current", _ranges("220.00 uA,2200.0 uA")),
    (0xD, None, 1): ("current", _ranges("220.00 A,2200.0 A")),
    (0xF, None, 0): ("current", _ranges("22.000 mA,220.00 mA")),
    (0xF, None, 1): ("current", _ranges("22.000 A,220.00 A")),
    (0x0, None, None): ("current", {0: "22.000 A"}),
    (0x9, None, None): ("current", _ranges("2.2000 A,22.000 A,220.00 A,2200.0 A,22000 A")),
    (0x1, None, None): ("diode", {0: "2.2000 V"}),
    (0x5, None, None): ("continuity", {0: "220.00 Ohm"}),
    (0x6, None, None): ("capacitance", _ranges(FARAD)),
    (0xE, None, None): ("unknown", dict.fromkeys(range(5), "22000 1")),  # ADP4 ... ADP0
}
ADP = 0xE
FREQUENCY = 0x2
UNITS = ("V", "Ohm", "Hz", "F", "A", "%", "Cel", "[degF]", "1")


class Scale:
    """What function, range, judge and VBAR together mean."""

    __slots__ = ("decimals", "digits", "exponent", "function", "resolution", "shown", "unit")

    def __init__(self, function: str, full: str) -> None:
        number, self.shown = full.split(" ")
        self.unit = next(u for u in UNITS if self.shown.endswith(u))
        self.function = function
        self.decimals = len(number.partition(".")[2])
        self.digits = 4 if number in ("22.00", "220.0") else 5
        self.exponent = PREFIX[self.shown.removesuffix(self.unit)] - self.decimals
        self.resolution = count(self.exponent)


def _table() -> dict[int, Scale]:
    """By function << 5 | range << 2 | judge << 1 | VBAR."""
    return {
        code << 5 | r << 2 | j << 1 | v: Scale(function, full)
        for (code, judge, vbar), (function, ranges) in SCALES.items()
        for r, full in ranges.items()
        for j in ((0, 1) if judge is None else (judge,))
        for v in ((0, 1) if vbar is None else (vbar,))
    }


TABLE = _table()
JUDGE, SIGN, BATTERY, OL = 8, 4, 2, 1  # status
MAX, MIN, REL, RMR = 8, 4, 2, 1  # option 1
UL, PMAX, PMIN = 8, 4, 2  # option 2, bit 0 is 0
DC, AC, AUTO, VAHZ = 8, 4, 2, 1  # option 3
VBAR, HOLD, LPF = 4, 2, 1  # option 4, bit 3 is 0
COUPLING: dict[int, Coupling | None] = {0: None, AC: "ac", DC: "dc", AC | DC: "acdc"}
# the words for the 4 bits of a byte, by byte offset: bit 3 first
WORDS = {
    7: ("", "", "battery", ""),
    8: ("max", "min", "rel", "recording"),
    9: ("", "peak-max", "peak-min", ""),
    10: ("", "", "auto", "vahz"),
    11: ("", "", "hold", "lowpass"),
}
FLAGS = {
    at: [tuple(w for i, w in enumerate(words) if w and bits >> (3 - i) & 1) for bits in range(16)]
    for at, words in WORDS.items()
}
ODD = bytes(b for b in range(256) if b.bit_count() % 2)  # 7 bits with their odd parity bit
STRIP = bytes(b & 0x7F for b in range(256))
DATA = bytes(range(0x30, 0x40))
STARTS = frozenset((*DATA, *(b | 0x80 for b in DATA)))
NIBBLES = bytes(b & 0xF for b in range(256))

NAMES = ("range", "d4", "d3", "d2", "d1", "d0", "function", "status", "option1", "option2", "option3", "option4")


def described(names: tuple[str, ...]) -> Construct:
    """Characters 011 xxxx with these names, then CR LF; bit 7 is parity where the port was opened with 8 bits."""
    return Bitwise(
        Struct(
            *(
                field
                for name in names
                for field in (f"parity_{name}" / BitsInteger(1), Const(3, BitsInteger(3)), name / BitsInteger(4))
            ),
            "parity_cr" / BitsInteger(1),
            Const(0x0D, BitsInteger(7)),
            "parity_lf" / BitsInteger(1),
            Const(0x0A, BitsInteger(7)),
            Terminated,
        )
    )


FRAME = described(NAMES)


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn one frame into its one reading.

    Takes   14 bytes: 12 in 30..3F, CR LF. A port opened 8N1 leaves the parity bit in place: then every byte must
            have odd parity.
    Gives   the number shown; OL is state "over", UL "under". An ADP position is function "unknown" without a value.
    Raises  BadFrame for other bytes, and for functions, ranges and digits that do not exist.
    Source  the table of the data sheet (from memory).
    """
    if len(frame) != 14:
        raise BadFrame(f"{len(frame)} bytes, a frame has 14: {frame[:20].hex(' ')}")
    if not frame.isascii():
        if frame.translate(None, ODD):
            raise BadFrame(f"not every byte has odd parity: {frame.hex(' ')}")
        frame = frame.translate(STRIP)
    if frame[12:] != b"\r\n" or frame[:12].translate(None, DATA):
        raise BadFrame(f"not 12 bytes of 30..3F, CR LF: {frame.hex(' ')}")
    low = frame.translate(NIBBLES)
    status, option2, option3, option4 = low[7], low[9], low[10], low[11]
    code = low[6]
    scale = TABLE.get(code << 5 | low[0] << 2 | (status & JUDGE) >> 2 | (option4 & VBAR) >> 2) if low[0] < 8 else None
    if scale is None:
        raise BadFrame(f"function {frame[6]:02X} has no range {frame[0]:02X}: {frame.hex(' ')}")
    if option2 & 1 or option4 & 8 or (option3 & VAHZ and code != FREQUENCY):
        raise BadFrame(f"marks that do not go together: {frame.hex(' ')}")
    digits = frame[1:6].decode()
    state: State = "over" if status & OL else "under" if option2 & UL else "ok"
    flags = FLAGS[7][status] + FLAGS[8][low[8]] + FLAGS[9][option2] + FLAGS[10][option3] + FLAGS[11][option4]
    function = scale.function
    if code == ADP:
        flags = (*flags, f"adp{4 - low[0]}", "unreadable")
        return [Reading(function=function, value=None, unit="1", state="blank", flags=flags)]
    value = None
    sign = "-" if status & SIGN else ""
    if state == "ok":
        # the five digits are at most 22000, or 4 digits where the scale has 4
        if not digits.isdigit() or digits[0] > "2" or (scale.digits == 4 and digits[0] != "0"):
            raise BadFrame(f"digits {digits} in 22000 counts: {frame.hex(' ')}")
        value = Decimal(f"{sign}{digits}E{scale.exponent}")
        at = 5 - scale.decimals
        point = "." if scale.decimals else ""
        text = f"{sign}{digits[5 - scale.digits : at]}{point}{digits[at:]} {scale.shown}"
    else:
        text = f"{sign}{'OL' if state == 'over' else 'UL'} {scale.shown}"
    return [
        Reading(
            function=function,
            coupling=COUPLING[option3 & (DC | AC)] if function in ("voltage", "current") else None,
            value=value,
            unit=scale.unit,
            resolution=scale.resolution,
            state=state,
            flags=flags,
            display=text,
        )
    ]


def build(reading: Reading, model: str | None = None) -> bytes:
    """The frame that shows a reading, 7 bits. Raises ValueError for one that no range shows."""
    meant = (reading.function, reading.unit, reading.resolution)
    key = next((k for k, scale in TABLE.items() if (scale.function, scale.unit, scale.resolution) == meant), None)
    if key is None:
        raise ValueError(f"no range shows {reading.function} in counts of {reading.resolution} {reading.unit}")
    scale = TABLE[key]
    low = [key >> 2 & 7, 2, 2, 0, 0, 0, key >> 5, (key & 2) << 2, 0, 0, 0, (key & 1) << 2]
    if reading.state == "blank":
        raise ValueError("no frame shows nothing")
    if reading.state == "over":
        low[7] |= OL
    elif reading.state == "under":
        low[9] |= UL
    if reading.value is not None:
        sign, digits, exponent = reading.value.as_tuple()
        if exponent != scale.exponent or len(digits) > scale.digits:
            raise ValueError(f"{reading.value} is not shown in counts of {reading.resolution}")
        low[1:6] = [*[0] * (5 - len(digits)), *digits]
        low[7] |= SIGN if sign else 0
    low[10] |= next(bits for bits, coupling in COUPLING.items() if coupling == reading.coupling)
    for at, words in WORDS.items():
        low[at] |= sum(8 >> i for i, word in enumerate(words) if word and word in reading.flags)
    return bytes(0x30 | n for n in low) + b"\r\n"


def Driver(model: str | None = None) -> Framer:  # noqa: N802 - the contract's name
    """A fresh framer."""
    return FixedFrames(14, decode, model, starts=STARTS)


def _shapes() -> list[Reading]:
    scales = {(s.function, s.unit, s.resolution): s for code, s in TABLE.items() if code >> 5 != ADP}
    return [
        Reading(
            function=scale.function,
            coupling=("dc" if negative else "ac") if scale.function in ("voltage", "current") else None,
            value=Decimal((int(negative), tuple(map(int, digits)), scale.exponent)),
            unit=scale.unit,
            resolution=scale.resolution,
            flags=flags,
        )
        for scale, negative, digits, flags in product(
            scales.values(), (False, True), ("1234", "0000", "1999"), (("auto",), ("rel", "hold"))
        )
    ]


SHAPES = _shapes()
