"""Carries out an injection on a supply's open link, in the supervisor's thread; and the watchdog beside it.

The order of steps is meterlink/bench/injection.py; here are its port, its clock and its way to the journal. A stop
(pedal, command, service, journal, watchdog) ends a wait at once; in switching off no wait is cut short. When the link
is lost the steps are given no answer until they have given up; the supervisor then switches off first thing on
reopening. Nothing that a driver or a link raises leaves `Injector.run`: it gives an Ended in every case.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Generator
from typing import Any

import msgspec

from meterlink import records
from meterlink.bench.fence import DriverFailed, called, read, words
from meterlink.bench.injection import Order, inject
from meterlink.bench.off import Off, switch_off
from meterlink.bench.steps import Ended, Given, Put, Quiet, Rest, Send, Show, Wanted
from meterlink.control import Control
from meterlink.errors import LinkLost, MeterlinkError, Refused
from meterlink.framing import Query
from meterlink.link import Link
from meterlink.reading import BadFrame
from meterlink.registry import Spec
from meterlink.service.clock import Clock, Moment

SLICE_S = 0.02  # the longest that a stop waits for a read
PUT_S = 2.0  # the longest that a record may take to the disk before the injection gives up
LATE_S = 0.1  # so long without a byte, and an answer that is owed will not come any more ...
LATE_MOST_S = 0.4  # ... and no longer than this is waited for that
STALE_MOST = 64  # reads that drop what nobody asked for: a set that never stops talking is asked all the same
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
        off: Off,
        spec: Spec,
        put: Callable[[Any], None],
        clock: Clock,
    ) -> None:
        self.instrument = instrument
        self.order = order
        self.off = off
        self._control = control
        self._spec = spec
        self._put = put
        self._clock = clock
        self._stop: str | None = None
        self._cut = False  # a wait was ended by the stop; it is only done once
        self._owed = False  # an answer did not come, and may come yet
        self.lost: LinkLost | None = None
        self.over = threading.Event()

    def now(self) -> Moment:
        """By the clock that it runs on."""
        return self._clock.now()

    def stop(self, why: str) -> None:
        """Ask it to switch off now; from any thread."""
        self._stop = self._stop or why

    def run(self, link: Link) -> Ended:
        """Drive the steps to their end; `lost` says whether the link went away on the way."""
        try:
            return self._switch_off(link, "switched off") if self.order is None else self._inject(link, self.order)
        finally:
            self.over.set()

    def _inject(self, link: Link, order: Order) -> Ended:
        try:
            Watchdog(self, link, order.hold_s + SET_UP_S, self._put).start()
            ended: Ended = self._drive(inject(order, self._control, self.off), link)
            return ended
        except BaseException as error:  # noqa: BLE001 - whatever it is, off comes before it
            return self._switch_off(link, f"a fault: {words(error)}")

    def _switch_off(self, link: Link, why: str) -> Ended:
        try:
            seen: bool = self._drive(switch_off(self.off), link)
        except BaseException as error:  # noqa: BLE001 - then nobody has seen it off, and that is what is said
            return Ended(f"{why}: {words(error)}", off=False, switched_on=True)
        return Ended(why if seen or not self.lost else str(self.lost), off=seen, switched_on=not seen, seen=seen)

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
                case Quiet():
                    self._quiet(link)
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
            for _ in range(STALE_MOST):
                if not link.read(0.0):
                    break  # what came until now is no answer to this
            link.write(query.ask)
            sent = self._clock.now().t
            reply = self._answer(link, query, sent)
            if reply is None and query.take is not None:
                self._owed = True
                if self._cut:
                    return None
            self._rest(query.pause_s - (self._clock.now().t - sent))
        except BaseException as error:  # noqa: BLE001 - a port that fails in any way is lost: off comes on one opened anew
            self.lost = error if isinstance(error, LinkLost) else LinkLost(f"the link failed: {words(error)}")
            return None
        if reply is not None:
            self._journal(reply, query.ask)
        return reply

    def _answer(self, link: Link, query: Query, sent: float) -> bytes | None:
        held = b""
        while query.take is not None and self._clock.now().t - sent < query.wait_s:
            held += link.read(SLICE_S)
            try:
                n = called(query.take, held)
                if n is not None:
                    if type(n) is not int or not 0 < n <= len(held):
                        raise DriverFailed(f"the driver failed: take gives {n!r} of {len(held)} bytes")
                    return held[:n]
            except (MeterlinkError, BadFrame) as error:  # what a take raises is none of the contract's
                self.stop(str(error))
                return None
            if self._cut_short():
                return None
        return None

    def _quiet(self, link: Link) -> None:
        if not self._owed or self.lost:
            return
        self._owed = False
        end = self._clock.now().t + LATE_MOST_S
        try:
            while self._clock.now().t < end and link.read(LATE_S):
                pass
        except BaseException as error:  # noqa: BLE001 - as in _exchange
            self.lost = error if isinstance(error, LinkLost) else LinkLost(f"the link failed: {words(error)}")

    def _journal(self, reply: bytes, asked: bytes) -> None:
        """What it measured goes into the journal as every reading does. A driver that fails here ends the injection."""
        try:
            readings = read(called(self._spec.decode, reply, asked))
        except (BadFrame, Refused):
            return  # the steps judge it; a reply without a reading (an acknowledgement) is no fault
        except DriverFailed as error:
            self.stop(str(error))
            return
        whole = [msgspec.structs.replace(r, raw=reply, asked=asked) for r in readings]
        if whole:
            # imported late: the supervisor owns this class and imports it
            from meterlink.service.supervisor import Batch

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
        end = self._clock.now().t + (0.0 if self.lost else seconds)
        while (left := end - self._clock.now().t) > 0 and not self._cut_short():
            time.sleep(min(SLICE_S, left))


class Watchdog(threading.Thread):
    """Ends an injection that outlives its time; when even that does not end it, it sends the off itself, and says
    that nobody sees whether it helps: only the thread that hangs could have read that."""

    def __init__(self, injector: Injector, link: Link, limit_s: float, put: Callable[[Any], None]) -> None:
        super().__init__(name="watchdog", daemon=True)
        self._injector = injector
        self._link = link
        self._limit_s = limit_s
        self._put = put

    def run(self) -> None:
        over = self._injector.over
        if over.wait(self._limit_s):
            return
        self._injector.stop("the watchdog: it took too long")
        told = False
        while not over.wait(1.0):
            try:  # the supervisor's thread hangs: its link takes bytes from here as well
                for query in self._injector.off.commands:
                    self._link.write(query.ask)
            except BaseException:  # noqa: BLE001 - tried again in a second; the alarm stands
                pass
            if not told:
                told = True
                ended = Ended("its driver or its port hangs", off=False, switched_on=True)
                moment = self._injector.now()
                self._put(InjectionEnded(self._injector.instrument, self._injector.order, ended, moment))
