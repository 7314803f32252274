"""What may switch one supply: the injection that runs, and the off that is owed until somebody has seen it.

An off is owed from the moment an injection begins, or from being asked for, until the set says that its output is off
or a person does. It outlives the link and the driver; the supervisor's thread carries it out, on whatever link it has.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from meterlink.bench.fence import DriverFailed, called, words
from meterlink.bench.injection import Order
from meterlink.bench.off import Off, prepared
from meterlink.bench.steps import Ended
from meterlink.control import Control
from meterlink.errors import LinkLost, Refused
from meterlink.link import Link
from meterlink.registry import Spec
from meterlink.service.clock import Clock
from meterlink.service.injector import InjectionEnded, Injector

AGAIN_S = 2.0  # between two tries of an off that nobody has seen


class Switch:
    """Of one supply. `put` takes InjectionEnded and what an injection tells on its way."""

    def __init__(self, instrument: str, control: Control, spec: Spec, put: Callable[[Any], None], clock: Clock) -> None:
        self.instrument = instrument
        self.injector: Injector | None = None  # asked for or under way
        self.must_off = False  # the output may be on without us: off comes first
        self.unfit: str | None = None  # why it is never switched
        self._off: Off | None = None
        try:
            self._off = called(prepared, control)
        except (Refused, DriverFailed) as error:
            self.unfit = str(error)
        self._control = control
        self._spec = spec
        self._put = put
        self._clock = clock
        self._asked = False  # off was asked for while an injection ran
        self._again_t = float("-inf")
        self._lock = threading.Lock()

    # -- asked by the loop

    def inject(self, order: Order) -> None:
        """Begin an injection; how it goes is told by the loop's queue. Raises Refused."""
        if self._off is None:
            raise Refused(f"{self.instrument}: {self.unfit}")
        with self._lock:
            if self.injector is not None:
                raise Refused(f"{self.instrument} is injecting already")
            if self.must_off:
                raise Refused(f"{self.instrument} is still being switched off")
            self.injector = self._made(order, self._off)

    def off(self, why: str) -> None:
        """Switch off now and see it off, whether or not an injection is under way."""
        with self._lock:
            self.must_off, self._asked, self._again_t = True, True, float("-inf")
            if injector := self.injector:
                injector.stop(why)

    def stop(self, why: str) -> bool:
        """End an injection that is under way, if there is one."""
        injector = self.injector
        if injector:
            injector.stop(why)
        return injector is not None

    def by_hand(self) -> None:
        """A person says that it is off: nothing is owed any more."""
        with self._lock:
            self.must_off = self._asked = False

    # -- in the supervisor's thread

    def due(self, t: float) -> bool:
        """Whether there is something to carry out now."""
        return self.injector is not None or (self.must_off and t >= self._again_t)

    def carry_out(self, link: Link) -> None:
        """Off if that is owed, then the injection that waits. Raises LinkLost; off is owed until it is confirmed."""
        if self._off is None:
            self.unreachable(str(self.unfit))
            return
        with self._lock:
            injector = self.injector
            if self.must_off or injector is None:
                injector = self._made(None, self._off)
            self.must_off, self._asked = True, False
        ended = injector.run(link)
        self._over(injector, ended)
        if injector.lost:
            raise injector.lost

    def drop(self, why: str) -> None:
        """An injection that was asked for and has not begun never will."""
        with self._lock:
            injector, self.injector = self.injector, None
        if injector is not None:
            self._tell(injector, Ended(f"it had not begun: {why}", off=True, switched_on=False))

    def unreachable(self, why: str) -> None:
        """There is no link to it, or no driver: an off that is owed is told, and stays owed."""
        self.drop(why)
        if self.must_off:
            self._again_t = self._clock.now().t + AGAIN_S
            self._tell(None, Ended(why, off=False, switched_on=True))

    def _made(self, order: Order | None, off: Off) -> Injector:
        return Injector(self.instrument, order, self._control, off, self._spec, self._put, self._clock)

    def _over(self, injector: Injector, ended: Ended) -> None:
        with self._lock:
            if ended.seen:
                self.must_off = False
            elif ended.off:  # nothing was sent that sets; whoever asked for off meanwhile wants to see it
                self.must_off = self.must_off and self._asked
            else:
                self._again_t = self._clock.now().t + AGAIN_S
            if injector is self.injector:
                self.injector = None
        self._tell(injector, ended)

    def _tell(self, injector: Injector | None, ended: Ended) -> None:
        order = injector.order if injector else None
        self._put(InjectionEnded(self.instrument, order, ended, self._clock.now()))


def close(link: Link) -> str | None:
    """Give a port back, whatever it raises; gives what that was, in words."""
    try:
        link.close()
    except BaseException as error:  # noqa: BLE001 - it is given up either way, and off is owed all the same
        return words(error)
    return None


def opened(open_: Callable[..., Link], *args: Any) -> Link:
    """A link. Raises LinkLost, and nothing else."""
    try:
        return open_(*args)
    except LinkLost:
        raise
    except BaseException as error:  # noqa: BLE001 - a port that cannot be opened is tried again, whatever it raised
        lost, cause = LinkLost(f"it cannot be opened: {words(error)}"), error
    raise lost from cause
