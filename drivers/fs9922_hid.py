"""The FS9922 family's own USB HID report: the serial frame packed into 8 bytes, sent by itself.

Source: [P] "PeakTech 2025 Communication protocol", PeakTech, pp. 1-2 (HID board). The columns of the two sign marks
in byte 0 are not readable in our copy.
"""

from __future__ import annotations

from itertools import product

from construct import BitsInteger, BitStruct, Struct, Terminated

from meterlink.driver import PREFIX, BadFrame, FixedFrames, Framer, Info, Reading, UsbId, count, number

from .fs9922 import MEANINGS, STATUS, reading, shown

INFO = Info(
    name="fs9922_hid",
    title="FS9922 digits and status bits, USB HID report",
    instruments=("PeakTech 2025 (USB HID board)",),
    published="PeakTech 2025 Communication protocol, pp. 1-2",
    sure="partly from memory",
    notes="The bits of byte 0 that mark plus and minus are not readable in our copy of the sheet: while any of them is "
    "set the sign is not known, and the reading is blank with the flag unreadable (capacitance, frequency and duty "
    "without rel have no sign and are read). A recording of +1 V and -1 V would settle it. From memory: the over-range "
    "digits F0AF, which are those of the serial frame packed; the rate",
    wiring="the meter's own USB socket",
    usb=(UsbId(vendor=0x2571, product=0x4100, report=8),),
    frame_length=8,
    rate_hz=2.5,
)
POINTS = {0: 0, 1: 1, 2: 2, 3: 3, 4: 3}  # digits before the point, 0: no point
POINT_CODE = {0: 0, 1: 1, 2: 2, 3: 4}
POINT, SIGNS = 0x07, 0xF8  # byte 0
AS_SENT = str.maketrans("abcdef", ":;<=>?")  # digits above 9, as on the serial line
SIGNLESS = ("capacitance", "frequency", "duty")

FRAME = Struct(
    "head" / BitStruct("signs" / BitsInteger(5), "point" / BitsInteger(3)),
    "digits" / BitStruct(*(name / BitsInteger(4) for name in ("d3", "d2", "d1", "d0"))),
    *STATUS,
    Terminated,
)


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn one report into its one reading.

    Takes   8 bytes, without the leading 00 that some hosts put before them.
    Gives   the number shown while no sign mark is set; with one, "blank" and "unreadable" unless the function has no
            sign. The digits F0AF are state "over"; other digits above 9 are "blank" with the flag "unreadable".
    Raises  BadFrame for other bytes, and for marks that no range lights together.
    Source  [P] pp. 1-2.
    """
    if len(frame) != 8 or frame[0] & POINT not in POINTS:
        raise BadFrame(f"not a report of 8 bytes with a point code 0 to 4: {frame[:12].hex(' ')}")
    digits = frame[1:3].hex().translate(AS_SENT)
    status = int.from_bytes(frame[3:7], "big")
    point = POINTS[frame[0] & POINT]
    one = reading(status, False, digits, point)
    if one is None:
        raise BadFrame(f"marks that do not go together: {frame.hex(' ')}")
    if frame[0] & SIGNS and one.state == "ok" and (one.function not in SIGNLESS or "rel" in one.flags):
        unread = reading(status, False, "????", point)
        assert unread is not None  # the same marks
        return [unread]
    return [one]


def build(reading: Reading, model: str | None = None) -> bytes:
    """The report of a reading, without a sign mark or a bar. Raises ValueError for one that no range shows."""
    status, negative, digits, point = shown(reading)
    if negative:
        raise ValueError("the mark of a minus sign is not known")
    packed = bytes.fromhex("".join(f"{ord(d) - 0x30:x}" for d in digits))
    return bytes([POINT_CODE[point]]) + packed + status.to_bytes(4, "big") + b"\0"


def Driver(model: str | None = None) -> Framer:  # noqa: N802 - the contract's name
    """A fresh framer."""
    return FixedFrames(8, decode, model)


# what every range can show: numbers with 0 to 3 decimals, and over range
SHAPES = [
    Reading(
        function=function,
        coupling=coupling,
        value=None if digits is None else number(False, digits, PREFIX[prefix] - decimals),
        unit=unit,
        resolution=count(PREFIX[prefix] - decimals),
        state="over" if digits is None else "ok",
        flags=flags,
    )
    for (function, unit, prefix, coupling), decimals, digits, flags in product(
        dict.fromkeys(MEANINGS.values()), range(4), ("5678", "0043", None), (("auto",), ("rel", "hold"))
    )
]
