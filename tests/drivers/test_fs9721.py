"""fs9721 against its sheets' worked frames, a second decoder by construct, and the frames that must be refused."""

from __future__ import annotations

from decimal import Decimal

import pytest
from construct import Container
from hypothesis import given
from hypothesis import strategies as st
from meterlink_drivers.fs9721 import FRAME, Driver, decode

from meterlink.driver import BadFrame, Reading

# The glyphs by segment letters, from the TP4000ZC "RS232 Serial Communications Protocol" sheet (from memory where it
# is unreadable): not the driver's table.
SEGMENTS = {
    "0": "abcdeg", "1": "eg", "2": "acdfg", "3": "cdefg", "4": "befg", "5": "bcdef", "6": "abcdef", "7": "ceg",
    "8": "abcdefg", "9": "bcdefg", "L": "abd", " ": "",
}  # fmt: skip


@pytest.mark.parametrize(
    ("frame", "function", "coupling", "value", "resolution", "state", "flags", "display"),
    [  # derived here from the bit map of the TP4000ZC sheet
        ("17 20 35 45 5B 69 7F 82 97 A0 B0 C0 D4 E0",
         "voltage", "dc", "12.34", "0.01", "ok", ("auto",), "12.34 V"),
        ("17 2F 3D 4A 57 61 75 81 9F A0 B0 C0 D4 E0",
         "voltage", "dc", "-0.473", "0.001", "ok", ("auto",), "-0.473 V"),
        ("1B 25 3B 41 5F 67 7D 88 95 A0 B8 C1 D4 E0",
         "voltage", "ac", "0.2301", "0.0001", "ok", ("auto", "hold"), "230.1 mV"),
        ("13 20 30 47 5D 6E 78 80 90 A0 B2 C4 D0 E0",  # over-range glyphs from memory
         "resistance", None, "None", "1E+4", "over", ("auto",), "0.L MOhm"),
        ("13 20 30 40 55 63 7E 8F 9D A8 B0 C8 D1 E0",
         "capacitance", None, "0.0000150", "1E-7", "ok", ("auto", "battery"), "15.0 uF"),
    ],
)  # fmt: skip
def test_worked_frames(
    frame: str,
    function: str,
    coupling: str | None,
    value: str,
    resolution: str,
    state: str,
    flags: tuple[str, ...],
    display: str,
) -> None:
    (reading,) = decode(bytes.fromhex(frame))
    assert (reading.function, reading.coupling, str(reading.value)) == (function, coupling, value)
    assert reading.resolution == Decimal(resolution)
    assert (reading.state, reading.flags, reading.display) == (state, flags, display)


LOW = st.lists(st.integers(0, 15), min_size=14, max_size=14)


def framed(low: list[int]) -> bytes:
    return bytes((i + 1) << 4 | n for i, n in enumerate(low))


def oracle(frame: bytes) -> tuple[object, ...] | None:
    """What the sheet says of a frame, read from the construct description; None where it must be refused."""
    parsed: Container = FRAME.parse(frame)
    low = [parsed[f"low{i}"] for i in range(1, 15)]
    names = [
        "ac dc auto rs232", "minus a b c", "d e f g", "p1 a b c", "d e f g", "p2 a b c", "d e f g", "p3 a b c",
        "d e f g", "u n k diode", "m % M beep", "F Ohm rel hold", "A V Hz battery", "t8 t4 t2 t1",
    ]  # fmt: skip
    lit = [[name for i, name in enumerate(row.split()) if n >> (3 - i) & 1] for row, n in zip(names, low, strict=True)]
    glyphs = ""
    for first in (1, 3, 5, 7):
        segments = "".join(s for s in lit[first] + lit[first + 1] if s in "abcdefg")
        glyphs += next((g for g, want in SEGMENTS.items() if want == segments), "?")
    marks = {m for row in lit[9:13] for m in row}
    units, prefixes = marks & {"F", "Ohm", "A", "V", "Hz", "%"}, marks & {"u", "n", "k", "m", "M"}
    points = [i for i, row in enumerate((3, 5, 7), 1) if f"p{i}" in lit[row]]
    if len(units) > 1 or len(prefixes) > 1 or len(points) > 1:
        return None
    exponent = sum({"u": -6, "n": -9, "k": 3, "m": -3, "M": 6}[p] for p in prefixes)
    exponent -= 4 - points[0] if points else 0
    state = "ok" if glyphs.strip().isdigit() and glyphs[-1] != " " else "over" if "L" in glyphs else "blank"
    value = None
    if state == "ok":
        value = (-1 if "minus" in lit[1] else 1) * int(glyphs) * Decimal(10) ** exponent
    return (units or {"1"}, value, state, Decimal(10) ** exponent)


@given(LOW)
def test_decode_agrees_with_the_description(low: list[int]) -> None:
    """Over every frame the description can build: the same number and unit, or a refusal that the oracle allows."""
    frame = framed(low)
    told = oracle(frame)
    try:
        (reading,) = decode(frame)
    except BadFrame:
        return
    assert told is not None
    assert ({reading.unit}, reading.value, reading.state, reading.resolution) == told


NUMBERS = st.text("0123456789 L", min_size=4, max_size=4)


@given(NUMBERS, st.sampled_from(["V", "Ohm", "F", "A", "Hz", "%"]), st.integers(0, 3), st.booleans())
def test_every_number_and_unit(glyphs: str, unit: str, point: int, minus: bool) -> None:
    """Frames composed from the segment letters: they decode, and to what the oracle says."""
    low = [3, *[0] * 13]
    for i, glyph in enumerate(glyphs):
        bits = sum(1 << (6 - "abcdefg".index(s)) for s in SEGMENTS[glyph])
        low[1 + 2 * i], low[2 + 2 * i] = bits >> 4, bits & 15
    low[1] |= 8 * minus
    if point:
        low[1 + 2 * point] |= 8
    at, bit = {"V": (12, 4), "Ohm": (11, 4), "F": (11, 8), "A": (12, 8), "Hz": (12, 2), "%": (10, 4)}[unit]
    low[at] |= bit
    if unit == "F":
        low[9] |= 8  # farads are shown in nF, uF and mF only
    (reading,) = decode(framed(low))
    assert ({reading.unit}, reading.value, reading.state, reading.resolution) == oracle(framed(low))


@pytest.mark.parametrize(
    ("at", "low"),
    [
        (12, 0b1100),  # A and V
        (11, 0b1100),  # F and Ohm, with V
        (9, 0b1100),  # u and n
        (9, 0b0010),  # kV: no range of these meters
        (10, 0b0010),  # MV
        (10, 0b0001),  # beeper with V
        (7, 0b1010),  # a second point
    ],
)
def test_impossible_annunciators_are_refused(at: int, low: int) -> None:
    frame = bytearray.fromhex("17 20 35 45 5B 69 7F 82 97 A0 B0 C0 D4 E0")
    frame[at] = frame[at] & 0xF0 | low
    with pytest.raises(BadFrame):
        decode(bytes(frame))


@pytest.mark.parametrize("cut", range(14))
def test_other_lengths_are_refused(cut: int) -> None:
    frame = bytes.fromhex("17 20 35 45 5B 69 7F 82 97 A0 B0 C0 D4 E0")
    for data in (frame[:cut], frame[cut + 1 :], frame + frame[: cut + 1]):
        with pytest.raises(BadFrame):
            decode(data)


def test_a_meter_switched_off_leaves_nothing_behind() -> None:
    frame = bytes.fromhex("17 20 35 45 5B 69 7F 82 97 A0 B0 C0 D4 E0")
    driver = Driver()
    assert driver.feed(frame[:9]) == []
    driver.silence()
    shown: list[Reading] = driver.feed(frame)
    assert [str(r.value) for r in shown] == ["12.34"]
    assert (driver.skipped, driver.taken, len(driver.held)) == (9, 14, 0)
