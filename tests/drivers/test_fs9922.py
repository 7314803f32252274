"""fs9922. [P] is the PeakTech 2025 communication protocol, pp. 1-2; "derived" frames were composed from its tables."""

from __future__ import annotations

from contextlib import suppress
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from meterlink_drivers.fs9922 import FRAME, Driver, build, decode

from meterlink.driver import BadFrame
from tests.drivers.streamed import CUTS, flat, passes, run, streams

GOOD = bytes.fromhex("2B 35 36 37 38 20 31 31 00 00 80 38 0D 0A")


@pytest.mark.parametrize(
    ("frame", "reading", "display"),
    [
        # derived from [P]
        ("2B 35 36 37 38 20 31 31 00 00 80 38 0D 0A", ("voltage", "dc", "5.678", "V", "ok", "auto"), "5.678 V"),
        ("2D 30 34 33 32 20 34 30 00 40 80 00 0D 0A", ("voltage", "dc", "-0.0432", "V", "ok", "auto"), "-043.2 mV"),
        ("2B 31 32 33 34 20 32 02 02 00 04 00 0D 0A", ("capacitance", None, "1.234E-8", "F", "ok", "hold"), "12.34 nF"),
        ("2B 30 30 32 33 20 30 00 04 00 02 00 0D 0A", ("temperature", None, "23", "Cel", "ok", "battery"), "0023 Cel"),
        # the over-range digits are from memory
        ("2B 3F 30 3A 3F 20 32 20 00 10 20 00 0D 0A", ("resistance", None, None, "Ohm", "over", "auto"), "OL MOhm"),
        # [P]: 33 and 34 both mean xxx.x
        ("2B 31 32 33 34 20 33 10 00 00 80 00 0D 0A", ("voltage", "dc", "123.4", "V", "ok"), "123.4 V"),
    ],
)
def test_worked_frames(frame: str, reading: tuple[object, ...], display: str) -> None:
    (one,) = decode(bytes.fromhex(frame))
    assert flat([one]) == [reading]
    assert one.display == display


@pytest.mark.parametrize(
    ("at", "byte"),
    [
        (0, 0x2C), (5, 0x30), (6, 0x35), (1, 0x2F), (1, 0x40), (12, 0x0A), (13, 0x0D),
        (7, 0x71),  # SB1 bit 6 is 0
        (7, 0x01),  # volts that are neither DC nor AC
        (8, 0x02),  # nano volts
        (9, 0x60),  # two prefixes
        (10, 0xC0), (10, 0x00),  # two units, no unit
    ],
)  # fmt: skip
def test_what_no_range_shows_is_no_frame(at: int, byte: int) -> None:
    frame = bytearray(GOOD)
    frame[at] = byte
    with pytest.raises(BadFrame):
        decode(bytes(frame))


@pytest.mark.parametrize("digits", [b"1:34", b"?0:0", b"????"])
def test_a_character_that_is_no_digit_is_not_guessed(digits: bytes) -> None:
    (one,) = decode(GOOD[:1] + digits + GOOD[5:])
    assert (one.value, one.state, one.flags) == (None, "blank", ("auto", "unreadable"))


def test_makers_marks_are_no_error() -> None:
    """[P]: Z1 to Z4 are the maker's."""
    marked = bytearray(GOOD)
    marked[8] |= 0xC1
    marked[9] |= 0x01
    assert flat(decode(bytes(marked))) == flat(decode(GOOD))


NAMES = {
    "volt": "V",
    "ampere": "A",
    "ohm": "Ohm",
    "hertz": "Hz",
    "farad": "F",
    "celsius": "Cel",
    "fahrenheit": "[degF]",
}
SCALE = {"nano": -9, "micro": -6, "milli": -3, "kilo": 3, "mega": 6}
DIGITS = st.text("0123456789", min_size=4, max_size=4) | st.sampled_from(["?0:?", "1?34"])
FIELDS = st.tuples(
    st.sampled_from("+-"),
    DIGITS,
    st.sampled_from("01234"),
    st.sampled_from([0, 0x10, 0x08, 0x18, 0x30, 0x3F, 0x26]),
    st.sampled_from([0, 0x02, 0x3C, 0xC1]),
    st.sampled_from([0, 0x80, 0x40, 0x20, 0x10, 0x08, 0x04, 0x02, 0x44]),
    st.sampled_from([0, 0x80, 0x40, 0x20, 0x10, 8, 4, 2, 1]),
    st.integers(0, 255),
)
SHAPED = FIELDS.map(lambda f: f"{f[0]}{f[1]} {f[2]}".encode() + bytes(f[3:]) + b"\r\n")


@given(SHAPED)
def test_the_description_reads_the_same(frame: bytes) -> None:
    """construct as oracle: number, unit and prefix out of FRAME's fields, with its own arithmetic."""
    try:
        (one,) = decode(frame)
    except BadFrame:
        return
    told = FRAME.parse(frame)
    assert FRAME.build(told) == frame
    exponent = sum(SCALE.get(k, 0) for sb in (told.sb2, told.sb3) for k, on in sb.items() if on)
    units = [NAMES.get(k, "1") for k, on in told.sb4.items() if on and k != "_io"] or ["%"]
    assert units == [one.unit]
    if one.value is not None:
        places = {0x30: 0, 0x31: 3, 0x32: 2, 0x33: 1, 0x34: 1}[told.point]
        sign = -1 if str(told.sign) == "minus" else 1
        assert one.value == sign * Decimal(told.digits.decode()) * Decimal(10) ** (exponent - places)
    assert ("hold" in one.flags) == told.sb1.hold
    assert ("battery" in one.flags) == told.sb2.battery


@given(SHAPED | st.binary(max_size=20))
def test_decode_raises_bad_frame_only(data: bytes) -> None:
    with suppress(BadFrame):
        decode(data)


@given(streams(SHAPED), CUTS)
def test_cuts_change_nothing_and_no_byte_is_lost(stream: bytes, cuts: set[int]) -> None:
    assert run(Driver, stream, cuts) == run(Driver, stream)


@given(SHAPED)
def test_build_is_the_inverse(frame: bytes) -> None:
    try:
        (one,) = decode(frame)
    except BadFrame:
        return
    if one.state != "blank":
        assert flat(decode(build(one))) == flat([one])


def test_the_kit() -> None:
    passes("fs9922")
