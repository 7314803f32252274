"""fs9922_hid. [P] is the PeakTech 2025 protocol sheet, pp. 1-2; "derived" reports are composed from its table."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st
from meterlink_drivers import fs9922
from meterlink_drivers.fs9922_hid import FRAME, INFO, Driver, build, decode

from meterlink.driver import BadFrame
from tests.drivers.streamed import CUTS, flat, passes, run, streams

GOOD = bytes.fromhex("02 12 34 30 00 00 80 00")


@pytest.mark.parametrize(
    ("frame", "reading", "display"),
    [
        # derived from [P]
        ("02 12 34 30 00 00 80 00", ("voltage", "dc", "12.34", "V", "ok", "auto"), "12.34 V"),
        ("04 00 05 10 00 40 80 00", ("voltage", "dc", "0.0005", "V", "ok"), "000.5 mV"),
        # [P]: points 3 and 4 both mean xxx.x
        ("03 00 05 10 00 40 80 00", ("voltage", "dc", "0.0005", "V", "ok"), "000.5 mV"),
        # from memory: the serial frame's ?0:?, packed
        ("02 F0 AF 20 00 10 20 00", ("resistance", None, None, "Ohm", "over", "auto"), "OL MOhm"),
    ],
)
def test_worked_reports(frame: str, reading: tuple[object, ...], display: str) -> None:
    (one,) = decode(bytes.fromhex(frame))
    assert flat([one]) == [reading]
    assert one.display == display


@pytest.mark.parametrize("bit", [3, 4, 5, 6, 7])
def test_a_sign_that_cannot_be_read_is_not_guessed(bit: int) -> None:
    marked = bytes([GOOD[0] | 1 << bit]) + GOOD[1:]
    assert flat(decode(marked)) == [("voltage", "dc", None, "V", "blank", "auto", "unreadable")]
    capacitance = bytes.fromhex("12 34 00 02 00 04 00")
    assert flat(decode(bytes([2 | 1 << bit]) + capacitance)) == flat(decode(b"\2" + capacitance))
    relative = bytes.fromhex("12 34 04 02 00 04 00")
    assert decode(bytes([2 | 1 << bit]) + relative)[0].state == "blank"


@pytest.mark.parametrize(
    "frame",
    ["05 12 34 30 00 00 80 00", "02 12 34 70 00 00 80 00", "02 12 34 30 00 00 00 00", "02 12 34 20 00 00 80 00"],
)
def test_what_no_range_shows_is_no_report(frame: str) -> None:
    with pytest.raises(BadFrame):
        decode(bytes.fromhex(frame))


def test_the_usb_ids() -> None:
    """[P]: vendor 2571, product 4100, 8-byte reports."""
    assert [(u.vendor, u.product, u.report) for u in INFO.usb] == [(0x2571, 0x4100, 8)]
    assert "not readable" in INFO.notes


SHAPED = st.tuples(
    st.sampled_from([0, 1, 2, 3, 4, 5, 0x12, 0x84]),
    st.sampled_from([0x12, 0x00, 0xF0, 0x9A]),
    st.sampled_from([0x34, 0xAF, 0x99]),
    st.sampled_from([0, 0x10, 0x08, 0x18, 0x30, 0x3F, 0x26]),
    st.sampled_from([0, 0x02, 0x3C, 0xC1]),
    st.sampled_from([0, 0x80, 0x40, 0x20, 0x10, 0x08, 0x04, 0x02, 0x44]),
    st.sampled_from([0, 0x80, 0x40, 0x20, 0x10, 8, 4, 2, 1]),
    st.integers(0, 255),
).map(bytes)


@given(SHAPED)
def test_it_says_what_the_serial_frame_says(report: bytes) -> None:
    """[P]: the same content, packed; the serial driver is the oracle where no sign mark is set."""
    told = FRAME.parse(report)
    assert FRAME.build(told) == report
    digits = bytes(0x30 | d for d in (told.digits.d3, told.digits.d2, told.digits.d1, told.digits.d0))
    line = b"+" + digits + b" " + bytes([0x30 | told.head.point]) + report[3:] + b"\r\n"
    try:
        expected = fs9922.decode(line)
    except BadFrame:
        with pytest.raises(BadFrame):
            decode(report)
        return
    if not told.head.signs:
        assert decode(report) == expected


@given(SHAPED | st.binary(max_size=12))
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
    passes("fs9922_hid")
