"""What waits for the loop: bounded for each instrument, and nothing that a person does waits behind readings.

While little waits all is given in the order in which it came. Where a meter sends more than the bench can take, feet,
commands, an off and the end overtake its readings; beyond MOST of one instrument's readings the newest are dropped and
counted, to be told in a `gap`. Other instruments' readings are not held up by it.
"""

from __future__ import annotations

import itertools
import queue
import threading
from collections import deque
from collections.abc import Iterator

import msgspec

from meterlink import records
from meterlink.service.clock import Moment
from meterlink.service.injector import Injecting, InjectionEnded, Promise
from meterlink.service.input_messages import InputMessage
from meterlink.service.sealer import Signed
from meterlink.service.sockets import Ask
from meterlink.service.supervisor import Batch, Changed

WAIT_S = 0.02  # the longest that what is due waits for something to come
MOST = 2000  # readings of one instrument that may wait: seconds of the fastest one
NEAR = 500  # readings that are taken in one turn, and up to which all is in order
TELL_S = 1.0  # between two gaps of one instrument
WHY = "it sends more than the bench can take"


class Stop(msgspec.Struct, frozen=True):
    """End in order."""

    why: str


# Everything that reaches the loop: the match over it is checked for completeness.
Item = Batch | Changed | Ask | InputMessage | Promise | Injecting | InjectionEnded | Signed | Stop


class _Flow:
    """One instrument's readings on their way; those that were dropped, and from when to when."""

    def __init__(self) -> None:
        self.waiting: deque[tuple[int, Batch]] = deque()
        self.held = 0
        self.lost = 0
        self.since: Moment | None = None
        self.to: Moment | None = None
        self.told_t = -TELL_S


class Inbox:
    """`put` from any thread (a Stop from a signal handler too); the rest belongs to the loop."""

    def __init__(self) -> None:
        # its put may be entered anew by a signal handler; None only wakes the loop up
        self._items: queue.SimpleQueue[tuple[int, Item] | None] = queue.SimpleQueue()
        self._tickets = itertools.count()
        self._lock = threading.Lock()
        self._flows: dict[str, _Flow] = {}
        self._woken = False

    def put(self, item: Item) -> None:
        """Never waits."""
        if not isinstance(item, Batch):
            self._items.put((next(self._tickets), item))
            return
        with self._lock:
            flow = self._flows.setdefault(item.instrument, _Flow())
            room = MOST - flow.held
            if len(item.readings) > room:
                flow.lost += len(item.readings) - room
                flow.since, flow.to = flow.since or item.moment, item.moment
                item = msgspec.structs.replace(item, readings=item.readings[:room])
            if item.readings:
                flow.waiting.append((next(self._tickets), item))
                flow.held += len(item.readings)
            wake, self._woken = not self._woken, True
        if wake:
            self._items.put(None)

    def take(self) -> list[Item]:
        """What came; waits until something comes or is due."""
        first: list[tuple[int, Item]] = []
        try:
            one = self._items.get(timeout=WAIT_S)
            for _ in range(1000):
                if one is not None:
                    first.append(one)
                one = self._items.get_nowait()
        except queue.Empty:
            pass
        with self._lock:
            self._woken = False
            near = sum(flow.held for flow in self._flows.values()) <= NEAR
            readings = list(self._some())
            if any(flow.waiting for flow in self._flows.values()):
                self._woken = True
                self._items.put(None)
        both = [*first, *readings]
        return [item for _, item in (sorted(both, key=lambda x: x[0]) if near else both)]

    def _some(self) -> Iterator[tuple[int, Batch]]:
        """Readings for one turn, the same share of each instrument."""
        share = NEAR // max(1, len(self._flows))
        for flow in self._flows.values():
            taken = 0
            while flow.waiting and taken < share:
                ticket, batch = flow.waiting.popleft()
                flow.held -= len(batch.readings)
                taken += len(batch.readings)
                yield ticket, batch

    def gaps(self, now: Moment, *, ending: bool = False) -> list[records.Gap]:
        """What was dropped, for each instrument not more often than TELL_S, and at the end. `told` when written."""
        out = []
        with self._lock:
            for name, flow in self._flows.items():
                if flow.lost and flow.since and flow.to and (ending or now.t - flow.told_t >= TELL_S):
                    flow.told_t = now.t
                    since, to = records.timestamp(flow.since.at), records.timestamp(flow.to.at)
                    out.append(records.Gap(instrument=name, count=flow.lost, from_=since, to=to, why=WHY))
        return out

    def told(self, gap: records.Gap) -> None:
        """This gap is on the disk."""
        with self._lock:
            flow = self._flows[gap.instrument]
            flow.lost -= gap.count
            flow.since = flow.to if flow.lost else None
