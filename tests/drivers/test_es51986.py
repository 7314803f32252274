"""es51986. All codes are from memory of the Cyrustek ES51986 data sheet; the block is that of the es51978."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st
from meterlink_drivers import es51978
from meterlink_drivers.es51986 import FRAME, INFO, TABLE, Driver, build, decode

from meterlink.driver import BadFrame
from tests.drivers.streamed import CUTS, flat, passes, run, streams

GOOD = bytes.fromhex("31 35 36 37 38 3B 30 30 3A 0D 0A")


@pytest.mark.parametrize(
    ("frame", "reading", "display"),
    [
        # from memory, composed from the table
        ("31 35 36 37 38 3B 30 30 3A 0D 0A", ("voltage", "dc", "5.678", "V", "ok", "auto"), "5.678 V"),
        ("30 31 32 33 34 3B 34 30 38 0D 0A", ("voltage", "dc", "-0.1234", "V", "ok"), "-123.4 mV"),
        ("34 31 30 30 30 3B 30 30 34 0D 0A", ("voltage", "ac", "1000", "V", "ok"), "1000 V"),
        ("31 31 32 33 34 3F 30 30 34 0D 0A", ("current", "ac", "0.1234", "A", "ok"), "123.4 mA"),
        ("30 31 32 33 34 30 30 30 38 0D 0A", ("current", "dc", "1.234", "A", "ok"), "1.234 A"),
        ("35 36 30 30 30 33 31 30 32 0D 0A", ("resistance", None, None, "Ohm", "over", "auto"), "OL MOhm"),
        ("34 31 32 30 30 32 38 30 32 0D 0A", ("frequency", None, "1.200E+7", "Hz", "ok", "auto"), "12.00 MHz"),
        # points that are not known are not guessed
        ("30 30 35 30 31 32 30 30 30 0D 0A", ("duty", None, None, "%", "blank", "unreadable"), "%"),
        ("30 30 32 33 34 34 38 30 30 0D 0A", ("temperature", None, None, "Cel", "blank", "unreadable"), "Cel"),
        ("30 30 37 33 30 34 30 30 30 0D 0A", ("temperature", None, None, "[degF]", "blank", "unreadable"), "[degF]"),
        ("30 31 32 33 34 3E 30 30 30 0D 0A", ("unknown", None, None, "1", "blank", "adp", "unreadable"), None),
    ],
)
def test_worked_blocks(frame: str, reading: tuple[object, ...], display: str | None) -> None:
    (one,) = decode(bytes.fromhex(frame))
    assert flat([one]) == [reading]
    assert one.display == display


def test_the_same_code_is_amperes_on_the_sibling() -> None:
    """3F: mA here (from memory), A in the IDEAL ND2385 user guide, p. 18: the instrument's driver decides."""
    frame = bytes.fromhex("30 31 32 33 34 3F 30 30 38 0D 0A")
    assert str(es51978.decode(frame)[0].value) == "12.34"
    assert str(decode(frame)[0].value) == "0.01234"


@pytest.mark.parametrize(
    "frame",
    [
        "35 31 32 33 34 3B 30 30 3A 0D 0A",  # the first voltage range code that is not there
        "31 36 30 30 31 3B 30 30 3A 0D 0A",  # 6001 in 6000 counts
        "31 31 32 33 34 39 30 30 38 0D 0A",  # a function of the sibling only
        "31 31 3A 33 34 3B 30 30 3A 0D 0A",
        "30 30 35 30 31 32 34 30 30 0D 0A",  # a negative duty
    ],
)
def test_what_no_range_shows_is_no_block(frame: str) -> None:
    with pytest.raises(BadFrame):
        decode(bytes.fromhex(frame))


def test_all_of_it_is_marked_from_memory() -> None:
    assert INFO.sure == "from memory"
    assert INFO.line is not None
    assert (INFO.line.baudrate, INFO.line.bytesize, INFO.line.parity) == (19200, 7, "O")


def test_each_conversion_is_read_once() -> None:
    assert len(run(Driver, GOOD * 6)) == 3


CODES = st.sampled_from(sorted(TABLE)).map(lambda k: (k >> 4 & 15, k >> 8, (k & 1) << 3))
SHAPED = st.tuples(
    CODES | st.tuples(st.integers(0, 15), st.integers(0, 15), st.just(0)),
    st.lists(st.integers(0, 9), min_size=4, max_size=4),
    st.integers(0, 7),
    st.integers(0, 15),
    st.integers(0, 15),
).map(lambda f: bytes(0x30 | n for n in (f[0][0], *f[1], f[0][1], f[0][2] | f[2], f[3], f[4])) + b"\r\n")


@given(SHAPED)
def test_the_description_takes_what_decode_takes(frame: bytes) -> None:
    try:
        (one,) = decode(frame)
    except BadFrame:
        return
    told = FRAME.parse(frame)
    assert FRAME.build(told) == frame
    assert ("option1-4" in one.flags) == bool(told.option1 & 4)
    if one.value is not None:
        _, digits, _ = one.value.as_tuple()
        assert int("".join(map(str, digits))) == 1000 * told.d3 + 100 * told.d2 + 10 * told.d1 + told.d0


@given(SHAPED | st.binary(max_size=20))
def test_decode_raises_bad_frame_only(data: bytes) -> None:
    with suppress(BadFrame):
        decode(data)


@given(streams(SHAPED | st.just(GOOD * 2)), CUTS)
def test_cuts_change_nothing_and_no_byte_is_lost(stream: bytes, cuts: set[int]) -> None:
    assert run(Driver, stream, cuts) == run(Driver, stream)


@given(SHAPED)
def test_build_is_the_inverse(frame: bytes) -> None:
    try:
        (one,) = decode(frame)
    except BadFrame:
        return
    if one.state != "blank" and (one.coupling is not None or one.function not in ("voltage", "current")):
        assert flat(decode(build(one))) == flat([one])


def test_the_kit() -> None:
    passes("es51986")
