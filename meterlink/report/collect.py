"""One pass over a journal: what a job's report shows. Memory grows with the job's keeps, not with the journal."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

import msgspec

from meterlink import records
from meterlink.bench.ledger import BoardView, Ledger, Noted
from meterlink.errors import BadInput

AROUND = 60  # readings before a keep that its waveform shows


class Trace(msgspec.Struct, frozen=True):
    """The readings of one instrument that led to a keep: (monotonic s, value or None) and the keep's own seqs."""

    samples: tuple[tuple[float, float | None, int], ...]
    first: int
    last: int


class Material(msgspec.Struct):
    """Everything the page needs; nothing of it is HTML yet."""

    job: str
    ledger: Ledger
    boards: list[BoardView]
    instruments: dict[str, Noted]  # the latest `instrument` record of each that the job's keeps name
    traces: dict[int, Trace]  # by the keep's seq
    head: str
    last_seq: int
    first_at: str
    last_at: str
    bench: str


def collect(entries: Iterable[tuple[records.Entry, str]], job: str) -> Material:
    """Takes (entry, SHA-256 hex of its line) in order. Raises BadInput for a job that the journal does not have."""
    ledger = Ledger()
    rings: dict[str, deque[tuple[float, float | None, int]]] = {}
    seen: dict[str, Noted] = {}
    used: set[str] = set()
    traces: dict[int, Trace] = {}
    head, last_seq, first_at, last_at, bench = records.GENESIS, 0, "", "", ""
    for entry, digest in entries:
        record = entry.record
        ledger.apply(entry.seq, entry.at, record)
        head, last_seq = digest, entry.seq
        if isinstance(record, records.Reading):
            if record.channel is None:
                ring = rings.setdefault(record.instrument, deque(maxlen=AROUND))
                ring.append((record.t, record.value, entry.seq))
            continue
        if isinstance(record, records.Instrument):
            seen[record.instrument] = Noted(entry.seq, entry.at, record)
        if isinstance(record, records.Start):
            bench = record.bench
        if getattr(record, "job", None) == job:
            first_at, last_at = first_at or entry.at, entry.at
        if isinstance(record, records.Kept) and record.job == job:
            used.add(record.instrument)
            ring = rings.get(record.instrument, deque())
            traces[entry.seq] = Trace(tuple(ring), *record.readings)
    if job not in ledger.jobs:
        raise BadInput(f"the journal has no job {job}; it has {', '.join(ledger.jobs) or 'none'}")
    return Material(
        job=job,
        ledger=ledger,
        boards=ledger.counted(job),
        instruments={name: n for name, n in seen.items() if name in used},
        traces=traces,
        head=head,
        last_seq=last_seq,
        first_at=first_at,
        last_at=last_at,
        bench=bench,
    )
