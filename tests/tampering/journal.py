"""A journal to tamper with, and what of it is kept elsewhere.

It is three runs of a bench one after the other: the first is sealed, a head was printed after the second, the third has
no witness.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from meterlink import records
from meterlink.journal import seal as seals
from tests.journal_reader.chains import all_records
from tests.journal_reader.generate import small
from tests.signers import key

Row = dict[str, Any]
RUNS = ("sealed", "printed", "newest")  # what witnesses each of the three runs
REFERENCES = ("of", "with", "restores", "undo", "moved", "through")
SEGMENTS = ("2026-11-25.jsonl", "2026-11-25p002.jsonl")


class Witnesses(NamedTuple):
    """The journal as it was, and what is kept elsewhere."""

    folder: Path
    signers: Path
    key: Path
    stranger: Path
    head: str


class Journal:
    """A journal taken apart: rows with their old seq, in which run each stands, and the files beside."""

    def __init__(self, folder: Path) -> None:
        self.rows = all_records(folder)
        self.files = {p.name: p.read_bytes() for p in folder.iterdir() if p.suffix != ".jsonl"}
        self.lines: list[bytes] | None = None  # where it is spelt by hand
        first = sorted(folder.glob("*.jsonl"))[0]
        self.border = first.read_bytes().count(b"\n")  # rows in the first segment

    def run(self, name: str) -> list[Row]:
        """The rows of one run."""
        starts = [i for i, r in enumerate(self.rows) if r["kind"] == "start"] + [len(self.rows)]
        n = RUNS.index(name)
        return self.rows[starts[n] : starts[n + 1]]

    def one(self, run: str, kind: str, nth: int = 0, **fields: Any) -> Row:
        return [r for r in self.run(run) if r["kind"] == kind and all(r[k] == v for k, v in fields.items())][nth]

    def drop(self, row: Row) -> None:
        at = next(i for i, r in enumerate(self.rows) if r is row)
        self.border -= at < self.border
        del self.rows[at]

    def put(self, after: Row, row: Row) -> None:
        at = next(i for i, r in enumerate(self.rows) if r is after)
        self.border += at < self.border
        self.rows.insert(at + 1, {"prev": "", "seq": -1, "at": after["at"], **row})

    def spelt(self, *, anew: bool) -> list[bytes]:
        """The lines. A reference to a record that was taken out stays as it is."""
        numbers = {r["seq"]: i for i, r in enumerate(self.rows, 1) if r["seq"] > 0} if anew else {}
        prev, out = "0" * 64, []
        for i, row in enumerate(self.rows, 1):
            new = dict(row)
            if anew:
                new |= {k: numbers.get(new[k], new[k]) for k in REFERENCES if isinstance(new.get(k), int)}
                if "readings" in new:
                    new["readings"] = [numbers.get(n, n) for n in new["readings"]]
                new |= {"prev": prev, "seq": i}
            line = json.dumps(new, separators=(",", ":"), ensure_ascii=False).encode("utf-8", "surrogatepass")
            prev = sha256(line).hexdigest()
            out.append(line)
        return out

    def write(self, folder: Path, *, anew: bool) -> None:
        folder.mkdir()
        lines = self.spelt(anew=anew) if self.lines is None else self.lines
        for name, part in zip(SEGMENTS, (lines[: self.border], lines[self.border :]), strict=True):
            (folder / name).write_bytes(b"".join(line + b"\n" for line in part))
        for name, data in self.files.items():
            (folder / name).write_bytes(data)

    def unsealed(self) -> None:
        """Take the seals away: record and signature."""
        for row in [r for r in self.rows if r["kind"] == "seal"]:
            self.drop(row)
        self.files = {n: d for n, d in self.files.items() if not n.endswith(".sig")}


def made(root: Path) -> Witnesses:
    """The journal before anybody tampered with it."""
    folder = root / "journal"
    small(root / "one", boards=2)
    block = all_records(root / "one")
    extra: list[Row] = [
        supply("on", 1.0),
        {**supply("off", None), "seen": "set"},
        {"kind": "gap", "instrument": "dmm", "count": 3, "from": block[-1]["at"], "to": block[-1]["at"], "why": "full"},
        {"kind": "clock", "step": 2.5},
        {"kind": "left_out", "job": "GC-2611", "board": "GC-02", "points": ["J1"], "stage": "before", "why": "missing",
         "by": "technician", "restores": None, "with": None},
        {"kind": "recovered", "segment": SEGMENTS[0], "bytes": 4, "sha256": sha256(b"torn").hexdigest(),
         "moved_to": f"{SEGMENTS[0]}.torn-1"},
    ]  # fmt: skip
    kept = [r for r in block if r["kind"] == "kept" and r["board"] == "GC-01"][1]
    extra += [
        {"kind": "void", "of": kept["seq"], "why": "moved", "by": "technician", "with": None},
        {k: v for k, v in {**kept, "board": "GC-02", "moved": kept["seq"]}.items() if k not in ("prev", "seq", "at")},
    ]
    block[-1:-1] = [{"prev": "", "seq": -1, "at": block[-1]["at"], **one} for one in extra]
    whole = Journal(root / "one")
    whole.rows = []
    for n, _ in enumerate(RUNS):
        base, numbers = len(whole.rows), {r["seq"]: i for i, r in enumerate(block, 1) if r["seq"] > 0}
        for i, row in enumerate(block, 1):
            new = {
                **row,
                "seq": base + i,
                "at": f"2026-11-25T{8 + 4 * n + int(row['at'][11:13]) - 8:02}{row['at'][13:]}",
            }
            new |= {k: base + numbers[new[k]] for k in REFERENCES if isinstance(new.get(k), int)}
            if "readings" in new:
                new["readings"] = [base + numbers[m] for m in new["readings"]]
            whole.rows.append(new)
    whole.border = len(block)
    whole.files = {f"{SEGMENTS[0]}.torn-1": b"torn"}
    whole.write(root / "unsealed", anew=True)
    keys = [key(root, name) for name in ("owner", "stranger")]
    (root / "unsealed" / SEGMENTS[1]).rename(root / "later")  # the seal is made at the end of the first run
    seal = seals.make(root / "unsealed", keys[0][0])
    whole.files[seal.signature_file] = (root / "unsealed" / seal.signature_file).read_bytes()
    whole.rows.insert(len(block), {"prev": "", "seq": -1, "at": whole.rows[len(block) - 1]["at"]} | told(seal))
    whole.write(folder, anew=True)
    lines = [line for name in SEGMENTS for line in (folder / name).read_bytes().split(b"\n")[:-1]]
    printed = next(i for i, line in reversed(list(enumerate(lines))) if b'"kind":"start"' in line)
    return Witnesses(folder, keys[0][1], keys[0][0], keys[1][0], sha256(lines[printed - 1]).hexdigest())


def told(record: records.Record) -> Row:
    row: Row = msgspec.to_builtins(record)
    return row


def supply(event: str, voltage: float | None) -> Row:
    return {
        "kind": "supply", "instrument": "psu", "event": event, "voltage": voltage, "current_limit": 1.5, "why": None,
        "by": "technician", "job": "GC-2611", "board": "GC-02", "rail": "+3V3", "seen": None,
    }  # fmt: skip


class Form(NamedTuple):
    """One way to tamper, and by what it is found."""

    what: str
    found_by: str
    do: Callable[[Path, Witnesses], None]
