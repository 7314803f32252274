"""Any stream at all: the rules of life hold."""

from __future__ import annotations

from decimal import Decimal

from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.reading import Reading
from meterlink.settle import NOT_LIVE, Contact, Lift, Moved, Rules, Settle, Settled, median

FLAGS = st.sampled_from([(), (), (), (), ("auto",), ("hold",), ("max",), ("rel",)])
PLACES = st.sampled_from([450, 451, 452, 700, 0, 3, 15, 2400])


@st.composite
def runs(draw: st.DrawFn) -> list[Reading]:
    """Readings as hands make them: stretches of one place or of air, with a count or two of noise, now and then odd."""
    out: list[Reading] = []
    function = draw(st.sampled_from(["diode", "resistance", "continuity", "voltage"]))
    for _ in range(draw(st.integers(1, 8))):
        if draw(st.integers(0, 9)) == 0:
            function = draw(st.sampled_from(["diode", "resistance", "voltage", "current"]))
        place = draw(st.none() | PLACES)
        exponent = draw(st.sampled_from([-3, -3, -3, -2, -1]))
        flags = draw(FLAGS)
        for _ in range(draw(st.integers(1, 9))):
            value = None if place is None else Decimal(place + draw(st.integers(-2, 2))).scaleb(exponent)
            out.append(
                Reading(
                    function=function,
                    value=value,
                    unit="V",
                    resolution=draw(st.sampled_from([Decimal((0, (1,), exponent))] * 9 + [None])),
                    state="over" if value is None else "ok",
                    flags=flags,
                    channel=draw(st.sampled_from([None] * 9 + ["2"])),
                )
            )
    return out


TIMED = st.tuples(runs(), st.floats(0.05, 0.6))


@settings(max_examples=60)
@given(TIMED)
def test_rules_of_life(stream: tuple[list[Reading], float]) -> None:
    readings, period = stream
    settle = Settle()
    kept = contact = False
    for i, r in enumerate(readings):
        for e in settle.feed(r, i * period, i):
            assert (e.seq, e.t) == (i, i * period)
            if isinstance(e, Contact):
                assert not contact
                contact, kept = True, False
            elif isinstance(e, Lift):
                assert contact
                contact = False
            elif isinstance(e, (Settled, Moved)):
                assert contact
                if isinstance(e, Settled):
                    assert not kept, "kept twice in one contact"
                    kept = True
                window = [x for x in readings[e.first : e.last + 1] if x.channel is None]
                assert not any(NOT_LIVE & set(x.flags) for x in window), "kept from a held value"
                values = [x.value for x in window if x.value is not None]
                assert e.n == len(values) == len(window) >= 3
                assert e.value == median(values)
                assert min(values) <= e.value <= max(values)
                assert e.spread == max(values) - min(values)
                assert e.state == "ok"
                assert len({(x.function, x.resolution) for x in window}) == 1
        assert settle.in_contact == contact
        assert 0 <= settle.progress <= 1


@settings(max_examples=60)
@given(TIMED)
def test_the_same_readings_give_the_same_events(stream: tuple[list[Reading], float]) -> None:
    readings, period = stream
    first, second = Settle(), Settle()
    for i, r in enumerate(readings):
        assert first.feed(r, i * period, i) == second.feed(r, i * period, i)


@settings(max_examples=60)
@given(TIMED, st.sampled_from([3, 4, 7]), st.floats(0, 1))
def test_a_window_is_as_long_as_the_rules_ask(stream: tuple[list[Reading], float], n: int, span: float) -> None:
    readings, period = stream
    settle = Settle(Rules(window=n, span_s=span))
    for i, r in enumerate(readings):
        for e in settle.feed(r, i * period, i):
            if isinstance(e, (Settled, Moved)):
                assert e.n >= n
                assert (e.last - e.first) * period >= span - 1e-6
