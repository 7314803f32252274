"""es51978. [I] is the IDEAL ND2385 user guide, pp. 17-20; "derived" blocks are composed from its tables."""

from __future__ import annotations

from contextlib import suppress
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from meterlink_drivers.es51978 import FRAME, TABLE, Driver, build, decode

from meterlink.driver import BadFrame
from tests.drivers.streamed import CUTS, flat, passes, run, streams

GOOD = bytes.fromhex("31 31 32 33 34 3B 30 30 3A 0D 0A")
OTHER = bytes.fromhex("31 31 32 33 35 3B 30 30 3A 0D 0A")


@pytest.mark.parametrize(
    ("frame", "reading", "display"),
    [
        # derived from [I]; DC, AC, AUTO and APO from memory
        ("31 31 32 33 34 3B 30 30 3A 0D 0A", ("voltage", "dc", "1.234", "V", "ok", "auto"), "1.234 V"),
        ("30 30 35 36 37 3B 34 30 3A 0D 0A", ("voltage", "dc", "-0.0567", "V", "ok", "auto"), "-056.7 mV"),
        ("35 34 30 30 30 33 31 30 32 0D 0A", ("resistance", None, None, "Ohm", "over", "auto"), "OL MOhm"),
        ("31 33 32 35 30 32 38 30 30 0D 0A", ("frequency", None, "3.250E+4", "Hz", "ok"), "32.50 kHz"),
        ("32 30 34 37 31 36 30 30 33 0D 0A", ("capacitance", None, "4.71E-8", "F", "ok", "auto", "apo"), "047.1 nF"),
        ("31 31 32 33 34 39 30 30 34 0D 0A", ("current", "ac", "0.1234", "A", "ok"), "123.4 mA"),
        # [I]: judge 0 in function 32 is RPM; range 35 is 4000 Mrpm
        ("35 31 32 33 34 32 30 30 30 0D 0A", ("rotation", None, "1.234E+9", "/min", "ok"), "1234 Mrpm"),
        # [I]: judge is valid for function 32 only
        ("31 31 32 33 34 3B 38 30 3A 0D 0A", ("voltage", "dc", "1.234", "V", "ok", "auto"), "1.234 V"),
    ],
)
def test_worked_blocks(frame: str, reading: tuple[object, ...], display: str) -> None:
    (one,) = decode(bytes.fromhex(frame))
    assert flat([one]) == [reading]
    assert one.display == display


@pytest.mark.parametrize(
    "frame",
    [
        "31 31 32 33 34 3A 30 30 3A 0D 0A",  # no such function
        "35 31 32 33 34 3B 30 30 3A 0D 0A",  # the first range code above [I]'s voltage column
        "36 31 32 33 34 33 30 30 32 0D 0A",  # ... above ohm
        "38 31 32 33 34 36 30 30 32 0D 0A",  # ... above capacitance
        "32 31 32 33 34 39 30 30 38 0D 0A",  # ... above mA
        "31 31 32 33 34 31 30 30 30 0D 0A",  # diode has one range, 30
        "31 34 30 30 31 3B 30 30 3A 0D 0A",  # 4001 in 4000 counts
        "31 31 3A 33 34 3B 30 30 3A 0D 0A",  # a digit that is none
        "31 31 32 33 34 3B 31 30 3A 0D 0A",  # over range comes as 4000
        "31 31 32 33 34 3B 30 38 3A 0D 0A",  # option 1, fixed bits
        "31 33 32 35 30 32 3C 30 30 0D 0A",  # a negative frequency
        "31 31 32 33 34 3B 30 30 3A 0A 0D",
        "B1 31 32 33 34 3B 30 30 3A 0D 0A",  # one byte of even parity
    ],
)
def test_what_no_range_shows_is_no_block(frame: str) -> None:
    with pytest.raises(BadFrame):
        decode(bytes.fromhex(frame))


def test_a_frequency_over_range_may_show_its_number() -> None:
    """The ES51961 data sheet, p. 19 (a sibling): in frequency mode the measured number is sent even then."""
    assert decode(bytes.fromhex("31 33 32 35 30 32 39 30 30 0D 0A"))[0].state == "over"


def test_the_parity_bit_is_checked_and_stripped() -> None:
    eight = bytes(b | 0x80 if b.bit_count() % 2 == 0 else b for b in GOOD)
    assert eight != GOOD
    assert flat(decode(eight)) == flat(decode(GOOD))
    for i in range(len(eight)):
        with pytest.raises(BadFrame):
            decode(eight[:i] + bytes([eight[i] ^ 0x80]) + eight[i + 1 :])


@pytest.mark.parametrize(
    ("blocks", "readings"),
    [
        ([GOOD, GOOD], 1),
        ([GOOD] * 8, 4),  # a meter that stands still keeps its rate
        ([GOOD, GOOD, OTHER, OTHER, GOOD, GOOD], 3),
        ([GOOD, OTHER, OTHER, GOOD, GOOD], 3),  # a lost second copy takes no reading away
        ([GOOD, b"\x31\x31", GOOD, OTHER, OTHER], 2),  # noise between two copies
        ([], 0),
    ],
)
def test_each_conversion_is_read_once(blocks: list[bytes], readings: int) -> None:
    """[I], EZ Digital DM-530SRS p. 30: each block is sent twice per conversion."""
    stream = b"".join(blocks)
    assert len(run(Driver, stream)) == readings
    assert len(run(Driver, stream, range(len(stream)))) == readings


def test_a_silence_ends_a_pair() -> None:
    driver = Driver()
    shown = [driver.feed(GOOD)]  # its second copy is lost
    driver.silence()
    shown += [driver.feed(GOOD), driver.feed(GOOD)]
    assert [len(s) for s in shown] == [1, 1, 0]
    assert (driver.frames, driver.taken, driver.skipped) == (3, 33, 0)


CODES = st.sampled_from(sorted(TABLE)).map(lambda k: (k >> 4 & 15, k >> 8, (k & 1) << 3))
SHAPED = st.tuples(
    CODES | st.tuples(st.integers(0, 15), st.integers(0, 15), st.just(0)),
    st.lists(st.integers(0, 9), min_size=4, max_size=4) | st.just([4, 0, 0, 0]),
    st.integers(0, 7),
    st.sampled_from([0, 0, 0, 1, 2]),
    st.integers(0, 15),
).map(lambda f: bytes(0x30 | n for n in (f[0][0], *f[1], f[0][1], f[0][2] | f[2], f[3], f[4])) + b"\r\n")
# [I]'s table once more, as decimal exponents of the last digit by function and range
EXPONENTS = {
    0xB: (-4, -3, -2, -1, 0), 0x9: (-5, -4), 0x3: (-1, 0, 1, 2, 3, 4), 0x6: (-12, -11, -10, -9, -8, -7, -6, -5),
}  # fmt: skip


@given(SHAPED)
def test_the_description_reads_the_same(frame: bytes) -> None:
    try:
        (one,) = decode(frame)
    except BadFrame:
        return
    told = FRAME.parse(frame)
    assert FRAME.build(told) == frame
    assert (one.state == "over") == bool(told.status & 1)
    if one.value is not None and told.function in EXPONENTS:
        shown = 1000 * told.d3 + 100 * told.d2 + 10 * told.d1 + told.d0
        sign = -1 if told.status & 4 else 1
        assert one.value == sign * shown * Decimal(10) ** EXPONENTS[told.function][told.range]


@given(SHAPED | st.binary(max_size=20))
def test_decode_raises_bad_frame_only(data: bytes) -> None:
    with suppress(BadFrame):
        decode(data)


@given(streams(SHAPED | st.just(GOOD * 2) | st.just(OTHER * 2)), CUTS)
def test_cuts_change_nothing_and_no_byte_is_lost(stream: bytes, cuts: set[int]) -> None:
    assert run(Driver, stream, cuts) == run(Driver, stream)


@given(SHAPED)
def test_build_is_the_inverse(frame: bytes) -> None:
    try:
        (one,) = decode(frame)
    except BadFrame:
        return
    if one.coupling is not None or one.function not in ("voltage", "current"):
        assert flat(decode(build(one))) == flat([one])


def test_the_kit() -> None:
    passes("es51978")
