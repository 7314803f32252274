"""Proofs 3 and 4: readings decoded anew from their bytes, keeps computed anew from their readings.

Pure: records in, in the order of `seq`; words on what is wrong out. Memory is bounded: of each instrument only the
last RING readings are held, and a keep in its first place stands on none before them (docs/journal.md). What cannot be
checked is counted and said, never passed over in silence. Source: docs/journal.md, docs/auditor.md.
"""

from __future__ import annotations

from collections import Counter, OrderedDict, deque
from collections.abc import Callable, Sequence
from decimal import Decimal
from functools import lru_cache
from statistics import median

from meterlink import records
from meterlink.bench.verdict import judge
from meterlink.errors import BadInput
from meterlink.journal.places import Moves
from meterlink.reading import BadFrame
from meterlink.reading import Reading as Shown
from meterlink.registry import Spec, find

RING = 2048  # a settled window has 256 at most (settle.LONGEST), second displays and settings stand between them
FRAMES = 4096  # distinct frames whose readings are remembered
INSTRUMENTS = 64  # remembered at once; more than that on one bench is no bench

Held = tuple[int, records.Reading]


class Readings:
    """Proof 3. `whole` says that the records begin at seq 1, so that every instrument must have been introduced."""

    def __init__(self, whole: bool, lookup: Callable[[str], Spec] = find) -> None:
        self.checked: Counter[str] = Counter()  # by driver, as "name version"
        self.unchecked: Counter[str] = Counter()  # by reason
        self._whole = whole
        self._lookup = lookup
        self._drivers: dict[str, records.Instrument] = {}
        self._specs: dict[str, Spec | None] = {}
        self._told: set[str] = set()  # drivers of another version
        self._decoded = lru_cache(FRAMES)(self._decode)  # decode is pure, and an idle meter repeats itself

    def introduce(self, record: records.Instrument) -> str | None:
        """From here on this instrument's bytes are that driver's. Gives what is to be said of that."""
        self._drivers[record.instrument] = record
        spec = self._spec(record.driver)
        if spec is None or record.driver_version == spec.info.version or record.driver in self._told:
            return None
        self._told.add(record.driver)
        wrote = record.driver_version[:40]
        return f"driver {record.driver} is version {spec.info.version} here, version {wrote} wrote the journal"

    def check(self, record: records.Reading) -> str | None:
        """What is wrong with a reading, or None."""
        named = self._drivers.get(record.instrument)
        if named is None:
            if self._whole:
                return f"no instrument record names the driver of {record.instrument!r}"
            self.unchecked["their instrument was introduced before the first file"] += 1
            return None
        spec = self._spec(named.driver)
        if spec is None:
            self.unchecked[f"driver {named.driver!r} is not known here"] += 1
            return None
        try:
            shown = self._decoded(named.driver, record.raw, record.asked)
        except ValueError:
            return "its raw or asked is not hex"
        except BadFrame as error:
            return f"its raw is no frame of {spec.name}: {error}"
        if not any(_same(record, one) for one in shown):
            return f"its raw decodes to {_words(shown)}, the record says {_words([records.shown(record)])}"
        self.checked[f"{spec.name} {spec.info.version}"] += 1
        return None

    def _decode(self, driver: str, raw: str, asked: str | None) -> list[Shown]:
        spec = self._spec(driver)
        assert spec is not None  # the caller asked
        return spec.decode(bytes.fromhex(raw), bytes.fromhex(asked) if asked else None)

    def _spec(self, driver: str) -> Spec | None:
        if driver not in self._specs:
            try:
                self._specs[driver] = self._lookup(driver)
            except BadInput:
                self._specs[driver] = None
        return self._specs[driver]


def _main(reading: records.Reading) -> bool:
    """What settling looks at: the main display, when it shows what is measured."""
    return reading.channel is None and reading.state != "blank" and "setting" not in reading.flags


def _same(record: records.Reading, shown: Shown) -> bool:
    return (
        record.value == records.double(shown.value)
        and record.function == shown.function
        and record.unit == shown.unit
        and record.state == shown.state
        and record.coupling == shown.coupling
        and record.resolution == records.double(shown.resolution)
        and record.display == shown.display
        and record.channel == shown.channel
        and tuple(record.flags) == shown.flags
    )


def _words(shown: Sequence[Shown]) -> str:
    def one(r: Shown) -> str:
        value = r.state if r.value is None else f"{float(r.value):g} {r.unit}"
        flags = f" ({', '.join(r.flags)})" if r.flags else ""
        parts = (r.channel, r.function, r.coupling, value, f"shown as {r.display!r}" if r.display else None)
        return " ".join(p for p in parts if p) + flags

    return " and ".join(map(one, shown)) or "nothing"


def _kind(function: str, coupling: str | None, unit: str) -> str:
    return " ".join(filter(None, (function, coupling, "in", unit)))


def _elsewhere(kept: records.Kept, held: Sequence[Held]) -> str | None:
    """Whether the readings belong to another board than the settled keep says. One by hand stands on what the meter
    showed last, which may be from before the board was taken."""
    for n, r in held if kept.by == "settled" else ():
        if (r.job, r.board) != (kept.job, kept.board):
            return f"it is of board {kept.board} in job {kept.job}, its reading {n} of board {r.board} in job {r.job}"
    return None


class Keeps:
    """Proof 4."""

    def __init__(self, first_seq: int = 1) -> None:
        self.checked = 0
        self.unchecked: Counter[str] = Counter()
        self._first_seq = first_seq
        self._rings: OrderedDict[str, deque[Held]] = OrderedDict()
        self._settled_on: dict[str, int] = {}  # by instrument, the last reading of its last settled keep
        self._moves = Moves(first_seq)

    def withdraw(self, seq: int) -> None:
        """A record is withdrawn: a later keep may stand in its place."""
        self._moves.withdraw(seq)

    def hold(self, seq: int, record: records.Reading) -> None:
        """A reading that a later keep may stand on."""
        ring = self._rings.get(record.instrument)
        if ring is None:
            if len(self._rings) >= INSTRUMENTS:
                self._settled_on.pop(self._rings.popitem(last=False)[0], None)
            ring = self._rings[record.instrument] = deque(maxlen=RING)
        ring.append((seq, record))

    def check(self, seq: int, kept: records.Kept) -> str | None:
        """What is wrong with a kept value, or None."""
        first, last = kept.readings
        if not 1 <= first <= last < seq:
            return f"its readings {first} to {last} are not before it"
        out_of_sight = self._out_of_sight(kept)
        if out_of_sight:
            self.unchecked[out_of_sight] += 1
            wrong = None
        elif kept.moved is None:
            wrong = self._stands(kept)
        else:  # what its readings say was held against the keep that it names
            wrong = self._moves.check(kept, kept.moved)
        self._moves.hold(seq, kept)
        wrong = wrong or self._verdict(kept)
        self.checked += wrong is None and out_of_sight is None
        return wrong

    def _out_of_sight(self, kept: records.Kept) -> str | None:
        """Why this keep's origin is not known here, or None."""
        if kept.moved is None:
            return "their readings lie before the first file" if kept.readings[0] < self._first_seq else None
        return None if self._moves.held(kept.moved) else "the keeps in whose place they stand lie too far back"

    def _stands(self, kept: records.Kept) -> str | None:
        """One in its first place, on its readings."""
        first, last = kept.readings
        ring = self._rings.get(kept.instrument, deque())
        if len(ring) == RING and ring[0][0] > first:
            return f"its readings {first} to {last} lie more than {RING} readings of {kept.instrument!r} before it"
        held = [(n, r) for n, r in ring if first <= n <= last]
        for n in (first, last):
            if not any(n == m for m, _ in held):
                return f"its reading {n} is no reading of {kept.instrument!r}"
        newer = [n for n, r in ring if n > last and r.channel is None and "setting" not in r.flags]
        if newer:
            return f"its last reading is {last}, and {kept.instrument!r} showed {newer[-1]} before it was kept"
        if kept.by == "settled":
            if self._settled_on.get(kept.instrument) == last:
                return f"it settled on reading {last}, and so did a keep before it"
            self._settled_on[kept.instrument] = last
            return self._settled(kept, [r for _, r in held if _main(r)]) or _elsewhere(kept, held)
        return self._shown(kept, held[-1][1])

    @staticmethod
    def _settled(kept: records.Kept, window: list[records.Reading]) -> str | None:
        """A settled value: the median and the spread of all main readings that show something, first to last."""
        if kept.n != len(window):
            return f"its n is {kept.n}, there are {len(window)} readings from {kept.readings[0]} to {kept.readings[1]}"
        values = []
        for r in window:
            if (r.function, r.coupling, r.unit) != (kept.function, kept.coupling, kept.unit):
                says = f"it is {_kind(kept.function, kept.coupling, kept.unit)}"
                return f"{says}, among its readings is {_kind(r.function, r.coupling, r.unit)}"
            if r.value is None or kept.state != "ok":
                return f"its state is {kept.state}, among its readings is one that is {r.state}"
            values.append(Decimal(repr(r.value)))
        if (middle := float(median(values))) != kept.value:
            return f"its value is {kept.value}, the median of its readings is {middle:g}"
        if (spread := float(max(values) - min(values))) != kept.spread:
            return f"its spread is {kept.spread}, that of its readings is {spread:g}"
        if kept.resolution != window[-1].resolution:
            return f"its resolution is {kept.resolution}, that of its last reading is {window[-1].resolution}"
        return None

    @staticmethod
    def _shown(kept: records.Kept, r: records.Reading) -> str | None:
        """A value kept by hand: one reading as it stands."""
        if kept.readings[0] != kept.readings[1]:
            return f"it was kept by hand, which is one reading, and names {kept.readings[0]} to {kept.readings[1]}"
        spread = None if r.value is None else 0.0
        says = (kept.function, kept.coupling, kept.value, kept.unit, kept.resolution, kept.state, kept.n, kept.spread)
        has = (r.function, r.coupling, r.value, r.unit, r.resolution, r.state, 1, spread)
        return None if says == has else f"it says {says}, its reading {kept.readings[1]} has {has}"

    @staticmethod
    def _verdict(kept: records.Kept) -> str | None:
        band, uncertainty = kept.band, kept.uncertainty
        if uncertainty and uncertainty.expanded < 0:
            return f"its uncertainty is {uncertainty.expanded}"
        if band and band.low is not None and band.high is not None and band.low > band.high:
            return f"its band goes from {band.low} to {band.high}"
        verdict = judge(kept.value, kept.state, kept.function, band, uncertainty)
        if verdict != kept.verdict:
            return f"its verdict is {kept.verdict}, value, band and uncertainty give {verdict}"
        return None
