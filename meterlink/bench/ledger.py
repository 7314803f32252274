"""What the records say so far: jobs, boards, findings, keeps, and the bench's context.

A pure fold over records in the order of `seq`; nothing here is stored anywhere else (delete every index and
nothing is lost). A withdrawn record stays in its list and counts for nothing.
"""

from __future__ import annotations

import copy
import difflib
import re
import unicodedata
from collections import Counter, deque
from collections.abc import Iterable, Mapping
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
ON_THE_BENCH = "on the bench"
STAYS = (ON_THE_BENCH, "repaired")  # states of a board that may be on the bench; every other says that it is elsewhere
ACTS = 200  # of the newest, what each was is remembered: so many steps can be taken back
WORKED_ON = ("removed", "replaced", "reflowed", "cleaned")  # findings after which keeps are stage `after`


def mark_key(mark: str) -> str:
    """By what two marks are the same: neither case nor blanks make a difference (NFKC, so that a full-width
    letter of a scanner is the letter), nor what nobody sees (a byte order mark, a zero-width blank: category Cf)."""
    seen = "".join(c for c in unicodedata.normalize("NFKC", mark) if unicodedata.category(c) != "Cf")
    return "".join(seen.casefold().split())


def names_count(text: str | None, count: int) -> bool:
    """The text has this number as a word of its own."""
    return re.search(rf"(?<![\w.]){count}(?!\w|[.,]\d)", text or "") is not None


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
    left_out: list[Noted] = []
    supplies: list[Noted] = []


class Act(msgspec.Struct):
    """What one person did at once: its records, the first leads; `before` is the context that it met.

    undone   it was taken back
    undoes   it took another act back
    """

    parts: list[Noted]
    before: records.Context
    undone: bool = False
    undoes: bool = False

    @property
    def lead(self) -> Noted:
        return self.parts[0]

    @property
    def context(self) -> records.Context | None:
        """The context that it led to, if it changed it."""
        return next((n.record for n in self.parts if isinstance(n.record, records.Context)), None)


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
        self.left_on: dict[str, Noted] = {}  # instrument -> the record that switched it on, until it is seen off
        self.withdrawable: dict[int, Noted] = {}  # what a void may name, by seq
        self._restored: dict[int, int] = {}  # seq of a withdrawn record -> that of the one that stands again for it
        self.acts: deque[Act] = deque(maxlen=ACTS)

    def apply(self, seq: int, at: str, record: object) -> None:
        """Take one record in. Records of unknown kinds may be given as None."""
        self.last_seq = seq
        noted = Noted(seq, at, record)
        if isinstance(record, ACTED):
            self._act(noted)
        if isinstance(record, WITHDRAWABLE):
            self.withdrawable[seq] = noted
        if isinstance(record, records.Supply):
            self._output(noted, record)
        if (of := _restores(record, self.withdrawable)) is not None:
            self._restored[of] = seq
        match record:
            case records.Context():
                self.context = record
            case records.Void():
                self.voided[record.of] = noted
            case records.Job():
                _insert(self._job(record.job).events, noted, record.restores)
            case records.Board():
                _insert(self._board(record.job, record.board).events, noted, record.restores)
            case records.Finding(job=str(job), board=str(board)):
                self._board(job, board).findings.append(noted)
            case records.Finding(job=str(job)):
                self._job(job).events.append(noted)
            case records.Kept(job=str(job), board=str(board)):
                _insert(self._board(job, board).keeps, noted, record.moved)
            case records.LeftOut():
                self._board(record.job, record.board).left_out.append(noted)
            case records.Supply(job=str(job), board=str(board)):
                self._board(job, board).supplies.append(noted)
            case _:
                pass  # says nothing of jobs and boards

    def _act(self, noted: Noted) -> None:
        """A record that leads an act, or goes with the one that led the last."""
        if self.acts and noted.record.with_ == self.acts[-1].lead.seq:
            self.acts[-1].parts.append(noted)
        else:
            self.acts.append(Act([noted], self.context))
        if isinstance(noted.record, records.Context) and noted.record.undo is not None:
            self.acts[-1].undoes = True
            for act in self.acts:
                if act.lead.seq == noted.record.undo:
                    act.undone = True

    def _output(self, noted: Noted, record: records.Supply) -> None:
        """An output is in doubt from `on`, or from an off that nobody saw; whatever board it was on for, or none."""
        if record.event == "on":
            self.left_on[record.instrument] = noted
        elif record.event == "off" and record.seen == "nobody":
            self.left_on.setdefault(record.instrument, noted)
        elif record.event == "off":
            self.left_on.pop(record.instrument, None)

    def extend(self, entries: Iterable[records.Entry]) -> Ledger:
        """Take many in; gives itself."""
        for entry in entries:
            self.apply(entry.seq, entry.at, entry.record)
        return self

    def _job(self, job: str) -> JobView:
        return self.jobs.setdefault(job, JobView(job))

    def _board(self, job: str, board: str) -> BoardView:
        return self._job(job).boards.setdefault(board, BoardView(job, board))

    def without(self, seqs: Iterable[int], again: Iterable[int] = ()) -> Ledger:
        """As it would be if `seqs` were withdrawn and `again` were not; shares everything else, takes nothing in."""
        other = copy.copy(self)
        kept = {seq: n for seq, n in self.voided.items() if seq not in set(again)}
        other.voided = {**kept, **{seq: Noted(seq, "", None) for seq in seqs}}
        return other

    def standing(self, noted: Iterable[Noted]) -> list[Noted]:
        """Those that were not withdrawn."""
        return [n for n in noted if n.seq not in self.voided]

    def stands_as(self, seq: int) -> Noted | None:
        """What stands of this record: itself, or the one that stands again for it once it was withdrawn."""
        while seq in self.voided and seq in self._restored:
            seq = self._restored[seq]
        return None if seq in self.voided else self.withdrawable.get(seq)

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

    def open_jobs(self) -> list[str]:
        """The jobs that are open, the current one first."""
        return sorted(filter(self.is_open, self.jobs), key=lambda job: job != self.context.job)

    def job_named(self, name: str) -> str:
        """The job of this name as it was first written, or the name where there is none."""
        if name in self.jobs:
            return name
        return next((job for job in self.jobs if mark_key(job) == mark_key(name)), name)

    def mismatch(self, job: str) -> str | None:
        """A word on boards counted against boards said, until a note of the job explains this very count.

        Notes before the field `counted` came explain the count that their text names.
        """
        said, counted = self.job_field(job, "expected"), len(self.counted(job))
        if said is None or said == counted:
            return None
        for n in self.standing(self.jobs[job].events):
            r = n.record
            note = isinstance(r, records.Job) and r.event == "note"
            if note and (r.counted == counted or (r.counted is None and names_count(r.text, counted))):
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

    def find_board(self, job: str, mark: str) -> BoardView | None:
        """The board of this job that bears this mark, as first written or but for case and blanks."""
        counted = self.counted(job) if job in self.jobs else []
        same = [b for b in counted if mark_key(b.board) == mark_key(mark)]
        return next((b for b in same if b.board == mark), same[0] if same else None)

    def jobs_of(self, mark: str) -> list[str]:
        """The open jobs that have a board of this mark, the current one first."""
        return [job for job in self.open_jobs() if self.find_board(job, mark)]

    def like(self, job: str, mark: str) -> list[str]:
        """Marks of this job that are like one that it does not have, the likest first."""
        marks = {mark_key(b.board): b.board for b in self.counted(job)}
        return [marks[k] for k in difflib.get_close_matches(mark_key(mark), marks, 3, 0.6)]

    def on_bench(self) -> list[BoardView]:
        """The boards that say that they are on the bench: one at most, but for journals of before that rule."""
        return [b for job in self.jobs for b in self.counted(job) if self.state(b) == ON_THE_BENCH]

    def before_bench(self, board: BoardView) -> tuple[str, str | None]:
        """Where it was before it was put on the bench, and the text that goes with that state."""
        for n in reversed(self.standing(board.events)):
            if n.record.state and n.record.state != ON_THE_BENCH:
                return n.record.state, n.record.text
        return "received", None

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


def _restores(record: object, withdrawn: Mapping[int, Noted]) -> int | None:
    """The seq of the withdrawn record for which this one stands again, where it stood."""
    if not isinstance(record, records.Kept):
        return getattr(record, "restores", None)
    old = withdrawn.get(record.moved) if record.moved is not None else None
    same = old is not None and all(getattr(old.record, f) == getattr(record, f) for f in ("job", "board", "point"))
    return record.moved if same else None


def _insert(noted: list[Noted], new: Noted, of: int | None) -> None:
    """A record stands last; one that stands again for a withdrawn one (of its point) stands in the place of that."""
    point = getattr(new.record, "point", None)
    there = (i for i, n in enumerate(noted) if n.seq == of and getattr(n.record, "point", None) == point)
    noted.insert(next(there, len(noted) - 1) + 1, new)


ACTED = (
    records.Context,
    records.Job,
    records.Board,
    records.Finding,
    records.LeftOut,
    records.Kept,
    records.Void,
)
WITHDRAWABLE = (records.Job, records.Board, records.Finding, records.LeftOut, records.Kept)
