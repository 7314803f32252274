"""Where the bench stands: which job, board and point the next readings belong to, and who is there. Pure.

Invariant: the board of a context is on the bench. A board whose state says that it is elsewhere is in none.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

from meterlink import records
from meterlink.bench.ledger import STAYS, BoardView, Ledger
from meterlink.bench.progress import progress, stage_of
from meterlink.bench.sheet import Sheet

Sheets = Mapping[str, Sheet]


def moved(now: records.Context, source: records.Source, **changed: Any) -> records.Context:
    """The context with these fields changed."""
    return msgspec.structs.replace(now, source=source, undo=None, with_=None, **changed)


def empty(now: records.Context, source: records.Source) -> records.Context:
    """No board is on the bench; the job stays current."""
    return moved(now, source, board=None, point=None, stage=None, powered=None)


def first_point(ledger: Ledger, sheets: Sheets, context: records.Context) -> str | None:
    """The point that the bench leads to first on this context's board, or None without a sheet or at its end."""
    sheet = sheets.get(context.sheet) if context.sheet else None
    if sheet is None:
        return None
    board = ledger.board(context.job, context.board)
    pending = progress(ledger, board, sheet, context.stage).pending
    return pending[0] if pending else None


def entered(ledger: Ledger, sheets: Sheets, job: str, board: str, source: records.Source) -> records.Context:
    """This board is on the bench: its job's sheet, its stage, the first point that is still to be measured."""
    view = ledger.board(job, board)
    stage: records.Stage = stage_of(ledger, view) if view else "before"
    name = ledger.job_field(job, "sheet")
    context = moved(ledger.context, source, job=job, board=board, sheet=name, stage=stage, powered=None)
    return msgspec.structs.replace(context, point=first_point(ledger, sheets, context))


def at_stage(
    ledger: Ledger, sheets: Sheets, stage: records.Stage | None, source: records.Source, stays: bool
) -> records.Context:
    """This stage from now on, at the first point of it; with `stays` at the point where it is."""
    context = moved(ledger.context, source, stage=stage)
    if stays or context.sheet not in sheets:
        return context
    return msgspec.structs.replace(context, point=first_point(ledger, sheets, context))


def valid(ledger: Ledger, context: records.Context) -> records.Context:
    """The context, less what does not hold (any more) by this ledger: a closed job, a board that is elsewhere."""
    if context.job is not None and not ledger.is_open(context.job):
        return msgspec.structs.replace(empty(context, context.source), job=None, sheet=None)
    if context.board is None:
        return context
    view = ledger.board(context.job, context.board)
    if view is None or not ledger.standing(view.events) or ledger.state(view) not in STAYS:
        return empty(context, context.source)
    return context


def sent_back(ledger: Ledger, boards: list[BoardView], by: str) -> tuple[list[records.Record], str]:
    """Boards that leave the bench for another: back to where each was before, and the words for it."""
    out: list[records.Record] = []
    words = ""
    for board in boards:
        state, text = ledger.before_bench(board)
        out.append(records.Board(job=board.job, board=board.board, event="changed", state=state, by=by, text=text))
        words += f"; {board.board} is {state} again"
    return out, words


def left_over(then: Ledger, context: records.Context, by: str) -> tuple[list[records.Record], str]:
    """Boards that would say that they are on the bench, and the context's board is another: back where they were."""
    over = [b for b in then.on_bench() if (b.job, b.board) != (context.job, context.board)]
    return sent_back(then, over, by)
