"""What a journal's lines say, read by docs/journal.md alone: nothing of meterlink is used here.

`Book` takes lines in; `Book.state()` is what stands. A board is counted by a record of it that was not withdrawn; its
state is the last one that such a record gives; a keep, a finding, a note counts while it is not withdrawn.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

Line = dict[str, Any]
ON = "on the bench"
HERE = (ON, "repaired")  # rule 3: every other state says that the board is elsewhere
WORKED = ("removed", "replaced", "reflowed", "cleaned")


@dataclass
class Keep:
    point: str | None
    stage: str | None
    function: str
    value: float | None
    verdict: str | None
    seq: int = field(compare=False, default=0)


@dataclass
class Board:
    states: list[tuple[str, str | None]] = field(default_factory=list)
    keeps: list[Keep] = field(default_factory=list)
    left: list[tuple[str | None, tuple[str, ...]]] = field(default_factory=list)
    findings: list[tuple[str, str | None, str | None]] = field(default_factory=list)

    @property
    def state(self) -> str:
        return self.states[-1][0] if self.states else "received"

    @property
    def worked_on(self) -> bool:
        return any(what in WORKED for what, _, _ in self.findings)


@dataclass
class Job:
    open: bool = False
    expected: int | None = None
    sheet: bool = False
    notes: list[tuple[str, int | None]] = field(default_factory=list)  # a note's text and the count it explains
    boards: dict[str, Board] = field(default_factory=dict)
    gone: dict[str, Board] = field(default_factory=dict, compare=False)  # counted no more; what was recorded of them


@dataclass
class State:
    """The bench at one moment."""

    jobs: dict[str, Job] = field(default_factory=dict)
    job: str | None = None
    board: str | None = None
    point: str | None = None
    stage: str | None = None
    powered: bool = False
    operator: str | None = None

    @property
    def here(self) -> Board | None:
        """The board on the bench."""
        return self.jobs[self.job].boards.get(self.board) if self.job in self.jobs and self.board else None

    @property
    def place(self) -> tuple[str | None, str | None]:
        return self.job, self.board

    def copy(self) -> State:
        return copy.deepcopy(self)

    def shown(self) -> State:
        """For comparing: without a board on the bench no point, stage or power is anybody's."""
        out = self.copy()
        if out.board is None:
            out.point, out.stage, out.powered = None, None, False
        out.jobs = {name: job for name, job in out.jobs.items() if job != Job()}
        for job in out.jobs.values():  # in whatever order they were said
            job.notes.sort(key=str)
            for board in job.boards.values():
                board.left.sort(key=str)
                board.findings.sort(key=str)
        return out


class Book:
    """The lines of a journal's files, as they are written."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._read: dict[str, int] = {}
        self.lines: dict[int, Line] = {}  # all but readings
        self.last: dict[str, Line] = {}  # the last reading of each instrument
        self.void: dict[int, int] = {}
        self.seq = 0

    def new(self) -> list[Line]:
        """Whole lines that were not there the last time; every seq follows on the one before."""
        out = []
        for path in sorted(self._folder.glob("*.jsonl")):
            with path.open("rb") as file:
                file.seek(self._read.get(path.name, 0))
                data = file.read()
            data = data[: data.rfind(b"\n") + 1]
            self._read[path.name] = self._read.get(path.name, 0) + len(data)
            out += [json.loads(line) for line in data.splitlines()]
        for line in out:
            assert line["seq"] == self.seq + 1, f"record {line['seq']} follows on {self.seq}"
            self.seq = line["seq"]
            if line["kind"] == "reading":
                self.last[line["instrument"]] = line
                continue
            self.lines[line["seq"]] = line
            if line["kind"] == "void":
                self.void[line["of"]] = line["seq"]
        return out

    def with_(self, lead: int) -> list[Line]:
        """The records of one act."""
        return [x for seq, x in self.lines.items() if seq == lead or x.get("with") == lead]

    def restored(self, seqs: Iterable[int]) -> set[int]:
        """These, and the records that stand again for them in their place."""
        out = set(seqs)
        for x in self.lines.values():
            of = x.get("restores") or x.get("moved")
            if of in out and self._place(x) != x["seq"]:
                out.add(x["seq"])
        return out

    def state(self, also_void: frozenset[int] = frozenset()) -> State:
        """What stands, and what would if these too were withdrawn."""
        s = State()
        for x in sorted(self.lines.values(), key=self._place):
            seq = x["seq"]
            if x["kind"] == "context":
                s.job, s.board, s.point, s.stage = x["job"], x["board"], x["point"], x["stage"]
                s.powered, s.operator = bool(x["powered"]), x["operator"]
                continue
            if seq in self.void or seq in also_void or x.get("job") is None:
                continue
            job = s.jobs.setdefault(x["job"], Job())
            if x["kind"] == "job":
                self._job(job, x)
            elif x["kind"] in ("board", "kept", "finding", "left_out") and x["board"] is not None:
                self._board(job.boards.setdefault(x["board"], Board()), x)
        for name, job in s.jobs.items():
            counted = {
                x["board"]
                for seq, x in self.lines.items()
                if x["kind"] == "board" and x["job"] == name and seq not in self.void and seq not in also_void
            }
            job.gone = {mark: b for mark, b in job.boards.items() if mark not in counted}
            job.boards = {mark: b for mark, b in job.boards.items() if mark in counted}
        return s

    @staticmethod
    def _job(job: Job, x: Line) -> None:
        if x["event"] in ("opened", "closed"):
            job.open = x["event"] == "opened"
        if x["event"] == "note":
            job.notes.append((x["text"], x["counted"]))
        if x["expected"] is not None:
            job.expected = x["expected"]
        job.sheet |= x["sheet"] is not None

    def _place(self, x: Line) -> int:
        """Records stand in their order; one that restores a withdrawn one (of its point) in that one's place."""
        of = x.get("moved") or x.get("restores")
        old = self.lines.get(of) if of is not None else None
        there = old is not None and all(old.get(f) == x.get(f) for f in ("job", "board", "point"))
        return self._place(old) if old is not None and there else int(x["seq"])

    def _board(self, board: Board, x: Line) -> None:
        if x["kind"] == "board" and x["state"]:
            board.states.append((x["state"], x["text"]))
        elif x["kind"] == "kept":
            board.keeps.append(Keep(x["point"], x["stage"], x["function"], x["value"], x["verdict"], x["seq"]))
        elif x["kind"] == "left_out":
            board.left.append((x["stage"], tuple(x["points"])))
        elif x["kind"] == "finding":
            board.findings.append((x["what"], x["part"], x["text"]))
