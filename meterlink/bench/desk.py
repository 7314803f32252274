"""Jobs, boards and findings: what a person says of them, as records. Pure functions of the ledger."""

from __future__ import annotations

import unicodedata
from typing import get_args, get_type_hints

from meterlink import records
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
from meterlink.bench.ledger import STATES, WORKED_ON, Ledger
from meterlink.errors import BadInput, Refused

FOUND: tuple[str, ...] = get_args(get_type_hints(records.Finding)["what"])
NEEDS_TEXT = ("waiting for a part", "declined")  # which part; why


def mark(what: str, text: str) -> str:
    """A name for a job, board or point as a person gives it.

    Raises  BadInput for an empty one, one over 80 characters, or one with control or line-break characters.
    """
    if not text.strip() or len(text) > 80:
        raise BadInput(f"a {what} needs a mark of 1 to 80 characters, not {text[:20]!r}")
    if any(unicodedata.category(c) in ("Cc", "Zl", "Zp", "Cs") for c in text):
        raise BadInput(f"the {what} {text!r} holds a line break or control character: leave it out")
    return text


def open_job(ledger: Ledger, event: OpenJob) -> Outcome:
    """A new job, or a closed one opened again; it becomes the current one."""
    job = mark("job", event.job)
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
    context = records.Context(job=job, board=None, point=None, sheet=event.sheet_name, source="command", stage=None)
    return Outcome((record, context))


def take_board(ledger: Ledger, event: TakeBoard) -> Outcome:
    """The board is on the bench now; one that was not counted yet is counted with it."""
    job = _open_job(ledger, event.job)
    board = mark("board", event.board)
    out: list[records.Record] = []
    view = ledger.board(job, board)
    if view is None or not ledger.standing(view.events):
        out.append(records.Board(job=job, board=board, event="received", state="received", by=event.by))
    elif ledger.state(view) == "returned":
        raise Refused(f"board {board} was returned: set its state first if it came back")
    out.append(records.Board(job=job, board=board, event="taken", state="on the bench", by=event.by))
    return Outcome(tuple(out), (Effect("stepped", f"board {board} on the bench"),))


def handle(ledger: Ledger, event: Event) -> Outcome:
    """The other events of the desk.

    Raises  BadInput, Refused with what to do instead.
    """
    match event:
        case CloseJob(job, by):
            job = _open_job(ledger, job)
            return Outcome(
                (
                    records.Job(job=job, event="closed", state="closed", by=by, text=ledger.mismatch(job)),
                    records.Context(job=None, board=None, point=None, sheet=None, source="command", stage=None),
                )
            )
        case NoteJob(job, text, by):
            if not text.strip():
                raise BadInput("an empty note")
            return Outcome((records.Job(job=_open_job(ledger, job), event="note", by=by, text=text),))
        case ReceiveBoard(board, by, job):
            job = _open_job(ledger, job)
            view = ledger.board(job, mark("board", board))
            if view is not None and ledger.standing(view.events):
                raise BadInput(f"board {board} of job {job} is counted already")
            return Outcome((records.Board(job=job, board=board, event="received", state="received", by=by),))
        case SetState():
            return _set_state(ledger, event)
        case Find():
            return _find(ledger, event)
        case _:
            raise BadInput(f"the bench does not know the event {type(event).__name__}")


def _set_state(ledger: Ledger, event: SetState) -> Outcome:
    if event.state not in STATES:
        raise BadInput(f"no board state {event.state!r}; there are: {', '.join(STATES)}")
    if event.state in NEEDS_TEXT and not (event.text or "").strip():
        raise BadInput(f"{event.state!r} needs a text: which part, or why")
    job, board = _board(ledger, event.job, event.board)
    return Outcome(
        (
            records.Board(
                job=job,
                board=board,
                event="closed" if event.state == "returned" else "changed",
                state=event.state,
                by=event.by,
                text=event.text,
            ),
        )
    )


def _find(ledger: Ledger, event: Find) -> Outcome:
    if event.what not in FOUND:
        raise BadInput(f"no finding {event.what!r}; there are: {', '.join(FOUND)}")
    if not (event.part or "").strip() and not (event.text or "").strip():
        raise BadInput(f"{event.what!r} needs a part or a text")
    job, board = _board(ledger, event.job, event.board)
    finding = records.Finding(
        job=job,
        board=board,
        what=event.what,  # type: ignore[arg-type] # checked against FOUND above
        part=event.part,
        text=event.text,
        by=event.by,
    )
    now = ledger.context
    if event.what in WORKED_ON and (now.job, now.board) == (job, board) and now.stage != "after":
        context = records.Context(
            job=job, board=board, point=now.point, sheet=now.sheet, source="command", stage="after"
        )
        return Outcome((finding, context))
    return Outcome((finding,))


def _open_job(ledger: Ledger, job: str | None) -> str:
    job = job or ledger.context.job
    if job is None:
        raise BadInput("no job is current: open one (meterlink job open JOB) or name it")
    if not ledger.is_open(job):
        raise BadInput(f"job {job} is not open: open it (meterlink job open {job})")
    return job


def _board(ledger: Ledger, job: str | None, board: str | None) -> tuple[str, str]:
    job = _open_job(ledger, job)
    board = board or (ledger.context.board if ledger.context.job == job else None)
    if board is None:
        raise BadInput(f"no board of job {job} is on the bench: take one or name it")
    view = ledger.board(job, board)
    if view is None or not ledger.standing(view.events):
        raise BadInput(f"job {job} has no board {board}: it has {', '.join(ledger.jobs[job].boards) or 'none'}")
    return job, board
