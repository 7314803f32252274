"""What a supply can be told, as pure bytes: used by the injection and by nothing that only reads.

A supply's driver module has `control(model=None, channel="1") -> Control`. It raises BadFrame where
the published sheet does not tell how to switch that set. Sans-I/O: an action gives the queries to send,
in order; each that brings a reply goes with it through `parse`. Polling rounds contain none of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from decimal import ROUND_FLOOR, Decimal
from typing import Literal

import msgspec

from meterlink.errors import Refused
from meterlink.framing import Query
from meterlink.reading import Reading


class Told(msgspec.Struct, frozen=True, kw_only=True):
    """The queries of one action, and what the set will have understood.

    value   volts or amperes as the set takes them, None for the output
    note    "" or, when the wanted value had more digits than the set, what was rounded down to what
    """

    queries: tuple[Query, ...]
    value: Decimal | None = None
    note: str = ""


class Answer(msgspec.Struct, frozen=True, kw_only=True):
    """What one reply says; None where it says nothing of it. V and A.

    done      a command was taken (an acknowledgement, an empty error queue)
    mode      cv or cc, only while the output is on and only where the set tells
    tripped   a protection has switched off
    entered   limits entered since this was last asked ("cv", "cc"): events, not the present mode
    error     the set's own words when it refused
    """

    done: bool | None = None
    set_voltage: Decimal | None = None
    set_current: Decimal | None = None
    over_voltage: Decimal | None = None
    voltage: Decimal | None = None
    current: Decimal | None = None
    on: bool | None = None
    mode: Literal["cv", "cc"] | None = None
    tripped: bool | None = None
    entered: tuple[str, ...] = ()
    error: str = ""


def heard(readings: Iterable[Reading]) -> Answer:
    """What readings of one channel say, as an Answer."""
    answer = Answer()
    for r in readings:
        if r.function in ("voltage", "current"):
            name = f"set_{r.function}" if "setting" in r.flags else r.function
            answer = msgspec.structs.replace(answer, **{name: r.value})
        if "on" in r.flags or "off" in r.flags:
            answer = msgspec.structs.replace(answer, on="on" in r.flags)
        if "cv" in r.flags or "cc" in r.flags:
            answer = msgspec.structs.replace(answer, mode="cv" if "cv" in r.flags else "cc")
        if "tripped" in r.flags:
            answer = msgspec.structs.replace(answer, tripped=True)
    return answer


class Setting(msgspec.Struct, frozen=True, kw_only=True):
    """One value that can be set: its smallest step, the most its digits or the set allow, its queries.

    say   Decimal, already on the step -> the queries
    """

    unit: Literal["V", "A"]
    step: Decimal
    most: Decimal
    say: Callable[[Decimal], tuple[Query, ...]]

    def told(self, value: Decimal) -> Told:
        """Round down to the step.

        Raises  Refused below zero, above `most`, or for what is no number.
        """
        if not value.is_finite() or not 0 <= value <= self.most:
            raise Refused(f"{value} {self.unit} cannot be set: 0 to {self.most} {self.unit} can; nothing was sent")
        steps = (value / self.step).to_integral_value(ROUND_FLOOR)
        taken = (steps * self.step).quantize(self.step)
        note = "" if taken == value else f"{value} {self.unit} rounded down to {taken} {self.unit}, the set's step"
        return Told(queries=self.say(taken), value=taken, note=note)


class Control(msgspec.Struct, frozen=True, kw_only=True):
    """Everything one channel of a set can be told and asked.

    over_voltage  None where the set has no over-voltage protection that a command can set
    switch        on or off -> queries
    parse         (asked, reply) of one query -> Answer; raises BadFrame when the reply is no reply to it
    settings      queries that read set volts, set amperes and, where there is one, the over-voltage level
    measured      queries that read volts and amperes at the terminals
    output_state  queries that read on or off; empty where the set cannot tell: then only the terminals can
    errors        a query to repeat until `done`; empty where the set keeps no error queue
    """

    voltage: Setting
    current: Setting
    over_voltage: Setting | None = None
    switch: Callable[[bool], tuple[Query, ...]]
    parse: Callable[[bytes, bytes], Answer]
    settings: tuple[Query, ...]
    measured: tuple[Query, ...]
    output_state: tuple[Query, ...] = ()
    errors: tuple[Query, ...] = ()

    def set_voltage(self, value: Decimal) -> Told:
        """Volts. Raises Refused."""
        return self.voltage.told(value)

    def set_current(self, value: Decimal) -> Told:
        """Amperes. Raises Refused."""
        return self.current.told(value)

    def set_over_voltage(self, value: Decimal) -> Told:
        """Volts above which the set switches itself off. Raises Refused, also where the set has none."""
        if self.over_voltage is None:
            raise Refused("this set has no over-voltage protection that a command can set; nothing was sent")
        return self.over_voltage.told(value)

    def output(self, on: bool) -> Told:
        return Told(queries=self.switch(on))

    def read_settings(self) -> tuple[Query, ...]:
        return self.settings

    def read_measured(self) -> tuple[Query, ...]:
        return self.measured

    def read_output(self) -> tuple[Query, ...]:
        return self.output_state
