"""Carries out an injection on a supply's open link, in the supervisor's thread; and the watchdog beside it.

The order of steps is meterlink/bench/injection.py; here are its port, its clock and its way to the journal. A stop
(pedal, command, service, journal, watchdog) ends a wait at once; in switching off no wait is cut short. When the link
is lost the steps are given no answer until they have given up; the supervisor then switches off first thing on
reopening.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Generator
from typing import Any

import msgspec

from meterlink import records
from meterlink.bench.injection import Ended, Given, Order, Put, Rest, Send, Show, Wanted, inject, switch_off
from meterlink.control import Control
from meterlink.errors import LinkLost
from meterlink.framing import Query
from meterlink.link import Link
from meterlink.reading import BadFrame, Reading
from meterlink.registry import Spec
from meterlink.service.clock import Clock, Moment

SLICE_S = 0.02  # the longest that a stop waits for a read
PUT_S = 2.0  # the longest that a record may take to the disk before the injection gives up
SET_UP_S = 5.0  # what setting, reading back and switching off may take beside the hold


class Promise(msgspec.Struct, frozen=True):
    """A record that must be on the disk before the next step; `answer` is told whether it is."""

    record: records.Supply
    answer: Callable[[bool], None]


class Injecting(msgspec.Struct, frozen=True):
    """Measured while the output is on."""

    order: Order
    show: Show
    moment: Moment


class InjectionEnded(msgspec.Struct, frozen=True):
    """The injection is over, or the output was switched off without one (order None)."""

    instrument: str
    order: Order | None
    ended: Ended
    moment: Moment


class Injector:
    """One injection, or with `order` None one switching off. `run` belongs to the supervisor's thread."""

    def __init__(
        self,
        instrument: str,
        order: Order | None,
        control: Control,
        spec: Spec,
        put: Callable[[Any], None],
        clock: Clock,
    ) -> None:
        self.instrument = instrument
        self.order = order
        self.control = control
        self._spec = spec
        self._put = put
        self._clock = clock
        self._stop: str | None = None
        self._cut = False  # a wait was ended by the stop; it is only done once
        self.lost: LinkLost | None = None
        self.over = threading.Event()

    def stop(self, why: str) -> None:
        """Ask it to switch off now; from any thread."""
        self._stop = self._stop or why

    def run(self, link: Link) -> Ended:
        """Drive the steps to their end; `lost` says whether the link went away on the way."""
        if self.order:
            Watchdog(self, link, self.order.hold_s + SET_UP_S).start()
            ended: Ended = self._drive(inject(self.order, self.control), link)
        else:
            off = self._drive(switch_off(self.control), link)
            ended = Ended("switched off", off, switched_on=not off)
        self.over.set()
        return ended

    def _drive(self, steps: Generator[Wanted, Given, Any], link: Link) -> Any:
        given: Given | None = None
        while True:
            try:
                wanted = next(steps) if given is None else steps.send(given)
            except StopIteration as end:
                return end.value
            reply, done = None, True
            match wanted:
                case Send(query):
                    reply = self._exchange(link, query)
                case Put(record):
                    done = self._record(record)
                case Rest(seconds):
                    self._rest(seconds)
                case Show() if self.order:
                    self._put(Injecting(self.order, wanted, self._clock.now()))
                case Show():
                    pass  # switching off shows nothing
            given = Given(self._clock.now().t, reply, done, self._stop)

    def _cut_short(self) -> bool:
        if self._stop and not self._cut:
            self._cut = True
            return True
        return False

    def _exchange(self, link: Link, query: Query) -> bytes | None:
        if self.lost:
            return None
        try:
            while link.read(0.0):
                pass  # an answer that came too late is no answer to this
            link.write(query.ask)
            sent = self._clock.now().t
            held, reply = b"", None
            while query.take is not None and self._clock.now().t - sent < query.wait_s:
                held += link.read(SLICE_S)
                n = query.take(held)
                if n is not None:
                    reply = held[:n]
                    break
                if self._cut_short():
                    return None
            self._rest(query.pause_s - (self._clock.now().t - sent))
        except LinkLost as error:
            self.lost = error
            return None
        if reply is not None:
            self._journal(reply, query.ask)
        return reply

    def _journal(self, reply: bytes, asked: bytes) -> None:
        """What it measured goes into the journal as every reading does."""
        try:
            readings = self._spec.decode(reply, asked)
        except BadFrame:
            return  # the steps judge it; a reply without a reading (an acknowledgement) is no fault
        if readings:
            # imported late: the supervisor owns this class and imports it
            from meterlink.service.supervisor import Batch

            whole: list[Reading] = [msgspec.structs.replace(r, raw=reply, asked=asked) for r in readings]
            self._put(Batch(self.instrument, whole, self._clock.now()))

    def _record(self, record: records.Supply) -> bool:
        answered, told = threading.Event(), []

        def answer(done: bool) -> None:
            told.append(done)
            answered.set()

        self._put(Promise(record, answer))
        # an `off` has been carried out: its record is waited for as well, but nothing hangs on it
        return answered.wait(PUT_S) and told[0]

    def _rest(self, seconds: float) -> None:
        end = self._clock.now().t + seconds
        while (left := end - self._clock.now().t) > 0 and not self._cut_short():
            time.sleep(min(SLICE_S, left))


class Watchdog(threading.Thread):
    """Ends an injection that outlives its time; when even that does not end it, it sends the off itself."""

    def __init__(self, injector: Injector, link: Link, limit_s: float) -> None:
        super().__init__(name="watchdog", daemon=True)
        self._injector = injector
        self._link = link
        self._limit_s = limit_s

    def run(self) -> None:
        over = self._injector.over
        if over.wait(self._limit_s):
            return
        self._injector.stop("the watchdog: it took too long")
        while not over.wait(1.0):
            # the supervisor's thread hangs: its link takes bytes from here as well
            with contextlib.suppress(LinkLost):
                for query in self._injector.control.output(False).queries:
                    self._link.write(query.ask)
