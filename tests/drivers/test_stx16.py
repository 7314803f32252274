"""stx16. [L] is the Lutron DM-9962SD manual, p. 17; [X] is "Extech SW Protocol (All Versions)"; "derived" frames are
composed from their tables."""

from __future__ import annotations

from contextlib import suppress
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from meterlink_drivers.stx16 import FRAME, UNITS, Driver, build, decode

from meterlink.driver import FUNCTIONS, BadFrame
from tests.drivers.streamed import CUTS, flat, passes, run, streams


def framed(text: str) -> bytes:
    return b"\x02" + text.encode("latin-1") + b"\r"


@pytest.mark.parametrize(
    ("frame", "reading", "channel"),
    [
        # digit field printed in [L], frame derived
        ("02 34 31 33 34 30 32 30 30 30 30 31 32 33 34 0D", ("voltage", "dc", "12.34", "V", "ok"), None),
        # derived
        ("02 34 31 31 38 31 33 30 30 30 30 30 34 37 33 0D", ("voltage", "dc", "-0.000473", "V", "ok"), None),
        ("02 34 31 34 33 30 32 30 30 30 30 33 39 39 39 0D", ("capacitance", None, "3.999E-8", "F", "ok"), None),
        ("02 34 31 41 34 30 30 30 30 30 30 30 34 37 30 0D", ("capacitance", None, "4.70E-10", "F", "ok"), None),
        ("02 34 32 30 31 30 31 30 30 30 30 30 32 33 35 0D", ("temperature", None, "23.5", "Cel", "ok"), "2"),
    ],
)
def test_worked_frames(frame: str, reading: tuple[object, ...], channel: str | None) -> None:
    (one,) = decode(bytes.fromhex(frame))
    told = flat([one])[0]
    assert (told[:2], told[3:]) == (reading[:2], reading[3:])
    assert one.value == Decimal(str(reading[2]))
    assert one.channel == channel


@pytest.mark.parametrize(
    ("code", "function", "coupling", "one"),
    [
        # [L]: the AC ampere codes stand in another order than the DC ones
        ("35", "current", "dc", "0.000001"), ("36", "current", "dc", "1"), ("37", "current", "dc", "0.001"),
        ("51", "current", "ac", "0.000001"), ("52", "current", "ac", "1"), ("53", "current", "ac", "0.001"),
        ("18", "voltage", "dc", "0.001"), ("49", "voltage", "ac", "0.001"), ("50", "voltage", "ac", "1"),
        ("38", "resistance", None, "1"), ("39", "resistance", None, "1000"), ("40", "resistance", None, "1E+6"),
        ("A4", "capacitance", None, "1E-12"), ("43", "capacitance", None, "1E-9"), ("44", "capacitance", None, "1E-6"),
        ("31", "frequency", None, "1"), ("33", "frequency", None, "1000"), ("67", "frequency", None, "1E+6"),
        ("68", "inductance", None, "1E-6"), ("41", "inductance", None, "0.001"), ("42", "inductance", None, "1"),
        ("46", "diode", None, "1"),
    ],
)  # fmt: skip
def test_electrical_codes(code: str, function: str, coupling: str | None, one: str) -> None:
    (reading,) = decode(framed(f"41{code}0000000001"))
    assert (reading.function, reading.coupling, reading.value) == (function, coupling, Decimal(one))
    assert reading.unit in FUNCTIONS[function]


def test_the_old_layout_gives_both_displays() -> None:
    """[X]: polarity, lower unit, upper code, places of the lower and of the upper, lower digits, upper digits."""
    upper, lower = decode(framed("21341202351234"))
    assert (upper.value, upper.channel) == (Decimal("12.34"), None)
    assert (lower.value, lower.unit, lower.channel) == (Decimal("-23.5"), "Cel", "2")
    upper, lower = decode(framed("32501300731234"))
    assert (upper.value, lower.value, lower.unit) == (Decimal("-1.234"), Decimal("-7.3"), "[degF]")
    assert [r.channel for r in decode(framed("10180300001234"))] == [None]
    with pytest.raises(BadFrame):
        decode(framed("10180300051234"))  # digits of a display that has no unit


def test_a_clock_record_is_a_frame_without_a_reading() -> None:
    """[X]: version 2 with D13 = 0 is yy mm dd hh mm ss."""
    driver = Driver()
    assert driver.feed(framed("40261124130501")) == []
    assert (driver.frames, driver.taken, driver.bad) == (1, 16, 0)
    for no_date in ("40261324130501", "40261100130501", "40261124240501", "40261124136001"):
        with pytest.raises(BadFrame):
            decode(framed(no_date))


@pytest.mark.parametrize("arrow", ["^", "v", "\x7e", "\xb0"])
def test_arrows_are_out_of_range(arrow: str) -> None:
    """[X]: D8 to D5 are 0, D4 to D1 arrows; which characters they are is not printed."""
    (one,) = decode(framed(f"413901{'0000'}{arrow * 4}"))
    assert (one.state, one.value, one.flags) == ("over", None, ("arrows",))


def test_other_characters_are_not_guessed() -> None:
    (one,) = decode(framed("4139010000^12v"))
    assert (one.state, one.value, one.flags) == ("blank", None, ("unreadable",))
    (one,) = decode(framed("41390100012x47"))
    assert (one.state, one.value, one.flags) == ("blank", None, ("unreadable",))


def test_a_code_of_no_table_is_unknown() -> None:
    (one,) = decode(framed("41990100000123"))
    assert flat([one]) == [("unknown", None, "12.3", "1", "ok", "unit-99")]
    assert "57" not in UNITS  # g is a mass on one meter and an acceleration on another


@pytest.mark.parametrize(
    "text",
    ["51340200001234", "4D340200001234", "41340800001234", "41342200001234", "41g40200001234", "41 40200001234"],
)
def test_what_neither_layout_has_is_no_frame(text: str) -> None:
    with pytest.raises(BadFrame):
        decode(framed(text))


SHAPED = st.tuples(
    st.sampled_from("0123445"),
    st.sampled_from("01239ACD"),
    st.sampled_from([*UNITS, "57", "99", "F0", "zz"]),
    st.sampled_from("0012"),
    st.sampled_from("01234"),
    st.text("0123456789", min_size=8, max_size=8)
    | st.integers(0, 9999).map(lambda n: f"{n:08d}")
    | st.sampled_from(["0000^^^^", "00001x34", "00000000"]),
).map(lambda fields: framed("".join(fields)))


@given(SHAPED)
def test_the_description_reads_the_same(frame: bytes) -> None:
    try:
        readings = decode(frame)
    except BadFrame:
        return
    told = FRAME.parse(frame)
    assert FRAME.build(told) == frame
    if told.version == b"4" and readings and readings[0].value is not None:
        sign = -1 if told.polarity == b"1" else 1
        unit = UNITS.get(told.unit.decode(), UNITS["00"])
        assert readings[0].value == sign * int(told.digits) * Decimal(10) ** (unit.exponent - int(told.places))


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
        readings = decode(frame)
    except BadFrame:
        return
    for one in readings:
        if one.state != "blank" and not any(f.startswith("unit-") for f in one.flags):
            try:
                back = build(one)
            except ValueError:  # more than three places
                continue
            assert decode(back)[0].value == one.value
            assert decode(back)[0].channel == one.channel


def test_the_kit() -> None:
    passes("stx16")
