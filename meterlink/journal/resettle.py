"""Resettle: what the keep rules would keep from the readings of a segment, next to what was kept. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import msgspec

from meterlink import records
from meterlink.errors import JournalBroken
from meterlink.reading import Reading
from meterlink.settle import Rules, Settle, Settled


class Pair(msgspec.Struct, frozen=True, kw_only=True):
    """What would be kept now, what was kept then; one of the two may be missing.

    would, was  value in `unit`; readings are [first seq, last seq], as in a `kept` record
    by          who kept it then: settled, pedal, key, command
    """

    instrument: str
    function: str
    unit: str
    board: str | None
    point: str | None
    would: float | None = None
    would_readings: tuple[int, int] | None = None
    was: float | None = None
    was_readings: tuple[int, int] | None = None
    was_seq: int | None = None
    by: str | None = None


def resettle(entries: Iterable[records.Entry], rules: Rules | None = None) -> Iterator[Pair]:
    """Run settling anew over every instrument's readings, in the order in which the values stood.

    Takes   the records of a segment, in order; the rules to try (default: those of a fresh bench).
    Gives   a pair for each value that settles or was kept. A value that settles and a `kept` of the same
            instrument belong together when they stand on a reading in common. Bands, boards and what a sheet
            expects play no part: only whether a value stood.
    Raises  JournalBroken for a reading whose bytes are not hex.
    """
    settles: dict[str, Settle] = {}
    waiting: dict[str, tuple[Settled, records.Reading]] = {}  # settled, and no kept record was seen for it yet
    for entry in entries:
        match entry.record:
            case records.Reading() as r:
                settle = settles.setdefault(r.instrument, Settle(rules or Rules()))
                for decision in settle.feed(_shown(r, entry.seq), r.t, entry.seq):
                    if isinstance(decision, Settled):
                        if r.instrument in waiting:
                            yield _would(*waiting.pop(r.instrument))
                        waiting[r.instrument] = (decision, r)
            case records.Kept(moved=None) as k:  # a moved one stands on the readings of the one it corrects
                settled = waiting.get(k.instrument)
                if settled and settled[0].first <= k.readings[1] and k.readings[0] <= settled[0].last:
                    del waiting[k.instrument]
                    yield msgspec.structs.replace(_was(entry.seq, k), **_settled(settled[0]))
                else:
                    yield _was(entry.seq, k)
            case records.Start():
                settles.clear()
            case records.Instrument(instrument=str(name)) if name in settles:
                settles[name].reset()
            case records.Gap():
                for settle in settles.values():
                    settle.reset()
            case _:
                pass  # says nothing of the probe
    for settled in waiting.values():
        yield _would(*settled)


def _shown(r: records.Reading, seq: int) -> Reading:
    try:
        return records.shown(r)
    except ValueError as error:
        raise JournalBroken(f"record {seq}: its bytes are not hex ({error}); run `meterlink journal verify`") from error


def _settled(s: Settled) -> dict[str, object]:
    return {"would": records.double(s.value), "would_readings": (s.first, s.last)}


def _would(s: Settled, r: records.Reading) -> Pair:
    return Pair(
        instrument=r.instrument,
        function=s.function,
        unit=s.unit,
        board=r.board,
        point=r.point,
        would=records.double(s.value),
        would_readings=(s.first, s.last),
    )


def _was(seq: int, k: records.Kept) -> Pair:
    return Pair(
        instrument=k.instrument,
        function=k.function,
        unit=k.unit,
        board=k.board,
        point=k.point,
        was=k.value,
        was_readings=k.readings,
        was_seq=seq,
        by=k.by,
    )
