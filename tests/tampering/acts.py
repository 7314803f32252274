"""What is done to records: so that all of them still agree, and so that they do not."""

from __future__ import annotations

import json
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import msgspec

from meterlink import records, registry
from tests.tampering.journal import SEGMENTS, Journal, Row

Act = Callable[[Journal, str], None]


def reading_of(keep: Row, journal: Journal) -> list[Row]:
    first, last = keep["readings"]
    return [r for r in journal.rows if r["kind"] == "reading" and first <= r["seq"] <= last]


def short_made_ok(j: Journal, run: str) -> None:
    """Raw bytes, display, value, keep and verdict: the shorted rail becomes a good one, all of it in agreement."""
    keep = j.one(run, "kept", verdict="short")
    build = registry.find("fs9721").build
    window = reading_of(keep, j)
    for row in window:
        shown = records.shown(msgspec.json.decode(json.dumps(row).encode(), type=records.Reading))
        value = Decimal("811") if row is not window[0] else Decimal("810")
        good = msgspec.structs.replace(shown, value=value, resolution=Decimal("1"), display=None, raw=b"")
        frame = build(good)
        assert frame is not None
        (again,) = registry.find("fs9721").decode(frame)
        row |= {"raw": frame.hex(), "value": float(again.value or 0), "display": again.display}
        row |= {"resolution": float(again.resolution or 0), "unit": again.unit, "flags": list(again.flags)}
    values = sorted(Decimal(repr(r["value"])) for r in window)
    middle = (values[(len(values) - 1) // 2] + values[len(values) // 2]) / 2
    keep |= {"value": float(middle), "spread": float(values[-1] - values[0]), "resolution": window[-1]["resolution"]}
    keep |= {"verdict": "ok", "uncertainty": None}


def changes(kind: str, nth: int = 0, of: dict[str, Any] | None = None, **fields: Any) -> Act:
    def change(j: Journal, run: str) -> None:
        row = j.one(run, kind, nth, **(of or {}))
        assert any(row[k] != v for k, v in fields.items())
        row |= fields

    return change


def everywhere(field: str, old: str, new: str) -> Act:
    def change(j: Journal, run: str) -> None:
        for row in j.run(run):
            if row.get(field) == old:
                row[field] = new

    return change


def removes(kind: str, nth: int = 0, **fields: Any) -> Act:
    return lambda j, run: j.drop(j.one(run, kind, nth, **fields))


def adds(after: str, row: Callable[[Journal, str], Row]) -> Act:
    return lambda j, run: j.put(j.one(run, after), row(j, run))


def free(j: Journal, run: str) -> Row:
    """A reading that no keep stands on."""
    used = {n for k in j.rows if k["kind"] == "kept" for n in range(k["readings"][0], k["readings"][1] + 1)}
    return next(r for r in j.run(run) if r["kind"] == "reading" and r["seq"] not in used)


def band_and_verdict(j: Journal, run: str) -> None:
    keep = j.one(run, "kept", verdict="short")
    keep["band"] = {**keep["band"], "low": 0.5, "short": 0.1}
    keep["verdict"] = "ok"


def hour_later(j: Journal, run: str) -> None:
    for row in j.run(run):
        row["at"] = row["at"].replace(row["at"][11:14], f"{int(row['at'][11:13]) + 1:02}:")


def board_taken_out(j: Journal, run: str) -> None:
    gone = [r for r in j.run(run) if r.get("board") == "GC-02"]
    seqs = {r["seq"] for r in gone}
    for row in [*gone, *(r for r in j.run(run) if r.get("of") in seqs)]:
        j.drop(row)


def doubled(j: Journal, run: str) -> None:
    row = free(j, run)
    j.put(row, {k: v for k, v in row.items() if k not in ("prev", "seq", "at")})


def swapped(j: Journal, run: str) -> None:
    a, b = (r for r in j.run(run) if r["kind"] == "finding")
    for name in ("what", "part", "text"):
        a[name], b[name] = b[name], a[name]


def another_window(j: Journal, run: str) -> None:
    keep = j.one(run, "kept")
    keep["readings"] = [n + 8 for n in keep["readings"]]


def moved(j: Journal, run: str) -> Row:
    return next(r for r in j.run(run) if r["kind"] == "kept" and r["moved"])


def twice(j: Journal, run: str) -> None:
    keep = j.one(run, "kept", by="settled")
    j.put(keep, {k: v for k, v in {**keep, "point": "J9"}.items() if k not in ("prev", "seq", "at")})


def brought_back(j: Journal, run: str) -> None:
    """The one that a void withdraws stands again."""
    void = j.one(run, "void", 0)
    of = next(r for r in j.run(run) if r["seq"] == void["of"])
    j.put(void, {k: v for k, v in {**of, "moved": void["of"]}.items() if k not in ("prev", "seq", "at")})


def nobodys_driver(j: Journal, run: str) -> None:
    for row in j.run(run):
        if row["kind"] == "instrument":
            row["driver"] = "goodmeter"
    free(j, run).update(value=1.0, state="ok", raw="00")


def older_window(j: Journal, run: str) -> None:
    """The second keep says what the first one's readings show, at its own point; all else is in agreement."""
    first, second = j.one(run, "kept", 0, board="GC-01"), j.one(run, "kept", 2, board="GC-01")
    second |= {
        k: first[k] for k in ("value", "readings", "n", "spread", "resolution", "uncertainty", "band", "verdict")
    }


def ends_exchanged(keep: Row) -> None:
    """And the verdict that the rule gives then."""
    low, high = keep["band"]["high"], keep["band"]["low"]
    keep["band"] |= {"low": low, "high": high}
    keep["verdict"] = "low"


def said_to_be_moved(j: Journal, run: str) -> None:
    j.one(run, "kept").update(board="GC-02", moved=10**9)


def two_exchanged(j: Journal, run: str) -> None:
    """Of two boards, each said to have been moved in the other's place."""
    a, b = (j.one(run, "kept", board=mark, point="+3V3") for mark in ("GC-01", "GC-02"))
    a.update(board="GC-02", moved=b["seq"])
    b.update(board="GC-01", moved=a["seq"])


IN_AGREEMENT: dict[str, Act] = {
    "a SHORT made ok: raw bytes, display, value, keep and verdict": short_made_ok,
    "a keep's band widened, its verdict made to fit": band_and_verdict,
    "a keep's uncertainty taken away": changes("kept", uncertainty=None),
    "a keep taken out": removes("kept"),
    "a keep put in that brings a withdrawn one back": brought_back,
    "a keep withdrawn by a void that is put in": adds(
        "finding",
        lambda j, run: {"kind": "void", "of": j.one(run, "kept")["seq"], "why": "slip", "by": "x", "with": None},
    ),
    "a void taken out: what was withdrawn stands again": removes("void"),
    "a void made to withdraw another keep": lambda j, run: j.one(run, "void").update(of=j.one(run, "kept")["seq"]),
    "a void's reason changed": changes("void", why="no reason"),
    "a reading taken out on which no keep stands": lambda j, run: j.drop(free(j, run)),
    "a reading put in twice": doubled,
    "a whole board taken out": board_taken_out,
    "a board's mark changed everywhere": everywhere("board", "GC-02", "GC-77"),
    "a job's name changed everywhere": everywhere("job", "GC-2611", "GC-1"),
    "a point's name changed everywhere": everywhere("point", "+3V3", "+1V8"),
    "who did it changed everywhere": everywhere("by", "technician", "somebody else"),
    "an instrument's name changed everywhere": everywhere("instrument", "dmm", "dmm2"),
    "every time an hour later": hour_later,
    "the text of a finding": changes("finding", text="all well"),
    "the part of a finding": changes("finding", part="C1"),
    "a finding taken out": removes("finding"),
    "a finding put in": adds(
        "finding",
        lambda j, run: {"kind": "finding", "job": "GC-2611", "board": "GC-01", "what": "found", "part": "C9",
                        "text": None, "by": "x", "confirms": None, "restores": None, "with": None},
    ),
    "two findings exchanged": swapped,
    "a board's state": changes("board", of={"event": "changed"}, state="tested good"),
    "the customer of a job": changes("job", customer="nobody"),
    "the count of boards that was said": changes("job", expected=2),
    "the volts of an injection": changes("supply", voltage=0.5),
    "who saw the supply off": changes("supply", of={"event": "off"}, seen="nobody"),
    "a supply's record taken out": removes("supply"),
    "a gap made smaller": changes("gap", count=1),
    "a gap taken out": removes("gap"),
    "a gap put in": adds("finding", lambda j, run: {**j.one(run, "gap"), "count": 9}),
    "a step of the clock taken out": removes("clock"),
    "a torn end's record taken out": removes("recovered"),
    "points that were left out taken out": removes("left_out"),
    "the reason why points were left out": changes("left_out", why="forgotten"),
    "a board's stage": changes("context", stage="after"),
    "a board's power": changes("context", powered=True),
    "a settled keep's point alone": changes("kept", of={"by": "settled"}, point="J9"),
    "a settled keep's stage alone": changes("kept", of={"by": "settled"}, stage="after"),
    "by what a value was kept by hand": changes("kept", of={"by": "pedal"}, by="key"),
    "the board of a keep that was moved": lambda j, run: moved(j, run).update(board="GC-01"),
    "an instrument's driver, to one that nobody knows, and a reading's value": nobodys_driver,
    "the version of an instrument's driver": changes("instrument", driver_version="99"),
    "an end in order put in": adds("finding", lambda j, run: {"kind": "stop", "why": "SIGTERM"}),
    "the bench's name at the start": changes("start", bench="another"),
    "the program's version at the start": changes("start", version="9"),
    "the instrument's port": changes("instrument", port="/dev/ttyS0"),
    "where its accuracy figures come from": changes("instrument", accuracy="calibrated"),
    "a record of a kind that nobody knows put in": adds("finding", lambda j, run: {"kind": "weather", "sky": "grey"}),
}  # fmt: skip

AT_ODDS: dict[str, Act] = {
    "a reading's value alone": lambda j, run: free(j, run).update(value=1.0, state="ok"),
    "a reading's raw bytes alone": lambda j, run: reading_of(j.one(run, "kept"), j)[0].update(
        raw="17203547" + reading_of(j.one(run, "kept"), j)[0]["raw"][8:]
    ),
    "a reading's display alone": lambda j, run: reading_of(j.one(run, "kept"), j)[0].update(display="1.000 Ohm"),
    "a reading's unit alone": lambda j, run: reading_of(j.one(run, "kept"), j)[0].update(unit="V"),
    "a reading's state alone": lambda j, run: free(j, run).update(state="under"),
    "a reading's resolution alone": lambda j, run: reading_of(j.one(run, "kept"), j)[0].update(resolution=0.001),
    "a reading's function alone": lambda j, run: free(j, run).update(function="diode"),
    "a reading's flags alone": lambda j, run: free(j, run).update(flags=["hold"]),
    "a reading's coupling alone": lambda j, run: free(j, run).update(coupling="ac"),
    "a reading's channel alone": lambda j, run: free(j, run).update(channel="2"),
    "a reading's board alone": lambda j, run: free(j, run).update(board="GC-77"),
    "a reading's job alone": lambda j, run: free(j, run).update(job="GC-1"),
    "a reading's point alone": lambda j, run: free(j, run).update(point="J9"),
    "a context taken out": removes("context"),
    "a keep's value alone": changes("kept", value=20000.0),
    "a keep's verdict alone": changes("kept", of={"verdict": "short"}, verdict="ok"),
    "a keep's band alone": changes("kept", band={"low": 1e6, "high": 2e6, "expect": "band", "from": "sheet"}),
    "a keep's count of readings alone": changes("kept", n=7),
    "a keep's spread alone": changes("kept", spread=123.0),
    "a keep's unit alone": changes("kept", unit="V"),
    "a keep's state alone": changes("kept", state="over"),
    "a keep's resolution alone": changes("kept", resolution=0.001),
    "a keep's instrument alone": changes("kept", instrument="psu"),
    "a keep's board alone": changes("kept", board="GC-02"),
    "a keep's board alone, kept by hand": changes("kept", of={"by": "pedal"}, board="GC-01"),
    "a keep's point alone, kept by hand": changes("kept", of={"by": "pedal"}, point="VIN"),
    "a keep's stage alone, kept by hand": changes("kept", of={"by": "pedal"}, stage="before"),
    "a keep's spread alone, kept by hand": changes("kept", of={"by": "pedal"}, spread=5.0),
    "a settled keep said to be kept by hand": changes("kept", of={"by": "settled"}, by="pedal"),
    "a keep's board, and that it was moved": said_to_be_moved,
    "the keeps of two boards exchanged, and that they were moved": two_exchanged,
    "the value of a keep that was moved": lambda j, run: moved(j, run).update(value=20000.0),
    "the uncertainty of a keep that was moved": lambda j, run: moved(j, run).update(uncertainty=None),
    "the readings of a keep that was moved": lambda j, run: moved(j, run).update(readings=[1, 2]),
    "a moved keep that names another": lambda j, run: moved(j, run).update(moved=j.one(run, "kept")["seq"]),
    "the void taken out from before a keep that was moved": lambda j, run: j.drop(
        j.one(run, "void", of=moved(j, run)["moved"])
    ),
    "a band with its ends exchanged": lambda j, run: ends_exchanged(j.one(run, "kept")),
    "an uncertainty below zero": lambda j, run: j.one(run, "kept")["uncertainty"].update(expanded=-1.0),
    "a settled keep put in twice, once at another point": twice,
    "a keep led to other readings": another_window,
    "a keep led to the readings of another point, its value and verdict made to fit": older_window,
    "a reading taken out from under a keep": lambda j, run: j.drop(reading_of(j.one(run, "kept"), j)[1]),
    "a void of what comes after it": lambda j, run: j.one(run, "void").update(of=10**9),
    "a value that is text": lambda j, run: free(j, run).update(value="1"),
    "a word that the format has not": lambda j, run: free(j, run).update(state="evil"),
    "a field taken away": lambda j, run: free(j, run).pop("unit"),
    "a time that is none": lambda j, run: free(j, run).update(at="2026-02-30T08:00:00.000000Z"),
    "a time without its zone": lambda j, run: free(j, run).update(at="2026-11-25T08:00:00.000000"),
    "an instrument's driver": changes("instrument", driver="es51922"),
    "a seal through a record below zero": lambda j, run: j.put(
        j.one(run, "stop"), {"kind": "seal", "head": "0" * 64, "through": -5, "signature_file": "x.sig"}
    ),
    "a seal that names a file elsewhere": lambda j, run: j.put(
        j.one(run, "stop"), {"kind": "seal", "head": "0" * 64, "through": 1, "signature_file": "../../x.through-1.sig"}
    ),
    "a seal of another head": lambda j, run: j.put(
        j.one(run, "stop"),
        {"kind": "seal", "head": "0" * 64, "through": 1, "signature_file": f"{SEGMENTS[0]}.through-1.sig"},
    ),
}
