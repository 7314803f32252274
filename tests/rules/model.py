"""What the bench must do when somebody does something: rules.md, as small functions of the state before it.

Each takes the state, gives the state after it, and raises `No` where the bench must refuse. No record is built here and
nothing of meterlink is used: what stands in the journal afterwards is held against the state that is given here.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from tests.rules import world
from tests.rules.fold import HERE, ON, WORKED, Board, Job, Keep, State

OWNER = "anna"  # who is at the bench by the bench's file
NEEDS_TEXT = ("waiting for a part", "declined")
Act = Callable[[State], State]


class No(Exception):  # noqa: N818 - what the bench says
    """It is refused. `loud`: so that a person tells it from other refusals by its sound (rule 1)."""

    def __init__(self, why: str, loud: bool = False) -> None:
        super().__init__(why)
        self.loud = loud


# -- the sheet (rules 8 and 9)


def sheet_of(s: State) -> tuple[world.Point, ...]:
    """The sheet of the board on the bench."""
    return world.SHEET if s.job and s.board and s.jobs[s.job].sheet else ()


def _verdicts(board: Board, stage: str) -> dict[str, str | None]:
    return {k.point: k.verdict for k in board.keeps if k.point and (k.stage or "before") == stage}


def left_out(s: State) -> list[str]:
    """Points left out on purpose in this stage, and not kept since, in the sheet's order."""
    if not sheet_of(s) or s.here is None:
        return []
    stage = s.stage or "before"
    out = {p for st, points in s.here.left if (st or "before") == stage for p in points}
    return [p.name for p in world.SHEET if p.name in out and p.name not in _verdicts(s.here, stage)]


def pending(s: State) -> list[str]:
    """Points that are neither kept nor left out, in the order that the bench must lead through them."""
    if not sheet_of(s) or s.here is None:
        return []
    before, stage = _verdicts(s.here, "before"), s.stage or "before"
    now = _verdicts(s.here, stage)
    known = {k: v for k, v in {**before, **now}.items() if v}
    applies = [p for p in world.SHEET if p.only_if is None or known.get(p.only_if[0]) == p.only_if[1]]
    if stage == "before":
        led = applies
    else:  # rule 9: the bad ones, their neighbours, what was never measured
        skipped = {p for st, points in s.here.left if (st or "before") == "before" for p in points} - set(before)
        bad = [p for p in world.SHEET if before.get(p.name) not in ("ok", None)]
        rails = {p.rail for p in bad if p.rail}
        tied = {p.only_if[0] for p in bad if p.only_if} | {p.name for p in bad}
        near = [
            p for p in applies if p.rail in rails or p.name in tied or (p.only_if is not None and p.only_if[0] in tied)
        ]
        never = [p for p in applies if p.name not in before and p.name not in skipped]
        led = list({p.name: p for p in [*bad, *near, *never]}.values())
    return [p.name for p in led if p.name not in now and p.name not in left_out(s)]


def first(s: State) -> str | None:
    return next(iter(pending(s)), None)


def step(s: State) -> State:
    """On to the next point that is still to be measured; at the end back to one that was passed over."""
    rest = [p for p in pending(s) if p != s.point]
    at = world.NAMES.index(s.point) if s.point in world.NAMES and s.stage != "after" else -1
    ahead = [p for p in rest if s.stage == "after" or world.NAMES.index(p) > at]
    s.point = (ahead or rest or [None])[0]
    return s


# -- jobs and boards (rules 2 to 5, 13)


def _open(s: State, job: str | None) -> str:
    job = job or s.job
    if job is None or job not in s.jobs or not s.jobs[job].open:
        raise No(f"job {job} is not open")
    return job


def _find(s: State, job: str, mark: str) -> str | None:
    return next((b for b in s.jobs[job].boards if world.same(b, mark)), None) if job in s.jobs else None


def _job_of(s: State, job: str | None, mark: str) -> str:
    having = [j for j in s.jobs if s.jobs[j].open and _find(s, j, mark)]
    if job is not None or not having or s.job in having:
        return _open(s, job)
    if len(having) > 1:
        raise No("two jobs have it")
    return having[0]


def _named(s: State, job: str | None, mark: str | None) -> tuple[str, str]:
    """The board that is meant: the named one, or the one on the bench."""
    if mark is None:
        job = _open(s, job)
        if s.board is None or s.job != job:
            raise No("no board is on the bench")
        return job, s.board
    job = _job_of(s, job, mark)
    found = _find(s, job, mark)
    if found is None:
        raise No(f"no board {mark}")
    return job, found


def _off(s: State) -> None:
    s.board = s.point = s.stage = None
    s.powered = False


def _back(s: State, but: Board | None = None, job: str | None = None) -> None:
    """Rule 2: who leaves the bench for another is where it was before."""
    for name, j in s.jobs.items():
        for board in j.boards.values():
            if board.state == ON and board is not but and job in (None, name):
                board.states.append(next((x for x in reversed(board.states) if x[0] != ON), ("received", None)))


def job_open(s: State, job: str, expected: int | None, sheet: bool) -> State:
    if job in s.jobs and s.jobs[job].open:
        raise No("it is open")
    j = s.jobs.setdefault(job, Job())
    j.open, j.expected, j.sheet = True, expected if expected is not None else j.expected, j.sheet or sheet
    _back(s)
    _off(s)
    s.job = job
    return s


def job_close(s: State, job: str | None) -> State:
    job = _open(s, job)
    s.jobs[job].open = False
    _back(s, job=job)  # rule 4: only that job's
    if s.job == job:
        _off(s)
        s.job = None
    return s


def unexplained(s: State, job: str) -> bool:
    """Rule 13: the count differs from what was said, and no note names this very count."""
    j, count = s.jobs[job], len(s.jobs[job].boards)
    return j.expected is not None and count != j.expected and not any(_names(text, count) for text, _ in j.notes)


def _names(text: str, count: int) -> bool:
    return str(count) in re.findall(r"\d+", text)


def note(s: State, job: str | None, text: str) -> State:
    job = _open(s, job)
    count = len(s.jobs[job].boards)
    s.jobs[job].notes.append((text, count if unexplained(s, job) and _names(text, count) else None))
    return s


def receive(s: State, mark: str, job: str | None) -> State:
    job = _open(s, job)
    if _find(s, job, mark):
        raise No("it is counted")
    _count_in(s.jobs[job], mark)
    return s


def _count_in(job: Job, mark: str) -> None:
    """It has come; what was recorded of it before its coming was taken back is still so."""
    board = job.gone.pop(mark, None) or Board()
    board.states.append(("received", None))
    job.boards[mark] = board


def take(s: State, mark: str, job: str | None = None, count_in: bool = False) -> State:
    job = _open(s, job) if count_in else _job_of(s, job, mark)
    found = _find(s, job, mark)
    if found is None:
        if not count_in:
            raise No("nobody makes a board by a typing slip")
        _count_in(s.jobs[job], mark)
        found = mark
    board = s.jobs[job].boards[found]
    if board.state == "returned":
        raise No("it was returned")
    if s.place == (job, found):
        return s
    _back(s, but=board)
    board.states.append((ON, None))
    s.job, s.board, s.powered = job, found, False
    s.stage = "after" if board.worked_on else "before"
    s.point = first(s)
    return s


def set_state(s: State, state: str, mark: str | None, job: str | None, text: str | None) -> State:
    if state in NEEDS_TEXT and not text:
        raise No("which part, or why")
    job, found = _named(s, job, mark)
    if state == ON:
        return take(s, found, job)
    s.jobs[job].boards[found].states.append((state, text))
    if s.place == (job, found) and state not in HERE:  # rule 3
        _off(s)
    return s


def find(s: State, what: str, part: str | None, mark: str | None, job: str | None) -> State:
    job, found = _named(s, job, mark)
    s.jobs[job].boards[found].findings.append((what, part, None))
    if what in WORKED and s.place == (job, found) and s.stage != "after":
        s.stage = "after"
        s.point = first(s) if sheet_of(s) else s.point
    return s


# -- where the bench stands


def go(s: State, name: str) -> State:
    if sheet_of(s):
        found = next((p for p in world.NAMES if world.same(p, name)), None)
        if found is None:
            raise No("the sheet has no such point")
        name = found
    s.point = name
    return s


def stage(s: State, to: str) -> State:
    s.stage = to
    s.point = first(s) if sheet_of(s) else s.point
    return s


def power(s: State, on: bool | None) -> State:
    if s.board is None:
        raise No("no board", loud=True)
    s.powered = not s.powered if on is None else on
    return s


def who(s: State, name: str) -> State:
    s.operator = name if name != (s.operator or OWNER) else s.operator
    return s


def next_(s: State) -> State:
    if not sheet_of(s) or s.point is None or s.here is None:
        raise No("there is no next point")
    if s.point in pending(s):
        s.here.left.append((s.stage, (s.point,)))
    return step(s)


def leave(s: State, points: Sequence[str] | None) -> State:
    if not sheet_of(s) or s.here is None:
        raise No("no sheet")
    points = pending(s) if points is None else points
    if not points or any(p not in pending(s) for p in points):
        raise No("not pending")
    s.here.left.append((s.stage, tuple(points)))
    return step(s) if s.point is None or s.point in points else s


def back(s: State) -> State:
    if s.here is None or not s.here.keeps:
        raise No("no keep to take back")
    if (s.here.keeps[-1].stage or "before") != (s.stage or "before"):
        raise No("the last keep is of the other stage")
    s.point = s.here.keeps.pop().point
    return s


def move(s: State, of: int | None, name: str | None, mark: str | None) -> State:
    if of is None:
        if s.here is None or not s.here.keeps:
            raise No("no keep to move")
        of = s.here.keeps[-1].seq
    at = [(j, m, k) for j, job in s.jobs.items() for m, b in job.boards.items() for k in b.keeps if k.seq == of]
    if not at or (name is None and mark is None):
        raise No("no such keep, or no other place")
    ((job, was, keep),) = at
    if mark is None and not s.jobs[job].open:
        raise No("its job is closed")
    to = (job, was) if mark is None else _named(s, job, mark)
    point = world.find(name or keep.point) if s.jobs[to[0]].sheet else None
    if s.jobs[to[0]].sheet and name is not None and point is None:
        raise No("the sheet has no such point")
    if (*to, name or keep.point) == (job, was, keep.point):
        raise No("it is there")
    if point and point.function != keep.function:
        raise No("another function")
    old = s.jobs[job].boards[was]
    old.keeps = [k for k in old.keeps if k is not keep]
    says = world.verdict(point, keep.function, keep.value)
    s.jobs[to[0]].boards[to[1]].keeps.append(
        Keep(name or keep.point, keep.stage, keep.function, keep.value, says, keep.seq)
    )
    return s


def withdrawn(s: State, then: State, repair: bool) -> State:
    """Rule 11: a record is withdrawn, `then` is what stands without it; whatever hung on it follows."""
    job = then.jobs.get(s.job or "")
    if job is None or not job.open:
        _off(then)
        then.job = None
    elif then.here is None or then.here.state not in HERE:
        _off(then)
    elif repair and then.stage == "after" and not then.here.worked_on:
        then.stage = "before"
        then.point = first(then) if sheet_of(then) else then.point
    _back(then, but=then.here)
    return then


# -- a value (rules 1, 7 and 18)


def keep(s: State, began: State, at: str | None, function: str, value: float | None) -> State:
    """A settled or tapped value; `began` is the bench when the probe landed, `at` the point that it is for."""
    if s.board is None or s.here is None:
        raise No("no board is on the bench", loud=True)
    if began.place != s.place:
        raise No("the probe landed before this board was taken")
    point = world.find(at) if sheet_of(s) else None
    if point and point.function != function:
        raise No("the meter is on another function")
    if point and point.powered != s.powered:
        raise No("the board's power is to be confirmed")
    if s.powered and function in world.DEAD:
        raise No("a dead board is needed")
    s.here.keeps.append(Keep(at, began.stage, function, value, world.verdict(point, function, value)))
    return step(s) if point and (at, began.stage) == (s.point, s.stage) else s
