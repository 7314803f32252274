"""Worked exchanges of the supplies' documents, and what their control sides say. Source beside each."""

from __future__ import annotations

from decimal import Decimal

import pytest

from meterlink import registry
from meterlink.driver import BadFrame
from meterlink.errors import Refused


def read(name: str, asked: bytes, reply: bytes) -> list[str]:
    return [f"{r.function} {r.value} {' '.join(r.flags)}".strip() for r in registry.find(name).decode(reply, asked)]


@pytest.mark.parametrize(
    ("name", "asked", "reply", "readings"),
    [
        # printed: Manson HCS-3602-USB manual p. 16, PeakTech 1565 p. 32
        ("manson", b"GETD\r", b"150016001\rOK\r", ["voltage 15.00 cc", "current 16.00 cc"]),
        # printed: B&K 1688B p. 28
        ("manson", b"GETD\r", b"030201450\rOK\r", ["voltage 3.02 cv", "current 1.45 cv"]),
        # printed: Manson p. 16; two decimals on the HCS-3102, same page
        ("manson", b"GETS\r", b"150180\rOK\r", ["voltage 15.0 setting", "current 18.0 setting"]),
        ("manson:HCS-3102", b"GETS\r", b"150180\rOK\r", ["voltage 15.0 setting", "current 1.80 setting"]),
        # derived: MX180T p. 35
        ("tti", b"V1O?\n", bytes.fromhex("31322E303033560D0A"), ["voltage 12.003"]),
        ("tti", b"I1O?\n", b"0.2500A\r\n", ["current 0.2500"]),
        ("tti", b"V1?\n", b"V1 12.000\r\n", ["voltage 12.000 setting"]),
        # printed: Tenma 72-6851 p. 29
        ("tti:TSX", b"POWER?\n", b"175.3W\r\n", ["power 175.3"]),
        # derived: RND 320-KA V3.0
        ("ka", b"STATUS?VOUT1?", b"\x5112.00", ["voltage 12.00 on cv"]),
        ("ka", b"STATUS?IOUT1?", b"\x500.250", ["current 0.250 on cc"]),
        ("ka", b"STATUS?IOUT1?", b"\x110.000", ["current 0.000 off"]),
        ("ka", b"VOUT1?", bytes.fromhex("31322E3030"), ["voltage 12.00"]),
        # derived: SCPI-1999 and E36xx bits, from memory
        ("scpi_supply", b"MEAS:VOLT?\n", b"+5.00012345E+00\n", ["voltage 5.00012345"]),
        ("scpi_supply:E364x-dual", b"INST:NSEL 2;:MEAS:CURR?\n", b"+1.23400000E-01\n", ["current 0.123400000"]),
        ("scpi_supply:E36xx", b"STAT:QUES:COND?\nMEAS:VOLT?\n", b"+2\n1.0\n", ["voltage 1.0 cv"]),
        ("scpi_supply:E36xx", b"STAT:QUES:COND?\nMEAS:VOLT?\n", b"+1\n1.0\n", ["voltage 1.0 cc"]),
        ("scpi_supply:E36xx", b"STAT:QUES:COND?\nMEAS:VOLT?\n", b"+3\n1.0\n", ["voltage 1.0"]),
        # printed bits: GW Instek PSU p. 107
        ("scpi_supply:GW-PSU", b"STAT:QUES:COND?\nMEAS:VOLT?\n", b"512\n1.0\n", ["voltage 1.0 cc"]),
        # derived: DPS5005
        (
            "modbus_supply",
            bytes.fromhex("01030002000265CB"),
            bytes.fromhex("01030404E400FA3B77"),
            ["voltage 12.52", "current 0.250"],
        ),
    ],
)
def test_worked_exchanges(name: str, asked: bytes, reply: bytes, readings: list[str]) -> None:
    assert read(name, asked, reply) == readings


@pytest.mark.parametrize(
    ("name", "action", "value", "wire"),
    [
        ("manson", "set_voltage", "12.7", b"VOLT127\r"),  # printed: Manson p. 16
        ("ka", "set_voltage", "20.50", b"VSET1:20.50"),  # printed: RND V3.0
        ("ka", "set_current", "2.225", b"ISET1:2.225"),  # printed: RND V3.0
        ("modbus_supply", "set_voltage", "12.80", bytes.fromhex("0106000005008A9A")),  # derived: DPS5005
        ("tti", "set_voltage", "5", b"V1 5.00\n"),  # from memory
        ("scpi_supply", "set_voltage", "5.0", b"VOLT 5.000\n"),  # SCPI-1999, from memory
    ],
)
def test_set_commands(name: str, action: str, value: str, wire: bytes) -> None:
    told = getattr(registry.find(name).module.control(), action)(Decimal(value))
    assert told.queries[0].ask == wire
    assert (told.value, told.note) == (Decimal(value), "")


def test_output_senses_differ() -> None:
    """SOUT0 is on (PeakTech 1885 p. 52); OUT1 is on (RND V3.0); DPS5005 register 9 (derived)."""
    on = {
        name: registry.find(name).module.control().output(True).queries[0].ask
        for name in ("manson", "ka", "modbus_supply")
    }
    assert on == {"manson": b"SOUT0\r", "ka": b"OUT1", "modbus_supply": bytes.fromhex("0106000900019808")}


def test_what_the_digits_cannot_say_is_rounded_down_and_said() -> None:
    told = registry.find("manson").module.control().set_voltage(Decimal("1.29"))
    assert (told.value, told.queries[0].ask) == (Decimal("1.2"), b"VOLT012\r")
    assert "rounded down" in told.note
    with pytest.raises(Refused):
        registry.find("ka").module.control().set_voltage(Decimal("-0.01"))
    with pytest.raises(BadFrame):
        registry.find("modbus_supply").module.control("float")


def test_lsr_has_two_bit_orders() -> None:
    """Tenma 72-6851 p. 18: bit 0 current limit; dual types: bit 0 voltage limit (from memory); 65 printed p. 29."""
    tsx, mx = (registry.find("tti").module.control(m) for m in ("TSX", "MX180T"))
    assert tsx.parse(b"LSR?\n", b"65\r\n").entered == ("cc",)
    assert mx.parse(b"LSR1?\n", b"1\r\n").entered == ("cv",)


def test_modbus_published_frames() -> None:
    """CRC-16/MODBUS check value (catalogue); 02 07 -> 41 12 (V1.02); exception frame (derived)."""
    module = registry.find("modbus_supply").module
    assert module.crc(b"123456789") == bytes.fromhex("374B")
    assert module.crc(bytes.fromhex("0207")) == bytes.fromhex("4112")
    assert module.crc(bytes.fromhex("1103006B0003")) == bytes.fromhex("7687")
    with pytest.raises(BadFrame, match="address"):
        module.decode(bytes.fromhex("018302C0F1"), bytes.fromhex("01030002000265CB"))
    registers = module.FRAME.parse(bytes.fromhex("110306022B00000064C8BA")).registers  # MODBUS V1.1b3, 6.3
    assert list(registers) == [0x022B, 0, 0x64]
