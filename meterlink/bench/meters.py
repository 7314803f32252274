"""What the meters show now, and which of them is meant: one ranking for the tap, the large figures and "wrong dial"."""

from __future__ import annotations

import math
from collections.abc import Mapping

import msgspec

from meterlink.bench.sheet import Point
from meterlink.errors import Refused
from meterlink.reading import Reading
from meterlink.settle import Settle

STALE_S = 3.0  # older than this is not "what the meter shows now"; the slowest meters give a reading in 1.5 s


class Latest(msgspec.Struct, frozen=True):
    """The newest reading of an instrument: when it came, and its record's seq."""

    reading: Reading
    t: float
    seq: int


class Meters:
    """The latest reading of each instrument, and when each meter was last put on a point or taken off."""

    def __init__(self, settles: Mapping[str, Settle]) -> None:
        self.latest: dict[str, Latest] = {}
        self._settles = settles  # those whose contacts are watched; the others are never meant
        self._touched: dict[str, float] = {}

    def shows(self, name: str, latest: Latest) -> None:
        """A reading came. A second display does not take the place of the main one, nor a set value of a read one."""
        r = latest.reading
        if "setting" in r.flags:
            return
        if r.channel is None or name not in self.latest or self.latest[name].reading.channel is not None:
            self.latest[name] = latest

    def touched(self, name: str, t: float) -> None:
        """A contact began or ended."""
        self._touched[name] = t

    def forget(self, name: str) -> None:
        """The instrument was lost or changed."""
        self.latest.pop(name, None)
        self._touched.pop(name, None)

    def clear(self) -> None:
        """Readings were lost."""
        self.latest.clear()
        self._touched.clear()

    def meant(self, point: Point | None, t: float) -> str | None:
        """The meter on the point's function before others, on something before those in the air, touched last before
        those that lie clipped on. None where nothing is shown, or where two are alike and neither has touched."""
        fresh = [n for n, x in self.latest.items() if n in self._settles and t - x.t <= STALE_S]
        ranked = sorted(fresh, key=lambda n: self._rank(n, point), reverse=True)
        if len(ranked) > 1 and self._rank(ranked[0], point) == self._rank(ranked[1], point):
            return None
        return ranked[0] if ranked else None

    def _rank(self, name: str, point: Point | None) -> tuple[bool, bool, float]:
        r = self.latest[name].reading
        fits = (
            point is not None
            and r.function == point.function
            and not (point.coupling and r.coupling and r.coupling != point.coupling)
        )
        return fits, self._settles[name].in_contact, self._touched.get(name, -math.inf)

    def shown_now(self, point: Point | None, t: float) -> tuple[str, Latest]:
        """What a tap keeps. Raises Refused with what to do."""
        name = self.meant(point, t)
        if name is None:
            if any(n in self._settles and t - x.t <= STALE_S for n, x in self.latest.items()):
                raise Refused("two meters show something and neither has touched the board: touch first")
            raise Refused(f"no meter has shown anything for {STALE_S:g} s")
        return name, self.latest[name]
