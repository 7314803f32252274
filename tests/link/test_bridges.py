"""What the bridges' reports look like, held against the worked reports of the sheet and against pyserial's own."""

from __future__ import annotations

import importlib
import sys
from types import ModuleType
from typing import Any

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

from meterlink.errors import LinkLost
from meterlink.link.bridges import LONGEST, Cp2110, Wch
from meterlink.reading import Line


def as_sent(line: Line) -> list[bytes]:
    return [bytes([r.number]) + r.body for r in Cp2110(line).configure()]


@pytest.mark.parametrize(
    ("line", "report"),
    [
        (Line(baudrate=9600), "50 00 00 25 80 00 00 03 00"),  # sheet hid-bridges, 1, worked
        (Line(baudrate=19200, bytesize=7, parity="O"), "50 00 00 4B 00 01 00 02 00"),
        (Line(baudrate=2400), "50 00 00 09 60 00 00 03 00"),
    ],
)
def test_cp2110_line_reports_of_the_sheet(line: Line, report: str) -> None:
    config, enable, purge = as_sent(line)
    assert config == bytes.fromhex(report)
    assert enable == bytes.fromhex("41 01")
    assert purge == bytes.fromhex("43 03")  # AN434: 01 TX, 02 RX, 03 both


@pytest.mark.parametrize("parity", ["N", "O", "E"])
@pytest.mark.parametrize("bytesize", [5, 6, 7, 8])
@pytest.mark.parametrize("stopbits", [1, 2])
@pytest.mark.parametrize("baudrate", [300, 2400, 19230, 1_000_000])
def test_cp2110_line_report_is_pyserials(
    monkeypatch: pytest.MonkeyPatch, parity: Any, bytesize: int, stopbits: int, baudrate: int
) -> None:
    """pyserial 3.5 has its own CP2110 (through hidapi, which this machine need not have): the same nine bytes."""
    reports: list[bytes] = []

    class Handle:
        def send_feature_report(self, data: bytes) -> None:
            reports.append(bytes(data))

    hidapi = ModuleType("hid")
    monkeypatch.setitem(sys.modules, "hid", hidapi)
    module = importlib.import_module("serial.urlhandler.protocol_cp2110")
    port = module.Serial(None, baudrate=baudrate, bytesize=bytesize, parity=parity, stopbits=stopbits)
    port._hid_handle = Handle()
    port._reconfigure_port()
    monkeypatch.delitem(sys.modules, "serial.urlhandler.protocol_cp2110")
    ours = as_sent(Line(baudrate=baudrate, bytesize=bytesize, parity=parity, stopbits=stopbits))
    assert ours[:2] == reports[:2]
    assert serial.VERSION  # the reference is there


def test_cp2110_characters() -> None:
    bridge = Cp2110(Line(baudrate=9600))
    assert bridge.payload(bytes.fromhex("05 30 31 32 33 34") + b"\xee" * 58) == b"01234"  # sheet, 1
    assert bridge.output(b"D") == [b"\x01D"]
    assert bridge.output(bytes(100)) == [b"\x3f" + bytes(63), b"\x25" + bytes(37)]
    assert bridge.output(b"") == []


@pytest.mark.parametrize("report", [b"", b"\x00" * 64, b"\x40" + bytes(63), b"\x05\x30\x31"])
def test_cp2110_other_reports_are_none_of_it(report: bytes) -> None:
    assert Cp2110(Line(baudrate=9600)).payload(report) is None


@given(st.binary(max_size=300))
def test_cp2110_what_is_sent_would_be_read_back(data: bytes) -> None:
    bridge = Cp2110(Line(baudrate=9600))
    reports = bridge.output(data)
    assert all(1 <= len(r) - 1 <= LONGEST for r in reports)
    assert b"".join(bridge.payload(r) or b"" for r in reports) == data


@pytest.mark.parametrize(
    ("reports", "characters"),
    [  # sheet hid-bridges, 2, worked; the high nibble x may be anything
        (["x3 31 32 33 00 00 00 00"], "31 32 33"),
        (["x0 00 00 00 00 00 00 00"], ""),
        (["x7 30 31 32 33 34 35 3B"], "30 31 32 33 34 35 3B"),
        (["x4 17 20 35 45 00 00 00", "x2 5B 69 00 00 00 00 00"], "17 20 35 45 5B 69"),
    ],
)
@pytest.mark.parametrize("high", "0F7")
def test_wch_characters(reports: list[str], characters: str, high: str) -> None:
    bridge = Wch(Line(baudrate=2400))
    got = b"".join(bridge.payload(bytes.fromhex(r.replace("x", high))) or b"" for r in reports)
    assert got == bytes.fromhex(characters)


@pytest.mark.parametrize(("baudrate", "body"), [(2400, "60 09 00 00 03"), (19200, "00 4B 00 00 03")])
def test_wch_line_report(baudrate: int, body: str) -> None:
    """Sheet hid-bridges, 2 (from memory there)."""
    (report,) = Wch(Line(baudrate=baudrate)).configure()
    assert (report.number, report.body) == (0, bytes.fromhex(body))


def test_wch_report_that_claims_more_than_it_holds() -> None:
    bridge = Wch(Line(baudrate=2400))
    assert bridge.payload(b"\x0f" + bytes(7)) is None
    assert bridge.payload(b"\xf8" + bytes(7)) is None
    assert bridge.payload(b"") is None


def with_parity(character: int, parity: str) -> int:
    """A 7-bit character with its parity bit above it (ITU-T V.4: odd = an odd number of ones in all)."""
    ones = sum(character >> i & 1 for i in range(7))
    return character | ((ones + (parity == "O")) % 2) << 7


@pytest.mark.parametrize("parity", ["O", "E"])
def test_wch_seven_bits_and_parity(parity: Any) -> None:
    bridge = Wch(Line(baudrate=19230, bytesize=7, parity=parity))
    for character in range(128):
        right = with_parity(character, parity)
        assert bridge.payload(bytes([1, right])) == bytes([character])
        assert bridge.bad_parity == character  # so many wrong ones before
        assert bridge.payload(bytes([1, right ^ 0x80])) == b"\0"


def test_wch_seven_bits_and_two_stop_bits() -> None:
    """7N2 into an 8-bit receiver: the first stop bit, a one, is bit 7."""
    bridge = Wch(Line(baudrate=1200, bytesize=7, stopbits=2))
    assert bridge.payload(b"\x03\xc4\xc3\x44") == b"DC\0"
    assert bridge.bad_parity == 1


@pytest.mark.parametrize(
    "line",
    [
        Line(baudrate=2400, parity="E"),
        Line(baudrate=2400, bytesize=7),  # 7N1: shorter than the receiver's character
        Line(baudrate=2400, bytesize=5, parity="O"),
        Line(baudrate=115200),
    ],
)
def test_wch_lines_that_it_cannot_do(line: Line) -> None:
    with pytest.raises(LinkLost, match="cannot do"):
        Wch(line)
