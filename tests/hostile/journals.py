"""Journals that nobody's bench wrote, generated from the record types: a field that is new is filled by itself.

Lines are made and chained with the standard library alone: they hold what meterlink would never write.
"""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta, timezone
from hashlib import sha256
from pathlib import Path
from typing import Any, NamedTuple

from msgspec import inspect

from meterlink import records

Row = dict[str, Any]

# Escapes (ECMA-48), a title (OSC), C1, BEL, line ends of every kind, bidirectional (UAX #9), zero-width, tags, blanks;
# markup of rich and HTML; a formula. No slash and no NUL: it is also the name of a file, and an argument.
NAME = (
    "=1\x1b[2J\x1b]0;own\x07\x9b2J\r\n\x7f\t\u202e\u2066\u200b\u2028\ufeff\u00ad\U000e0041\u3164\ufe0f"
    "[bold red]x[end]<img src=x onerror=alert(1)>'\"&"
)


class Slot(NamedTuple):
    """One place in a record that a value stands in."""

    kind: str
    path: tuple[str | int, ...]
    sort: str  # text, shaped (a text of a pattern), word (one of a few), whole, number, truth

    def __str__(self) -> str:
        return f"{self.kind}.{'.'.join(map(str, self.path))}"


FIELDS: dict[str, tuple[inspect.Field, ...]] = {
    str(cls.__struct_config__.tag): inspect.type_info(cls).fields  # type: ignore[attr-defined]
    for cls in records.KINDS
}
SORTS = {
    inspect.StrType: "text",
    inspect.LiteralType: "word",
    inspect.IntType: "whole",
    inspect.FloatType: "number",
    inspect.BoolType: "truth",
}


def _real(kind: inspect.Type) -> inspect.Type:
    """The type where a field is not null."""
    if isinstance(kind, inspect.UnionType):
        (kind,) = (t for t in kind.types if not isinstance(t, inspect.NoneType))
    return kind


def _slots(kind: inspect.Type) -> Iterator[tuple[tuple[str | int, ...], str]]:
    kind = _real(kind)
    if isinstance(kind, inspect.StrType) and kind.pattern:
        yield (), "shaped"
    elif type(kind) in SORTS:
        yield (), SORTS[type(kind)]
    elif isinstance(kind, inspect.StructType):
        yield from (((f.encode_name, *path), sort) for f in kind.fields for path, sort in _slots(f.type))
    elif isinstance(kind, inspect.ListType):
        yield from (((0, *path), sort) for path, sort in _slots(kind.item_type))
    elif isinstance(kind, inspect.TupleType):
        yield from (((i, *path), sort) for i, t in enumerate(kind.item_types) for path, sort in _slots(t))
    else:
        raise AssertionError(f"{kind} is a type that no hostile journal knows of: say here what stands in it")


SLOTS = [
    Slot(kind, (f.encode_name, *path), sort)
    for kind, fields in FIELDS.items()
    for f in fields
    for path, sort in _slots(f.type)
]


def _value(kind: inspect.Type, text: str) -> Any:
    kind = _real(kind)
    if isinstance(kind, inspect.StructType):
        return {f.encode_name: _value(f.type, text) for f in kind.fields}
    if isinstance(kind, inspect.ListType):
        return [_value(kind.item_type, text)]
    if isinstance(kind, inspect.TupleType):
        return [_value(t, text) for t in kind.item_types]
    if isinstance(kind, inspect.LiteralType):
        return kind.values[0]
    if isinstance(kind, inspect.StrType) and kind.pattern:
        return "0" * 64 if re.search(kind.pattern, "0" * 64) else "x"
    return {"text": text, "whole": 1, "number": 1.0, "truth": True}[SORTS[type(kind)]]


def row(kind: str, text: str, **changed: Any) -> Row:
    """A record of this kind with something in every field, in its texts this one."""
    return {"kind": kind} | {f.encode_name: _value(f.type, text) for f in FIELDS[kind]} | changed


def rows(kind: str, text: str) -> Iterator[Row]:
    """One for each word that a field of this kind may have."""
    plain = row(kind, text)
    yield plain
    for slot in SLOTS:
        if slot.kind == kind and slot.sort == "word" and len(slot.path) == 1:
            (words,) = (_real(f.type).values for f in FIELDS[kind] if f.encode_name == slot.path[0])  # type: ignore[attr-defined]
            yield from ({**plain, slot.path[0]: word} for word in words[1:])


def put(record: Row, path: Sequence[str | int], value: Any) -> Row:
    """The record with another value there."""
    changed: Any = copy.deepcopy(record)
    part = changed
    for step in path[:-1]:
        part = part[step]
    part[path[-1]] = value
    return changed  # type: ignore[no-any-return]


def story(text: str = "x") -> list[Row]:
    """Every kind, in an order that makes sense, with this text for each name: a board is received, measured, withdrawn
    at last; another one of the same job stays."""
    hexed = {"raw": "00", "asked": "00"}
    nobody: Row = {"with": None, "restores": None, "undo": None, "moved": None}
    out = [row("start", text, format=1), row("instrument", text, driver="fs9721", event="found")]
    out += [row("job", text, event="opened", **nobody)]
    for board in (text, f"{text}2"):
        out += [row("board", text, board=board, event="received", **nobody)]
        out += [row("board", text, board=board, event="taken", state="on the bench", **nobody)]
        out += [row("context", text, board=board, **nobody), row("reading", text, board=board, **hexed)]
        out += [{**one, **nobody, "board": board} for one in rows("kept", text)]
        for kind in ("finding", "left_out", "supply"):
            out += [{**one, "board": board, "with": None, "restores": None} for one in rows(kind, text)]
        out += [row("board", text, board=board, event="changed", state="tested good", **nobody)]
    out += [{**one, **nobody} for kind in ("job", "instrument", "context", "gap") for one in rows(kind, text)]
    out += [row(kind, text) for kind in ("recovered", "clock", "seal", "stop")]
    out += [row("void", text, of=n, **{"with": None}) for n, r in enumerate(out, 1) if r["kind"] == "board" and n < 6]
    return out


def write(folder: Path, rows: Sequence[Row | bytes], name: str = "2026-11-25.jsonl", escaped: bool = False) -> Path:
    """A segment of these records, chained; a row may bring its own `at`, bytes are a body as they stand, and a text
    "as is: 1e999999" is a token that json would not write. `escaped` writes no character as itself."""
    prev, out = "0" * 64, []
    for seq, one in enumerate(rows, 1):
        at = (datetime(2026, 11, 25, 8, tzinfo=timezone.utc) + timedelta(seconds=seq)).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        if isinstance(one, bytes):
            line = b'{"prev":"%b","seq":%d,"at":"%b",%b' % (prev.encode(), seq, at.encode(), one)
        else:
            whole = {"prev": prev, "seq": seq, "at": at} | one
            text = json.dumps(whole, ensure_ascii=escaped, separators=(",", ":"))
            line = re.sub(r'"as is: ([^"]*)"', r"\1", text).encode("utf-8", "surrogatepass")
        prev = sha256(line).hexdigest()
        out.append(line + b"\n")
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name
    path.write_bytes(b"".join(out))
    return path
