"""One record as a text for a person, in the words of the record: whoever prints it makes it `visible`."""

from __future__ import annotations

from meterlink import records
from meterlink.wording import band, local, quantity, uncertainty


def words(record: object) -> str:
    """What a record says, without job, board and point; "" for a kind that this version does not know."""
    match record:
        case records.Reading() as r:
            flags = " ".join(r.flags)
            return _join(r.instrument, r.channel, _measured(r), flags)
        case records.Kept() as k:
            within = f" +/- {uncertainty(k.uncertainty.expanded, k.unit)}" if k.uncertainty else ""
            return _join(
                _measured(k) + within, k.verdict or "no verdict", _band(k), f"{k.instrument}, n {k.n}, by {k.by}"
            )
        case records.Void() as v:
            return f"record {v.of} withdrawn by {v.by}: {v.why}"
        case records.Finding() as f:
            return _join(f"{f.what} {f.part or ''}".strip(), f.text, f"by {f.by}")
        case records.Board() as b:
            return _join(b.event, b.state, b.text, f"by {b.by}")
        case records.Job() as j:
            said = f"{j.expected} boards said" if j.expected is not None else None
            return _join(j.event, j.model, j.customer, said, j.state, j.text, f"by {j.by}")
        case records.Context() as c:
            power = None if c.powered is None else "power on" if c.powered else "power off"
            who = f"{c.operator} at the bench" if c.operator else None
            back = f"record {c.undo} taken back" if c.undo else None
            return _join(c.stage, power, who, back, f"by {c.source}")
        case records.Supply() as s:
            voltage = None if s.voltage is None else quantity(s.voltage, "V")
            limit = None if s.current_limit is None else f"limit {quantity(s.current_limit, 'A')}"
            return _join(f"{s.instrument} {s.event}", s.rail, voltage, limit, s.why, f"by {s.by}")
        case records.Instrument() as i:
            return _join(f"{i.instrument} {i.event}", f"{i.driver} at {i.port}", i.identity, i.why)
        case records.Start() as s:
            return _join(f"{s.program} {s.version} on bench {s.bench}", s.host, f"format {s.format}")
        case records.Stop() as s:
            return s.why
        case records.Gap() as g:
            return f"{g.instrument}: {g.count} readings not written from {_second(g.from_)} to {_second(g.to)}: {g.why}"
        case records.Recovered() as r:
            return f"a torn end of {r.bytes} bytes of {r.segment} was moved to {r.moved_to}"
        case records.SetAside() as a:
            return f"an older journal was set aside as {a.folder} (files named with their SHA-256: {len(a.files)})"
        case records.Clock() as c:
            return f"the clock was moved by {c.step:g} s"
        case records.Seal() as s:
            return f"signed through record {s.through}: {s.signature_file}"
        case records.LeftOut() as x:
            return _join(f"left out: {', '.join(x.points)}", x.stage, x.why, f"by {x.by}")
        case _:
            return ""


def _join(*parts: str | None) -> str:
    return ", ".join(p for p in parts if p)


def _second(at: str) -> str:
    return local(at, "seconds")


def _measured(r: records.Reading | records.Kept) -> str:
    return " ".join(p for p in (r.function, r.coupling, quantity(r.value, r.unit, r.resolution, r.state)) if p)


def _band(kept: records.Kept) -> str | None:
    if kept.band is None:
        return None
    inside = band(kept.band.low, kept.band.high, kept.unit, kept.resolution)
    return f"band {inside}" if inside and " to " in inside else inside
