"""Scripted streams: what is decided, when, and on which readings."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from decimal import Decimal

import msgspec
import pytest

from meterlink import records
from meterlink.reading import Reading
from meterlink.settle import HANDS_FREE, Contact, Decision, Lift, Moved, Rules, Settle, Settled, WrongFunction, median
from tests.settle.hands import KINDS, TEXTS, session

PERIOD = 0.4
OVER = None


def show(value: str | None, function: str = "diode", resolution: str = "0.001", *flags: str) -> Reading:
    unit = "V" if function in ("diode", "voltage") else "Ohm"
    return Reading(
        function=function,
        value=None if value is None else Decimal(value),
        unit=unit,
        resolution=Decimal(resolution),
        state="over" if value is None else "ok",
        flags=flags,
    )


def feed(settle: Settle, readings: Iterable[Reading], first: int = 1, period: float = PERIOD) -> list[Decision]:
    return [e for i, r in enumerate(readings, first) for e in settle.feed(r, i * period, i)]


def names(events: Iterable[Decision]) -> list[str]:
    return [f"{type(e).__name__}@{e.seq}" for e in events]


def diode(*values: str | None) -> list[Reading]:
    return [show(v) for v in values]


def volts(*values: str) -> list[Reading]:
    return [show(v, "voltage") for v in values]


AIR = (OVER, OVER)


def test_contact_settled_lift() -> None:
    events = feed(Settle(), diode(*AIR, "0.451", "0.449", "0.450", "0.450", OVER, OVER))
    assert names(events) == ["Contact@3", "Settled@5", "Lift@7"]
    settled = events[1]
    assert isinstance(settled, Settled)
    assert (settled.value, settled.spread, settled.n) == (Decimal("0.450"), Decimal("0.002"), 3)
    assert (settled.first, settled.last, settled.t) == (3, 5, 5 * PERIOD)
    assert settled.reading == show("0.450")


def test_an_even_window_gives_the_mean_of_the_two_middle_values() -> None:
    events = feed(Settle(Rules(window=4)), diode(OVER, "0.451", "0.450", "0.452", "0.452"))
    settled = events[-1]
    assert isinstance(settled, Settled)
    assert (settled.n, settled.value) == (4, Decimal("0.4515"))
    assert median([Decimal(3), Decimal(1), Decimal(2)]) == 2


def test_fast_readings_must_span_their_time() -> None:
    events = feed(Settle(), diode(OVER, *["0.450"] * 12), period=0.05)
    assert names(events) == ["Contact@2", "Settled@7"]  # 2..7 is 0.25 s


def test_touch_down_bounce() -> None:
    events = feed(Settle(), diode(*AIR, "0.462", OVER, "0.450", "0.450", "0.451", "0.450"), period=0.2)
    assert [e for e in events if isinstance(e, Settled)] == events[-1:]
    assert (events[-1].first, events[-1].last) == (5, 7)  # type: ignore[union-attr]


def test_one_keep_per_contact_and_a_lift_arms_again() -> None:
    values = [*AIR, *["0.450"] * 9, *AIR, *["0.450"] * 5]
    assert names(feed(Settle(), diode(*values))) == ["Contact@3", "Settled@5", "Lift@12", "Contact@14", "Settled@16"]


def test_an_overload_too_short_for_a_hand_is_no_lift() -> None:
    """10 readings a second: 0.2 s from number to number. Contact is told anew, nothing is kept twice."""
    values = [*AIR, *["0.450"] * 6, OVER, *["0.450"] * 8, OVER, *["0.700"] * 8]
    events = feed(Settle(), diode(*values), period=0.1)
    assert [type(e) for e in events if isinstance(e, (Settled, Moved))] == [Settled, Moved]


def test_one_overload_with_a_change_of_range_is_no_lift() -> None:
    low = [show("399.8", "resistance", "0.1")] * 4
    high = [show("400", "resistance", "1")] * 5
    events = feed(Settle(), [show(OVER, "resistance"), *low, show(OVER, "resistance"), *high], period=0.3)
    assert [e.seq for e in events if isinstance(e, Settled)] == [4]
    two = [show(OVER, "resistance")] * 2
    events = feed(Settle(), [show(OVER, "resistance"), *low, *two, *high], period=0.3)
    assert len([e for e in events if isinstance(e, Settled)]) == 2


def test_to_a_coarser_range_a_meter_changes_for_a_larger_value() -> None:
    """One overload, then the top range with less than before: the hand was elsewhere, and the meter was on its way."""
    first = [show("3397", "resistance", "1")] * 4
    second = [show("1100", "resistance", "10"), *[show("1104", "resistance", "1")] * 4]
    events = feed(Settle(), [show(OVER, "resistance"), *first, show(OVER, "resistance"), *second], period=0.3)
    assert [(e.seq, str(e.value)) for e in events if isinstance(e, Settled)] == [(4, "3397"), (10, "1104")]
    finer = [show("3450", "resistance", "0.1")] * 4
    events = feed(Settle(), [show(OVER, "resistance"), *first, show(OVER, "resistance"), *finer], period=0.3)
    assert [(type(e), str(e.value)) for e in events if isinstance(e, (Settled, Moved))] == [
        (Settled, "3397"),
        (Moved, "3450"),
    ]


def test_a_voltage_overload_between_ranges_shortens_no_lift() -> None:
    """The time of the hand counts from the last number: 0.54 s here, of which the meter overloads for 0.36 s."""
    down, up = show(None, "voltage", "0.0001"), show(None, "voltage", "0.001")
    stream = [*volts("-12.609", "-12.609", "-12.609"), down, *volts("0.001"), up, *volts("15.575", "15.575", "15.575")]
    events = feed(Settle(), stream, period=0.18)
    assert names(events) == ["Contact@1", "Settled@3", "Lift@5", "Contact@6", "Settled@9"]


def test_after_a_slide_three_readings_are_enough() -> None:
    """The steps of the slide are no approach that has far to go."""
    events = feed(Settle(), diode(*AIR, "1.550", "0.680", "0.180", "0.181", "0.181", "0.182"), period=0.3)
    assert names(events) == ["Contact@3", "Settled@7"]


def untold(*values: str | None) -> list[Reading]:
    return [msgspec.structs.replace(show(v, "resistance"), resolution=None) for v in values]


def test_without_a_resolution_the_last_digits_tell_a_count() -> None:
    events = feed(Settle(), untold(OVER, "1.3", "1.1", "1.2"))
    assert names(events) == ["Contact@2", "Settled@4"]  # 2 counts of 0.1 Ohm
    events = feed(Settle(), untold(OVER, "1.203", "1.12", "1.21"))
    assert names(events) == ["Contact@2"]  # never finer than 10 mOhm, as with a resolution
    events = feed(Settle(), untold(OVER, "0", "0", "0.4", "0.35", "0.36", "0.36"))
    assert [(e.first, e.last) for e in events if isinstance(e, Settled)] == [(5, 7)]  # zero has no last digit


def test_without_a_resolution_a_finer_digit_is_another_range() -> None:
    """120 and 128 and 128.3 on the way down: what stood before the digit is not of its range."""
    events = feed(Settle(), untold(OVER, "130", "128", "128.3", "128.4", "128.3"))
    assert [(e.first, e.last) for e in events if isinstance(e, Settled)] == [(4, 6)]
    events = feed(Settle(), untold(OVER, "399.8", "399.8", "399.8", OVER, "400", "401", "401"))
    assert [e.seq for e in events if isinstance(e, Settled)] == [4]  # one overload, and another last digit
    events = feed(Settle(), untold(OVER, "399.8", "399.8", "399.8", OVER, "389.8", "389.8", "389.8"))
    assert [e.seq for e in events if isinstance(e, Settled)] == [4, 8]


def test_a_window_never_mixes_ranges() -> None:
    """0.000 MOhm, 0.00 kOhm, 0.1 Ohm on the way down are all the same within their counts, and no value."""
    steps = [("0", "10000"), ("0", "1000"), ("0", "100"), ("120", "10"), ("128", "1"), ("128.3", "0.1")]
    readings = [show(v, "resistance", r) for v, r in steps] + [show("128.4", "resistance", "0.1")] * 2
    events = feed(Settle(), [show(OVER, "resistance"), *readings])
    assert [e.seq for e in events if isinstance(e, Settled)] == [9]


def test_moved_without_a_lift() -> None:
    events = feed(Settle(), diode(OVER, *["0.450"] * 4, "0.6", *["0.700"] * 5, *["0.450"] * 4))
    assert names(events) == ["Contact@2", "Settled@4", "Moved@9", "Moved@14"]
    assert isinstance(events[2], Moved)
    assert events[2].value == Decimal("0.700")


def test_noise_of_the_kept_point_is_not_moved() -> None:
    events = feed(Settle(), diode(OVER, "0.453", "0.452", "0.453", *["0.447"] * 5))
    assert names(events) == ["Contact@2", "Settled@4"]


@pytest.mark.parametrize("flag", ["hold", "max", "min", "peak-max", "peak-min"])
def test_a_frozen_display_is_never_settled(flag: str) -> None:
    held = [show("0.450", "diode", "0.001", flag)] * 9
    assert names(feed(Settle(), [show(OVER), *held])) == []
    settle = Settle()
    events = feed(settle, [show(OVER), show("0.450"), show("0.450"), *held, show("0.450"), show("0.450")])
    assert names(events) == ["Contact@2"]
    assert names(feed(settle, diode("0.450"), first=20)) == ["Settled@20"]


def test_rel_is_a_difference() -> None:
    """Of a resistance it is kept (with its flag); of a voltage the floor is gone, so nothing is."""
    ohms = [show("0.4", "resistance", "0.1", "rel")] * 4
    events = feed(Settle(), [show(OVER, "resistance"), *ohms])
    assert isinstance(events[-1], Settled)
    assert events[-1].reading is not None
    assert events[-1].reading.flags == ("rel",)
    assert feed(Settle(), [show("-3.300", "voltage", "0.001", "rel")] * 9) == []


def test_voltage_floor() -> None:
    air = ["0.003", "-0.007", "0.012", "0.004"]
    events = feed(Settle(), volts(*air, "1.2", "3.301", "3.300", "3.301", "3.300", "0.9", *air))
    assert names(events) == ["Contact@5", "Settled@8", "Lift@11"]
    assert feed(Settle(), volts(*["0.020"] * 9)) == []  # a node at 0 V: the pedal's
    assert names(feed(Settle(), volts(*["0.021"] * 3))) == ["Contact@1", "Settled@3"]


def test_a_voltage_above_its_range_is_a_contact_without_a_value() -> None:
    over = [show(None, "voltage")] * 5
    events = feed(Settle(), [*volts("0.001"), *over, *[show("24.1", "voltage", "0.1")] * 3])
    assert names(events) == ["Contact@2", "Settled@9"]


@pytest.mark.parametrize("function", ["current", "capacitance", "frequency", "temperature", "power", "unknown"])
def test_other_functions_are_the_pedals(function: str) -> None:
    assert function not in HANDS_FREE
    assert feed(Settle(), [Reading(function=function, value=Decimal("1.000"), unit="1")] * 9) == []


def test_other_channels_and_set_values_are_passed_over() -> None:
    second = msgspec.structs.replace(show("50.00"), channel="2")
    setting = msgspec.structs.replace(show("50.00"), flags=("setting",))
    blank = Reading(function="diode", value=None, unit="V", state="blank", flags=("unreadable",))
    readings = [show(OVER), show("0.450"), second, show("0.450"), setting, blank, show("0.450")]
    events = feed(Settle(), readings)
    assert names(events) == ["Contact@2", "Settled@7"]
    assert isinstance(events[1], Settled)
    assert events[1].n == 3


def test_wrong_function_is_told_once_per_contact_and_nothing_is_kept() -> None:
    settle = Settle(expects="resistance")
    events = feed(settle, diode(*AIR, *["0.450"] * 6, *AIR, *["0.450"] * 4))
    assert names(events) == ["Contact@3", "WrongFunction@3", "Lift@9", "Contact@11", "WrongFunction@11"]
    wrong = events[1]
    assert isinstance(wrong, WrongFunction)
    assert (wrong.function, wrong.expected) == ("diode", "resistance")
    turned = [show("12.5", "resistance", "0.1")] * 3
    assert names(feed(settle, turned, first=20)) == ["Settled@22"]  # the dial is turned, the probe stays


def test_continuity_is_not_resistance() -> None:
    settle = Settle(expects="resistance")
    assert names(feed(settle, [show("0.3", "continuity", "0.1")] * 4)) == ["Contact@1", "WrongFunction@1"]
    settle.expect("continuity")
    assert names(feed(settle, [show("0.3", "continuity", "0.1")] * 3, first=9)) == ["Settled@11"]


def test_the_pedal_arms_again() -> None:
    settle = Settle()
    feed(settle, diode(OVER, *["0.450"] * 4))
    settle.rearm()
    assert names(feed(settle, diode(*["0.450"] * 4), first=10)) == ["Settled@12"]


def test_after_lost_readings_the_same_contact_is_not_kept_twice() -> None:
    settle = Settle()
    feed(settle, diode(OVER, *["0.450"] * 4))
    settle.reset()
    assert not settle.in_contact
    assert names(feed(settle, diode(*["0.450"] * 5), first=50)) == ["Contact@50"]
    settle.reset()
    assert names(feed(settle, diode(*["0.700"] * 5), first=60)) == ["Contact@60", "Moved@62"]
    assert names(feed(settle, diode(OVER, OVER, *["0.700"] * 3), first=70)) == ["Lift@70", "Contact@72", "Settled@74"]


def test_lost_before_anything_was_kept_begins_anew() -> None:
    settle = Settle()
    feed(settle, diode(OVER, "0.450", "0.450"))
    settle.reset()
    assert names(feed(settle, diode(*["0.450"] * 3), first=50)) == ["Contact@50", "Settled@52"]


def test_no_window_spans_a_silence() -> None:
    settle = Settle()
    feed(settle, diode(OVER, "0.450", "0.450"))
    assert names(feed(settle, diode("0.450", "0.450"), first=40)) == []
    assert names(feed(settle, diode("0.450"), first=42)) == ["Settled@42"]


def test_progress() -> None:
    settle, seen = Settle(), []
    for i, r in enumerate(diode(OVER, "0.450", "0.450", "0.450", OVER)):
        settle.feed(r, i * PERIOD, i)
        seen.append(settle.progress)
    assert seen[0] == seen[4] == 0.0
    assert 0 < seen[1] < seen[2] < seen[3] == 1.0


def charge(tau: float, final: float = 0.6, period: float = 0.2, resolution: float = 0.001) -> list[Reading]:
    """A noiseless charge-up after two overloads, as the formula and the display's rounding give it."""
    n = int(12 * tau / period) + 8
    values = [final * (1 - math.exp(-period * k / tau)) for k in range(n)]
    return [show(None)] * 2 + [show(f"{round(v / resolution) * resolution:.3f}") for v in values]


@pytest.mark.parametrize("tau", [0.1, 0.3, 0.7, 1.0, 1.5, 2.0])
@pytest.mark.parametrize("period", [0.1, 0.2, 0.35, 0.5])
def test_a_charge_up_is_kept_within_the_tolerance_of_its_end(tau: float, period: float) -> None:
    events = feed(Settle(), charge(tau, period=period), period=period)
    (settled,) = [e for e in events if isinstance(e, (Settled, Moved))]
    assert isinstance(settled, Settled)
    assert settled.value is not None
    assert abs(float(settled.value) - 0.6) <= 0.003 + 1e-9


def test_a_window_alone_would_keep_too_early() -> None:
    """tau 2 s at 10 readings a second: three neighbours agree to 3 counts with 8 % still to come; ours waits."""
    readings = charge(2.0, period=0.1)
    first = next(
        i
        for i in range(3, len(readings))
        if all(abs(float(r.value or 0) - float(readings[i].value or 0)) <= 0.006 for r in readings[i - 2 : i])
        and readings[i - 2].value not in (None, Decimal("0.000"))
    )
    assert 0.6 - float(readings[first].value or 0) > 0.04
    events = feed(Settle(), readings, period=0.1)
    assert events[-1].seq > first + 10


def journalled(readings: Sequence[Reading], period: float) -> list[tuple[Reading, float, int]]:
    """The readings as they come back from the lines of a journal."""
    out = []
    for i, r in enumerate(readings, 1):
        record = records.Reading(
            instrument="m1", t=i * period, function=r.function, coupling=r.coupling,
            value=records.double(r.value), unit=r.unit, resolution=records.double(r.resolution), state=r.state,
            flags=list(r.flags), display=r.display, channel=r.channel, job=None, board=None, point=None, raw="",
        )  # fmt: skip
        line = records.encode(record, records.GENESIS, i, "2026-11-25T12:00:00.000000Z")
        entry = records.decode(line)
        assert isinstance(entry.record, records.Reading)
        out.append((records.shown(entry.record), entry.record.t, entry.seq))
    return out


def bare(events: Iterable[Decision]) -> list[Decision]:
    """Without the reading that they end with: its zeros at the end are not in a journal."""
    return [msgspec.structs.replace(e, reading=None) if isinstance(e, (Settled, Moved)) else e for e in events]


@pytest.mark.parametrize("resolution", ["0.001", None])
def test_a_journal_replays_to_the_same_events(resolution: str | None) -> None:
    readings = [s.reading for s in session("mixed", "replay", 20)[1]] + charge(1.0) + diode(*AIR, "0.450", "0.500")
    if resolution is None:
        readings = [msgspec.structs.replace(r, resolution=None) for r in readings]
    live, again = Settle(), Settle()
    first = bare(feed(live, readings, period=0.25))
    second = bare(e for r, t, seq in journalled(readings, 0.25) for e in again.feed(r, t, seq))
    assert first == second
    assert any(isinstance(e, Settled) for e in first)


@pytest.mark.parametrize("kind", KINDS)
def test_the_text_of_the_display_decides_nothing(kind: str) -> None:
    """No unit, no blank before it, another text each time, none at all: the same events at the same readings."""
    events: dict[str, list[Decision]] = {}
    for text in TEXTS:
        settle = Settle()
        samples = session(kind, "text", 20, text)[1]
        events[text] = bare(e for i, s in enumerate(samples) for e in settle.feed(s.reading, s.t, i))
    assert [text for text in TEXTS if events[text] != events["unit"]] == []
    assert (kind in ("zero-volts", "open")) != any(isinstance(e, Settled) for e in events["unit"])


def test_rules_refuse_what_makes_no_sense() -> None:
    for bad in ({"window": 2}, {"relative": -0.1}, {"counts": 0}, {"voltage_floor": float("nan")}, {"widow": 3}):
        with pytest.raises(msgspec.ValidationError):
            msgspec.convert(bad, Rules)


def test_lift_and_contact_carry_their_reading() -> None:
    events = feed(Settle(), diode(OVER, "0.450", OVER))
    assert events == [Contact(t=2 * PERIOD, seq=2), Lift(t=3 * PERIOD, seq=3)]
