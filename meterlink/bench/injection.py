"""Feeding a shorted rail a low voltage, limited, timed, and off in every case: the order of steps, pure.

A generator asks for one thing at a time (a query sent, a record put on the disk, time to pass) and is given what came
of it; it owns no port, no clock and no journal. Invariants, held by the order of the code and checked with faults in
any order (tests/injection):
- the output is not switched on before current limit, over-voltage protection (where the set has one) and voltage were
  set and read back, each step recorded before it is sent;
- every way out, a driver's error of any kind too, ends in `switch_off` (meterlink/bench/off.py), which was prepared
  before and tries until the set says off, or says that it could not be confirmed;
- switching off waits for nothing: its record comes after it.
Source: the cautions of docs/safety.md; the order limit, protection, voltage, output: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Generator
from decimal import Decimal
from typing import Annotated, Literal

import msgspec

from meterlink import records
from meterlink.bench.fence import DriverFailed, answered, called, clean, plain, told, words
from meterlink.bench.off import DARK, Off, switch_off
from meterlink.bench.steps import Ended, Given, Put, Rest, Send, Show, Steps, Wanted
from meterlink.control import Answer, Control, Told
from meterlink.errors import BadInput, Refused
from meterlink.framing import Query
from meterlink.reading import BadFrame

CAUTIONS = (
    "Injecting into a rail: never above its nominal voltage; battery, charger and mains disconnected, capacitors "
    "discharged; parts downstream can be destroyed; the part that pulls the rail down gets hot enough to burn and may "
    "burst or smoke: eye protection, extraction, no finger and no flame near it; never near a lithium cell. "
    "Local codes and licensed practice come first."
)
CONFIRMED = "cautions for injecting confirmed"  # for people; what counts is the finding's `confirms`
MEASURE_S = 0.1  # between two looks at volts and amperes
ERRORS_MOST = 64  # entries in an error queue; published depths are 20 to 30
OVER = Decimal("1.1")  # protection level as a part of the injected voltage, and what measured volts may reach
SLACK_A = Decimal("1.1")  # measured amperes may overshoot the limit by so much (a set's own accuracy) ...
SLACK = (Decimal("0.05"), Decimal("0.02"))  # ... or by so many volts and amperes, whichever is more
NUMBERS_BELOW = Decimal("1e6")  # no bench has more volts, amperes or seconds; beyond it a product could overflow


HARD_VOLTS, HARD_AMPERES, HARD_WATTS, HARD_HOLD_S = 20, 10, 50, 120  # whatever a bench's file says; docs/safety.md


class Ceilings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The [supply] table: what no injection may exceed, below the ceilings that no file can raise. V, A, W, s."""

    max_volts: Annotated[float, msgspec.Meta(gt=0, le=HARD_VOLTS)] = 5.0
    max_amperes: Annotated[float, msgspec.Meta(gt=0, le=HARD_AMPERES)] = 3.0
    max_watts: Annotated[float, msgspec.Meta(gt=0, le=HARD_WATTS)] = 5.0
    max_hold_s: Annotated[float, msgspec.Meta(gt=0, le=HARD_HOLD_S)] = 30.0


HARDEST = Ceilings(max_volts=HARD_VOLTS, max_amperes=HARD_AMPERES, max_watts=HARD_WATTS, max_hold_s=HARD_HOLD_S)


class Order(msgspec.Struct, frozen=True, kw_only=True):
    """One injection as it was asked for."""

    instrument: str
    job: str
    board: str
    rail: str
    nominal: Decimal
    volts: Decimal
    amperes: Decimal
    hold_s: float
    by: str


def checked(order: Order, ceilings: Ceilings) -> Order:
    """The order, if it may be carried out. Raises Refused, BadInput before anything is sent."""
    numbers = (order.nominal, order.volts, order.amperes, Decimal(repr(order.hold_s)))
    if not all(n.is_finite() and 0 < n < NUMBERS_BELOW for n in numbers):
        raise BadInput("volts, amperes, nominal voltage and seconds are numbers above zero")
    if order.volts > order.nominal:
        raise Refused(f"{order.volts} V is above the nominal {order.nominal} V of {order.rail}")
    for what, value, most, hard in (
        ("V", order.volts, ceilings.max_volts, HARD_VOLTS),
        ("A", order.amperes, ceilings.max_amperes, HARD_AMPERES),
        ("W", order.volts * order.amperes, ceilings.max_watts, HARD_WATTS),
        ("s", numbers[3], ceilings.max_hold_s, HARD_HOLD_S),
    ):
        if not value <= hard:
            raise Refused(f"{value} {what} is above {hard} {what}: no bench's file allows more (docs/safety.md)")
        if not float(value) <= most:
            raise Refused(f"{value} {what} is above this bench's ceiling of {most:g} {what} ([supply] in its file)")
    return order


class _Abort(Exception):  # noqa: N818 - never leaves this module
    """Go to switching off, because of this."""


def inject(order: Order, control: Control, off: Off) -> Steps:
    """The whole injection; drive it with Given for each Wanted, the first `next()` starts it."""
    run = _Run()
    try:
        yield from _feed(order, control, run)
        why = "the time is over"
    except (_Abort, DriverFailed, BadFrame, Refused) as error:
        why = clean(str(error))
    except GeneratorExit:
        raise  # whoever drives this lets go of it, and switches off himself
    except BaseException as error:  # noqa: BLE001 - what a driver gave may fail later, in our own hands
        why = f"a fault: {words(error)}"
    seen = (yield from switch_off(off)) if run.touched else False
    unseen = run.touched and not seen
    if run.announced:
        record = _record(order, "off", None, None, f"{why}; off could not be confirmed" if unseen else why)
        yield Put(msgspec.structs.replace(record, seen="nobody" if unseen else "set"))
    else:  # nothing but an error leads here
        yield Put(_record(order, "refused", order.volts, order.amperes, why))
    return Ended(why, not unseen, run.switched_on, run.energy_j, seen)


class _Run(msgspec.Struct):
    """How far an injection got: something was sent that sets; `on` was recorded; it was sent too."""

    touched: bool = False
    announced: bool = False
    switched_on: bool = False
    energy_j: float = 0.0


def _feed(order: Order, control: Control, run: _Run) -> Generator[Wanted, Given, None]:
    """Limit, protect, set, switch on and watch until the time is over. Raises _Abort, or whatever a driver leads to."""
    checked(order, HARDEST)  # once more, where bytes are about to go: whoever built the order
    yield from _refuse_if_on(control)
    yield from _drain(control)
    limit, action = told(control.set_current, order.amperes)
    yield from _put(order, "limit", current=limit, why=action.note or None)
    run.touched = True
    yield from _send(control, action)
    yield from _read_back(control, current=limit)
    if control.over_voltage is not None:
        guard, action = told(control.set_over_voltage, order.volts * OVER)
        yield from _put(order, "set", voltage=guard, why="over-voltage protection")
        yield from _send(control, action)
        yield from _read_back(control, over_voltage=guard)
    volts, action = told(control.set_voltage, order.volts)
    yield from _put(order, "set", voltage=volts, current=limit, why=action.note or None)
    yield from _send(control, action)
    yield from _read_back(control, voltage=volts, current=limit)
    on = called(control.output, True)
    run.announced = True  # from here on the journal may say on, also when it is slow to say that it does
    yield from _put(order, "on", voltage=volts, current=limit, why=f"inject, {order.hold_s:g} s at most")
    run.switched_on = True  # from here on the output may be on, whatever the set answers
    given = yield from _send(control, Told(queries=plain(on.queries)))
    yield from _confirm_on(control)
    end, before = given.t + order.hold_s, given.t
    while True:
        shown, t = yield from _measure(control)
        run.energy_j += float(shown.volts * shown.amperes) * (t - before)
        before = t
        over = _beyond(order, limit, shown)
        if over:
            raise _Abort(over)
        _check((yield shown))
        if t >= end:
            return
        _check((yield Rest(min(MEASURE_S, max(0.0, end - t)))))


# -- steps; each raises _Abort


def _check(given: Given) -> Given:
    if given.stop:
        raise _Abort(given.stop)
    return given


def _put(
    order: Order,
    event: Literal["set", "on", "limit"],
    voltage: Decimal | None = None,
    current: Decimal | None = None,
    why: str | None = None,
) -> Generator[Wanted, Given, None]:
    given = yield Put(_record(order, event, voltage, current, why))
    if not given.done:
        raise _Abort("the journal did not take the record")
    _check(given)


def _send(control: Control, told: Told) -> Generator[Wanted, Given, Given]:
    """Send an action's queries; each that brings a reply must bring one without an error."""
    given = Given(0.0)
    for query in told.queries:
        given = yield Send(query)
        if query.take is not None:
            answer = _parsed(control, query, given)
            if answer.error:
                raise _Abort(f"the supply refused: {answer.error}")
        _check(given)
    return given


def _parsed(control: Control, query: Query, given: Given) -> Answer:
    if given.reply is None:
        raise _Abort(given.stop or "the supply does not answer")
    try:
        return answered(control.parse, query, given.reply)
    except BadFrame as error:
        raise _Abort(f"the supply's answer makes no sense: {error}") from error


def _sure(control: Control, queries: tuple[Query, ...]) -> Generator[Wanted, Given, tuple[Answer, float]]:
    """What these queries say together; each must be answered with sense, and nothing may ask for the end."""
    said: dict[str, object] = {}
    given = Given(0.0)
    for query in queries:
        given = yield Send(query)
        if query.take is not None:
            answer = _parsed(control, query, given)
            said |= {k: v for k, v in msgspec.structs.asdict(answer).items() if v not in (None, "", ())}
        _check(given)
    return Answer(**said), given.t  # type: ignore[arg-type]


def _refuse_if_on(control: Control) -> Generator[Wanted, Given, None]:
    if control.output_state:
        answer, _ = yield from _sure(control, control.output_state)
        if answer.on is not False:
            raise _Abort("the supply's output is on already: switch it off first")
    else:
        answer, _ = yield from _sure(control, control.measured)
        if answer.voltage is None or abs(answer.voltage) > DARK[0]:
            raise _Abort("there is voltage at the supply's terminals already: switch it off first")


def _drain(control: Control) -> Generator[Wanted, Given, None]:
    """Empty the error queue: an old entry would be read as the answer to a command of ours."""
    if not control.errors:
        return
    for _ in range(ERRORS_MOST):
        answer, _t = yield from _sure(control, control.errors)
        if answer.done:
            return
    raise _Abort("the supply's error queue does not empty")


def _read_back(
    control: Control,
    voltage: Decimal | None = None,
    current: Decimal | None = None,
    over_voltage: Decimal | None = None,
) -> Generator[Wanted, Given, None]:
    """The set says what it was told: neither more nor something else."""
    answer, _ = yield from _sure(control, control.settings)
    for what, wanted, said in (
        ("volts", voltage, answer.set_voltage),
        ("amperes", current, answer.set_current),
        ("volts of over-voltage protection", over_voltage, answer.over_voltage),
    ):
        if wanted is not None and said != wanted:
            raise _Abort(f"told {wanted} {what}, the supply says {said}")


def _confirm_on(control: Control) -> Generator[Wanted, Given, None]:
    if control.output_state:
        answer, _ = yield from _sure(control, control.output_state)
        if answer.on is not True:
            raise _Abort("the supply does not say that its output is on")


def _measure(control: Control) -> Generator[Wanted, Given, tuple[Show, float]]:
    answer, t = yield from _sure(control, control.measured)
    if answer.voltage is None or answer.current is None:
        raise _Abort("the supply does not say what it measures")
    if answer.tripped:
        raise _Abort("the supply's protection tripped")
    return Show(answer.voltage, answer.current, answer.mode), t


def _beyond(order: Order, limit: Decimal, shown: Show) -> str | None:
    if shown.volts > max(order.volts * OVER, order.volts + SLACK[0]):
        return f"{shown.volts} V measured, {order.volts} V were ordered"
    if shown.amperes > max(limit * SLACK_A, limit + SLACK[1]):
        return f"{shown.amperes} A measured, the limit is {limit} A"
    return None


def _record(
    order: Order,
    event: Literal["set", "on", "off", "limit", "tripped", "refused"],
    voltage: Decimal | None,
    current: Decimal | None,
    why: str | None,
) -> records.Supply:
    return records.Supply(
        instrument=order.instrument,
        event=event,
        voltage=records.double(voltage),
        current_limit=records.double(current),
        why=None if why is None else clean(why),
        by=order.by,
        job=order.job,
        board=order.board,
        rail=order.rail,
    )


class ClearWatch:
    """Says when the short clears: the current falls below half of what flowed at first, for three looks.

    It is back above 80 % of that for three looks before it can clear again (hysteresis). `flowed` is the median of
    the first five looks. Thresholds: common practice, no source; docs/supply.md.
    """

    LOOKS, CLEARED, BACK, FIRST = 3, 0.5, 0.8, 5

    def __init__(self) -> None:
        self._first: list[float] = []
        self._run = 0
        self.cleared = False

    def look(self, amperes: float) -> bool:
        """Take one measured current in; True once, when the short has cleared."""
        if len(self._first) < self.FIRST:
            self._first.append(amperes)
            return False
        flowed = sorted(self._first)[self.FIRST // 2]
        turned = amperes > self.BACK * flowed if self.cleared else amperes < self.CLEARED * flowed
        self._run = self._run + 1 if turned else 0
        if self._run < self.LOOKS:
            return False
        self._run, self.cleared = 0, not self.cleared
        return self.cleared
