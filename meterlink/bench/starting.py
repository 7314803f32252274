"""Where the bench stands at a start, put right: an act of which only the first records reached the disk (a power cut),
and a journal of before the rules (three boards on the bench at once, one of them handed on). Pure.

What is put right goes with the act that was cut in two: taking that back takes both back.
"""

from __future__ import annotations

import msgspec

from meterlink import records
from meterlink.bench.contexts import Sheets, at_stage, left_over, moved, valid
from meterlink.bench.events import Effect, Outcome
from meterlink.bench.ledger import WORKED_ON, Ledger
from meterlink.bench.nearest import injecting

BY = "service"


def put_right(ledger: Ledger, sheets: Sheets) -> Outcome:
    """Nothing where the context holds and no other board says that it is on the bench."""
    now = ledger.context
    context = valid(ledger, now)
    if context == now and _repair_alone(ledger):
        stays = injecting(ledger.board(now.job, now.board))
        context = at_stage(ledger, sheets, "after", "command", stays)
    back, words = left_over(ledger, context, BY)
    if context != now:
        words += f"; {_stands(now, context)}"
        back.append(moved(context, "command"))
    if not back:
        return Outcome()
    lead = ledger.acts[-1].lead.seq
    out = tuple(msgspec.structs.replace(r, with_=lead) for r in back)
    return Outcome(out, (Effect("stepped", f"put right at the start: {words.removeprefix('; ')}"),))


def _repair_alone(ledger: Ledger) -> bool:
    """The newest act is a repair of the board on the bench, and the stage that it sets is not on the disk."""
    now, act = ledger.context, ledger.acts[-1] if ledger.acts else None
    if act is None or act.context is not None or now.stage == "after" or now.board is None:
        return False
    lead = act.lead
    return (
        isinstance(lead.record, records.Finding)
        and lead.record.what in WORKED_ON
        and lead.seq not in ledger.voided
        and (lead.record.job, lead.record.board) == (now.job, now.board)
    )


def _stands(now: records.Context, context: records.Context) -> str:
    if context.board is None:
        return f"{now.board or now.job} is not on the bench any more: no board is"
    return f"{context.board} is in stage {context.stage}"
