"""ES51986: 6000 counts, the ES51978's block with other codes, 19230 bit/s 7O1, sent twice per conversion.

Source: the block layout is that of [I] IDEAL ND2385 user guide, pp. 17-20, and [E] EZ Digital DM-530SRS manual,
pp. 30-31; the codes are from memory of the Cyrustek ES51986 data sheet. Check them before relying on it.
"""

from __future__ import annotations

from meterlink.driver import BadFrame, Framer, Info, Line, Reading

from .es51922 import STARTS
from .es51978 import FRAME, Pairs, block, framed, low_halves, reading, scales, shapes

__all__ = ["FRAME", "INFO", "SHAPES", "Driver", "build", "decode"]

INFO = Info(
    name="es51986",
    title="ES51986, 6000 counts",
    instruments=("meters with the Cyrustek ES51986 chip",),
    published="Cyrustek ES51986 data sheet (from memory); block layout: IDEAL ND2385 user guide, pp. 17-20",
    sure="from memory",
    notes="every code is from memory; weak: the ranges of A, the highest capacitance, the marks DC, AC and AUTO. The "
    "point of duty and temperature is not known: they come blank, with the flag unreadable; so does the ADP position. "
    "Option bits without a known meaning are the flags option1-8 ... option1-1 and option2-1. 3F is mA here and A on "
    "the es51978: the meter's chip decides, not the frame",
    wiring="opto cable fed from the modem lines: DTR on, RTS off; a HID cable's bridge is set to 19200",
    line=Line(baudrate=19200, bytesize=7, parity="O", dtr=True, rts=False, settle_s=0.5),  # 0.16 % off 19230
    frame_length=11,
    rate_hz=2.0,
    silence_s=0.1,  # a pair of blocks lasts 11.5 ms
)
TABLE = scales(
    (
        (0xB, None, "voltage", "600.0 mV, 6.000 V, 60.00 V, 600.0 V, 1000 V"),
        (0xD, None, "current", "600.0 uA, 6000 uA"),
        (0xF, None, "current", "60.00 mA, 600.0 mA"),
        (0x0, None, "current", "6.000 A, 60.00 A"),
        (0x3, None, "resistance", "600.0 Ohm, 6.000 kOhm, 60.00 kOhm, 600.0 kOhm, 6.000 MOhm, 60.00 MOhm"),
        (0x5, None, "continuity", "600.0 Ohm"),
        (0x1, None, "diode", "6.000 V"),
        (0x2, 1, "frequency", "6.000 kHz, 60.00 kHz, 600.0 kHz, 6.000 MHz, 60.00 MHz"),
        (0x2, 0, "duty", ", ".join(["%"] * 8)),
        (0x4, 1, "temperature", ", ".join(["Cel"] * 8)),
        (0x4, 0, "temperature", ", ".join(["[degF]"] * 8)),
        (
            0x6,
            None,
            "capacitance",
            "6.000 nF, 60.00 nF, 600.0 nF, 6.000 uF, 60.00 uF, 600.0 uF, 6.000 mF, 60.00 mF",
        ),
    )
)
MOST = 6000
ADP = 0x3E
OPTIONS = {
    7: ((8, "option1-8"), (4, "option1-4"), (2, "option1-2"), (1, "option1-1")),
    8: ((2, "auto"), (1, "option2-1")),
}
WORDS = {at: [tuple(word for bit, word in marks if low & bit) for low in range(16)] for at, marks in OPTIONS.items()}


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn one block into its one reading.

    Takes   11 bytes: 9 in 30..3F, CR LF. A port opened 8N1 leaves the parity bit in place: then every byte must have
            odd parity.
    Gives   the number sent; OL is state "over". Duty, temperature and an ADP position have no value (see INFO.notes).
    Raises  BadFrame for other bytes, and for functions, ranges and digits that do not go together.
    Source  the tables of the ES51986 data sheet, from memory.
    """
    seven = block(frame)
    words = WORDS[7][seven[7] & 0xF] + WORDS[8][seven[8] & 0xF]
    if seven[5] == ADP:
        if not seven[1:5].isdigit():
            raise BadFrame(f"ADP with digits that are none: {frame.hex(' ')}")
        flags = ("adp", *words, "unreadable")
        return [Reading(function="unknown", value=None, unit="1", state="blank", flags=flags)]
    return [reading(TABLE, seven, MOST, words)]


def build(reading: Reading, model: str | None = None) -> bytes:
    """One block, 7 bits; the meter sends it twice. Raises ValueError for a reading that no range shows."""
    low = low_halves(TABLE, reading, MOST, (6, 0, 0, 0))
    for at, marks in OPTIONS.items():
        low[at] |= sum(bit for bit, word in marks if word in reading.flags)
    return framed(low)


def Driver(model: str | None = None) -> Framer:  # noqa: N802 - the contract's name
    """A fresh framer."""
    return Pairs(11, decode, model, starts=STARTS)


SHAPES = shapes(TABLE, ("1234", "0000", "5999"))
