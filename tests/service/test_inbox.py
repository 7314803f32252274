"""What waits for the loop: bounded, counted exactly, and no act of a person behind a flood."""

from __future__ import annotations

import threading
from datetime import datetime, timedelta, timezone
from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from meterlink.reading import Reading
from meterlink.service.clock import Moment
from meterlink.service.inbox import MOST, NEAR, TELL_S, Inbox, Item, Stop
from meterlink.service.input_messages import FootDown
from meterlink.service.supervisor import Batch

BEGAN = datetime(2026, 11, 25, tzinfo=timezone.utc)
ONE = Reading(function="voltage", value=Decimal(1), unit="V")


def at(t: float) -> Moment:
    return Moment(t, BEGAN + timedelta(seconds=t))


def batch(name: str, n: int, t: float = 0.0) -> Batch:
    return Batch(name, [ONE] * n, at(t))


def count(items: list[Item], name: str) -> int:
    return sum(len(i.readings) for i in items if isinstance(i, Batch) and i.instrument == name)


def drained(box: Inbox) -> list[Item]:
    out: list[Item] = []
    while some := box.take():
        out += some
    return out


def test_while_little_waits_all_comes_in_its_order() -> None:
    box = Inbox()
    come = [batch("a", 1), FootDown(at(0.0)), batch("b", 2), batch("a", 1), Stop("x"), batch("b", 1)]
    for item in come:
        box.put(item)
    assert box.take() == come


def test_a_flood_is_overtaken_and_others_are_not_held_up() -> None:
    box = Inbox()
    for _ in range(MOST):
        box.put(batch("flood", 1))
    box.put(batch("meter", 1))
    box.put(Stop("SIGTERM"))
    first = box.take()
    assert first[0] == Stop("SIGTERM")
    assert count(first, "meter") == 1
    assert 0 < count(first, "flood") <= NEAR
    assert count(drained(box), "flood") + count(first, "flood") == MOST


@given(st.lists(st.tuples(st.sampled_from("ab"), st.integers(0, 3000), st.booleans()), max_size=40))
def test_every_reading_is_given_or_counted(come: list[tuple[str, int, bool]]) -> None:
    box = Inbox()
    given_: list[Item] = []
    lost = {"a": 0, "b": 0}
    for t, (name, n, look) in enumerate(come):
        box.put(batch(name, n, t))
        if look:
            given_ += box.take()
            for gap in box.gaps(at(t)):
                box.told(gap)
                lost[gap.instrument] += gap.count
                assert gap.from_ <= gap.to
    given_ += drained(box)
    for gap in box.gaps(at(1000), ending=True):
        box.told(gap)
        lost[gap.instrument] += gap.count
    for name in "ab":
        assert count(given_, name) + lost[name] == sum(n for who, n, _ in come if who == name)
    assert not box.gaps(at(2000), ending=True)


def test_a_gap_is_told_again_until_it_is_on_the_disk_and_not_too_often() -> None:
    box = Inbox()
    box.put(batch("a", MOST + 5, 1.0))
    (gap,) = box.gaps(at(10.0))
    assert gap.count == 5
    assert not box.gaps(at(10.0 + TELL_S / 2))
    box.put(batch("a", 3, 11.0))
    (again,) = box.gaps(at(10.0 + TELL_S))
    assert again.count == 8
    box.told(again)
    assert not box.gaps(at(99.0))


def test_many_threads_lose_nothing_uncounted() -> None:
    box = Inbox()
    threads = [threading.Thread(target=lambda: [box.put(batch("a", 7)) for _ in range(500)]) for _ in range(4)]
    for one in threads:
        one.start()
    given_: list[Item] = []
    while any(one.is_alive() for one in threads):
        given_ += box.take()
    given_ += drained(box)
    lost = sum(gap.count for gap in box.gaps(at(9), ending=True))
    assert count(given_, "a") + lost == 4 * 500 * 7
