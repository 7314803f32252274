"""What the records say so far: jobs, boards, findings, keeps, and the bench's context.

A pure fold over records in the order of `seq`; nothing here is stored anywhere else (delete every index and
nothing is lost). A withdrawn record stays in its list and counts for nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Any

import msgspec

from meterlink import records

STATES = (
    "received",
    "on the bench",
    "waiting for a part",
    "declined",
    "repaired",
    "handed on",
    "tested good",
    "tested bad",
    "returned",
)
WORKED_ON = ("removed", "replaced", "reflowed", "cleaned")  # findings after which keeps are stage `after`


class Noted(msgspec.Struct, frozen=True):
    """One record with its place in the journal."""

    seq: int
    at: str
    record: Any


class BoardView(msgspec.Struct):
    """One board of a job: everything recorded for it, in order."""

    job: str
    board: str
    events: list[Noted] = []  # records.Board
    findings: list[Noted] = []
    keeps: list[Noted] = []
    supplies: list[Noted] = []


class JobView(msgspec.Struct):
    """One job: its own records and its boards in the order they were taken in."""

    job: str
    events: list[Noted] = []  # records.Job
    boards: dict[str, BoardView] = {}


class Ledger:
    """The fold. Feed every record once, in order; readings are passed over."""

    def __init__(self) -> None:
        self.jobs: dict[str, JobView] = {}
        self.voided: dict[int, Noted] = {}  # seq of the withdrawn record -> its void
        self.context = records.Context(job=None, board=None, point=None, sheet=None, source="command", stage=None)
        self.last_seq = 0
        self.withdrawable: set[int] = set()  # job and board events, findings, keeps: what a void may name

    def apply(self, seq: int, at: str, record: object) -> None:
        """Take one record in. Records of unknown kinds may be given as None."""
        self.last_seq = seq
        noted = Noted(seq, at, record)
        if isinstance(record, records.Job | records.Board | records.Finding | records.Kept):
            self.withdrawable.add(seq)
        match record:
            case records.Context():
                self.context = record
            case records.Void():
                self.voided[record.of] = noted
            case records.Job():
                self._job(record.job).events.append(noted)
            case records.Board():
                self._board(record.job, record.board).events.append(noted)
            case records.Finding(job=str(job), board=str(board)):
                self._board(job, board).findings.append(noted)
            case records.Finding(job=str(job)):
                self._job(job).events.append(noted)
            case records.Kept(job=str(job), board=str(board)):
                self._board(job, board).keeps.append(noted)
            case records.Supply(job=str(job), board=str(board)):
                self._board(job, board).supplies.append(noted)

    def extend(self, entries: Iterable[records.Entry]) -> Ledger:
        """Take many in; gives itself."""
        for entry in entries:
            self.apply(entry.seq, entry.at, entry.record)
        return self

    def _job(self, job: str) -> JobView:
        return self.jobs.setdefault(job, JobView(job))

    def _board(self, job: str, board: str) -> BoardView:
        return self._job(job).boards.setdefault(board, BoardView(job, board))

    def standing(self, noted: Iterable[Noted]) -> list[Noted]:
        """Those that were not withdrawn."""
        return [n for n in noted if n.seq not in self.voided]

    # -- jobs

    def job_field(self, job: str, field: str) -> Any:
        """The latest value that a standing job record gives `model`, `customer`, `expected`, `sheet`..."""
        for n in reversed(self.standing(self.jobs[job].events)):
            value = getattr(n.record, field, None)
            if isinstance(n.record, records.Job) and value is not None:
                return value
        return None

    def is_open(self, job: str) -> bool:
        """A job that was opened, and not closed since."""
        if job not in self.jobs:
            return False
        events = [n.record.event for n in self.standing(self.jobs[job].events) if type(n.record) is records.Job]
        last = [e for e in events if e in ("opened", "closed")]
        return bool(last) and last[-1] == "opened"

    def mismatch(self, job: str) -> str | None:
        """A word on boards counted against boards said, until a note of the job explains it."""
        said, counted = self.job_field(job, "expected"), len(self.counted(job))
        if said is None or said == counted:
            return None
        for n in self.standing(self.jobs[job].events):
            if isinstance(n.record, records.Job) and n.record.event == "note":
                return None
        return f"{counted} boards counted, {said} said"

    def counted(self, job: str) -> list[BoardView]:
        """The boards that were taken in, in that order: those with a standing board record."""
        return [b for b in self.jobs[job].boards.values() if self.standing(b.events)]

    def tally(self, job: str) -> Counter[str]:
        """How many boards are in each state."""
        return Counter(self.state(b) for b in self.counted(job))

    def faults(self, job: str) -> Counter[str]:
        """How many boards had each fault: the words of the findings `found`, a board counted once for each."""
        return Counter(
            fault
            for b in self.counted(job)
            for fault in {
                " ".join(filter(None, (n.record.part, n.record.text)))
                for n in self.standing(b.findings)
                if n.record.what == "found"
            }
        )

    # -- boards

    def board(self, job: str | None, board: str | None) -> BoardView | None:
        """The board, if anything is known of it."""
        if job is None or board is None or job not in self.jobs:
            return None
        return self.jobs[job].boards.get(board)

    def state(self, board: BoardView) -> str:
        """Its state now, in one of the words of STATES."""
        for n in reversed(self.standing(board.events)):
            if n.record.state:
                return str(n.record.state)
        return "received"

    def worked_on(self, board: BoardView) -> bool:
        """Something was removed, replaced, reflowed or cleaned: what is kept now is stage `after`."""
        return any(n.record.what in WORKED_ON for n in self.standing(board.findings))

    def latest_keeps(self, board: BoardView, stage: str | None = None) -> dict[str, Noted]:
        """The standing keep of each point, the latest one; with `stage`, of that stage only."""
        return {
            n.record.point: n
            for n in self.standing(board.keeps)
            if n.record.point and (stage is None or n.record.stage == stage)
        }
