"""Switching an output off, and seeing it off: fixed as bytes before anything is switched on, and owned by no driver.

Once `prepared`, off is sent whatever the driver does: its `switch` is not called again, and a `parse` or a `take` that
fails is an answer without sense. Then nobody has seen the output off, and `switch_off` says so: that is an alarm.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from decimal import Decimal

import msgspec

from meterlink.bench.fence import DriverFailed, answered, called, plain
from meterlink.bench.steps import Given, Quiet, Rest, Send, Wanted
from meterlink.control import Answer, Control, Told
from meterlink.errors import Refused
from meterlink.framing import Query
from meterlink.reading import BadFrame

OFF_TRIES = 5
OFF_S = 6.0  # after so long no further try is begun: a silent set is an alarm by then, and is tried again later
BETWEEN_S = 0.02  # after the first try; each later one waits so much longer: a filter capacitor has to empty
DARK = (Decimal("0.05"), Decimal("0.01"))  # below so many volts and amperes the terminals are off


class Off(msgspec.Struct, frozen=True, kw_only=True):
    """How one output is switched off and seen off.

    commands  sent as they are
    looks     queries that read back; `tells` whether they ask for on or off, else for volts and amperes
    """

    commands: tuple[Query, ...]
    looks: tuple[Query, ...]
    tells: bool
    parse: Callable[[bytes, bytes], Answer]


def prepared(control: Control) -> Off:
    """Off as bytes, taken from the driver while nothing is on.

    Raises  Refused for a set that could not be limited, switched off or read back: it must not be switched on.
    """
    try:
        off, on = _commands(control, False), _commands(control, True)
        if [q.ask for q in off] == [q.ask for q in on]:
            raise DriverFailed("the driver failed: on and off are the same bytes")
        for queries in (control.settings, control.measured):
            if all(q.take is None for q in plain(queries)):
                raise DriverFailed("the driver failed: nothing reads back what was set, or what flows")
        looks = plain(control.output_state or control.measured)
        if all(q.take is None for q in looks):
            raise DriverFailed("the driver failed: nothing reads back whether the output is off")
        return Off(commands=off, looks=looks, tells=bool(control.output_state), parse=control.parse)
    except (DriverFailed, BadFrame) as error:
        raise Refused(f"it could not be switched off for certain, so it is not switched on: {error}") from error


def _commands(control: Control, on: bool) -> tuple[Query, ...]:
    action = called(control.output, on)
    if type(action) is not Told:
        raise DriverFailed("the driver failed: switching gives no queries")
    return plain(action.queries)


def switch_off(off: Off) -> Generator[Wanted, Given, bool]:
    """Off, and sure of it: again until the set says so, OFF_TRIES times or OFF_S at most. Gives whether it said so.

    What has to end the injection is of no account here; a lost link gives None to every query.
    """
    began: float | None = None
    for n in range(1, OFF_TRIES + 1):
        for query in off.commands:
            given = yield Send(query)
            began = given.t if began is None else began
        yield Quiet()
        if (yield from _seen(off)):
            return True
        given = yield Rest(n * BETWEEN_S)
        if began is not None and given.t - began > OFF_S:
            break
    return False


def _seen(off: Off) -> Generator[Wanted, Given, bool]:
    """Whether each look was answered with sense, and what they say together is: off."""
    answers: list[Answer] = []
    for query in off.looks:
        given = yield Send(query)
        if query.take is None:
            continue
        if given.reply is None:
            return False
        try:
            answers.append(answered(off.parse, query, given.reply))
        except (BadFrame, Refused, DriverFailed):
            return False
    if off.tells:
        return {a.on for a in answers if a.on is not None} == {False}
    volts = [abs(a.voltage) for a in answers if a.voltage is not None]
    amperes = [abs(a.current) for a in answers if a.current is not None]
    return bool(volts and amperes) and max(volts) <= DARK[0] and max(amperes) <= DARK[1]
