"""What the writer writes, every reader reads: made from the record types, so that a new field is tried by itself."""

from __future__ import annotations

import types
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

import msgspec
import pytest

from meterlink import records
from meterlink.errors import BadInput
from meterlink.journal.reader import entries
from meterlink.journal.writer import Writer
from tests.program import meterlink

from .oracle import NOON, note

Kind = type[msgspec.Struct]


def plain(hint: Any) -> Any:
    """A value that a field of this type may have."""
    origin, args = get_origin(hint), get_args(hint)
    if origin is Annotated:
        pattern = next((m.pattern for m in args[1:] if getattr(m, "pattern", None)), "")
        return "0" * 64 if "64" in pattern else plain(args[0])
    if origin in (Union, types.UnionType):
        return plain(args[0])
    if origin is Literal:
        return args[0]
    if origin is list:
        return [plain(args[0])]
    if origin is tuple:
        return tuple(plain(a) for a in args)
    if isinstance(hint, type) and issubclass(hint, msgspec.Struct):
        return whole(hint)
    return {int: 1, float: 1.5, str: "x", bool: True, type(None): None}[hint]


def whole(kind: Kind) -> Any:
    return kind(**{name: plain(hint) for name, hint in get_type_hints(kind, include_extras=True).items()})


def strange(hint: Any) -> Iterator[Any]:
    """What no field of this type may hold."""
    yield from (object(), {"a": 1}, [[[]]], b"x", "\ud800", float("nan"), float("-inf"), complex(1))
    origin, args = get_origin(hint), get_args(hint)
    base = args[0] if origin is Annotated else hint
    options = get_args(base) if get_origin(base) in (Union, types.UnionType) else (base,)
    if int in map(bare, options):
        yield from (-5, 1.5)
    if not any(o is type(None) for o in options):
        yield None
    if str not in map(bare, options):
        yield "evil"
    if float not in options:
        yield 2**64
    if not {int, float} & set(map(bare, options)):
        yield 7
    if any(get_origin(o) is Literal for o in options):
        yield from ("evil", "")
    if origin is Annotated and base is str:
        yield from ("", "../../etc/passwd", "a/b", "x" * 5000, "a\nb")


def bare(hint: Any) -> Any:
    return get_args(hint)[0] if get_origin(hint) is Annotated else hint


FIELDS = [(k, name, hint) for k in records.KINDS for name, hint in get_type_hints(k, include_extras=True).items()]


@pytest.fixture(scope="module")
def writer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Writer]:
    writer = Writer(tmp_path_factory.mktemp("border") / "journal")
    yield writer
    writer.close()


@pytest.mark.parametrize(("kind", "name", "hint"), FIELDS, ids=lambda x: getattr(x, "__name__", str(x))[:20])
def test_what_a_field_cannot_hold_is_refused_and_nothing_is_appended(
    writer: Writer, kind: Kind, name: str, hint: Any
) -> None:
    good = whole(kind)
    for value in strange(hint):
        before = writer.next_seq, writer.head
        with pytest.raises(BadInput):
            writer.append(msgspec.structs.replace(good, **{name: value}), NOON)
        with pytest.raises(BadInput):
            writer.append_all((note("first"), msgspec.structs.replace(good, **{name: value})), NOON)
        assert (writer.next_seq, writer.head) == before


def test_whatever_is_written_is_read_by_every_reader(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "journal")
    kinds = [k for k in records.KINDS if k is not records.Seal]  # a seal needs its signature to be right
    for kind in kinds:
        writer.append(whole(kind), NOON)
    writer.close()
    assert [type(e.record) for e in entries(tmp_path / "journal")] == kinds
    said = meterlink("journal", "verify", "--chain-only", "--dir", str(tmp_path))
    assert said.returncode == 0
    said = meterlink("journal", "show", "--dir", str(tmp_path))
    assert said.returncode == 0
    said = meterlink("journal", "verify", "--json", "--dir", str(tmp_path))
    assert not [f for f in msgspec.json.decode(said.stdout)["faults"] if "is no record" in f["reason"]]
