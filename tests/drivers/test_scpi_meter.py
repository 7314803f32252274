"""scpi_meter against the printed formats, and its conversation with a meter that answers like one."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from meterlink_drivers.scpi_meter import FRAME, INFO, Driver, answer, decode

from meterlink.driver import BadFrame, Reading
from meterlink.driver_check.play import converse
from meterlink.registry import find

ROUND = b"CONF?\r\nREAD?\r\n"


def one(frame: bytes, asked: bytes | None = None) -> Reading:
    (reading,) = decode(frame, asked)
    return reading


@pytest.mark.parametrize(
    ("frame", "function", "coupling", "value", "unit", "resolution", "state"),
    [
        # format SD.DDDDDDDDESDD printed, 34401A User's Guide, p. 159; value derived; CONF? from memory
        ('"VOLT +1.000000E-01,+1.000000E-07"\r\n-4.27150000E-03\r\n',
         "voltage", "dc", "-0.00427150000", "V", "1.000000E-7", "ok"),
        ('"RES +1.000000E+04,+1.000000E-02"\r\n+9.90000000E+37\r\n',  # from memory
         "resistance", None, "None", "Ohm", "0.01000000", "over"),
        ('"VOLT:AC 5"\r\n+1.23450000E+00\r\n', "voltage", "ac", "1.23450000", "V", "None", "ok"),  # from memory
        ('"VOLT:AC 5"\r\n+9.90000000E+37\r\n', "voltage", "ac", "None", "V", "None", "over"),  # from memory
        ('"VOLT:RAT +1.0E+01,+1.0E-05"\n+0.5\n', "ratio", None, "0.5", "1", "0.000010", "ok"),
        ('"VOLT 5,DC"\r\n-1\r\n', "voltage", "dc", "-1", "V", "None", "ok"),
        ('"CURR:ACDC 1"\r\n.25\r\n', "current", "acdc", "0.25", "A", "None", "ok"),
        ("+1.5E-3\r\n", "unknown", None, "0.0015", "1", "None", "ok"),
        ("+9.91E37\n", "unknown", None, "None", "1", "None", "blank"),  # SCPI-99 not a number, from memory
        ("-9.9E37\n", "unknown", None, "None", "1", "None", "over"),
    ],
)  # fmt: skip
def test_published_replies(
    frame: str, function: str, coupling: str | None, value: str, unit: str, resolution: str, state: str
) -> None:
    reading = one(frame.encode())
    assert (reading.function, reading.coupling, str(reading.value), reading.unit) == (function, coupling, value, unit)
    assert (str(reading.resolution), reading.state) == (resolution, state)


@pytest.mark.parametrize(
    ("text", "value"),
    [("12", "12"), ("-0", "-0"), ("+007", "7"), ("1.", "1"), (".5", "0.5"), ("-1.25", "-1.25"), ("1E3", "1E+3"),
     ("+1.5e-03", "0.0015")],
)  # fmt: skip
def test_nr1_nr2_nr3(text: str, value: str) -> None:
    """IEEE 488.2-1992, 8.7.2 to 8.7.4: integers, fixed point, floating point."""
    assert str(one(text.encode() + b"\n").value) == value


def test_sign_of_an_overload_is_kept() -> None:
    assert one(b"-9.90000000E+37\n").flags == ("negative",)
    assert one(b"+9.90000000E+37\n").flags == ()


def test_several_readings_are_comma_separated() -> None:
    """34401A User's Guide, p. 165."""
    readings = decode(b'"VOLT 1,1E-6"\r\n+1.00000000E+00,+2.00000000E+00\r\n')
    assert [str(r.value) for r in readings] == ["1.00000000", "2.00000000"]


def test_conf_alone_gives_no_reading() -> None:
    assert decode(b'"VOLT +1.0E+01,+1.0E-05"\r\n') == []


@pytest.mark.parametrize(
    ("frame", "asked"),
    [
        (b"", None),
        (b"\r\n", None),
        (b"hello\r\n", None),
        (b"1.2.3\r\n", None),
        (b"+1E999\r\n", None),
        (b"+9.80000000E+37\r\n", None),
        (b"\xb2\n", None),
        ("\u0663\n".encode(), None),
        (b'-113,"Undefined header"\r\n', None),  # printed form of SYST:ERR? (from memory)
        (b"*E\r\n", ROUND),
        (b"ERR\r\n", None),
        (b"+1.00000000E+00\r\n", ROUND),  # asked for CONF? and got none
        (b'"VOLT 1"\r\n', ROUND),  # asked for a number and got none
    ],
)
def test_what_is_no_answer_is_a_bad_frame(frame: bytes, asked: bytes | None) -> None:
    with pytest.raises(BadFrame):
        decode(frame, asked)


@pytest.mark.parametrize(
    "frame",
    [
        b'"VOLT +1.000000E+01,+1.000000E-05"\r\n+1.0000000E+00\r\n',  # a digit lost
        b'"VOLT +1.000000E+01,+1.000000E-05"\r\n1.00000000E+00\r\n',  # the sign lost
        b'"VOLT +1.000000E+01,+1.000000E-05"\r\n+1.00000000E+0\r\n',  # a digit of the exponent lost
        b'"VOLT:A +1.000000E+01,+1.000000E-05"\r\n+1.00000000E+00\r\n',  # AC cut short
    ],
)
def test_a_34401a_keeps_to_its_printed_form(frame: bytes) -> None:
    """34401A User's Guide, p. 159: SD.DDDDDDDDESDD. Without the model any number of IEEE 488.2 is taken."""
    with pytest.raises(BadFrame):
        decode(frame, ROUND, "34401A")
    assert len(decode(frame, ROUND)) == 1


@given(st.lists(st.binary(max_size=20).filter(lambda b: b"\n" not in b), max_size=4))
def test_the_description_splits_lines(lines: list[bytes]) -> None:
    frame = b"".join(line + b"\n" for line in lines)
    assert list(FRAME.parse(frame).lines) == lines
    assert FRAME.build(FRAME.parse(frame)) == frame


SHOWN = Reading(function="voltage", coupling="dc", value=None, unit="V", state="over")


@pytest.mark.parametrize(
    ("model", "first", "number"), [("34401A", b"SYST:REM\r\n", b"READ?\r\n"), ("handheld", b"CONF?\r\n", b"FETC?\r\n")]
)
def test_the_conversation(model: str, first: bytes, number: bytes) -> None:
    """Opening, then rounds; a line that a key press brings in between is passed over."""
    asked: list[bytes] = []
    driver = Driver(model)

    def meter(query: bytes) -> bytes:
        asked.append(query)
        return (b"*K\r\n" if len(asked) == 3 else b"") + answer(query, SHOWN, model)

    readings = list(converse(driver, meter, lambda: driver.frames == 3))
    assert asked[0] == first
    assert asked[-2:] == [b"CONF?\r\n", number]
    assert [r.state for r in readings] == ["over"] * 3
    assert driver.bad == 0
    assert readings[-1].asked == b"CONF?\r\n" + number
    spec = find(f"scpi_meter:{model}")
    assert spec.decode(readings[-1].raw, readings[-1].asked)[0].state == "over"


def test_a_meter_that_says_error_is_told_in_status() -> None:
    driver = Driver()
    list(converse(driver, lambda q: b"" if q.startswith(b"SYST") else b"*E\r\n", lambda: driver.bad > 0))
    assert "error" in driver.last_bad


def test_read_as_printed_in_hex() -> None:
    """34401A: READ? CR LF (34401A User's Guide, p. 159)."""
    assert Driver().round[1].ask == bytes.fromhex("52 45 41 44 3F 0D 0A")
    assert Driver("handheld").round[1].ask == bytes.fromhex("46 45 54 43 3F 0D 0A")
    assert INFO.line is not None
    assert INFO.line.stopbits == 2
