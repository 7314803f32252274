"""Taking back: the last act of a person with all that it set, or one record by its number. Pure.

Nothing is erased: a void withdraws a record, a new record stands in the place of one that was withdrawn in error, a
context puts the bench back. What was set meanwhile by others stays.
"""

from __future__ import annotations

from typing import Any

import msgspec

from meterlink import records
from meterlink.bench.contexts import Sheets, first_point, left_over, moved, valid
from meterlink.bench.events import Effect, Outcome, Undo, Withdraw
from meterlink.bench.ledger import WORKED_ON, Act, Ledger
from meterlink.bench.progress import stage_of
from meterlink.errors import BadInput, Refused

PLACE = ("job", "board", "point", "sheet", "stage", "powered")
SOURCES = ("settled", "pedal", "key", "command", "sheet", "scanner")


def last_act(ledger: Ledger, by: str, at_bench: str) -> Act | None:
    """The newest act of this person that still stands. What names no person (a touch, a step) is of whoever is at the
    bench; `at_bench` is who that is where no record says it."""
    for act in reversed(ledger.acts):
        if not act.undone and not act.undoes and by in _owners(act, at_bench) and _stands(ledger, act):
            return act
    return None


def _owners(act: Act, at_bench: str) -> tuple[str | None, ...]:
    """Whose it is. Saying who is at the bench is of both of them, so that a slip in the name can be taken back."""
    by = getattr(act.lead.record, "by", None)
    if by and by not in SOURCES:
        return (by,)
    before, after = act.before.operator, act.context.operator if act.context else act.before.operator
    return (before or at_bench,) if before == after else (before or at_bench, after)


def _stands(ledger: Ledger, act: Act) -> bool:
    leads = [n for n in act.parts if not isinstance(n.record, records.Context)]
    if leads:
        return any(isinstance(n.record, records.Void) or ledger.stands_as(n.seq) for n in leads)
    return bool(_changed(act, ledger.context))


def _changed(act: Act, now: records.Context) -> dict[str, Any]:
    """What the act's context changed and is still as it set it, as it was before. Job, board and point go together;
    what was set for one board is nothing of the board that is on the bench by now."""
    after = act.context
    if after is None:
        return {}
    if (now.job, now.board) != (after.job, after.board):
        who = now.operator == after.operator != act.before.operator
        return {"operator": act.before.operator} if who else {}
    fields = [
        "operator",
        *(("job", "board") if (act.before.job, act.before.board) != (after.job, after.board) else PLACE),
    ]
    still = {f for f in fields if getattr(act.before, f) != getattr(after, f) and getattr(now, f) == getattr(after, f)}
    if still & {"job", "board"}:
        still |= set(PLACE)
    return {f: getattr(act.before, f) for f in still}


def describe(ledger: Ledger, act: Act) -> str:
    """The act in a few words, for whoever is about to take it back."""
    r = act.lead.record
    match r:
        case records.Kept():
            return f"{r.point or 'free'} kept"
        case records.Finding():
            return " ".join(filter(None, (r.what, r.part, r.text)))
        case records.Board():
            taken = next((n.record for n in act.parts if getattr(n.record, "event", "") == "taken"), r)
            return f"{taken.board}: {taken.state or taken.event}"
        case records.Job():
            return f"job {r.job} {r.event}"
        case records.LeftOut():
            return f"left out {', '.join(r.points)}"
        case records.Void():
            return _withdrawal(ledger, act, r.of)
        case records.Context():
            return _step(act.before, r)
        case _:
            raise AssertionError(f"no act begins with {r}")


def _withdrawal(ledger: Ledger, act: Act, of: int) -> str:
    """By what was withdrawn: nobody at a bench knows a record by its number."""
    was = ledger.withdrawable[of].record
    if not isinstance(was, records.Kept):
        return f"withdrawal of {describe(ledger, Act([ledger.withdrawable[of]], act.before))}"
    moved_to = next((n.record for n in act.parts if isinstance(n.record, records.Kept) and n.record.moved == of), None)
    name = was.point or "free"
    return f"{name} moved to {moved_to.point or 'free'} of {moved_to.board}" if moved_to else f"{name} withdrawn"


def _step(before: records.Context, after: records.Context) -> str:
    if before.operator != after.operator:
        return f"{after.operator} is at the bench"
    if before.stage != after.stage:
        return f"stage {after.stage}"
    if before.powered != after.powered:
        return f"power {'on' if after.powered else 'off'} confirmed"
    return f"at {after.point or 'no point'}"


def undo(ledger: Ledger, sheets: Sheets, event: Undo, at_bench: str) -> Outcome:
    """Take the last act back. Raises Refused where there is none left."""
    act = last_act(ledger, event.by, at_bench)
    if act is None:
        raise Refused(f"nothing that {event.by} recorded is left to take back")
    gone = [n for n in act.parts if isinstance(n.record, records.Void)]
    stand = [now for n in act.parts if (now := ledger.stands_as(n.seq))]
    out: list[records.Record] = [records.Void(of=n.seq, why="taken back", by=event.by) for n in stand]
    then = ledger.without([n.seq for n in stand], again=[n.record.of for n in gone])
    out += [_again(then, n.record.of) for n in gone]
    changed = _changed(act, ledger.context)
    view = then.board(ledger.context.job, ledger.context.board)
    later = [n for n in then.standing(view.findings) if n.seq > act.lead.seq] if view else []
    if isinstance(act.lead.record, records.Finding) and any(n.record.what in WORKED_ON for n in later):
        changed.pop("stage", None)  # another repair of this board came after it
        changed.pop("point", None)
    context = valid(then, moved(ledger.context, event.source, **changed))
    if "board" in changed:
        context = _since(then, sheets, context, act.lead.seq)
    back, words = left_over(then, context, event.by)
    out += [*back, msgspec.structs.replace(context, undo=act.lead.seq)]
    said = f"taken back: {describe(ledger, act)}{words}{_on_the_bench(ledger.context, context)}"
    return Outcome(tuple(out), (Effect("taken-back", said),))


def _on_the_bench(before: records.Context, now: records.Context) -> str:
    """The word on a board that came back onto the bench, or on none that is there."""
    if (before.job, before.board) == (now.job, now.board):
        return ""
    return f"; {now.board} is on the bench again" if now.board else "; no board is on the bench now"


def _since(then: Ledger, sheets: Sheets, context: records.Context, seq: int) -> records.Context:
    """The context of a board that comes back to the bench: in the stage of its findings where there are new ones, or
    some were withdrawn, since it was taken away."""
    board = then.board(context.job, context.board)
    repairs = [n.seq for n in board.findings if n.record.what in WORKED_ON] if board else []
    if board is None or not any(n > seq or (n in then.voided and then.voided[n].seq > seq) for n in repairs):
        return context
    context = msgspec.structs.replace(context, stage=stage_of(then, board))
    return msgspec.structs.replace(context, point=first_point(then, sheets, context))


def _again(ledger: Ledger, of: int) -> records.Record:
    """The withdrawn record once more; it names the one in whose place it stands."""
    record: records.Record = msgspec.structs.replace(ledger.withdrawable[of].record, with_=None)
    match record:
        case records.Kept():
            return msgspec.structs.replace(record, moved=of)
        case records.Board() | records.Job() | records.Finding() | records.LeftOut():
            return msgspec.structs.replace(record, restores=of)
        case _:
            return record


def withdraw(ledger: Ledger, sheets: Sheets, event: Withdraw) -> Outcome:
    """Take one record back by its number, with those that it led.

    Raises  BadInput for a number that names nothing that can be withdrawn.
    """
    if not event.why.strip():
        raise BadInput("a withdrawal needs a reason (--why)")
    if event.of in ledger.voided:
        raise BadInput(f"record {event.of} is withdrawn already")
    if not 1 <= event.of <= ledger.last_seq:
        raise BadInput(f"there is no record {event.of}: the last one is {ledger.last_seq}")
    if event.of not in ledger.withdrawable:
        raise BadInput(f"record {event.of} cannot be withdrawn: only keeps, findings, job and board records can")
    led = [seq for seq, n in ledger.withdrawable.items() if n.record.with_ == event.of and seq not in ledger.voided]
    seqs = [event.of, *led]
    out: list[records.Record] = [records.Void(of=seq, why=event.why, by=event.by) for seq in seqs]
    then, now = ledger.without(seqs), ledger.context
    context = valid(then, now)
    view = then.board(context.job, context.board)
    if _was_repair(ledger, event.of) and context.stage == "after" and view and not then.worked_on(view):
        context = msgspec.structs.replace(context, stage="before")
        context = msgspec.structs.replace(context, point=first_point(then, sheets, context))
    back, words = left_over(then, context, event.by)
    out += back
    if context != now:
        out.append(moved(context, event.source))
    return Outcome(tuple(out), (Effect("taken-back", f"record {event.of} is withdrawn: {event.why}{words}"),))


def _was_repair(ledger: Ledger, seq: int) -> bool:
    record = ledger.withdrawable[seq].record
    now = ledger.context
    return (
        isinstance(record, records.Finding)
        and record.what in WORKED_ON
        and (record.job, record.board) == (now.job, now.board)
    )
