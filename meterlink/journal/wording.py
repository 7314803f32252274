"""One record as one line of text for a person; what the user typed is shown, never obeyed."""

from __future__ import annotations

from meterlink import records

_PREFIXES = ((1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"), (1e-12, "p"))
_PLAIN = ("%", "Cel", "[degF]", "K", "dB", "dB[V]", "dB[mV]", "dB[W]", "1", "/min")  # take no prefix


def safe(text: str) -> str:
    """Text without control characters: a line break or an escape sequence in a mark reaches no terminal."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def quantity(value: float | None, unit: str, state: str = "ok") -> str:
    """A value with its prefixed unit, all its digits: 0.00047 V is "470 uV"; without a number its state."""
    if value is None:
        return state
    if unit in _PLAIN or value == 0:
        return f"{value:.15g} {unit}"
    size, prefix = next((p for p in _PREFIXES if abs(value) >= p[0]), _PREFIXES[-1])
    return f"{value / size:.12g} {prefix}{unit}"


def words(record: object) -> str:
    """What a record says, without job, board and point; "" for a kind that this version does not know."""
    return safe(_words(record))


def _join(*parts: str | None) -> str:
    return ", ".join(p for p in parts if p)


def _words(record: object) -> str:
    match record:
        case records.Reading() as r:
            flags = " ".join(r.flags)
            return _join(r.instrument, r.channel, _measured(r.function, r.coupling, r.value, r.unit, r.state), flags)
        case records.Kept() as k:
            within = f" +/- {quantity(k.uncertainty.expanded, k.unit)}" if k.uncertainty else ""
            measured = _measured(k.function, k.coupling, k.value, k.unit, k.state) + within
            return _join(measured, k.verdict or "no verdict", _band(k), f"{k.instrument}, n {k.n}, by {k.by}")
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
            return f"{g.instrument}: {g.count} readings not written from {g.from_} to {g.to}: {g.why}"
        case records.Recovered() as r:
            return f"a torn end of {r.bytes} bytes of {r.segment} was moved to {r.moved_to}"
        case records.Clock() as c:
            return f"the clock was moved by {c.step:g} s"
        case records.Seal() as s:
            return f"signed through record {s.through}: {s.signature_file}"
        case records.LeftOut() as x:
            return _join(f"left out: {', '.join(x.points)}", x.stage, x.why, f"by {x.by}")
        case _:
            return ""


def _measured(function: str, coupling: str | None, value: float | None, unit: str, state: str) -> str:
    return " ".join(p for p in (function, coupling, quantity(value, unit, state)) if p)


def _band(kept: records.Kept) -> str | None:
    band = kept.band
    if band is None or (band.low is None and band.high is None):
        return None
    if band.low is None:
        return f"at most {quantity(band.high, kept.unit)}"
    if band.high is None:
        return f"at least {quantity(band.low, kept.unit)}"
    return f"band {quantity(band.low, kept.unit)} to {quantity(band.high, kept.unit)}"
