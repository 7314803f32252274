"""Moving along the sheet and between points, stages and people: events that change where the bench stands. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from meterlink import records
from meterlink.bench import desk
from meterlink.bench.contexts import at_stage, first_point, moved
from meterlink.bench.events import Effect, LeaveOut, Move, Outcome, Press
from meterlink.bench.keeping import kept_at
from meterlink.bench.ledger import mark_key
from meterlink.bench.nearest import while_injecting
from meterlink.bench.place import Place
from meterlink.errors import BadInput, NoBoard, Refused

NO_BOARD = "no board is on the bench: scan one, or take it (b)"


def back(place: Place, event: Press) -> Outcome:
    """The last keep of the board on the bench withdrawn; the bench stands at its point again."""
    board = place.ledger.board(place.context.job, place.context.board)
    keeps = place.ledger.standing(board.keeps) if board else []
    if not keeps:
        raise Refused("there is no keep to take back on this board")
    last = keeps[-1]
    if (last.record.stage or "before") != (place.context.stage or "before"):
        raise Refused(
            f"the last keep is of {last.record.stage or 'before'}: take the repair or the stage back first (u)"
        )
    void = records.Void(of=last.seq, why="taken back", by=event.source)
    context = moved(place.context, event.source, point=last.record.point)
    return Outcome((void, context), (Effect("taken-back", f"{last.record.point or 'free'} taken back"),))


def step_on(place: Place, event: Press) -> Outcome:
    """Step on without a reading: a point that was not kept is left out on purpose."""
    now, done = place.context, place.progress()
    if done is None or now.point is None or now.job is None or now.board is None or place.injecting:
        raise Refused("there is no next point: no sheet is open, or it is at its end")
    if now.point not in done.pending:
        on = step(place, event.source)
        here = [r.point for r in on.records if isinstance(r, records.Context) and r.point]
        return Outcome(on.records, on.effects or (Effect("stepped", f"at {here[0]}" if here else "stepped on"),))
    left = _left_out(now, (now.point,), None, event.source)
    on = step(place, event.source, left_out=(now.point,))
    return Outcome((left, *on.records), (Effect("stepped", f"{now.point} left out"), *on.effects))


def leave_out(place: Place, event: LeaveOut) -> Outcome:
    """Points left out on purpose, or all that are still pending."""
    now, done = place.context, place.progress()
    if done is None or now.job is None or now.board is None:
        raise Refused("points are left out of a board's sheet: no sheet is open, or no board is on the bench")
    points = done.pending if event.points is None else event.points
    if wrong := [p for p in points if p not in done.pending]:
        raise BadInput(f"not to be measured any more: {', '.join(wrong)}; pending: {', '.join(done.pending) or 'none'}")
    if not points:
        raise Refused("every point is kept or left out already")
    why = (event.why or "").strip() or None
    left = _left_out(now, points, why, event.by)
    said = Effect("stepped", f"left out: {', '.join(points)}")
    if now.point is not None and now.point not in points:
        return Outcome((left,), (said,))
    on = step(place, event.source, left_out=points)
    return Outcome((left, *on.records), (said, *on.effects))


def confirm(place: Place, source: records.Source, on: bool | None) -> Outcome:
    """The board's power is on, or off and the capacitors are discharged; None: the other of the two."""
    if place.context.board is None:
        raise NoBoard(NO_BOARD)
    powered = not place.context.powered if on is None else on
    word = "on" if powered else "off"
    return Outcome((moved(place.context, source, powered=powered),), (Effect("stepped", f"power {word} confirmed"),))


def go(place: Place, name: str, source: records.Source) -> Outcome:
    """To a point of the sheet, or to one with a free name where no sheet holds."""
    desk.mark("test point", name)
    point = None
    if place.sheet and not place.injecting:
        key = mark_key(name)
        point = place.sheet.find(name) or next((p for p in place.sheet.points if mark_key(p.name) == key), None)
        if point is None:
            names = ", ".join(p.name for p in place.sheet.points)
            raise BadInput(f"the sheet has no point {name!r}; it has {names}")
        name = point.name
    effect = Effect("stepped", f"at {name}")
    if must := place.unconfirmed(point):
        effect = Effect("confirm", f"before {name}: confirm that {must}")
    return Outcome((moved(place.context, source, point=name),), (effect,))


def step(
    place: Place, source: records.Source, fresh: Mapping[str, str | None] | None = None, left_out: Iterable[str] = ()
) -> Outcome:
    """To the next point that is still to be measured; `fresh` and `left_out` are not in the ledger yet."""
    sheet, done = place.sheet, place.progress(fresh, left_out)
    if sheet is None or done is None or place.injecting:
        return Outcome()
    point, passed_over = done.after(sheet, place.context.point, place.context.stage)
    effects: tuple[Effect, ...] = ()
    if point is None:
        counts = ", ".join(f"{n} {word}" for word, n in done.counts.items())
        effects = (Effect("sheet-done", f"the sheet is done: {counts}"),)
    elif passed_over:
        over = ", ".join(done.pending)
        effects = (Effect("passed-over", f"passed over: {over}; back to {point}, or leave out what is not wanted"),)
    if must := place.unconfirmed(sheet.find(point) if point else None):
        effects += (Effect("confirm", f"before {point}: confirm that {must}"),)
    return Outcome((moved(place.context, source, point=point),), effects)


def set_stage(place: Place, stage: records.Stage | None, source: records.Source) -> Outcome:
    context = at_stage(place.ledger, place.sheets, stage, source, stays=place.injecting)
    at = f", at {context.point}" if context.point and context.point != place.context.point else ""
    return Outcome((context,), (Effect("stepped", f"stage {stage or 'none'}{at}"),))


def resume(place: Place) -> Outcome:
    """Back to the sheet: while a rail was fed, points had free names."""
    done = place.progress()
    if done is None or place.context.point in done.pending:
        return Outcome()
    point = first_point(place.ledger, place.sheets, place.context)
    return Outcome((moved(place.context, "sheet", point=point),)) if point != place.context.point else Outcome()


def who(place: Place, name: str, source: records.Source) -> Outcome:
    name = desk.mark("name", name).strip()
    said = (Effect("stepped", f"{name} is at the bench"),)
    return Outcome((moved(place.context, source, operator=name),) if name != place.operator else (), said)


def move(place: Place, event: Move) -> Outcome:
    """A keep withdrawn, and one in its place at the right point or board, judged by what that point expects."""
    ledger, now = place.ledger, place.context
    of = event.of
    if of is None:
        board = ledger.board(now.job, now.board)
        keeps = ledger.standing(board.keeps) if board else []
        if not keeps:
            raise Refused("there is no keep to move on the board on the bench: name one by its number")
        of = keeps[-1].seq
    noted = ledger.withdrawable.get(of)
    if noted is None or not isinstance(noted.record, records.Kept) or of in ledger.voided:
        raise BadInput(f"record {of} is no standing keep: journal show --kind kept names them")
    old: records.Kept = noted.record
    if event.point is None and event.board is None:
        raise BadInput("a keep is moved to another point or board: name it")
    job, mark = (old.job, old.board)
    if event.board is None and job is not None and not ledger.is_open(job):
        raise BadInput(f"job {job} is not open: open it (meterlink job open {job})")
    if event.board is not None:
        job, mark = desk.board_meant(ledger, event.job or old.job, event.board)
    name = old.point if event.point is None else desk.mark("test point", event.point)
    sheet_name = ledger.job_field(job, "sheet") if job else None
    sheet = place.sheets.get(sheet_name) if sheet_name else None
    fed = while_injecting(ledger, of)  # a potential along the rail: its points have free names, and are not judged
    point = sheet.find(name) if sheet and name and not fed else None
    if sheet and name and point is None and not fed and event.point is not None:
        raise BadInput(f"the sheet has no point {name!r}; it has {', '.join(p.name for p in sheet.points)}")
    if (job, mark, name) == (old.job, old.board, old.point):
        raise BadInput(f"record {of} is at {name or 'free'} of board {mark} already")
    if point and (point.function, point.unit) != (old.function, old.unit):
        raise Refused(f"{point.name} is measured in {point.function}; record {of} is {old.function}")
    band = place.band(point, job) if point else None
    new = kept_at(old, job, mark, name, band, of)
    void = records.Void(of=of, why=f"moved to {name or 'free'} of board {mark}", by=event.by)
    word = f"{old.point or 'free'} of {old.board} moved to {name or 'free'} of {mark}: {new.verdict or 'kept'}"
    return Outcome((void, new), (Effect("stepped", word),))


def _left_out(now: records.Context, points: Iterable[str], why: str | None, by: str) -> records.LeftOut:
    assert now.job is not None  # a sheet's progress is that of a board
    assert now.board is not None
    return records.LeftOut(job=now.job, board=now.board, points=list(points), stage=now.stage, why=why, by=by)
