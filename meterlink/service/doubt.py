"""Outputs that may be on with nobody having seen them off: the alarm that stays, and the answers that wait for it.

An alarm stands until the set says that its output is off, or a person does, and it is heard again while it stands.
Part of the loop; what has to be sent is the business of each supply's Switch.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import msgspec

from meterlink import records
from meterlink.bench.events import Effect
from meterlink.bench.fence import clean
from meterlink.errors import BadInput, CheckFailed
from meterlink.exits import exit_code
from meterlink.service.clock import Moment
from meterlink.service.injector import InjectionEnded
from meterlink.service.snapshot import snapshot

if TYPE_CHECKING:
    from meterlink.service.loop import Service

Reply = Callable[[dict[str, Any]], None]
ANSWER_S = 15.0  # an off that was asked for is answered by then: it could not be confirmed
GRACE_S = 3.0  # after a kill the first thing sent is off: that long it has before the alarm is heard
REMIND_S = 15.0  # between two soundings of an alarm that stands
BY_HAND = "switch it off by hand, look, then say so: meterlink supply off --by-hand"


class Alarm(msgspec.Struct):
    """`recorded` whether the journal says by now that nobody saw it off."""

    text: str
    sound_t: float
    recorded: bool = False


class Waiting(msgspec.Struct):
    """Somebody asked for off and waits to hear that it was seen."""

    names: list[str]
    left: set[str]
    reply: Reply
    until_t: float


class Doubt:
    """Owned by the loop. `tell` gives an effect to the ears and a message to the watchers."""

    def __init__(self, service: Service, tell: Callable[[Effect], None]) -> None:
        self._service = service
        self._tell = tell
        self.alarms: dict[str, Alarm] = {}
        self._waiting: list[Waiting] = []

    @property
    def alarm(self) -> str | None:
        """All that stand, as one line, or None."""
        return "; ".join(a.text for a in self.alarms.values()) or None

    def begin(self, now: Moment) -> None:
        """At the start: what a killed service left on is switched off first, or is an alarm at once."""
        for name, noted in self._service.bench.ledger.left_on.items():
            supervisor = self._service.supervisors.get(name)
            since = f"it was switched on by a service that did not see it off (record {noted.seq})"
            if supervisor is not None and supervisor.switch is not None:
                supervisor.switch.off("off first")
                self.alarms[name] = Alarm(f"{name}: {since}: off is being sent", now.t + GRACE_S)
            else:
                text = f"{name}: {since}, and this bench's file does not let it be switched: {BY_HAND}"
                self.alarms[name] = Alarm(text, now.t)

    # -- what is asked for

    def off(self, why: str, reply: Reply, now: Moment) -> None:
        """Switch every supply off that may be switched; answered when each was seen off, or could not be."""
        switches = {n: s.switch for n, s in self._service.supervisors.items() if s.switch is not None}
        for switch in switches.values():
            switch.off(why)
        self._waiting.append(Waiting(list(switches), set(switches), reply, now.t + ANSWER_S))
        self._answer()

    def by_hand(self, name: object, by: str, now: Moment) -> dict[str, Any]:
        """A person says that an output is off: recorded, then the alarm ends. Raises BadInput, JournalFailed."""
        if not self.alarms:
            raise BadInput("no output is in doubt: there is nothing to say of one")
        if name is not None and name not in self.alarms:
            raise BadInput(f"no alarm stands for {name!r}; one stands for {', '.join(self.alarms)}")
        names = list(self.alarms) if name is None else [str(name)]
        self._service.scribe.promise([self._record(n, "switched off by hand", by, "person") for n in names], now)
        for n in names:
            supervisor = self._service.supervisors.get(n)
            if supervisor is not None and supervisor.switch is not None:
                supervisor.switch.by_hand()
            self.alarms.pop(n)
            self._left(n)
        text = f"off by hand, says {by}: {', '.join(names)}"
        self._tell(Effect("stepped", text))
        self._state()
        return {"off": names, "text": [text]}

    # -- what comes

    def ended(self, item: InjectionEnded) -> None:
        """What an end says of the output: seen off, could not be confirmed, or nothing at all."""
        name, ended = item.instrument, item.ended
        switch = self._service.supervisors[name].switch
        if ended.seen:
            if item.order is None or name in self._service.bench.ledger.left_on:  # its own record did not come through
                self._service.promise((self._record(name, clean(ended.why), "service", "set"),), item.moment)
            self.alarms.pop(name, None)
            self._left(name)
        elif not ended.off and switch is not None and switch.must_off:  # else a person has said meanwhile that it is
            self._doubt(name, clean(ended.why), item.moment, recorded=item.order is not None and ended.switched_on)
            self._left(name)
        else:
            return
        self._state()

    def _doubt(self, name: str, why: str, now: Moment, recorded: bool) -> None:
        before = self.alarms.get(name)
        text = f"{name}: OFF COULD NOT BE CONFIRMED ({why}): {BY_HAND}"
        alarm = self.alarms[name] = Alarm(
            text, before.sound_t if before else now.t, before.recorded if before else False
        )
        if not alarm.recorded and not recorded:
            record = self._record(name, f"{why}; off could not be confirmed", "service", "nobody")
            recorded = self._service.promise((record,), now)
        alarm.recorded = alarm.recorded or recorded
        self.due(now)

    def due(self, now: Moment) -> None:
        """Sound what stands, and answer those who have waited long enough."""
        for alarm in self.alarms.values():
            if now.t >= alarm.sound_t:
                alarm.sound_t = now.t + REMIND_S
                self._tell(Effect("alarm", alarm.text))
        for waiting in self._waiting:
            if now.t >= waiting.until_t:
                left, waiting.left = waiting.left, set()
                for name in left:
                    self._doubt(name, "nothing is heard of it: its driver or its port hangs", now, recorded=False)
        self._answer()

    def end(self, now: Moment) -> None:
        """At the end: nobody waits any longer, and what stands is heard once more. Raises CheckFailed with it."""
        for waiting in self._waiting:
            for name in waiting.left:
                self.alarms.setdefault(name, Alarm(f"{name}: OFF COULD NOT BE CONFIRMED: {BY_HAND}", now.t))
            waiting.left = set()
        self._answer()
        if self.alarm:
            for alarm in self.alarms.values():
                self._tell(Effect("alarm", alarm.text))
            raise CheckFailed(self.alarm)

    # -- what is told

    def _left(self, name: str) -> None:
        for waiting in self._waiting:
            waiting.left.discard(name)

    def _answer(self) -> None:
        for waiting in [w for w in self._waiting if not w.left]:
            self._waiting.remove(waiting)
            unseen = [self.alarms[n].text for n in waiting.names if n in self.alarms]
            if unseen:
                waiting.reply({"ok": False, "error": "; ".join(unseen), "code": exit_code(CheckFailed())})
            else:
                text = f"off, and seen off: {', '.join(waiting.names)}" if waiting.names else "none may be switched"
                waiting.reply({"ok": True, "off": waiting.names, "text": [text], "records": []})

    def _record(self, name: str, why: str, by: str, seen: Any) -> records.Supply:
        """Of the board that it was switched on for; where that is not known, of the one on the bench."""
        on = self._service.bench.ledger.left_on.get(name)
        of = on.record if on else self._service.bench.context
        return records.Supply(
            instrument=name,
            event="off",
            voltage=None,
            current_limit=None,
            why=why,
            by=by,
            job=of.job,
            board=of.board,
            rail=on.record.rail if on else None,
            seen=seen,
        )

    def _state(self) -> None:
        if len(self._service.watchers):
            self._service.watchers.tell({"event": "state", **snapshot(self._service)})
