"""tpi. "printed" lines stand in the TPI 196 manual, pp. 37-38; "derived" ones are composed from its code table."""

from __future__ import annotations

from contextlib import suppress
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from meterlink_drivers.tpi import CODES, FRAME, Driver, build, decode

from meterlink.driver import BadFrame
from tests.drivers.streamed import CUTS, flat, passes, run, streams


def line(text: str) -> bytes:
    return text.encode() + b"\r\n"


@pytest.mark.parametrize(
    ("text", "readings"),
    [
        ("2 DCV -1.2345 mV", [("voltage", "dc", "-0.0012345", "V", "ok")]),  # printed
        (
            "1 DCV 12.345 mV HIGH 10.000 11.000",  # printed: compare, with both limits
            [
                ("voltage", "dc", "0.012345", "V", "ok", "key", "high"),
                ("voltage", "dc", "0.010000", "V", "ok", "key", "limit"),
                ("voltage", "dc", "0.011000", "V", "ok", "key", "limit"),
            ],
        ),
        (
            "2 mA 0 + 04.000mA + 000.00",  # printed: current output, mA and percent
            [("current", "dc", "0.004000", "A", "ok", "setting", "output-0"),
             ("ratio", None, "0.00", "%", "ok", "setting", "output-0")],
        ),
        ("3 REL ON", []),  # printed: a key event
        ("2 ACV  230.15 V ", [("voltage", "ac", "230.15", "V", "ok")]),  # derived
        ("2 OHM  4.7021 Kohm ", [("resistance", None, "4702.1", "Ohm", "ok")]),  # derived
        ("2 CAP  1.0350 uF ", [("capacitance", None, "0.0000010350", "F", "ok")]),  # derived
        ("DCV  12.345 V ", [("voltage", "dc", "12.345", "V", "ok")]),  # the general form has no state digit
        ("2 OHM  10.000 Mohm ", [("resistance", None, "1.0000E+7", "Ohm", "ok")]),
        ("2 CAP  1.0350 mF ", [("capacitance", None, "0.0010350", "F", "ok")]),
    ],
)  # fmt: skip
def test_worked_lines(text: str, readings: list[tuple[object, ...]]) -> None:
    got = decode(line(text))
    assert [(t[:2], t[3:]) for t in flat(got)] == [(r[:2], r[3:]) for r in readings]
    assert [r.value for r in got] == [Decimal(str(r[2])) for r in readings]


def test_the_first_printed_line_in_hex() -> None:
    """TPI 196 instruction manual, pp. 37-38: its first example line, written out in hex here."""
    frame = bytes.fromhex("32 20 44 43 56 20 2D 31 2E 32 33 34 35 20 6D 56 0D 0A")
    assert flat(decode(frame)) == flat(decode(line("2 DCV -1.2345 mV")))


def test_sub_displays_are_channels() -> None:
    assert [r.channel for r in decode(line("1 DCV 12.345 mV HIGH 10.000 11.000"))] == [None, "left", "right"]
    loose = decode(line("1 DCV 12.345 V 12.300 12.400"))  # a key function whose sub displays have no printed unit
    assert flat(loose)[1:] == [
        ("unknown", None, "12.300", "1", "ok", "key"),
        ("unknown", None, "12.400", "1", "ok", "key"),
    ]


@pytest.mark.parametrize("text", ["OL", "OVER", "-OL", "O.L", "0L", ".OL"])
def test_letters_are_over_range(text: str) -> None:
    """No manual of the maker says what over range looks like: letters where a number stands. Derived here."""
    (one,) = decode(line(f"2 OHM  {text} Mohm "))
    assert (one.state, one.value, one.unit) == ("over", None, "Ohm")


@pytest.mark.parametrize("text", ["12.3z5", "1.2.3", "--1", "12,345"])
def test_a_mixture_is_not_guessed(text: str) -> None:
    (one,) = decode(line(f"2 DCV  {text} V "))
    assert (one.state, one.value, one.flags) == ("blank", None, ("unreadable",))


@pytest.mark.parametrize(
    "text",
    [
        "2 DCV  12.345 MV ", "2 DCV  12.345 Hz ", "2 OHM  4.7021 mohm ", "2 CAP  1.0350 MF ", "2 XXX  1.0350 V ",
        "4 DCV  12.345 V ", "3 DCV  12.345 V ", "3 REL MAYBE", "2 DCV 12.345 mV HIGH 10.000 11.000",
        "2 mA 1 + 04.000mA + 000.00", "2 DCV  12.34 V ", "2 DCV  12345 V ", "", "2",
    ],
)  # fmt: skip
def test_what_the_manual_does_not_have_is_no_line(text: str) -> None:
    with pytest.raises(BadFrame):
        decode(line(text))


def test_an_event_is_a_frame_without_a_reading() -> None:
    driver = Driver()
    assert driver.feed(line("3 REL ON") + line("3 RANGE MANUAL") + line("3 COMP ON 10.000 11.000")) == []
    assert (driver.frames, driver.bad, driver.skipped) == (3, 0, 0)


VALUES = st.integers(0, 99999).flatmap(
    lambda n: st.integers(1, 4).map(lambda at: f"{n:05d}"[:at] + "." + f"{n:05d}"[at:])
)
UNITS = sorted({unit for _, _, units in CODES.values() for unit in units})
SHAPED = st.tuples(
    st.sampled_from(["2 ", "1 ", "", "3 "]),
    st.sampled_from([c if len(c) == 3 else f"{c}1" for c in CODES]),
    st.sampled_from(["  ", " -"]),
    VALUES | st.sampled_from(["OL", "1.x"]),
    st.sampled_from(UNITS),
    st.sampled_from(["", " ", " LOW 1.000 2.000"]),
).map(lambda f: line(f"{f[0]}{f[1]}{f[2]}{f[3]} {f[4]}{f[5]}"))
SCALE = {"u": "0.000001", "m": "0.001", "k": "1000", "M": "1000000"}


@given(SHAPED)
def test_the_line_read_by_its_blanks(frame: bytes) -> None:
    """Split on runs of blanks, as the manual's general form says, with an arithmetic of its own."""
    try:
        readings = decode(frame)
    except BadFrame:
        return
    text = FRAME.build(FRAME.parse(frame)).decode()
    assert text.encode() == frame
    words = text.split()
    words = words if words[0] in "12" else ["2", *words]
    if readings[0].value is not None:
        unit = words[3]
        scale = SCALE.get(unit[0], "1") if len(unit) > 1 and unit not in ("tC", "tF") else "1"
        assert readings[0].value == Decimal(words[2]) * Decimal(scale)
    assert len(readings) == (3 if len(words) > 4 else 1)


@given(SHAPED | st.binary(max_size=60) | st.binary(max_size=60).map(lambda b: b + b"\r\n"))
def test_decode_raises_bad_frame_only(data: bytes) -> None:
    with suppress(BadFrame):
        decode(data)


@given(streams(SHAPED), CUTS)
def test_cuts_change_nothing_and_no_byte_is_lost(stream: bytes, cuts: set[int]) -> None:
    assert run(Driver, stream, cuts) == run(Driver, stream)


@given(SHAPED)
def test_build_is_the_inverse(frame: bytes) -> None:
    try:
        one = decode(frame)[0]
    except BadFrame:
        return
    if one.state == "blank" or "low" in one.flags:
        return
    try:
        back = build(one)
    except ValueError:  # more decimals than the first unit that fits can show
        return
    (again,) = decode(back)
    assert (again.value, again.unit, again.function, again.coupling) == (
        one.value,
        one.unit,
        one.function,
        one.coupling,
    )


def test_the_kit() -> None:
    passes("tpi")
