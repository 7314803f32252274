"""The page: plain, calm, one file. No script; a policy in its head forbids it to fetch anything."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import resources

from meterlink import __version__, records
from meterlink.bench.ledger import STATES, BoardView, Noted
from meterlink.bench.nearest import own_keeps
from meterlink.report.board import band, section, since, state, struck, table, withdrawal, worth_a_section
from meterlink.report.collect import Material
from meterlink.report.pictures import Value, mark, strips
from meterlink.report.qr import qr
from meterlink.report.text import esc, measured

POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"

LIMITS = (
    "A kept value is what one meter showed while its probes stood still on a point. Parts in a circuit are bridged by "
    "others: a value inside its band does not prove a part good, and one outside it does not say which part is bad.",
    "A verdict says on which side of its band a value lies. Where the meter's uncertainty is known, ok means inside by "
    "more than the uncertainty, and unsure that an end of the band is nearer than that. Where it is not stated, values "
    "are compared as they were shown, and near an end of the band a verdict can be wrong.",
    "Uncertainties are the expanded ones from the meter's published accuracy, with the coverage factor k that is given "
    "with them. They do not hold for a meter that is damaged, out of calibration or outside its conditions of use, and "
    "do not count the contact of the probes.",
    "&ldquo;Tested good&rdquo; is what the person named said of the board on that day. It is no promise for the points "
    "that were not measured.",
    "This report is no statement of electrical safety. A powered board can be live at dangerous voltages; capacitors "
    "stay charged, lithium cells can burn, and parts stay hot after the power is off. Whoever connects, opens or works "
    "on a board follows its maker's instructions, local codes and licensed practice: these come first.",
)

MARKS = ("ok", "low", "high", "short", "open", "unsure")


def page(m: Material) -> Iterator[str]:
    """The HTML of a job's report, in pieces."""
    style = resources.files("meterlink.report").joinpath("style.css").read_text("utf-8")
    counted = m.ledger.counted(m.job)
    others = [b for b in m.ledger.jobs[m.job].boards.values() if not m.ledger.standing(b.events)]
    numbers = {b.board: i for i, b in enumerate([*counted, *others], 1)}
    yield (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'
        f'<meta name="viewport" content="width=device-width"><link rel="icon" href="data:,">'
        f"<title>Job {esc(m.job)}</title>\n<style>\n{style}</style></head><body>\n"
    )
    yield from _top(m)
    yield from _tally(m, counted)
    yield from _overview(m, counted, numbers)
    yield from _points(m, counted)
    for title, boards in (("Board by board", counted), ("Not counted", others)):
        if told := [b for b in boards if worth_a_section(b) or b in others]:
            yield f"<h2>{title}</h2>"
            if boards is others:
                yield "<p class=sub>No record that stands says that these were taken in.</p>"
            for board in told:
                yield from section(m, board, numbers[board.board])
    yield from _instruments(m)
    yield from _record(m)
    yield f"<h2>Cautions and limits</h2><ul>{''.join(f'<li>{text}</li>' for text in LIMITS)}</ul>"
    yield "\n</body></html>\n"


def _top(m: Material) -> Iterator[str]:
    model, customer = (m.ledger.job_field(m.job, name) for name in ("model", "customer"))
    yield f"<h1>Job {esc(m.job)}</h1>"
    yield (
        f"<p class=sub>{esc(model or 'model not given')}; customer: {esc(customer or 'not given')}; "
        f"{'open' if m.ledger.is_open(m.job) else 'closed'}; "
        f"recorded from {esc(m.when(m.first_at))} to {esc(m.when(m.last_at))}, {esc(m.zone)}</p>"
    )


def _tally(m: Material, counted: list[BoardView]) -> Iterator[str]:
    ledger = m.ledger
    said = ledger.job_field(m.job, "expected")
    yield "<h2>Tally</h2>"
    text = f"<b>{len(counted)} {'board' if len(counted) == 1 else 'boards'} counted</b>"
    text += f", {said} said to have come." if said is not None else "; nobody said how many would come."
    if said is not None and said != len(counted):
        open_ = ledger.mismatch(m.job)
        text += " The difference is " + (
            "<b>not explained</b> by any note." if open_ else "explained by a note, below."
        )
    yield f"<p>{text}</p>"
    by_state: dict[str, list[str]] = {}
    for board in counted:
        n = since(m, board)
        why = f" ({n.record.text})" if n and n.record.text else ""
        by_state.setdefault(ledger.state(board), []).append(esc(board.board + why))
    if by_state:
        order = {s: i for i, s in enumerate(STATES)}
        rows = sorted(by_state.items(), key=lambda item: order.get(item[0], len(order)))
        yield table(("state", "boards", "which"), ((esc(s), str(len(b)), ", ".join(b)) for s, b in rows))
    if faults := ledger.faults(m.job).most_common():
        yield table(("fault found", "boards"), ((esc(f or "not described"), str(n)) for f, n in faults))
    for n in ledger.jobs[m.job].events:
        if isinstance(n.record, records.Finding) or n.record.event == "note":
            note = struck(m, n, esc(n.record.text or "")) + withdrawal(m, n)
            yield f"<p class=notice>{note} <span class=sub>{esc(n.record.by)}, {esc(m.when(n.at))}</span></p>"
    withdrawn = [n for n in ledger.jobs[m.job].events if n.seq in ledger.voided and isinstance(n.record, records.Job)]
    for n in withdrawn:
        if n.record.event != "note":
            said_then = f"{n.record.event}, {n.record.expected} boards said" if n.record.expected else n.record.event
            yield f"<p>{struck(m, n, esc(f'job {said_then}'))}{withdrawal(m, n)}</p>"


def _overview(m: Material, counted: list[BoardView], numbers: dict[str, int]) -> Iterator[str]:
    if not counted:
        yield "<p>No board was taken in.</p>"
        return
    yield "<h2>Boards</h2>"
    rows = []
    for board in counted:
        n = since(m, board)
        findings = "; ".join(
            " ".join(filter(None, (f.record.what, f.record.part, f.record.text)))
            for f in m.ledger.standing(board.findings)
            if f.record.what != "note"
        )
        keeps = m.ledger.standing(board.keeps)
        mark_ = esc(board.board)
        rows.append(
            (
                f'<a href="#b{numbers[board.board]}">{mark_}</a>' if worth_a_section(board) else mark_,
                esc(state(m, board)),
                esc(m.when(n.at)) if n else "",
                esc(n.record.by) if n else "",
                esc(findings),
                str(len(keeps) or ""),
            )
        )
    yield table(("board", "state", "since", "set by", "found and done", "kept"), rows)


def _points(m: Material, counted: list[BoardView]) -> Iterator[str]:
    by_point: dict[tuple[str, str, str], list[Value]] = {}
    for board in counted:
        for n in own_keeps(m.ledger, board):
            r = n.record
            by_point.setdefault((r.point or "", measured(r), r.unit), []).append(Value(board.board, r))
    if not by_point:
        return
    yield "<h2>Test points</h2>"
    key = ", ".join(f'<svg viewBox="-7 -7 14 14" aria-hidden="true">{mark(0, 0, v, False)}</svg> {v}' for v in MARKS)
    yield (
        "<p class=sub>One row for each kept value that stands, boards in the order they came. Shaded: the band. Marks: "
        f"<span class=key>{key}</span>, an upright stroke for not judged; hollow before the repair, filled or heavy "
        "after it. A bar through a mark is its expanded uncertainty; an arrow means that the value lies beyond the "
        "picture.</p>"
    )
    alone = []
    for (point, what, unit), values in by_point.items():
        if all(v.record.band is None for v in values) and len({v.board for v in values}) == 1:
            alone.append(f"{esc(point or 'free probing')} ({esc(what)}, {esc(values[0].board)})")
            continue
        pictures = list(strips(point or "free probing", values))
        title = (
            f"<h3>{esc(point or 'free probing')} <span class=sub>{esc(what)}, {esc(unit)}{_bands(values)}</span></h3>"
        )
        yield f"<div class=point>{title}{pictures[0]}</div>"
        yield from pictures[1:]
    if alone:
        where = ", ".join(alone)
        yield f"<p class=sub>Kept on one board only and without a band, so listed with that board: {where}.</p>"


def _bands(values: list[Value]) -> str:
    """The bands that a point's values were held against, with where each comes from."""
    said = dict.fromkeys(
        f"{band(v.record)}, from {v.record.band.from_}{f', {v.record.band.n} boards' if v.record.band.n else ''}"
        for v in values
        if v.record.band
    )
    return f"; held against {esc('; or '.join(said))}" if said else "; held against nothing"


def _instruments(m: Material) -> Iterator[str]:
    if not m.instruments:
        return
    yield "<h2>Instruments</h2>"
    rows = (
        (
            esc(i.instrument),
            esc(i.identity or "not told"),
            esc(f"{i.driver} {i.driver_version or ''}" if i.driver else "no record says"),
            esc(i.port or ""),
            esc(i.accuracy or "not stated"),
        )
        for i in m.instruments
    )
    yield table(("name", "says it is", "driver", "at", "accuracy figures from"), rows)
    keeps = [n.record for b in m.ledger.jobs[m.job].boards.values() for n in b.keeps]
    bare = sum(k.uncertainty is None for k in keeps)
    sources = dict.fromkeys(k.uncertainty.from_ for k in keeps if k.uncertainty)
    if sources:
        yield f"<p>Uncertainties were computed from: {'; '.join(map(esc, sources))}.</p>"
    if bare:
        yield f"<p>{bare} of {len(keeps)} kept values have no uncertainty stated.</p>"


def _record(m: Material) -> Iterator[str]:
    yield "<h2>The record</h2>"
    where = f" of {esc(', '.join(m.benches))}" if m.benches else ""
    yield (
        f"<p>Made by meterlink {esc(__version__)} from the journal{where}, records 1 to {m.last_seq}. The head of its "
        f"chain, which is the SHA-256 of record {m.last_seq}, as text and as a QR code:</p>"
        f"<p><code>{m.head}</code></p>{qr(m.head)}"
        "<p>This page does not say that the journal is whole and unaltered: that is checked on the journal itself. "
        "Whoever has a copy of it runs</p>"
        f"<p><code>meterlink journal verify --head {m.head} JOURNAL</code></p>"
        "<p>which follows the chain up to this head and beyond, decodes every reading anew from its raw bytes and "
        "computes every kept value and verdict again; docs/auditor.md tells how to check it without meterlink. Whoever "
        "can write a journal's folder can compute its whole chain anew: this page on paper, or filed where they cannot "
        "reach it, shows later that nothing up to this head was altered, removed or put in. Withdrawn "
        "entries stay, struck through, with the reason.</p>"
    )
    if m.remarks:
        yield "<p>While the job lasted:</p>"
        rows = ((esc(m.when(n.at)), str(n.seq), esc(_remark(m, n))) for n in m.remarks)
        yield table(("when", "record", "what"), rows)


def _remark(m: Material, n: Noted) -> str:
    match n.record:
        case records.Gap() as g:
            span = f"{m.when(g.from_)} to {m.when(g.to)}"
            return f"{g.instrument}: {g.count} readings could not be written, {span}: {g.why}"
        case records.Recovered() as r:
            return f"a torn end of {r.bytes} bytes was cut off {r.segment} and lies in {r.moved_to}"
        case records.Clock() as c:
            return f"the computer's clock was moved by {c.step:+g} s"
        case records.Seal() as s:
            return f"signed through record {s.through}: {s.signature_file}"
        case _:
            return ""
