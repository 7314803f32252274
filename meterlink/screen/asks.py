"""The questions behind the keys: each asks what it needs, then asks the service. Nothing is decided here.

A question is a generator: it yields a dialog and is given its answer (None: it was left), or a request. It holds the
view in which it began: title and requests name that board, whatever is on the bench when it is answered.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator
from typing import Any

import msgspec

from meterlink.bench.desk import FOUND, NEEDS_TEXT
from meterlink.bench.injection import CAUTIONS
from meterlink.bench.ledger import STATES
from meterlink.screen import words
from meterlink.screen.dialogs import Confirm, Dialog, Form, Pick, Row, plain
from meterlink.screen.fold import View

WAYS = {  # what a finding means, in plain words; each of the journal's words but `note`, which has its own key
    "found": "found     what is wrong: a fault",
    "removed": "removed   taken off the board",
    "replaced": "replaced  a new part is in its place",
    "reflowed": "reflowed  soldered again",
    "cleaned": "cleaned   flux, corrosion, dirt",
    "ordered": "ordered   a part is on its way",
    "declined": "declined  not to be repaired",
}
NO_BOARD = "no board is on the bench: scan one, or choose it (b)"


class Ask(msgspec.Struct, frozen=True):
    """One request of the service."""

    do: str
    fields: dict[str, Any] = {}


class Inject(msgspec.Struct, frozen=True):
    """Feed a rail: from here on every key means off."""

    order: dict[str, Any]


class Refuse(msgspec.Struct, frozen=True):
    """It cannot be asked now; this is why."""

    why: str


Step = Dialog | Ask | Inject | Refuse
Question = Generator[Step, Any, None]


def here(view: View) -> dict[str, Any]:
    """What binds a request to the board that is shown; nothing where none is."""
    board = view.context.get("board")
    return {"for_board": board} if board else {}


def on_it(view: View) -> dict[str, Any]:
    """The board that is shown, by its name as well."""
    return {**here(view), "board": view.context.get("board"), "job": view.context.get("job")}


def _of(view: View, what: str) -> str:
    return f"{view.context['board']}: {what}" if view.context.get("board") else what


def _boards(view: View) -> list[tuple[str, str, str]]:
    """The boards of the open jobs: (job, mark, state)."""
    jobs = view.state.get("jobs") or {}
    return [(job, b["board"], b["state"]) for job, boards in jobs.items() for b in boards]


def _board_rows(view: View) -> list[Row]:
    boards = _boards(view)
    many = len({job for job, _, _ in boards}) > 1
    wide = max((len(mark) for _, mark, _ in boards), default=0)
    return [
        Row((job, mark), mark, f"{mark:<{min(wide, 30)}}  {state}{f'   {job}' if many else ''}")
        for job, mark, state in boards
    ]


def board(view: View) -> Question:
    """One of the open jobs' boards, or a mark that is typed or scanned."""
    at = (view.context.get("job"), view.context.get("board"))
    pick = Pick("Which board?", _board_rows(view), free="type or scan a mark", exact=True, mark=True, at=at)
    chosen = yield pick
    if pick.scanned and chosen is not None:
        yield Ask("scanned", {"text": chosen if isinstance(chosen, str) else chosen[1], "source": "scanner"})
    elif isinstance(chosen, str):
        yield from unknown(view, chosen)
    elif chosen is not None:
        yield Ask("board take", {"board": chosen[1], "job": chosen[0]})


def unknown(view: View, mark: str) -> Question:
    """A mark that no open job has: counted in only after a yes, for a slip makes no board."""
    job = view.context.get("job")
    if job is None:
        yield Refuse(f"no open job has a board {mark}, and no job is current: open one (meterlink job open JOB)")
        return
    like = [m for _, m, _ in _boards(view) if plain(mark) in plain(m) or plain(m) in plain(mark)]
    text = (f"Like it: {', '.join(like[:8])}. " if like else "") + "Is it one more board that came in with this job?"
    if (yield Confirm(f"{mark} is not a board of {job}", text, f"count it in to {job}, and take it")):
        yield Ask("board take", {"board": mark, "job": job, "count_in": True})


def knows(view: View, mark: str) -> bool:
    """Whether an open job has a board of this mark."""
    return any(plain(m) == plain(mark) for _, m, _ in _boards(view))


def point(view: View) -> Question:
    """A point of the sheet, with how far each is, or of free probing."""
    if not view.context.get("board"):
        yield Refuse(NO_BOARD)
        return
    names = view.state.get("points") or []
    rows = [Row(s.name, s.name, f"{s.mark:<2} {s.word:<9} {s.name}", s.tone) for s in words.points(view)]
    at = view.context.get("point")
    title = _of(view, f"Which point? {words.progress(view)}".strip())
    chosen = yield Pick(title, rows, free="" if names else "type its name", exact=not names, at=at)
    if chosen is not None:
        yield Ask("point", {**here(view), "point": chosen})


def finding(view: View) -> Question:
    """What was found or done, the part, and a text."""
    if not view.context.get("board"):
        yield Refuse(NO_BOARD)
        return
    rows = [Row(w, w, WAYS.get(w, w)) for w in FOUND if w != "note"]
    what = yield Pick(_of(view, "what was found or done?"), rows)
    if what is None:
        return
    fields = (("part", "part", ""), ("text", "in words", ""))
    given = yield Form(_of(view, f"{what}: which part, or in words"), fields)
    if given:
        yield Ask("find", {**on_it(view), "what": what, **given})


def note(view: View) -> Question:
    """A note on the board, or on the job, where it explains a count that differs."""
    now, differs = view.context, view.state.get("mismatch")
    places = [Row("board", "board", f"board {now['board']}")] if now.get("board") else []
    if now.get("job"):
        places.append(Row("job", "job", f"job {now['job']}" + (" (explains the count)" if differs else "")))
    if not places:
        yield Refuse("no job is current: there is nothing to note on")
        return
    where = yield Pick(_of(view, "Note on what?"), places)
    if where is None:
        return
    text = f"{differs}: name the count that you counted in the note" if differs and where == "job" else ""
    given = yield Form(f"note on {where} {now[where]}", (("text", "note", ""),), text)
    if given and where == "job":
        yield Ask("job note", {"job": now["job"], **given})
    elif given:
        yield Ask("find", {**on_it(view), "what": "note", **given})


def state(view: View) -> Question:
    """Where the board is now."""
    if not view.context.get("board"):
        yield Refuse(NO_BOARD)
        return
    rows = [Row(s, s, s) for s in STATES]
    chosen = yield Pick(_of(view, "Where is it now?"), rows, at=view.state.get("board_state"))
    if chosen is None:
        return
    given: dict[str, str] | None = {}
    if chosen in NEEDS_TEXT:
        given = yield Form(_of(view, f"{chosen}: which part, or why"), (("text", "in words", ""),))
    if given is not None:
        yield Ask("board state", {**on_it(view), "state": chosen, **given})


def keeps(view: View) -> Question:
    """One of the last keeps: withdrawn with a reason, or moved to the point or the board that it belongs to."""
    kept = view.state.get("keeps") or []
    if not kept or not view.context.get("board"):
        yield Refuse("nothing is kept on this board" if view.context.get("board") else NO_BOARD)
        return
    rows = [Row(k["seq"], k["point"] or "free", f"{words.keep(k)}  {k['point'] or 'free'}") for k in kept]
    of = yield Pick(_of(view, "Which keep?"), rows)
    if of is None:
        return
    one = next(k for k in kept if k["seq"] == of)
    title = f"{one['point'] or 'free'} {words.kept(one)}"
    ways = (
        Row("withdraw", "withdraw", "withdraw   it counts for nothing; it stays in the journal"),
        Row("point", "point", "point      it belongs to another point, or has a name"),
        Row("board", "board", "board      it belongs to another board"),
    )
    way = yield Pick(_of(view, title), ways)
    if way == "withdraw":
        given = yield Form(_of(view, f"{title}: why withdrawn?"), (("why", "reason", ""),))
        if given:
            yield Ask("void", {**here(view), "of": of, **given})
    elif way == "point":
        yield from _rename(view, of, title)
    elif way == "board":
        pick = Pick(_of(view, f"{title} belongs to which board?"), _board_rows(view), exact=True, mark=True)
        chosen = yield pick
        if chosen is not None:
            yield Ask("move", {**here(view), "of": of, "board": chosen[1], "job": chosen[0]})


def name(view: View) -> Question:
    """The last keep belongs to this point, or has this name: also for a free touch."""
    kept = view.state.get("keeps") or []
    if not kept or not view.context.get("board"):
        yield Refuse("nothing is kept on this board" if view.context.get("board") else NO_BOARD)
        return
    one = kept[0]
    yield from _rename(view, one["seq"], f"{one['point'] or 'free'} {words.kept(one)}")


def _rename(view: View, of: int, title: str) -> Question:
    rows = [Row(p, p, p) for p in view.state.get("points") or []]
    chosen = yield Pick(_of(view, f"{title} belongs to which point?"), rows, free="type its name", exact=True)
    if chosen is not None:
        yield Ask("move", {**here(view), "of": of, "point": chosen})


def leave_out(view: View) -> Question:
    """Points that are not measured, on purpose, with one reason."""
    left = view.state.get("pending") or []
    if not left or not view.context.get("board"):
        yield Refuse("no point is left to be measured" if view.context.get("board") else NO_BOARD)
        return
    rows = [Row(left, "the rest", f"the rest: {', '.join(left)}")]
    rows += [Row([p], p, p) for p in left if len(left) > 1]
    chosen = yield Pick(_of(view, "Leave out which points?"), rows)
    if chosen is None:
        return
    given = yield Form(_of(view, "leave out, and why"), (("why", "reason", ""),), ", ".join(chosen))
    if given:
        yield Ask("leave out", {**here(view), "points": chosen, **given})


def who(view: View) -> Question:
    """Who is at the bench from now on."""
    at = view.context.get("operator")
    names = [Row(n, n, n) for n in view.people]
    chosen = yield Pick("Who is at the bench?", names, free="type a name", exact=True, at=at)
    if chosen is not None:
        yield Ask("who", {"name": chosen})


def power(view: View) -> Question:
    """What the bench wants confirmed, or that the power was switched."""
    if not view.context.get("board"):
        yield Refuse(NO_BOARD)
        return
    on = not view.context.get("powered")
    must = view.state.get("confirm") or ("power is on" if on else "power is off and the capacitors are discharged")
    caution = ((view.state.get("point") or {}).get("caution")) or "Look before you say so."
    if (yield Confirm(_of(view, f"{must}?"), caution, f"it is so: {must}")):
        yield Ask("power", {**here(view), "on": on})


def inject(view: View) -> Question:
    """Feed a shorted rail: which, how much, the cautions, and a yes; then every key means off."""
    if not view.context.get("board"):
        yield Refuse(NO_BOARD)
        return
    rail = (view.state.get("point") or {}).get("rail") or ""
    fields = (
        ("rail", "rail", rail),
        ("volts", "volts", ""),
        ("amperes", "amperes at most", ""),
        ("seconds", "seconds", "10"),
        ("nominal", "nominal volts", ""),
    )
    given = yield Form(_of(view, "Feed a shorted rail"), fields, check=_order_problem)
    if given is None:
        return
    order = {"rail": given["rail"], "volts": float(given["volts"]), "amperes": float(given["amperes"])}
    order |= {"hold_s": float(given.get("seconds", 10)), "nominal": None}
    if "nominal" in given:
        order["nominal"] = float(given["nominal"])
    says = f"{order['rail']}: {order['volts']:g} V, at most {order['amperes']:g} A, {order['hold_s']:g} s"
    if (yield Confirm(_of(view, says), CAUTIONS, "all this holds: feed the rail; then ANY KEY switches off")):
        yield Inject({**here(view), **order})


def _order_problem(given: dict[str, str]) -> str | None:
    missing = [n for n in ("rail", "volts", "amperes") if n not in given]
    if missing:
        return f"injecting needs {' and '.join(missing)}"
    return next((f"{n}: {given[n]!r} is no number" for n in _numbers(given) if not _is_number(given[n])), None)


def _numbers(given: dict[str, str]) -> Iterator[str]:
    return (n for n in ("volts", "amperes", "seconds", "nominal") if n in given)


def _is_number(text: str) -> bool:
    try:
        return float(text) == float(text) and abs(float(text)) != float("inf")
    except ValueError:
        return False


QUESTIONS: dict[str, Callable[[View], Question]] = {
    "b": board,
    "p": point,
    "o": power,
    "f": finding,
    "t": note,
    "s": state,
    "w": keeps,
    "m": name,
    "e": leave_out,
    "h": who,
    "i": inject,
}
