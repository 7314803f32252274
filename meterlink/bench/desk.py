"""Jobs, boards and findings: what a person says of them, as records. Pure functions of the ledger."""

from __future__ import annotations

import unicodedata
from typing import get_args, get_type_hints

import msgspec

from meterlink import records
from meterlink.bench.contexts import Sheets, at_stage, empty, entered, moved, sent_back
from meterlink.bench.events import (
    CloseJob,
    Effect,
    Event,
    Find,
    NoteJob,
    OpenJob,
    Outcome,
    ReceiveBoard,
    SetState,
    TakeBoard,
)
from meterlink.bench.ledger import ON_THE_BENCH, STATES, STAYS, WORKED_ON, Ledger, mark_key, names_count
from meterlink.bench.nearest import injecting
from meterlink.errors import BadInput, Refused

FOUND: tuple[str, ...] = get_args(get_type_hints(records.Finding)["what"])
NEEDS_TEXT = ("waiting for a part", "declined")  # which part; why


def mark(what: str, text: str) -> str:
    """A name for a job, board or point as a person gives it.

    Raises  BadInput for an empty one, one over 80 characters, or one with control or line-break characters.
    """
    if not mark_key(text) or len(text) > 80:
        raise BadInput(f"a {what} needs a mark of 1 to 80 characters, not {text[:20]!r}")
    if any(unicodedata.category(c) in ("Cc", "Zl", "Zp", "Cs") for c in text):
        raise BadInput(f"the {what} {text!r} holds a line break or control character: leave it out")
    return text


def handle(ledger: Ledger, sheets: Sheets, event: Event) -> Outcome:
    """An event of the desk as records; the context that it leads to is the last of them.

    Raises  BadInput, Refused with what to do instead.
    """
    match event:
        case OpenJob():
            return _open_job(ledger, event)
        case CloseJob():
            return _close_job(ledger, event)
        case NoteJob(job, text, by):
            return _note(ledger, job, text, by)
        case ReceiveBoard(board, by, job):
            return _receive(ledger, board, by, job)
        case TakeBoard():
            return _take(ledger, sheets, event)
        case SetState():
            return _set_state(ledger, sheets, event)
        case Find():
            return _find(ledger, sheets, event)
        case _:
            raise BadInput(f"the bench does not know the event {type(event).__name__}")


def _said(text: str) -> tuple[Effect, ...]:
    return (Effect("stepped", text),)


# -- jobs


def _open_job(ledger: Ledger, event: OpenJob) -> Outcome:
    """A new job, or a closed one opened again; it becomes the current one, with no board on the bench."""
    job = ledger.job_named(mark("job", event.job))
    if ledger.is_open(job):
        raise BadInput(f"job {job} is open already: take a board of it, or close it first")
    if event.expected is not None and event.expected < 0:
        raise BadInput(f"job {job}: {event.expected} boards cannot have come")
    record = records.Job(
        job=job,
        event="opened",
        state="open",
        by=event.by,
        model=event.model or (event.sheet.model if event.sheet else None),
        customer=event.customer,
        expected=event.expected,
        sheet=event.sheet_name,
        sheet_sha256=event.sheet.sha256 if event.sheet else None,
    )
    back, words = sent_back(ledger, ledger.on_bench(), event.by)
    context = msgspec.structs.replace(empty(ledger.context, event.source), job=job, sheet=event.sheet_name)
    return Outcome((record, *back, context), _said(f"job {job} is open{words}"))


def _close_job(ledger: Ledger, event: CloseJob) -> Outcome:
    job = _opened(ledger, event.job)
    closed = records.Job(job=job, event="closed", state="closed", by=event.by, text=ledger.mismatch(job))
    said = f"job {job} is closed"
    back, words = sent_back(ledger, [b for b in ledger.on_bench() if b.job == job], event.by)
    out = (closed, *back)
    if ledger.context.job != job:
        return Outcome(out, _said(said + words))
    return Outcome(
        (*out, moved(empty(ledger.context, event.source), event.source, job=None, sheet=None)), _said(said + words)
    )


def _note(ledger: Ledger, job: str | None, text: str, by: str) -> Outcome:
    """A note on a job; one that names the count of boards explains that this count differs from what was said."""
    if not text.strip():
        raise BadInput("an empty note")
    job = _opened(ledger, job)
    open_, counted = ledger.mismatch(job), len(ledger.counted(job))
    explains = open_ is not None and names_count(text, counted)
    said = f"noted on job {job}"
    if explains:
        said += f"; it explains the count of {counted}"
    elif open_:
        said += f"; {open_}: a note that names {counted} explains it"
    note = records.Job(job=job, event="note", by=by, text=text, counted=counted if explains else None)
    return Outcome((note,), _said(said))


# -- boards


def _receive(ledger: Ledger, board: str, by: str, job: str | None) -> Outcome:
    job = _opened(ledger, job)
    if view := ledger.find_board(job, mark("board", board)):
        raise BadInput(f"board {view.board} of job {job} is counted already")
    record = records.Board(job=job, board=board, event="received", state="received", by=by)
    return Outcome((record,), _said(f"board {board} counted in: {len(ledger.counted(job)) + 1} of job {job}"))


def _take(ledger: Ledger, sheets: Sheets, event: TakeBoard) -> Outcome:
    """The board is on the bench now; the one that was there is back where it had been."""
    wanted = mark("board", event.board)
    job = _opened(ledger, event.job) if event.count_in else _job_of(ledger, event.job, wanted)
    view, out = ledger.find_board(job, wanted), list[records.Record]()
    board = view.board if view else wanted
    if view is None:
        if not event.count_in:
            raise Refused(_unknown(ledger, job, board))
        out.append(records.Board(job=job, board=board, event="received", state="received", by=event.by))
    elif ledger.state(view) == "returned":
        raise Refused(f"board {board} was returned: set its state first if it came back")
    elif (job, board) == (ledger.context.job, ledger.context.board):
        return Outcome((), _said(f"board {board} is on the bench already"))
    back, words = sent_back(ledger, [b for b in ledger.on_bench() if b is not view], event.by)
    out.append(records.Board(job=job, board=board, event="taken", state=ON_THE_BENCH, by=event.by))
    context = entered(ledger, sheets, job, board, event.source)
    other = "" if job == ledger.context.job else f" of job {job}"
    return Outcome((*out, *back, context), _said(f"board {board}{other} on the bench{words}"))


def _job_of(ledger: Ledger, job: str | None, board: str) -> str:
    """The job whose board a mark is: the one that was named, the current one, or the only one that has it."""
    if job is not None:
        return _opened(ledger, job)
    having = ledger.jobs_of(board)
    if not having or having[0] == ledger.context.job:
        return _opened(ledger, None)
    if len(having) > 1:
        raise Refused(f"board {board} is in jobs {', '.join(having)}: name one (--job, or b on the screen)")
    return having[0]


def _unknown(ledger: Ledger, job: str, board: str) -> str:
    like = ledger.like(job, board)
    near = f"; like it: {', '.join(like)}" if like else ""
    return f"job {job} has no board {board}{near}. If it came with this job, count it in first (board receive)"


def _set_state(ledger: Ledger, sheets: Sheets, event: SetState) -> Outcome:
    if event.state not in STATES:
        raise BadInput(f"no board state {event.state!r}; there are: {', '.join(STATES)}")
    if event.state in NEEDS_TEXT and not (event.text or "").strip():
        raise BadInput(f"{event.state!r} needs a text: which part, or why")
    job, board = board_meant(ledger, event.job, event.board)
    if event.state == ON_THE_BENCH:
        return _take(ledger, sheets, TakeBoard(board, event.by, event.source, job))
    record = records.Board(
        job=job,
        board=board,
        event="closed" if event.state == "returned" else "changed",
        state=event.state,
        by=event.by,
        text=event.text,
    )
    said = f"board {board}: {event.state}" + (f", {event.text}" if event.text else "")
    if event.state in STAYS or (job, board) != (ledger.context.job, ledger.context.board):
        return Outcome((record,), _said(said))
    return Outcome((record, empty(ledger.context, event.source)), _said(f"{said}; no board is on the bench now"))


def _find(ledger: Ledger, sheets: Sheets, event: Find) -> Outcome:
    """What was found or done. After the first repair the bench leads through the points that were bad; while a rail
    is fed the point stays, since what is touched then is no measurement of the sheet's."""
    if event.what not in FOUND:
        raise BadInput(f"no finding {event.what!r}; there are: {', '.join(FOUND)}")
    if not (event.part or "").strip() and not (event.text or "").strip():
        raise BadInput(f"{event.what!r} needs a part or a text")
    job, board = board_meant(ledger, event.job, event.board)
    finding = records.Finding(
        job=job,
        board=board,
        what=event.what,  # type: ignore[arg-type] # checked against FOUND above
        part=event.part,
        text=event.text,
        by=event.by,
    )
    said = f"board {board}: {' '.join(filter(None, (event.what, event.part, event.text)))}"
    now = ledger.context
    if event.what in WORKED_ON and (now.job, now.board) == (job, board) and now.stage != "after":
        context = at_stage(ledger, sheets, "after", event.source, stays=injecting(ledger.board(job, board)))
        if context.point and context.point != now.point:
            said += f"; measure {context.point} again"
        return Outcome((finding, context), _said(said))
    return Outcome((finding,), _said(said))


# -- what is meant


def _opened(ledger: Ledger, job: str | None) -> str:
    job = ledger.job_named(job) if job is not None else ledger.context.job
    if job is None:
        raise BadInput("no job is current: open one (meterlink job open JOB) or name it")
    if not ledger.is_open(job):
        raise BadInput(f"job {job} is not open: open it (meterlink job open {job})")
    return job


def board_meant(ledger: Ledger, job: str | None, board: str | None) -> tuple[str, str]:
    """The board that is named, or the one on the bench."""
    now = ledger.context
    if board is None:
        job = _opened(ledger, job)
        if now.board is None or now.job != job:
            raise BadInput(f"no board of job {job} is on the bench: take one or name it")
        return job, now.board
    job = _job_of(ledger, job, board)
    if view := ledger.find_board(job, board):
        return job, view.board
    like = ledger.like(job, board) or [b.board for b in ledger.counted(job)]
    raise BadInput(f"job {job} has no board {board}: it has {', '.join(like[:6]) or 'none'}")
