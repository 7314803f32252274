"""The page itself: plain, calm, one file. No script, no request leaves it (and a policy in its head forbids any)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from meterlink import __version__, records
from meterlink.bench.ledger import BoardView, Noted
from meterlink.report.collect import Material
from meterlink.report.pictures import Value, esc, number, strip, wave

STYLE = """
:root{color-scheme:light}
body{font:15px/1.5 Georgia,"Times New Roman",serif;color:#1c1c1c;background:#fff;max-width:52rem;margin:2rem auto;padding:0 1rem}
h1{font-size:1.7rem;margin:0 0 .2rem}h2{font-size:1.2rem;margin:2rem 0 .5rem;border-bottom:1px solid #999}
h3{font-size:1.02rem;margin:1.4rem 0 .3rem}
table{border-collapse:collapse;width:100%;margin:.4rem 0 .8rem;font-size:.9rem}
th,td{text-align:left;padding:.18rem .6rem .18rem 0;border-bottom:1px solid #ddd;vertical-align:top;overflow-wrap:anywhere}
td.n{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}
.sub{color:#555}.notice{border-left:4px solid #1c1c1c;padding:.3rem .8rem;margin:.8rem 0;background:#f3f1ec}
code{font:0.85em ui-monospace,Menlo,Consolas,monospace;overflow-wrap:anywhere}
del{color:#666}
svg{display:block;width:100%;height:auto;margin:.2rem 0 .6rem}
svg text{font:11px Georgia,serif;fill:#1c1c1c}
.board{text-anchor:end}.axis{text-anchor:middle;fill:#555}.axis.left{text-anchor:start}
.band{fill:#e3ebe0}.edge{stroke:#4c6146;stroke-dasharray:3 2;fill:none}.rule{stroke:#999}
.mark{stroke:#22405e;stroke-width:1.6}.full{fill:#22405e}.hollow{fill:#fff}
.cross{stroke:#22405e;stroke-width:2.2;fill:none}.bar{stroke:#22405e;fill:none}.trace{stroke:#22405e;fill:none;stroke-width:1.2}
details{margin:.1rem 0}summary{cursor:pointer;color:#22405e}
@page{size:A4;margin:16mm}
@media print{body{margin:0;max-width:none;font-size:11pt}h2,h3{break-after:avoid}svg,tr,.notice{break-inside:avoid}}
"""

LIMITS = (
    "A kept value is what a meter showed while a probe stood still; parts in circuit are bridged by others, so a value "
    "inside its band does not prove a part good, nor one outside it which part is bad.",
    "A verdict says on which side of a band the value lies, allowing for the meter's stated accuracy: &ldquo;unsure&rdquo; "
    "means that the band's edge lies within the uncertainty. Uncertainties are expanded, with the factor k that is given.",
    "Boards can carry dangerous voltages when powered, and charged capacitors, lithium cells and hot parts afterwards. "
    "This report is no statement of electrical safety; local codes and licensed practice come first.",
)


def page(m: Material) -> str:
    """The HTML of a job's report."""
    ledger = m.ledger
    parts = [
        "<!DOCTYPE html><html lang=en><head><meta charset=utf-8>",
        "<meta http-equiv=Content-Security-Policy content=\"default-src 'none'; style-src 'unsafe-inline'\">",
        '<meta name=viewport content="width=device-width">',
        f"<title>Job {esc(m.job)}</title><style>{STYLE}</style></head><body>",
        f"<h1>Job {esc(m.job)}</h1>",
        f"<p class=sub>{esc(ledger.job_field(m.job, 'model') or 'model not given')}, "
        f"customer {esc(ledger.job_field(m.job, 'customer') or 'not given')}; "
        f"{'open' if ledger.is_open(m.job) else 'closed'}; recorded {esc(m.first_at)} to {esc(m.last_at)}</p>",
        *_tally(m),
        "<h2>Test points</h2><p class=sub>Shaded: the band. Hollow marks were kept before the repair, filled ones after. "
        "The mark and the word beside it say the same. A line through a mark is the expanded uncertainty.</p>",
        *_points(m),
        "<h2>Boards</h2>",
        *(part for board in m.boards for part in _board(m, board)),
        *_instruments(m),
        *_record(m),
        "<h2>Cautions and limits</h2><ul>",
        *(f"<li>{text}</li>" for text in LIMITS),
        "</ul></body></html>\n",
    ]
    return "\n".join(parts)


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Cells are HTML already."""
    body = "".join("<tr>" + "".join(f"<td>{c}</td>" for c in row) + "</tr>" for row in rows)
    return f"<table><thead><tr>{''.join(f'<th>{esc(h)}</th>' for h in head)}</tr></thead><tbody>{body}</tbody></table>"


def _tally(m: Material) -> list[str]:
    ledger = m.ledger
    said = ledger.job_field(m.job, "expected")
    counted = len(m.boards)
    out = [
        f"<h2>Tally</h2><p><b>{counted} boards counted</b>"
        + (f", {said} said to have come" if said is not None else "")
    ]
    if said is not None and said != counted:
        out.append(f" &mdash; {esc(ledger.mismatch(m.job) or 'the difference is explained by a note')}")
    out.append("</p>")
    out.append(_table(("state", "boards"), ((esc(s), str(n)) for s, n in ledger.tally(m.job).most_common())))
    faults = ledger.faults(m.job).most_common()
    if faults:
        out.append(_table(("fault found", "boards"), ((esc(f), str(n)) for f, n in faults)))
    for n in ledger.jobs[m.job].events:
        if getattr(n.record, "event", None) == "note":
            out.append(
                f"<p class=notice>{_struck(m, n, esc(n.record.text))} <span class=sub>{esc(n.record.by)}, {esc(n.at)}</span></p>"
            )
    return out


def _points(m: Material) -> list[str]:
    by_point: dict[tuple[str, str, str], list[Value]] = {}
    for board in m.boards:
        for n in m.ledger.standing(board.keeps):
            r = n.record
            by_point.setdefault((r.point or "free", r.function, r.unit), []).append(Value(board.board, r))
    out = []
    for (point, function, _), values in by_point.items():
        band = next((v.record.band for v in reversed(values) if v.record.band), None)
        out.append(f"<h3>{esc(point)} <span class=sub>{esc(function)}{_band(band)}</span></h3>")
        out.append(strip(point, values))
    return out


def _band(band: records.Band | None) -> str:
    if band is None:
        return ""
    n = f", {band.n} boards" if band.n else ""
    return f"; expected: {esc(band.expect)}, from {esc(band.from_)}{n}"


def _struck(m: Material, n: Noted, text: str) -> str:
    void = m.ledger.voided.get(n.seq)
    if void is None:
        return text
    return f"<del>{text}</del> <b>withdrawn</b>: {esc(void.record.why)} ({esc(void.record.by)})"


def _board(m: Material, board: BoardView) -> list[str]:
    ledger = m.ledger
    out = [f"<h3>{esc(board.board)} <span class=sub>{esc(ledger.state(board))}</span></h3>"]
    events = [
        (
            esc(n.at),
            _struck(m, n, esc(n.record.state or n.record.event) + (f": {esc(n.record.text)}" if n.record.text else "")),
            esc(n.record.by),
        )
        for n in board.events
    ]
    events += [
        (
            esc(n.at),
            _struck(m, n, esc(" ".join(filter(None, (n.record.what, n.record.part, n.record.text))))),
            esc(n.record.by),
        )
        for n in board.findings
    ]
    events += [(esc(n.at), esc(_supply(n.record)), esc(n.record.by)) for n in board.supplies]
    out.append(_table(("when (UTC)", "what", "by"), sorted(events)))
    if board.keeps:
        out.append(
            _table(
                ("point", "stage", "value", "uncertainty", "verdict", "meter", "record"),
                (_keep(m, n) for n in board.keeps),
            )
        )
    return out


def _supply(r: records.Supply) -> str:
    figures = ", ".join(f"{number(v)} {u}" for v, u in ((r.voltage, "V"), (r.current_limit, "A")) if v is not None)
    return " ".join(filter(None, ("supply", r.event, f"({figures})" if figures else "", r.rail or "", r.why or "")))


def _keep(m: Material, n: Noted) -> tuple[str, ...]:
    r = n.record
    value = esc(r.state) if r.value is None else f"{number(r.value, r.resolution)} {esc(r.unit)}"
    u = r.uncertainty
    trace = m.traces.get(n.seq)
    waveform = f"<details><summary>{n.seq}</summary>{wave(trace, r.unit)}</details>" if trace else str(n.seq)
    return (
        _struck(m, n, esc(r.point or "free")),
        esc(r.stage or "-"),
        value,
        f"&plusmn;{number(u.expanded)} {esc(r.unit)} (k={u.k:g}, {esc(u.from_)})" if u else "not stated",
        esc(r.verdict or "none"),
        esc(r.instrument),
        waveform,
    )


def _instruments(m: Material) -> list[str]:
    rows = [
        (
            esc(name),
            esc(f"{n.record.driver} {n.record.driver_version}"),
            esc(n.record.port),
            esc(n.record.identity or "not told"),
            esc(n.record.accuracy or "not stated"),
        )
        for name, n in m.instruments.items()
    ]
    return ["<h2>Instruments</h2>", _table(("name", "driver", "port", "identity", "accuracy from"), rows)]


def _record(m: Material) -> list[str]:
    return [
        "<h2>The record</h2>",
        f"<p>Made by meterlink {esc(__version__)} from the journal of {esc(m.bench or 'the bench')}, records 1 to {m.last_seq}. Head of the chain (SHA-256 of the last line):</p>",
        f"<p><code>{m.head}</code></p>",
        "<p class=sub>Who has the journal can check that nothing before this head was altered, removed or invented "
        "(<code>meterlink journal verify --head DIGEST</code>, or docs/auditor.md for the way without meterlink). "
        "Withdrawn entries are shown struck through with their reason.</p>",
    ]
