"""ES51978: 4000 counts, 11 bytes ended by CR LF, 2400 bit/s 7O1, each block sent twice per conversion.

Source: [I] IDEAL ND2385 user guide, pp. 17-20; [E] EZ Digital DM-530SRS manual, pp. 30-31. The uA ranges, the fixed
ranges of continuity, diode and A, and the option bytes are from memory of the Cyrustek ES51978 data sheet.
"""

from __future__ import annotations

from decimal import Decimal
from itertools import product

from meterlink.driver import PREFIX, BadFrame, Coupling, FixedFrames, Framer, Info, Line, Reading, State, count

# the characters on the line are the same; codes, ranges and option bytes are not, and are never shared
from .es51922 import DATA, ODD, STARTS, STRIP, described

INFO = Info(
    name="es51978",
    title="ES51978, 4000 counts",
    instruments=("IDEAL ND2385", "EZ Digital DM-530SRS"),
    published="IDEAL ND2385 user guide, pp. 17-20; EZ Digital DM-530SRS manual, pp. 30-31",
    sure="partly from memory",
    notes="from memory and unproven: both option bytes (DC, AC, AUTO, APO); from memory: the uA ranges, the fixed "
    "ranges of continuity, diode and A, the cable's DTR/RTS levels. The meter sends the input even while its display "
    "holds another number, and does not tell it",
    wiring="opto cable fed from the modem lines: DTR on, RTS off; sending is switched on at the meter",
    line=Line(baudrate=2400, bytesize=7, parity="O", dtr=True, rts=False, settle_s=0.5),
    frame_length=11,
    rate_hz=2.0,
    silence_s=0.15,  # a pair of blocks lasts 92 ms
)
UNITS = ("V", "A", "Ohm", "Hz", "rpm", "F", "%", "Cel", "[degF]")
UCUM = {"rpm": "/min"}


class Scale:
    """What function, range and judge together mean; `full` is the full scale as the sheet prints it.

    A full scale without a number ("%") is one whose point is not known: its digits are not turned into a value.
    """

    __slots__ = ("decimals", "exponent", "function", "resolution", "shown", "unit")

    def __init__(self, function: str, full: str) -> None:
        digits, _, self.shown = full.rpartition(" ")
        unit = next(u for u in UNITS if self.shown.endswith(u))
        self.function = function
        self.unit = UCUM.get(unit, unit)
        self.decimals = len(digits.partition(".")[2])
        self.exponent = PREFIX[self.shown.removesuffix(unit)] - self.decimals
        self.resolution = count(self.exponent) if digits else None


Scales = dict[int, Scale]


def scales(rows: tuple[tuple[int, int | None, str, str], ...]) -> Scales:
    """By function << 8 | range << 4 | judge. A row: function, judge (None: either), name, full scales from range 0."""
    return {
        code << 8 | r << 4 | j: Scale(function, full)
        for code, judge, function, ranges in rows
        for r, full in enumerate(ranges.split(", "))
        for j in ((0, 1) if judge is None else (judge,))
    }


TABLE = scales(
    (
        (0xB, None, "voltage", "400.0 mV, 4.000 V, 40.00 V, 400.0 V, 4000 V"),
        (0xD, None, "current", "400.0 uA, 4000 uA"),  # from memory
        (0x9, None, "current", "40.00 mA, 400.0 mA"),
        (0xF, None, "current", "40.00 A"),  # its point is from memory
        (0x3, None, "resistance", "400.0 Ohm, 4.000 kOhm, 40.00 kOhm, 400.0 kOhm, 4.000 MOhm, 40.00 MOhm"),
        (0x5, None, "continuity", "400.0 Ohm"),  # from memory
        (0x1, None, "diode", "4.000 V"),  # from memory
        (0x2, 1, "frequency", "4.000 kHz, 40.00 kHz, 400.0 kHz, 4.000 MHz, 40.00 MHz, 400.0 MHz"),
        (0x2, 0, "rotation", "40.00 krpm, 400.0 krpm, 4.000 Mrpm, 40.00 Mrpm, 400.0 Mrpm, 4000 Mrpm"),
        (
            0x6,
            None,
            "capacitance",
            "4.000 nF, 40.00 nF, 400.0 nF, 4.000 uF, 40.00 uF, 400.0 uF, 4.000 mF, 40.00 mF",
        ),
    )
)
MOST = 4000
FORWARD = ("frequency", "rotation", "duty")  # never negative
JUDGE, SIGN, BATTERY, OL = 8, 4, 2, 1  # status
VAHZ = 1  # option 1; its other bits are 0
DC, AC, AUTO, APO = 8, 4, 2, 1  # option 2
WORDS = {  # by the byte of option 1, then by the low half of option 2
    0x30 | one: [
        tuple(word for word, on in (("vahz", one & VAHZ), ("auto", two & AUTO), ("apo", two & APO)) if on)
        for two in range(16)
    ]
    for one in (0, VAHZ)
}
COUPLING: dict[int, Coupling | None] = {0: None, AC: "ac", DC: "dc", AC | DC: "acdc"}
NAMES = ("range", "d3", "d2", "d1", "d0", "function", "status", "option1", "option2")
FRAME = described(NAMES)


class Pairs(FixedFrames):
    """Blocks that come twice: the second of a pair is accepted and gives no reading.

    By count, not by value alone: after a second copy the next block is a new first one, so a meter that stands still
    keeps its rate. A block unlike the one before is a first one: the copy before it was lost. A silence ends a pair.
    """

    _first = b""  # the last block while its second copy is awaited

    def silence(self) -> None:
        super().silence()
        self._first = b""

    def _accept(self, frame: bytes, readings: list[Reading], asked: bytes = b"") -> list[Reading]:
        second = frame == self._first
        self._first = b"" if second else frame
        return super()._accept(frame, [] if second else readings, asked)


def block(frame: bytes) -> bytes:
    """A block without its parity bits. Raises BadFrame for other bytes than 30..3F and CR LF, and for even parity."""
    if len(frame) != 11:
        raise BadFrame(f"{len(frame)} bytes, a block has 11: {frame[:20].hex(' ')}")
    if not frame.isascii():  # a port opened 8N1 leaves the parity bit in place
        if frame.translate(None, ODD):
            raise BadFrame(f"not every byte has odd parity: {frame.hex(' ')}")
        frame = frame.translate(STRIP)
    if frame[9:] != b"\r\n" or frame[:9].translate(None, DATA):
        raise BadFrame(f"not 9 bytes of 30..3F, CR LF: {frame.hex(' ')}")
    return frame


def reading(table: Scales, seven: bytes, most: int, words: tuple[str, ...]) -> Reading:
    """The reading of a block without parity bits; what both chips share. Raises BadFrame for what no range shows."""
    status = seven[6] & 0xF
    scale = table.get((seven[5] & 0xF) << 8 | (seven[0] & 0xF) << 4 | status >> 3)
    if scale is None:
        raise BadFrame(f"function {seven[5]:X} has no range {seven[0]:X} with judge {status >> 3}")
    over, negative = bool(status & OL), bool(status & SIGN)
    digits = seven[1:5].decode()
    if not digits.isdigit() or (negative and scale.function in FORWARD):
        raise BadFrame(f"{scale.function}: digits {digits!r}, negative {negative}")
    if not over and scale.resolution is not None and int(digits) > most:
        raise BadFrame(f"digits {digits} in {most} counts")
    flags = (("battery",) if status & BATTERY else ()) + words
    sign = "-" if negative else ""
    state: State = "ok"
    value = None
    if over:
        state, text = "over", f"{sign}OL {scale.shown}"
    elif scale.resolution is None:
        state, text = "blank", scale.shown
        flags += ("unreadable",)
    else:
        value = Decimal(f"{sign}{digits}E{scale.exponent}")
        at = 4 - scale.decimals
        text = f"{sign}{digits[:at]}.{digits[at:]}" if scale.decimals else f"{sign}{digits}"
        text += f" {scale.shown}"
    return Reading(
        function=scale.function,
        coupling=COUPLING[seven[8] & (DC | AC)] if scale.function in ("voltage", "current") else None,
        value=value,
        unit=scale.unit,
        resolution=scale.resolution,
        state=state,
        flags=flags,
        display=text,
    )


def low_halves(table: Scales, reading: Reading, most: int, over: tuple[int, ...]) -> list[int]:
    """The inverse of `reading`: option 1 is 0, option 2 has the coupling. Raises ValueError for what no range shows."""
    meant = (reading.function, reading.unit, reading.resolution)
    keys = [k for k, scale in table.items() if (scale.function, scale.unit, scale.resolution) == meant]
    if not keys or reading.state not in ("ok", "over") or (reading.state == "ok" and reading.resolution is None):
        raise ValueError(f"no range shows {reading.function} in counts of {reading.resolution} {reading.unit}")
    low = [keys[0] >> 4 & 0xF, *over, keys[0] >> 8, (keys[0] & 1) << 3, 0, 0]
    if reading.value is None:
        low[6] |= OL
    else:
        sign, digits, exponent = reading.value.as_tuple()
        if exponent != table[keys[0]].exponent or int("".join(map(str, digits))) > most:
            raise ValueError(f"{reading.value} is not shown in counts of {reading.resolution}")
        low[1:5] = [*[0] * (4 - len(digits)), *digits]
        low[6] |= SIGN if sign else 0
    low[6] |= BATTERY if "battery" in reading.flags else 0
    low[8] = next(bits for bits, coupling in COUPLING.items() if coupling == reading.coupling)
    return low


def framed(low: list[int]) -> bytes:
    """A block, 7 bits."""
    return bytes(0x30 | n for n in low) + b"\r\n"


def shapes(table: Scales, digits: tuple[str, ...]) -> list[Reading]:
    """What every range can show: numbers of both signs, and over range."""
    distinct = {(s.function, s.unit, s.resolution): s for s in table.values() if s.resolution is not None}
    return [
        Reading(
            function=scale.function,
            coupling=("dc" if negative else "ac") if scale.function in ("voltage", "current") else None,
            value=None if shown is None else Decimal(f"{'-' if negative else ''}{shown}E{scale.exponent}"),
            unit=scale.unit,
            resolution=scale.resolution,
            state="over" if shown is None else "ok",
            flags=flags,
        )
        for scale, negative, shown, flags in product(
            distinct.values(), (False, True), (*digits, None), (("auto",), ("battery",))
        )
        if not (negative and scale.function in FORWARD)
    ]


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn one block into its one reading.

    Takes   11 bytes: 9 in 30..3F, CR LF. A port opened 8N1 leaves the parity bit in place: then every byte must have
            odd parity.
    Gives   the number sent; OL is state "over".
    Raises  BadFrame for other bytes, and for functions, ranges, digits and marks that do not go together: over range
            comes with the digits 4000 but in frequency, where the measured number may stand.
    Source  [I] pp. 17-20; option bytes from memory.
    """
    seven = block(frame)
    words = WORDS.get(seven[7])
    if words is None:
        raise BadFrame(f"option 1 is {seven[7]:X}, its upper bits are 0: {frame.hex(' ')}")
    one = reading(TABLE, seven, MOST, words[seven[8] & 0xF])
    if one.state == "over" and one.function not in FORWARD and seven[1:5] != b"4000":
        raise BadFrame(f"over range with other digits than 4000: {frame.hex(' ')}")
    return [one]


def build(reading: Reading, model: str | None = None) -> bytes:
    """One block, 7 bits; the meter sends it twice. Raises ValueError for a reading that no range shows."""
    low = low_halves(TABLE, reading, MOST, (4, 0, 0, 0))
    low[7] = VAHZ if "vahz" in reading.flags else 0
    low[8] |= (AUTO if "auto" in reading.flags else 0) | (APO if "apo" in reading.flags else 0)
    return framed(low)


def Driver(model: str | None = None) -> Framer:  # noqa: N802 - the contract's name
    """A fresh framer."""
    return Pairs(11, decode, model, starts=STARTS)


SHAPES = shapes(TABLE, ("1234", "0000", "3999"))
