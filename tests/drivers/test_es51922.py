"""es51922 against its sheet's worked rows, its full range table, and a second reading through construct."""

from __future__ import annotations

from contextlib import suppress
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from meterlink_drivers.es51922 import FRAME, decode

from meterlink.driver import BadFrame


@pytest.mark.parametrize(
    ("frame", "function", "coupling", "value", "unit", "state", "flags"),
    [  # derived here from the Cyrustek ES51922 data sheet, chapter "RS-232 output", from memory
        ("30 31 32 33 34 35 3B 30 30 30 3A 30", "voltage", "dc", "1.2345", "V", "ok", ("auto",)),
        ("34 30 31 32 33 34 3B 34 30 30 38 30", "voltage", "dc", "-0.01234", "V", "ok", ()),
        ("36 32 32 30 30 30 33 31 30 30 32 30", "resistance", None, "None", "Ohm", "over", ("auto",)),
        ("30 31 32 33 34 35 3D 30 30 30 36 32", "current", "ac", "0.00012345", "A", "ok", ("auto", "hold")),
        ("31 30 30 35 30 30 32 38 30 30 37 30", "frequency", None, "50.0", "Hz", "ok", ("auto", "vahz")),
        ("33 31 30 30 32 33 33 30 32 30 32 30", "resistance", None, "1.0023E+5", "Ohm", "ok", ("rel", "auto")),
        ("30 31 32 33 34 35 3F 30 30 30 3A 34", "current", "dc", "12.345", "A", "ok", ("auto",)),
    ],
)  # fmt: skip
def test_worked_frames(
    frame: str, function: str, coupling: str | None, value: str, unit: str, state: str, flags: tuple[str, ...]
) -> None:
    (reading,) = decode(bytes.fromhex(frame) + b"\r\n")
    assert (reading.function, reading.coupling, str(reading.value)) == (function, coupling, value)
    assert (reading.unit, reading.state, reading.flags) == (unit, state, flags)


# range byte -> full scale, from memory, column by column: power of ten of the last digit, None: no range
COLUMNS = {
    "3B 0 0": [-4, -3, -2, -1, -5, None, None, None],
    "33 0 0": [-2, -1, 0, 1, 2, 3, 4, None],
    "32 1 0": [-2, -1, None, 0, 1, 2, 3, 4],
    "36 0 0": [-12, -11, -10, -9, -8, -7, -6, -5],
    "3D 0 0": [-8, -7, None, None, None, None, None, None],
    "3F 0 0": [-6, -5, None, None, None, None, None, None],
    "30 0 0": [-3, None, None, None, None, None, None, None],
    "39 0 0": [-4, -3, -2, -1, 0, None, None, None],
    "3D 0 1": [-2, -1, None, None, None, None, None, None],
    "3F 0 1": [-3, -2, None, None, None, None, None, None],
    "31 0 0": [-4, None, None, None, None, None, None, None],
    "35 0 0": [-2, None, None, None, None, None, None, None],
}


@pytest.mark.parametrize("column", COLUMNS)
@pytest.mark.parametrize("code", range(16))
def test_every_range(column: str, code: int) -> None:
    function, judge, vbar = column.split()
    frame = bytes([0x30 | code, *b"01234", int(function, 16), 0x38 if judge == "1" else 0x30, *b"000"])
    frame += b"4\r\n" if vbar == "1" else b"0\r\n"
    exponent = COLUMNS[column][code] if code < 8 else None
    if exponent is None:
        with pytest.raises(BadFrame):
            decode(frame)
        return
    (reading,) = decode(frame)
    assert reading.value == Decimal(1234).scaleb(exponent)
    assert reading.resolution == Decimal(1).scaleb(exponent)


FRAMES = st.lists(st.integers(0x30, 0x3F), min_size=12, max_size=12).map(lambda b: bytes(b) + b"\r\n")


@given(FRAMES)
def test_decode_agrees_with_the_description(frame: bytes) -> None:
    """Digits, sign, over and under range through construct's field names, over every frame it can build."""
    parsed = FRAME.parse(frame)
    assert FRAME.build(parsed) == frame
    with suppress(BadFrame):
        (reading,) = decode(frame)
        digits = (parsed.d4, parsed.d3, parsed.d2, parsed.d1, parsed.d0)
        if parsed.function == 0xE:
            assert (reading.function, reading.value, reading.state) == ("unknown", None, "blank")
        elif parsed.status & 1:
            assert (reading.value, reading.state) == (None, "over")
        elif parsed.option2 & 8:
            assert (reading.value, reading.state) == (None, "under")
        else:
            assert reading.value is not None
            assert reading.resolution is not None
            counts = reading.value / reading.resolution
            assert abs(counts) == int("".join(map(str, digits)))
            assert reading.value.is_signed() == bool(parsed.status & 4)


@given(FRAMES, st.integers(0, 13))
def test_parity_that_came_through_is_checked(frame: bytes, at: int) -> None:
    """The frame as an 8N1 port hands it over reads the same; with one parity bit wrong it is refused."""
    odd = bytearray(b | (0 if b.bit_count() % 2 else 0x80) for b in frame)
    try:
        plain = decode(frame)
    except BadFrame:
        plain = []
    else:
        assert decode(bytes(odd)) == plain
    odd[at] ^= 0x80
    with pytest.raises(BadFrame):
        decode(bytes(odd))


@pytest.mark.parametrize(
    "frame",
    [
        "30 31 32 33 34 35 3B 30 30 31 3A 30",  # option 2 bit 0 is always 0
        "30 31 32 33 34 35 3B 30 30 30 3A 38",  # option 4 bit 3 is always 0
        "30 31 32 3A 34 35 3B 30 30 30 3A 30",  # a digit above 9
        "30 33 32 33 34 35 3B 30 30 30 3A 30",  # 32345 in 22000 counts
        "30 31 32 33 34 35 3B 30 30 30 3B 30",  # VAHZ, and yet volts
        "31 31 30 35 30 30 32 38 30 30 37 30",  # five digits in 220.0 Hz
        "30 31 32 33 34 35 3C 30 30 30 3A 30",  # no such function
    ],
)
def test_what_cannot_be_is_refused(frame: str) -> None:
    with pytest.raises(BadFrame):
        decode(bytes.fromhex(frame) + b"\r\n")
