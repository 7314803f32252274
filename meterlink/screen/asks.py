"""The questions behind the keys: each asks what it needs, then asks the service. Nothing is decided here."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from meterlink.bench.desk import FOUND, NEEDS_TEXT
from meterlink.bench.injection import CAUTIONS
from meterlink.bench.ledger import STATES
from meterlink.screen import words
from meterlink.screen.dialogs import Confirm, Form, Pick
from meterlink.screen.fold import View

if TYPE_CHECKING:
    from meterlink.screen.app import BenchScreen

WAYS = {  # what a finding means, in plain words; each of the journal's words but `note`, which has its own key
    "found": "found     what is wrong: a fault",
    "removed": "removed   taken off the board",
    "replaced": "replaced  a new part is in its place",
    "reflowed": "reflowed  soldered again",
    "cleaned": "cleaned   flux, corrosion, dirt",
    "ordered": "ordered   a part is on its way",
    "declined": "declined  not to be repaired",
}


async def board(app: BenchScreen) -> None:
    """One of the open jobs' boards, or a mark that is typed or scanned."""
    jobs = app.view.state.get("jobs") or {}
    known = [(job, b["board"], b["state"]) for job, boards in jobs.items() for b in boards]
    many = len(jobs) > 1
    choices = [
        (f"{job}/{mark}" if many else mark, f"{mark:<14} {state}{f'   ({job})' if many else ''}")
        for job, mark, state in known
    ]
    at = app.view.context.get("board")
    chosen = await app.push_screen_wait(Pick("Which board?", choices, "type or scan a mark", at))
    if chosen is None:
        return
    for job, mark, _ in known:
        if many and chosen == f"{job}/{mark}":
            await app.ask("board take", board=mark, job=job)
            return
    await take(app, chosen)


async def take(app: BenchScreen, mark: str) -> None:
    """Take a board by its mark; one that is not counted yet only after a yes: a slip makes no board."""
    jobs = app.view.state.get("jobs") or {}
    current = app.view.context.get("job")
    same = [
        (job, b["board"]) for job, boards in jobs.items() for b in boards if b["board"].casefold() == mark.casefold()
    ]
    here = [pair for pair in same if pair[0] == current] or same
    if len(here) > 1:
        app.refuse(f"board {mark} is in jobs {', '.join(j for j, _ in here)}: choose it from the list (b)")
        return
    if here:
        await app.ask("board take", board=here[0][1], job=here[0][0])
        return
    if current is None:
        app.refuse(f"there is no board {mark}, and no job is current: open one (meterlink job open JOB)")
        return
    title = f"{mark} is not a board of {current}"
    if await app.push_screen_wait(
        Confirm(title, "Is it a board that came in with this job?", "count it in and take it")
    ):
        await app.ask("board take", board=mark, job=current)


async def point(app: BenchScreen) -> None:
    """A point of the sheet, or of free probing."""
    state = app.view.state
    points = [(p, f"{i + 1:>2}  {p}") for i, p in enumerate(state.get("points") or [])]
    at = app.view.context.get("point")
    if chosen := await app.push_screen_wait(Pick("Which point?", points, "type a name", at)):
        await app.ask("point", point=chosen)


async def finding(app: BenchScreen) -> None:
    """What was found or done, the part, and a text."""
    what = await app.push_screen_wait(
        Pick("What was found or done?", [(w, WAYS.get(w, w)) for w in FOUND if w != "note"])
    )
    if what is None:
        return
    fields = (("part", "part", ""), ("text", "in words", ""))
    if given := await app.push_screen_wait(Form(f"{what}: which part, or in words", fields)):
        await app.ask("find", what=what, **given)


async def note(app: BenchScreen) -> None:
    """A note on the board, or on the job, where it explains a count that differs."""
    now = app.view.context
    places = [("board", f"on board {now['board']}")] if now.get("board") else []
    if now.get("job"):
        places.append(
            ("job", f"on job {now['job']}" + (" (explains the count)" if app.view.state.get("mismatch") else ""))
        )
    if not places:
        app.refuse("no job is current: there is nothing to note on")
        return
    first = "job" if app.view.state.get("mismatch") else "board"
    where = await app.push_screen_wait(Pick("Note on what?", places, at=first))
    if where is None:
        return
    given = await app.push_screen_wait(Form(f"note {dict(places)[where]}", (("text", "note", ""),)))
    if given and where == "job":
        await app.ask("job note", **given)
    elif given:
        await app.ask("find", what="note", **given)


async def state(app: BenchScreen) -> None:
    """Where the board is now."""
    at = app.view.state.get("board_state")
    chosen = await app.push_screen_wait(
        Pick(f"Board {app.view.context.get('board') or '-'} is ...", [(s, s) for s in STATES], at=at)
    )
    if chosen is None:
        return
    given: dict[str, str] | None = {}
    if chosen in NEEDS_TEXT:
        given = await app.push_screen_wait(Form(f"{chosen}: which part, or why", (("text", "in words", ""),)))
    if given is not None:
        await app.ask("board state", state=chosen, **given)


async def withdraw(app: BenchScreen) -> None:
    """Take one of the last keeps back, with a reason; it stays in the journal and counts for nothing."""
    keeps = app.view.state.get("keeps") or []
    choices = [
        (
            str(k["seq"]),
            f"{k['point'] or 'free':<10} {words.kept(k):>10}  {k['verdict'] or ''}",
        )
        for k in keeps
    ]
    if not choices:
        app.refuse("nothing is kept on this board")
        return
    chosen = await app.push_screen_wait(Pick("Which keep is withdrawn?", choices))
    if chosen is None:
        return
    if given := await app.push_screen_wait(Form("why? (it is recorded)", (("why", "reason", ""),))):
        await app.ask("void", of=int(chosen), **given)


async def power(app: BenchScreen) -> None:
    """What the bench wants confirmed, or that the power was switched."""
    now = app.view.context
    must = app.view.state.get("confirm") or (
        "power is off and the capacitors are discharged" if now.get("powered") else "power is on"
    )
    caution = ((app.view.state.get("point") or {}).get("caution")) or "Look before you say so."
    if await app.push_screen_wait(Confirm(f"Board {now.get('board') or '-'}: {must}?", caution, f"it is so: {must}")):
        await app.ask("power")


async def inject(app: BenchScreen) -> None:
    """Feed a shorted rail: which, how much, the cautions, and a yes; then every key means off."""
    if not app.view.context.get("board"):
        app.refuse("injecting needs a board: take one first (b)")
        return
    order = await app.push_screen_wait(Form("Feed a shorted rail", _order(app.view)))
    if order is None:
        return
    try:
        fields: dict[str, Any] = {
            "rail": order["rail"],
            "volts": float(order["volts"]),
            "amperes": float(order["amperes"]),
        }
        fields |= {
            "hold_s": float(order.get("seconds", 10)),
            "nominal": float(order["nominal"]) if "nominal" in order else None,
        }
    except (KeyError, ValueError):
        app.refuse("injecting needs a rail, and volts, amperes and seconds as numbers")
        return
    says = f"{fields['rail']}: {fields['volts']:g} V, at most {fields['amperes']:g} A, {fields['hold_s']:g} s"
    if await app.push_screen_wait(Confirm(says, CAUTIONS, "all this holds: feed the rail; then ANY KEY switches off")):
        await app.inject(fields)


def _order(view: View) -> tuple[tuple[str, str, str], ...]:
    rail = (view.state.get("point") or {}).get("rail") or ""
    return (
        ("rail", "rail", rail),
        ("volts", "volts", ""),
        ("amperes", "amperes at most", ""),
        ("seconds", "seconds", "10"),
        ("nominal", "nominal volts", ""),
    )
