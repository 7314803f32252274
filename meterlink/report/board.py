"""One board's part of the page: its states, findings, what was injected, its keeps before and after."""

from __future__ import annotations

import html
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal

from meterlink import records
from meterlink.bench.ledger import BoardView, Noted
from meterlink.bench.nearest import own_keeps, while_injecting
from meterlink.bench.progress import stage_of, standing_progress
from meterlink.report.collect import Injection, Material
from meterlink.report.pictures import interval, wave
from meterlink.report.text import esc, measured, uncertainty, value
from meterlink.wording import band as inside
from meterlink.wording import quantity

SHORT = 22  # characters of a cell
FED = "kept while the rail was fed"


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Cells are HTML already, heads are text."""
    body = "".join(f"<tr>{''.join(map(_cell, row))}</tr>" for row in rows)
    return f"<table><thead><tr>{''.join(f'<th>{esc(h)}</th>' for h in head)}</tr></thead><tbody>{body}</tbody></table>"


def _cell(cell: str) -> str:
    """Short cells stay on their lines, words too long for any column break anywhere."""
    lines = html.unescape(re.sub(r"<[^>]*>", "", cell)).split("\n")
    if max(map(len, lines)) <= SHORT:
        return f"<td class=short>{cell}</td>"
    longest = max((len(word) for line in lines for word in line.split()), default=0)
    return f"<td{' class=long' if longest > SHORT else ''}>{cell}</td>"


def struck(m: Material, n: Noted, cell: str) -> str:
    """A cell of a record, struck through if that was withdrawn."""
    return f"<del>{cell}</del>" if n.seq in m.ledger.voided and cell else cell


def withdrawal(m: Material, n: Noted) -> str:
    """When, why and by whom a record was withdrawn; nothing for one that stands."""
    void = m.ledger.voided.get(n.seq)
    if void is None:
        return ""
    why = f"{esc(void.record.why)} ({esc(void.record.by)}, {esc(m.when(void.at))})"
    return f" <b>withdrawn</b> in record {void.seq}: {why}"


def since(m: Material, board: BoardView) -> Noted | None:
    """The record that set the board's present state."""
    return next((n for n in reversed(m.ledger.standing(board.events)) if n.record.state), None)


def state(m: Material, board: BoardView) -> str:
    """Its state with the words that were given to it; not HTML yet."""
    if not m.ledger.standing(board.events):
        return "not counted"
    n = since(m, board)
    return ": ".join(filter(None, (m.ledger.state(board), n.record.text if n else None)))


def worth_a_section(board: BoardView) -> bool:
    """More is recorded of it than that it came."""
    return bool(len(board.events) > 1 or board.findings or board.keeps or board.supplies)


def section(m: Material, board: BoardView, number: int) -> Iterator[str]:
    """The HTML of one board; `number` makes its anchor."""
    yield f'<h3 id="b{number}">{esc(board.board)} <span class=sub>{esc(state(m, board))}</span></h3>'
    yield table(("when", "what", "by"), _history(m, board))
    yield from _not_measured(m, board)
    if injections := m.injections.get(board.board):
        yield "<h4>Injected</h4>"
        on = ("on", "rail", "set", "the most that the supply showed", "off", "by")
        yield table(on, (_injection(m, i) for i in injections))
    if changes := list(_changes(m, board)):
        yield "<h4>Before and after</h4>"
        yield table(("point", "measured", "before", "after", "what changed"), changes)
    if board.keeps:
        yield "<h4>Kept values</h4>"
        head = ("point", "stage", "measured", "value", "verdict", "held against", "meter", "record")
        yield table(head, (_keep(m, board, n) for n in board.keeps))
        yield from _waves(m, board)


def _not_measured(m: Material, board: BoardView) -> Iterator[str]:
    """Points of the sheet that have no value in the board's stage: left out on purpose, or never measured."""
    for n in board.left_out:
        why = f": {esc(n.record.why)}" if n.record.why else ""
        points = struck(m, n, esc(", ".join(n.record.points)))
        yield f"<p><b>Left out on purpose</b> ({esc(n.record.by)}): {points}{why}{withdrawal(m, n)}</p>"
    if m.sheet is None:
        return
    pending = standing_progress(m.ledger, board, m.sheet).pending
    if pending and (board.keeps or board.left_out):
        yield f"<p class=notice><b>Not measured</b> ({stage_of(m.ledger, board)}): {esc(', '.join(pending))}</p>"


def _history(m: Material, board: BoardView) -> Iterator[tuple[str, ...]]:
    notes = sorted([*board.events, *board.findings, *board.supplies], key=lambda n: n.seq)
    for n in notes:
        text = struck(m, n, esc(_words(n.record))) + withdrawal(m, n)
        yield esc(m.when(n.at)), text, esc(n.record.by)


def _words(record: object) -> str:
    match record:
        case records.Board() as b:
            if b.state and b.event != b.state:
                return ": ".join(filter(None, (b.state, b.text)))
            return ": ".join(filter(None, (b.event, b.text)))
        case records.Finding() as f:
            return " ".join(filter(None, (f.what, f.part, f.text)))
        case records.Supply() as s:
            figures = [quantity(v, u) for v, u in ((s.voltage, "V"), (s.current_limit, "A")) if v is not None]
            rail = f"on rail {s.rail}" if s.rail else None
            return ", ".join(filter(None, (f"supply {s.event}", *figures, rail, s.why)))
        case _:
            return ""


def _injection(m: Material, i: Injection) -> tuple[str, ...]:
    on = i.on.record
    wanted = [quantity(v, u) for v, u in ((on.voltage, "V"), (on.current_limit, "A")) if v is not None]
    seen = [quantity(float(f"{v:.4g}"), u) for v, u in ((i.volts, "V"), (i.amperes, "A")) if v is not None]
    off = "no record says so"
    if i.off is not None:
        off = _lasted(i.on.at, i.off.at) + (i.off.record.why or i.off.record.event)
    return (
        esc(m.when(i.on.at)),
        esc(on.rail or "not said"),
        struck(m, i.on, esc(", at most ".join(wanted) or "not said")),
        esc(", ".join(seen) or "no readings"),
        esc(off),
        esc(on.by),
    )


def _lasted(on: str, off: str) -> str:
    """How long it was on; nothing where a record's time is none."""
    try:
        return f"after {(records.moment(off) - records.moment(on)).total_seconds():.1f} s: "
    except ValueError:
        return ""


def _changes(m: Material, board: BoardView) -> Iterator[tuple[str, ...]]:
    """Points kept before and after, the latest of each; what was measured must be the same to be compared."""
    latest: dict[tuple[str, str, str], dict[str | None, records.Kept]] = {}
    for n in own_keeps(m.ledger, board):
        r = n.record
        if r.point:
            latest.setdefault((r.point, measured(r), r.unit), {})[r.stage] = r
    for (point, what, _), by_stage in latest.items():
        after = by_stage.get("after")
        if after is None:
            continue
        before = by_stage.get("before")
        yield (
            esc(point),
            esc(what),
            _judged(before) if before else "not kept",
            _judged(after),
            esc(_difference(before, after) if before else ""),
        )


def _judged(r: records.Kept) -> str:
    return esc(f"{value(r)}: {r.verdict or 'not judged'}")


def _difference(before: records.Kept, after: records.Kept) -> str:
    said = []
    if before.verdict != after.verdict:
        said.append(f"{before.verdict or 'not judged'} to {after.verdict or 'not judged'}")
    if before.value is not None and after.value is not None:
        step = Decimal(repr(after.value)) - Decimal(repr(before.value))
        u = math.hypot(*(k.uncertainty.expanded if k.uncertainty else 0.0 for k in (before, after)))
        if not step or abs(step) < Decimal(repr(u)):
            said.append("no difference that these meters can tell" if step else "the same value")
        else:
            said.append(f"{'up' if step > 0 else 'down'} by {quantity(float(abs(step)), after.unit)}")
    elif before.state != after.state:
        said.append(f"{value(before)} to {value(after)}")
    return "; ".join(said) or "no change"


def band(r: records.Kept) -> str:
    """What a keep was held against, in words; not HTML yet."""
    b = r.band
    if b is None:
        return "nothing"
    ends = inside(*interval(r), r.unit, r.resolution) or "no limits"
    return f"open ({ends})" if b.expect == "open" else ends


def _keep(m: Material, board: BoardView, n: Noted) -> tuple[str, ...]:
    r = n.record
    u = r.uncertainty
    within = f"\n± {uncertainty(u, r.unit)}" if u else ""
    judged = (r.verdict or "not judged", band(r))
    if while_injecting(m.ledger, n.seq):
        judged = ("not judged", FED)
    texts = (r.point or "free", r.stage or "", measured(r), value(r) + within, *judged)
    seq = f'<a href="#k{n.seq}">{n.seq}</a>' if n.seq in m.traces else str(n.seq)
    *cells, place = (struck(m, n, cell) for cell in (*map(esc, (*texts, r.instrument)), seq))
    return (*cells, place + withdrawal(m, n))


def _waves(m: Material, board: BoardView) -> Iterator[str]:
    shown = [n for n in board.keeps if n.seq in m.traces]
    if not shown:
        return
    which = "this keep" if len(shown) == 1 else f"these {len(shown)} keeps"
    yield f"<details><summary>The readings around {which}</summary>"
    yield (
        "<p class=sub>Dots: the readings that the value stands on. Crosses: no number was shown (at the top: over "
        "range). Time counts from the last dot.</p><div class=waves>"
    )
    for n in shown:
        r = n.record
        word = ", ".join(
            filter(
                None, (r.point or "free", r.stage, value(r), None if while_injecting(m.ledger, n.seq) else r.verdict)
            )
        )
        caption = f"record {n.seq}: {struck(m, n, esc(word))}{withdrawal(m, n)}; {r.n} readings; by {esc(r.by)}"
        picture = wave(m.traces[n.seq], r.unit, r.resolution)
        yield f'<figure id="k{n.seq}">{picture}<figcaption>{caption}</figcaption></figure>'
    yield "</div></details>"
