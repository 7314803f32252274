"""poll14. The table is from memory of the manuals of Metex-built meters; "derived" answers are composed of it."""

from __future__ import annotations

from contextlib import suppress
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from meterlink_drivers.poll14 import FRAME, INFO, Driver, answer, build, decode

from meterlink.driver import BadFrame, Dialogue, Reading
from tests.drivers.polled import Conversation
from tests.drivers.streamed import flat, passes


@pytest.mark.parametrize(
    ("text", "frame", "reading"),
    [
        # derived: the five worked exchanges
        ("DC -1.999   V", "44 43 20 2D 31 2E 39 39 39 20 20 20 56 0D", ("voltage", "dc", "-1.999", "V", "ok")),
        ("AC  230.1   V", "41 43 20 20 32 33 30 2E 31 20 20 20 56 0D", ("voltage", "ac", "230.1", "V", "ok")),
        ("OH  3.999MOhm", "4F 48 20 20 33 2E 39 39 39 4D 4F 68 6D 0D", ("resistance", None, "3999000", "Ohm", "ok")),
        ("OH    O.LMOhm", "4F 48 20 20 20 20 4F 2E 4C 4D 4F 68 6D 0D", ("resistance", None, "None", "Ohm", "over")),
        ("DC  012.3  mV", "44 43 20 20 30 31 32 2E 33 20 20 6D 56 0D", ("voltage", "dc", "0.0123", "V", "ok")),
        # derived: the value field from column 3, the ways over range is written, the unit to the left
        ("DC-1.9999   V", "", ("voltage", "dc", "-1.9999", "V", "ok")),
        ("DC  .OL     V", "", ("voltage", "dc", "None", "V", "over")),
        ("DC -0L.     V", "", ("voltage", "dc", "None", "V", "over")),
        ("FR  12.34Khz ", "", ("unknown", None, "None", "1", "blank", "unit-khz", "unreadable")),
        ("FR  12.34KHZ ", "", ("frequency", None, "12340", "Hz", "ok")),
        ("CA  47.02nF  ", "", ("capacitance", None, "4.702E-8", "F", "ok")),
        ("CA  1.000  mF", "", ("capacitance", None, "0.001", "F", "ok")),
        ("DC -19.999  V", "", ("voltage", "dc", "-19.999", "V", "ok")),
        ("DC  12345  mV", "", ("voltage", "dc", "12.345", "V", "ok")),
        ("DC-019999  mV", "", ("voltage", "dc", "None", "V", "blank", "unreadable")),  # six digits are no display of it
    ],
)
def test_worked_answers(text: str, frame: str, reading: tuple[object, ...]) -> None:
    data = text.encode() + b"\r"
    assert not frame or bytes.fromhex(frame) == data
    (one,) = decode(data, b"D")
    function, coupling, value, unit, state, *flags = reading
    assert (one.function, one.coupling, one.unit, one.state, *one.flags) == (function, coupling, unit, state, *flags)
    assert (one.value is None) == (value == "None")
    assert one.value is None or one.value == Decimal(str(value))


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"DC -1.999   V", "no CR"),
        (b"DC -1.999  V\r", "13"),
        (b"DC -1.999   V\n", "no CR"),
        (b"dc -1.999   V\r", "no mode"),
        (b"OH  1.999   V\r", "another mode's unit"),
        (b"DC  1.999    \r", "no unit"),
        (b"DC -1.\x0199   V\r", "not printable"),
        (b"DC -1.\xb999   V\r", "bit 7 in one byte only"),
    ],
)
def test_other_bytes_are_no_answer(data: bytes, why: str) -> None:
    with pytest.raises(BadFrame):
        decode(data, b"D")


def test_the_question_is_d() -> None:
    with pytest.raises(BadFrame):
        decode(b"DC -1.999   V\r", b"C")
    assert answer(b"C", decode(b"DC -1.999   V\r")) == b""


@pytest.mark.parametrize("text", ["DC   12.3  mV", "TC-1.9999   C", "OH  4.702KOhm", "AC  230.1   V", "FR   50.0  Hz"])
def test_a_built_answer_is_in_the_range_that_shows_it(text: str) -> None:
    """The prefix with three places or fewer, as the worked answers have it; four where no other range has them."""
    data = text.replace("KOhm", "kOhm").encode() + b"\r"
    assert build(decode(data)[0]) == data


@pytest.mark.parametrize("end", [b"", b"\n", b"\r"])
def test_an_end_more_after_the_answer_is_no_fault(end: bytes) -> None:
    """A 15th character, LF or CR, comes from some meters: skipped, counted, not told as a fault."""
    framer = Driver()
    assert isinstance(framer, Dialogue)
    talk = Conversation(framer, lambda asked: b"DC -1.999   V\r" + end)
    readings = talk.run(5)
    assert talk.asked == [b"D"] * len(talk.asked)
    assert len(talk.asked) in (10, 11)  # twice a second
    assert len(readings) == len(talk.asked)
    assert (framer.bad, framer.timeouts) == (0, 0)
    assert framer.skipped + len(framer.held) == len(end) * len(readings)


def test_what_is_no_line_end_is_a_fault() -> None:
    framer = Driver()
    assert isinstance(framer, Dialogue)
    Conversation(framer, lambda asked: b"DC -1.999   V\rxy").run(5)
    assert framer.bad > 0


def test_no_answer_is_a_timeout_and_the_next_question_comes() -> None:
    framer = Driver()
    assert isinstance(framer, Dialogue)
    talk = Conversation(framer, lambda asked: b"" if len(talk.asked) < 3 else b"DC -1.999   V\r")
    assert talk.run(10)
    assert framer.timeouts == 2


def test_four_records_are_three_displays() -> None:
    """Derived: main, two sub displays, time; one that shows nothing gives no reading."""
    time = b"  12:34:56   \r"
    data = b"AC  230.1   V\rFR  050.0  Hz\r             \r" + time
    main, sub = decode(data, b"D", "4x14")
    assert flat([main, sub]) == [("voltage", "ac", "230.1", "V", "ok"), ("frequency", None, "50.0", "Hz", "ok")]
    assert (main.channel, sub.channel) == (None, "2")
    assert flat(decode(build([main, sub], "4x14"), b"D", "4x14")) == flat([main, sub])
    with pytest.raises(BadFrame):
        decode(data, b"D")
    with pytest.raises(ValueError, match="displays"):
        build([main, sub])


def test_a_sub_display_is_never_read_as_the_main_one() -> None:
    """A meter with four records under model 14: the next question waits until the line is quiet.

    1200 7N2: 14 characters take 117 ms; the first record comes 0.3 s after the question.
    """
    framer = Driver()
    records = (b"AC  230.1   V\r", b"FR  050.0  Hz\r", b"DC  12.00   V\r", b"  12:34:56   \r")
    line: list[tuple[float, bytes]] = []
    shown = []
    for tick in range(1000):
        now = tick / 100
        if framer.request(now) is not None:
            assert not line  # asked into the records of the last answer
            line = [(now + 0.3 + 0.117 * i, record) for i, record in enumerate(records)]
        if line and line[0][0] <= now:
            shown += framer.feed(line.pop(0)[1])
    assert len(shown) > 5
    assert {r.function for r in shown} == {"voltage"}
    assert {r.coupling for r in shown} == {"ac"}


def test_how_it_is_wired() -> None:
    """From memory: 1200 7N2, DTR on, RTS off, not more than two questions a second."""
    line = INFO.line
    assert line is not None
    assert (line.baudrate, line.bytesize, line.parity, line.stopbits, line.dtr, line.rts) == (
        1200,
        7,
        "N",
        2,
        True,
        False,
    )
    assert (INFO.poll_s, line.settle_s) == (0.5, 0.5)  # "wait about 0.5 s and drop what came before": any opto stream
    assert INFO.sure == "from memory"


MODES = st.sampled_from(["DC", "AC", "OH", "CA", "FR", "DI", "TE", "TC", "HF", "LO", "DB", "XX", "d1"])
VALUES = st.decimals(-1999, 19999, places=3).map(lambda d: f"{d:.5}"[:6]) | st.sampled_from(
    [".OL ", "O.L", "0L", "----"]
)
SENT = st.sampled_from(
    ["V", "mV", "A", "mA", "uA", "Ohm", "KOhm", "MOhm", "nF", "uF", "KHz", "HZ", "C", "", "dB", "kV"]
)
SHAPED = st.tuples(MODES, VALUES, SENT).map(lambda f: f"{f[0]} {f[1]:>6}{f[2]:>4}\r".encode())


@given(SHAPED)
def test_the_description_and_the_columns_say_the_same(frame: bytes) -> None:
    """construct as oracle: the value stands in columns 3 to 9, the unit in 10 to 13."""
    told = FRAME.parse(frame)
    assert FRAME.build(told) == frame
    try:
        (one,) = decode(frame, b"D")
    except BadFrame:
        return
    if one.value is not None:
        unit = told.unit.decode().strip()
        scale = {"K": 3, "M": 6, "m": -3, "u": -6, "n": -9}.get(unit[:1] if unit else "", 0)
        assert one.value == Decimal(told.value.decode().strip()) * Decimal(10) ** scale


@given(SHAPED | st.binary(max_size=70), st.sampled_from([None, "14", "4x14"]))
def test_decode_raises_bad_frame_only(data: bytes, model: str | None) -> None:
    with suppress(BadFrame):
        decode(data, b"D", model)


@given(SHAPED)
def test_build_is_the_inverse(frame: bytes) -> None:
    try:
        (one,) = decode(frame, b"D")
    except BadFrame:
        return
    if one.state == "blank":
        return
    try:
        again = build(one)
    except ValueError:
        assert one.value is not None  # five digits and a sign in seven columns are shown by no other range
        return
    assert flat(decode(again, b"D")) == flat([one])


@given(st.lists(SHAPED | st.binary(max_size=30) | st.just(b""), min_size=1, max_size=6), st.integers(1, 14))
def test_cuts_change_nothing_and_no_byte_is_lost(replies: list[bytes], size: int) -> None:
    """Conversation asserts the account at every piece."""

    def run(size: int) -> list[Reading]:
        left = list(replies)
        framer = Driver()
        assert isinstance(framer, Dialogue)
        talk = Conversation(framer, lambda asked: b"")
        out = []
        while left:
            talk.now += 0.1
            if framer.request(talk.now):
                reply = left.pop(0)
                for at in range(0, len(reply), size):
                    out += talk.feed(reply[at : at + size])
        return out

    assert run(size) == run(200)


def test_the_kit() -> None:
    passes("poll14")
