"""The virtual supply: Ohm's law with limits, and its ends against the drivers' control side."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink import registry
from meterlink.virtual.supply import KaEnd, Load, ModbusEnd, ScpiEnd, VirtualSupply

D = Decimal
ENDS = {"scpi_supply:E36xx": ScpiEnd, "ka": KaEnd, "modbus_supply": ModbusEnd}


def supply(load: Load, volts: str, amperes: str) -> VirtualSupply:
    s = VirtualSupply(load)
    s.set_voltage(D(volts))
    s.set_current(D(amperes))
    s.output(True)
    return s


@given(st.integers(1, 10**6), st.integers(0, 3000), st.integers(0, 5000))
def test_ohms_law_and_both_limits_hold(milliohm: int, centivolts: int, milliamperes: int) -> None:
    s = supply(Load.short(D(milliohm)), str(D(centivolts) / 100), str(D(milliamperes) / 1000))
    point = s.measure()
    assert abs(point.voltage - point.current * s.load.ohm) < D("1e-15")
    assert point.current <= s.set_a + D("1e-15")
    assert point.voltage <= s.set_v + D("1e-15")
    assert point.mode == ("cv" if s.set_v <= s.set_a * s.load.ohm else "cc")


def test_short_clears_and_over_voltage_trips() -> None:
    s = supply(Load.short(D(700)), "1", "2")
    assert round(s.measure().current, 2) == D("1.43")  # 1 V / 0.7 ohm
    s.protection(D("0.9"))
    assert (s.measure().current, s.tripped, s.on) == (0, True, False)
    s.output(True)
    assert not s.on
    s.clear()
    s.protection(D("1.1"))
    s.output(True)
    s.load = Load.healthy(D("3.3"), D("0.1"))
    assert round(s.measure().current, 3) == D("0.030")


def test_foldback_meets_its_line() -> None:
    s = supply(Load.short(D(100)), "5", "2")
    s.foldback = D("0.25")
    point = s.measure()
    assert abs(point.current - (D("0.5") + D("1.5") * point.voltage / 5)) < D("1e-15")


@pytest.mark.parametrize("name", ENDS)
def test_each_end_takes_the_commands_of_its_driver(name: str) -> None:
    s = VirtualSupply(Load.short(D(700)))
    end = ENDS[name](s)
    control = registry.find(name).module.control(registry.find(name).model)
    told = [control.set_current(D("2")), control.set_voltage(D("1")), control.output(True)]
    answers = []
    for query in [q for t in told for q in t.queries]:
        reply = end.feed(query.ask)
        assert bool(reply) == (query.take is not None)
        answers += [control.parse(query.ask, reply)] if reply else []
    assert all(a.done for a in answers)
    measured = [control.parse(q.ask, end.feed(q.ask)) for q in control.read_measured()]
    assert any(a.current is not None and abs(a.current - D("1.43")) < D("0.01") for a in measured)
    assert any(control.parse(q.ask, end.feed(q.ask)).on for q in control.read_output())
    settings = [control.parse(q.ask, end.feed(q.ask)) for q in control.read_settings()]
    assert {a.set_voltage for a in settings} >= {D("1")}
    for query in control.output(False).queries:
        end.feed(query.ask)
    assert not s.on


def test_error_queue_fills_up_and_drains() -> None:
    """SCPI-1999 vol. 2, 21.8 (from memory): the newest entry becomes -350, first in first out, then 0."""
    end = ScpiEnd(VirtualSupply(Load.short(D(1))), depth=3)
    end.feed(b"NONSENSE\nVOLT 99\nOUTP X\nVOLT\n")
    codes = [end.feed(b"SYST:ERR?\n").split(b",")[0] for _ in range(4)]
    assert codes == [b"-113", b"-222", b"-350", b"+0"]


@given(st.lists(st.binary(max_size=20), max_size=10))
def test_ends_survive_anything_and_then_answer(noise: list[bytes]) -> None:
    scpi = ScpiEnd(VirtualSupply(Load.short(D(1))))
    for piece in noise:
        scpi.feed(piece)
    scpi.feed(b"\n*CLS\n")
    assert scpi.feed(b"SYST:ERR?\n") == b'+0,"No error"\r\n'
