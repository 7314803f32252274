"""What a supply's `control` must do, tried on a set made of the driver's own `answer`: limit, read back, see it off.

The set obeys the commands by their bytes, as `control` gave them, and shows itself through `answer`; the injection that
the service runs is carried out on it, without a clock. Then the set disobeys, and the driver must not hide that.
What this cannot know is whether a real set takes those bytes for what the driver says: that is the document's to say.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import msgspec

from meterlink.bench.fence import DriverFailed, answered, called
from meterlink.bench.injection import Order, inject
from meterlink.bench.off import prepared
from meterlink.bench.steps import Ended, Given, Put, Quiet, Rest, Send, Show
from meterlink.control import Control, Setting
from meterlink.driver_check.tried import SEED, Failed, Tried
from meterlink.errors import Refused
from meterlink.framing import Dialogue, Query
from meterlink.reading import BadFrame, Reading

ORDER = Order(
    instrument="tried", job="-", board="-", rail="-", nominal=Decimal(5), volts=Decimal("1.2"), amperes=Decimal("0.5"),
    hold_s=0.5, by="check",
)  # fmt: skip
NOISY = 40  # damaged replies to each query
STEPS_MOST = 5000
FIELDS = {"voltage": "V", "current": "A", "over_voltage": "V"}


class Mirror:
    """A set that is its driver's own picture. `deaf` are the actions that it does not carry out."""

    def __init__(self, tried: Tried, control: Control, deaf: frozenset[str] = frozenset()) -> None:
        self.tried = tried
        self.deaf = deaf
        self.on = False
        self.set = {name: Decimal(9) for name in FIELDS}
        self.actions: dict[bytes, tuple[str, Any]] = {}
        self.asked: dict[bytes, Query] = {}
        self.replies: dict[bytes, bytes] = {}
        self._queries = {q.ask for q in (*control.settings, *control.measured, *control.output_state, *control.errors)}
        over = control.over_voltage
        self._over = over is not None
        self.control = msgspec.structs.replace(
            control,
            voltage=self._learned("voltage", control.voltage),
            current=self._learned("current", control.current),
            over_voltage=self._learned("over_voltage", over) if over else None,
            switch=lambda on: self._learn("switch", on, control.switch(on)),
        )

    def _learned(self, name: str, setting: Setting) -> Setting:
        say = setting.say
        return msgspec.structs.replace(setting, say=lambda value: self._learn(name, value, say(value)))

    def _learn(self, name: str, value: Any, queries: tuple[Query, ...]) -> tuple[Query, ...]:
        """Remember what these bytes do; the last command of an action is taken for all of it."""
        commands = [q.ask for q in queries if q.ask not in self._queries]
        if not commands:
            raise Failed(f"{name} {value}: no command is sent, only queries")
        if self.actions.get(commands[-1], (name, value)) != (name, value):
            raise Failed(f"{name} {value} is the same bytes as {self.actions[commands[-1]]}: {commands[-1].hex(' ')}")
        self.actions[commands[-1]] = (name, value)
        return queries

    def readings(self) -> list[Reading]:
        """What it shows: while on, all that it is set to flows."""
        out = []
        flags: tuple[str, ...] = ("on", "cc") if self.on else ("off",)
        for name, unit in FIELDS.items():
            function = "current" if name == "current" else "voltage"
            marks = ("setting", "over-voltage") if name == "over_voltage" else ("setting",)
            if name != "over_voltage" or self._over:
                out.append(_reading(function, self.set[name], unit, marks))
        out.append(_reading("voltage", self.set["voltage"] if self.on else Decimal(0), "V", flags))
        out.append(_reading("current", self.set["current"] if self.on else Decimal(0), "A", flags))
        return out

    def hear(self, query: Query) -> bytes | None:
        name, value = self.actions.get(query.ask, ("", None))
        if name == "switch" and f"switch {'on' if value else 'off'}" not in self.deaf:
            self.on = bool(value)
        elif name in self.set and name not in self.deaf:
            self.set[name] = value
        if query.take is None:
            return None
        reply = self.tried.spec.answer(query.ask, self.readings())
        if not reply:
            raise Failed(f"answer says nothing to {_shown(query.ask)}, which control sends and waits for")
        self._cut(query, reply)
        self.asked[query.ask], self.replies[query.ask] = query, reply
        return reply

    def _cut(self, query: Query, reply: bytes) -> None:
        assert query.take is not None  # hear looked
        early = [n for n in range(len(reply)) if called(query.take, reply[:n]) is not None]
        if early or called(query.take, reply) != len(reply):
            raise Failed(f"take does not cut the reply {_shown(reply)} to {_shown(query.ask)} at its end")


def _reading(function: str, value: Decimal, unit: str, flags: tuple[str, ...]) -> Reading:
    # digits enough for every set: a value on its own step loses nothing
    shown = value.quantize(Decimal("0.001")) if unit == "A" else value.quantize(Decimal("0.01"))
    return Reading(
        function=function, value=shown, unit=unit, coupling="dc", resolution=Decimal("0.001"), flags=flags, channel="1"
    )


def _shown(data: bytes) -> str:
    return repr(data.decode("ascii")) if data.isascii() else data.hex(" ")


def injected(mirror: Mirror) -> tuple[Ended, list[Show]]:
    """The injection of the service on this set, its time a number that goes up."""
    steps = inject(ORDER, mirror.control, prepared(mirror.control))
    t, shown = 0.0, list[Show]()
    given: Given | None = None
    for _ in range(STEPS_MOST):
        try:
            wanted = next(steps) if given is None else steps.send(given)
        except StopIteration as end:
            return end.value, shown
        reply = None
        match wanted:
            case Send(query):
                t += 0.01
                reply = mirror.hear(query)
            case Rest(seconds):
                t += seconds
            case Show():
                shown.append(wanted)
            case Put() | Quiet():
                t += 0.001
        given = Given(t, reply)
    raise Failed(f"an injection of {ORDER.hold_s:g} s does not end")


def control_of(tried: Tried) -> Control | None:
    """Its control; None where it has none. Raises Failed for what is none, BadFrame for a set that is only read."""
    make: Callable[..., Any] | None = getattr(tried.spec.module, "control", None)
    if make is None:
        return None
    if tried.spec.info.kind != "supply":
        raise Failed(f"control, and INFO.kind is {tried.spec.info.kind!r}: only a supply has one")
    control = make(tried.spec.model)
    if type(control) is not Control:
        raise Failed(f"control gives {type(control).__name__}, no Control")
    return control


def controlled(tried: Tried) -> str | None:
    """Control: what is set is read back, and off is seen off."""
    try:
        control = control_of(tried)
    except BadFrame as error:
        return f"read, never switched: {error}"
    if control is None:
        return None
    if not hasattr(tried.spec.module, "answer"):
        raise Failed("there is control and no answer: nothing shows what the commands lead to")
    try:
        return _tried(tried, control)
    except Refused as error:
        raise Failed(str(error)) from error
    except DriverFailed as error:
        cause = error.__cause__
        raise (cause if isinstance(cause, Failed) else Failed(str(error))) from error


def _tried(tried: Tried, control: Control) -> str:
    alike = Mirror(tried, control)  # the same numbers for all: what tells them apart is not the number
    for action in (alike.control.voltage, alike.control.current, alike.control.over_voltage):
        if action is not None:
            called(action.told, Decimal(1))
            called(action.told, Decimal("0.5"))
    mirror = Mirror(tried, control)
    ended, shown = injected(mirror)
    if not ended.switched_on or ended.why != "the time is over":
        raise Failed(f"an injection of {ORDER.volts} V, {ORDER.amperes} A did not go to its end: {ended.why}")
    if not ended.seen or mirror.on:
        raise Failed("its output was on, and is not seen off" if not mirror.on else "it stays on after off")
    for one in shown:
        if (one.volts, one.amperes) != (mirror.set["voltage"], mirror.set["current"]):
            raise Failed(f"measured: {one.volts} V, {one.amperes} A are read of {mirror.set}")
    driver = tried.spec.driver()
    if isinstance(driver, Dialogue):
        for query in driver.round:
            if query.ask in mirror.actions:
                raise Failed(f"a polling round sends {_shown(query.ask)}: {mirror.actions[query.ask]}")
    for name in ("current", "voltage", *(("over_voltage",) if control.over_voltage else ())):
        ended, _ = injected(Mirror(tried, control, frozenset([name])))
        if ended.switched_on:
            raise Failed(f"a set that does not take its {name.replace('_', ' ')} is switched on all the same")
    ended, _ = injected(Mirror(tried, control, frozenset(["switch off"])))
    if ended.off:
        raise Failed("a set that stays on is taken for off")
    already = Mirror(tried, control)
    already.on = True
    if injected(already)[0].switched_on:
        raise Failed("an output that is on already is taken for off")
    damaged = _noise(control, mirror)
    return f"{len(mirror.actions)} commands, {len(mirror.asked)} queries, {damaged} damaged replies"


def _noise(control: Control, mirror: Mirror) -> int:
    """Damaged replies give BadFrame or an Answer; an empty one is no answer."""
    rng, n = random.Random(SEED), 0
    for ask, query in mirror.asked.items():
        reply = mirror.replies[ask]
        tries = [b"", *(bytes(rng.randrange(256) for _ in range(len(reply))) for _ in range(NOISY))]
        for _ in range(NOISY):
            spoilt = bytearray(reply)
            spoilt[rng.randrange(len(reply))] ^= 1 << rng.randrange(8)
            tries.append(bytes(spoilt[: rng.randint(1, len(reply))]))
        for one in tries:
            n += 1
            try:
                answer = answered(control.parse, query, one)
            except BadFrame:
                continue
            except (DriverFailed, Refused) as error:
                raise Failed(f"parse of {_shown(one)} to {_shown(ask)}: {error}") from error
            if not one:
                raise Failed(f"parse takes nothing at all for an answer to {_shown(ask)}: {answer}")
    return n
