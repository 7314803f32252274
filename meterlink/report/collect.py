"""One pass over a journal: what a job's report shows. Memory grows with the job's records, not with the journal.

Source: docs/journal.md (kinds and what they say).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from hashlib import sha256
from itertools import takewhile

import msgspec

from meterlink import records, wording
from meterlink.bench.ledger import Ledger, Noted
from meterlink.bench.sheet import Sheet
from meterlink.errors import BadInput
from meterlink.journal.reader import Line, entry

RING = 240  # readings of an instrument that are held until a keep asks for them
BEFORE, AFTER = 60, 8  # readings of the keep's own kind that its waveform shows at most


class Sample(msgspec.Struct, frozen=True):
    """One reading of a waveform: monotonic seconds, value in the base unit or None, and its state."""

    t: float
    value: float | None
    state: str
    seq: int


class Trace(msgspec.Struct):
    """The readings around a keep, of what it measured; `first` and `last` are the seqs that it stands on."""

    samples: list[Sample]
    first: int
    last: int


class Injection(msgspec.Struct):
    """One time that the supply's output was on for a board, and the most that it showed meanwhile."""

    on: Noted
    off: Noted | None = None
    volts: float | None = None
    amperes: float | None = None


class Used(msgspec.Struct, frozen=True, order=True):
    """An instrument as the journal knew it when the job used it."""

    instrument: str
    driver: str | None = None
    driver_version: str | None = None
    port: str | None = None
    identity: str | None = None
    accuracy: str | None = None


class Material(msgspec.Struct):
    """Everything that the page needs; nothing of it is HTML yet."""

    job: str
    ledger: Ledger  # of this job alone
    instruments: list[Used]
    traces: dict[int, Trace]  # by the keep's seq
    injections: dict[str, list[Injection]]  # by board
    remarks: list[Noted]  # what happened to the record itself while the job lasted
    head: str
    last_seq: int
    first_at: str
    last_at: str
    benches: list[str]
    sheet: Sheet | None = None  # the job's, where its copy is at hand
    offsets: frozenset[str] = (
        frozenset()
    )  # of local time at the job's records: two where the clocks were changed meanwhile

    def when(self, at: str) -> str:
        """A record's local time to the second, not HTML yet (what is no time stands as it is); its offset is said once
        on the page, by `zone`, where it is one."""
        text = wording.local(at, "seconds")
        return text if len(self.offsets) > 1 else text.rpartition(" ")[0] or text

    @property
    def zone(self) -> str:
        """What the times are."""
        if len(self.offsets) > 1:
            return "local time, each with its offset from UTC, since the clocks were changed meanwhile"
        return f"local time, {next(iter(self.offsets), '+00:00')} from UTC"


class _Ring(msgspec.Struct):
    """The newest readings of one instrument, and the keeps whose waveform still takes readings in."""

    newest: deque[tuple[records.Reading, int]]
    open: list[tuple[Trace, tuple[str | None, ...], int]]  # trace, kind of reading, readings still wanted


class _Pass:
    def __init__(self, job: str) -> None:
        self.job = job
        self.ledger = Ledger()
        self.jobs: dict[str, None] = {}
        self.own: set[int] = set()  # seqs of the job's records
        self.rings: dict[str, _Ring] = {}
        self.known: dict[str, Used] = {}
        self.used: dict[Used, None] = {}
        self.traces: dict[int, Trace] = {}
        self.live: dict[str, Injection] = {}  # by supply
        self.injections: dict[str, list[Injection]] = {}
        self.remarks: list[Noted] = []
        self.benches: dict[str, None] = {}
        self.bench = ""
        self.span: list[str] = []
        self.last_own = 0
        self.offsets: set[str] = set()

    def take(self, e: records.Entry) -> None:
        record = e.record
        if isinstance(record, records.Reading):
            self.reading(record, e.seq)
            return
        noted = Noted(e.seq, e.at, record)
        of_job = getattr(record, "job", None)
        if isinstance(record, (records.Job, records.Board)):
            self.jobs.setdefault(record.job)
        if of_job == self.job or (isinstance(record, records.Void) and record.of in self.own):
            self.own.add(e.seq)
            self.ledger.apply(e.seq, e.at, record)
            self.span = [self.span[0] if self.span else e.at, e.at]
            self.last_own = e.seq
            self.offsets.add(wording.offset(e.at))
            self.benches.setdefault(self.bench)
        match record:
            case records.Start():
                self.bench = record.bench
                self.rings.clear()  # the monotonic clock of another run cannot be compared
            case records.Instrument():
                self.known[record.instrument] = Used(
                    record.instrument,
                    record.driver,
                    record.driver_version,
                    record.port,
                    record.identity,
                    record.accuracy,
                )
            case records.Kept() if of_job == self.job:
                self.kept(record, e.seq)
            case records.Supply():
                self.supply(record, noted)
            case records.Gap() | records.Recovered() | records.Clock() | records.Seal():
                if self.own:
                    self.remarks.append(noted)
            case _:
                pass  # the job's ledger has what is of it

    def reading(self, r: records.Reading, seq: int) -> None:
        ring = self.rings.setdefault(r.instrument, _Ring(deque(maxlen=RING), []))
        ring.newest.append((r, seq))
        if ring.open:
            kind = _kind(r)
            still = []
            for trace, wanted, left in ring.open:
                if kind == wanted:
                    trace.samples.append(Sample(r.t, r.value, r.state, seq))
                    left -= 1
                if left:
                    still.append((trace, wanted, left))
            ring.open = still
        if (injection := self.live.get(r.instrument)) and r.value is not None and "setting" not in r.flags:
            if r.function == "voltage":
                injection.volts = max(injection.volts or 0.0, r.value)
            elif r.function == "current":
                injection.amperes = max(injection.amperes or 0.0, r.value)

    def kept(self, r: records.Kept, seq: int) -> None:
        self.used.setdefault(self.known.get(r.instrument, Used(r.instrument)))
        ring = self.rings.get(r.instrument)
        first, last = r.readings
        kind = next((_kind(x) for x, n in ring.newest if n == last), None) if ring else None
        if ring is None or kind is None:
            return
        samples = [Sample(x.t, x.value, x.state, n) for x, n in ring.newest if _kind(x) == kind][-BEFORE:]
        trace = Trace(samples, first, last)
        self.traces[seq] = trace
        # a keep ends the waveform of the one before: the next begins where this one's probes still touch
        ring.open = [(trace, kind, AFTER)]
        while ring.newest and ring.newest[0][1] < first:
            ring.newest.popleft()

    def supply(self, r: records.Supply, noted: Noted) -> None:
        if r.job == self.job:
            self.used.setdefault(self.known.get(r.instrument, Used(r.instrument)))
        match r.event:
            case "on":
                self.live.pop(r.instrument, None)
                if r.job != self.job or r.board is None:
                    return
                injection = self.live[r.instrument] = Injection(noted)
                self.injections.setdefault(r.board, []).append(injection)
            case "off" | "tripped" if live := self.live.pop(r.instrument, None):
                live.off = noted


def _kind(r: records.Reading) -> tuple[str | None, ...]:
    return r.function, r.coupling, r.unit, r.channel


def collect(lines: Iterable[Line], job: str) -> Material:
    """Everything about one job.

    Takes   a journal's lines in order.
    Raises  BadInput for a job that the journal does not have; JournalBroken for a line that is no record.
    """
    through = _Pass(job)
    text, seq = None, 0
    for line in lines:
        e = entry(line)
        through.take(e)
        text, seq = line.text, e.seq
    if job not in through.ledger.jobs:
        have = ", ".join(map(repr, through.jobs)) or "none"
        raise BadInput(f"the journal has no job {job!r}; it has {have}")
    return Material(
        job=job,
        ledger=through.ledger,
        instruments=list(through.used),
        traces=through.traces,
        injections=through.injections,
        remarks=list(takewhile(lambda n: n.seq < through.last_own, through.remarks)),
        head=sha256(text).hexdigest() if text is not None else records.GENESIS,
        last_seq=seq,
        first_at=through.span[0],
        last_at=through.span[1],
        benches=[b for b in through.benches if b],
        offsets=frozenset(through.offsets),
    )
