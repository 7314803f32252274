"""The records of a journal (format 1, a contract) as frozen Structs, and the one encoder.

A line is `prev`, `seq`, `at`, `kind`, then the fields of that kind; the head belongs to the writer, the
Structs here are the bodies. Records of one act of a person stand together: the first leads it, the others name its
seq in `with`. A reader passes over kinds and fields that it does not know, so fields may
be added and none may change its meaning. This is the one place where a Decimal becomes a double.
Source: docs/journal.md (the format); RFC 8259; RFC 3339.
"""

from __future__ import annotations

from datetime import datetime, timezone
from decimal import Decimal
from typing import Annotated, Any, Literal, Union

import msgspec

from meterlink.errors import JournalBroken
from meterlink.reading import Coupling, State
from meterlink.reading import Reading as Shown

FORMAT = 1
GENESIS = "0" * 64

Source = Literal["pedal", "key", "command", "sheet", "scanner"]
By = Literal["settled", "pedal", "key", "command"]
Stage = Literal["before", "after"]
Verdict = Literal["ok", "low", "high", "short", "open", "unsure"]
Seq = Annotated[int, msgspec.Meta(ge=1, le=2**63 - 1)]
Count = Annotated[int, msgspec.Meta(ge=0, le=2**63 - 1)]
Expect = Literal["band", "short", "open", "known-good"]


class Uncertainty(msgspec.Struct, frozen=True, kw_only=True):
    """Expanded uncertainty in the value's unit, its coverage factor, and whose figures it comes from."""

    expanded: float
    k: float
    from_: str = msgspec.field(name="from")


class Band(msgspec.Struct, frozen=True, kw_only=True):
    """What the value was held against; `short` and `open` are the limits used for those verdicts, if any."""

    low: float | None
    high: float | None
    expect: Expect
    from_: str = msgspec.field(name="from")
    n: Count | None = None
    short: float | None = None
    open: float | None = None


class Start(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", tag="start"):
    format: Count
    program: str
    version: str
    bench: str
    host: str
    config_sha256: str | None
    timezone: str


class Instrument(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", tag="instrument"):
    instrument: str
    event: Literal["found", "lost", "changed", "silent"]
    driver: str
    driver_version: str
    port: str
    identity: str | None = None
    accuracy: str | None = None
    why: str | None = None


class Context(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", tag="context"):
    job: str | None
    board: str | None
    point: str | None
    sheet: str | None
    source: Source
    stage: Stage | None = None
    powered: bool | None = None  # the technician confirmed that the board's power is on (true) or off again
    operator: str | None = None  # who is at the bench
    undo: Seq | None = None  # the act that began with this record was taken back
    with_: Seq | None = msgspec.field(name="with", default=None)


class Reading(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", tag="reading"):
    instrument: str
    t: float
    function: str
    coupling: Coupling | None
    value: float | None
    unit: str
    resolution: float | None
    state: State
    flags: list[str]
    display: str | None
    channel: str | None
    job: str | None
    board: str | None
    point: str | None
    raw: str
    asked: str | None = None


class Kept(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", tag="kept"):
    job: str | None
    board: str | None
    point: str | None
    instrument: str
    function: str
    coupling: Coupling | None
    value: float | None
    unit: str
    resolution: float | None
    state: State
    readings: tuple[Seq, Seq]
    n: Count
    spread: float | None
    uncertainty: Uncertainty | None
    band: Band | None
    verdict: Verdict | None
    by: By
    stage: Stage | None
    moved: Seq | None = None  # the withdrawn keep in whose place this one stands, on the same readings
    with_: Seq | None = msgspec.field(name="with", default=None)


class Void(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", tag="void"):
    of: Seq
    why: str
    by: str
    with_: Seq | None = msgspec.field(name="with", default=None)


class Job(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", tag="job"):
    job: str
    event: Literal["opened", "changed", "note", "closed"]
    by: str
    board: str | None = None
    state: str | None = None
    model: str | None = None
    customer: str | None = None
    expected: Count | None = None
    sheet: str | None = None
    sheet_sha256: str | None = None
    text: str | None = None
    counted: Count | None = None  # of a note: the count of boards that it explains
    restores: Seq | None = None  # the withdrawn record in whose place this one stands again
    with_: Seq | None = msgspec.field(name="with", default=None)


class Board(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", tag="board"):
    job: str
    board: str
    event: Literal["received", "taken", "changed", "closed"]
    by: str
    state: str | None = None
    model: str | None = None
    customer: str | None = None
    expected: Count | None = None
    text: str | None = None
    restores: Seq | None = None  # as of Job
    with_: Seq | None = msgspec.field(name="with", default=None)


class Finding(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", tag="finding"):
    job: str | None
    board: str | None
    what: Literal["found", "removed", "replaced", "reflowed", "cleaned", "ordered", "declined", "note"]
    part: str | None
    text: str | None
    by: str
    confirms: Literal["injection"] | None = None  # what may be done with this board from now on
    restores: Seq | None = None  # as of Job
    with_: Seq | None = msgspec.field(name="with", default=None)


class LeftOut(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", tag="left_out"):
    """Points of the sheet that this board is not measured at, on purpose, in this stage."""

    job: str
    board: str
    points: list[str]
    stage: Stage | None
    why: str | None
    by: str
    restores: Seq | None = None  # as of Job
    with_: Seq | None = msgspec.field(name="with", default=None)


class Supply(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", tag="supply"):
    instrument: str
    event: Literal["set", "on", "off", "limit", "tripped", "refused"]
    voltage: float | None
    current_limit: float | None
    why: str | None
    by: str
    job: str | None = None
    board: str | None = None
    rail: str | None = None
    seen: Literal["set", "person", "nobody"] | None = None  # event off: who saw that the output is off


class Gap(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", tag="gap"):
    instrument: str
    count: Count
    from_: str = msgspec.field(name="from")
    to: str
    why: str


class Recovered(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", tag="recovered"):
    segment: str
    bytes: Count
    sha256: str
    moved_to: str


class SetAsideFile(msgspec.Struct, frozen=True, kw_only=True):
    """A file of an older journal, as it was when the new one began."""

    name: str
    bytes: Count
    sha256: str


class SetAside(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", tag="set_aside"):
    """An older journal was set aside under this folder's name, beside the one that begins with this record."""

    folder: str
    files: list[SetAsideFile]


class Clock(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", tag="clock"):
    step: float


class Seal(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", tag="seal"):
    head: Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{64}$")]
    through: Seq
    signature_file: Annotated[str, msgspec.Meta(pattern=r"^[^/\x00-\x1f]+$", max_length=255)]


class Stop(msgspec.Struct, frozen=True, kw_only=True, tag_field="kind", tag="stop"):
    why: str


Record = Union[  # noqa: UP007 - msgspec reads it at run time on Python 3.10 either way; one per line reads best
    Start,
    Instrument,
    Context,
    Reading,
    Kept,
    Void,
    Job,
    Board,
    Finding,
    LeftOut,
    Supply,
    Gap,
    Recovered,
    SetAside,
    Clock,
    Seal,
    Stop,
]
KINDS: tuple[type[msgspec.Struct], ...] = Record.__args__  # type: ignore[attr-defined]


class Head(msgspec.Struct, frozen=True):
    """The fields before a record's own, in their order."""

    prev: str
    seq: int
    at: str
    kind: str


class Entry(msgspec.Struct, frozen=True):
    """A line read back: its head, and its record or None for a kind this version does not know."""

    prev: str
    seq: int
    at: str
    kind: str
    record: Any  # Record | None; msgspec cannot decode a union inside an untagged wrapper


_encoder = msgspec.json.Encoder()
_head = msgspec.json.Decoder(Head)
_bodies = {cls.__struct_config__.tag: msgspec.json.Decoder(cls) for cls in KINDS}


def encode(record: Record, prev: str, seq: int, at: str) -> bytes:
    """One line without its LF, held against what readers take: it reads back as the record that it was.

    Raises  ValueError for a record that would not: a field of another type than the format says, a word that it does
            not know, half of a surrogate pair, a NaN or an infinity (JSON has no word for them, msgspec writes null).
    """
    try:
        body = _encoder.encode(record)
        back = _bodies[type(record).__struct_config__.tag].decode(body)
    except (TypeError, ValueError, OverflowError, RecursionError) as error:
        raise ValueError(f"no {type(record).__name__} record: {error}") from error
    if back != record:
        raise ValueError(f"no {type(record).__name__} record: it would read back otherwise: {str(record)[:400]}")
    return b'{"prev":"%s","seq":%d,"at":"%s",%s' % (prev.encode(), seq, at.encode(), body[1:])


def decode(line: bytes) -> Entry:
    """The entry that a line (without its LF) holds.

    Raises  JournalBroken with the reason; the caller adds segment and line.
    """
    try:
        head = _head.decode(line)
        body = _bodies.get(head.kind)
        record = body.decode(line) if body else None
    except (
        ValueError,
        RecursionError,
    ) as error:  # both decode errors are ValueErrors
        raise JournalBroken(str(error)) from error
    return Entry(head.prev, head.seq, head.at, head.kind, record)


def timestamp(at: datetime) -> str:
    """RFC 3339, UTC, six decimals, ending in Z. Takes an aware datetime."""
    return at.astimezone(timezone.utc).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def moment(text: str) -> datetime:
    """The aware datetime that `timestamp` wrote. Raises ValueError for any other text."""
    return datetime.strptime(text, "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=timezone.utc)


def double(value: Decimal | None) -> float | None:
    """The double of a shown value; it is written as the shortest decimal that reads back to it."""
    return None if value is None else float(value)


def decimal(x: float | None) -> Decimal | None:
    """The number shown, back from its double."""
    return None if x is None else Decimal(repr(x))


def shown(record: Reading) -> Shown:
    """The reading that a record holds, decimal again: the shortest decimal of a double is the number shown.

    Digits at the end that are zero are not in the record (5.000 comes back as 5.0): compare by value.
    """
    return Shown(
        function=record.function,
        coupling=record.coupling,
        value=decimal(record.value),
        unit=record.unit,
        resolution=decimal(record.resolution),
        state=record.state,
        flags=tuple(record.flags),
        display=record.display,
        channel=record.channel,
        raw=bytes.fromhex(record.raw),
        asked=bytes.fromhex(record.asked) if record.asked else b"",
    )


def schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of one line, made from the types above; published as docs/journal.schema.json."""
    (_,), parts = msgspec.json.schema_components([Record], ref_template="#/$defs/{name}")
    head = {
        "prev": {"type": "string", "pattern": "^[0-9a-f]{64}$"},
        "seq": {"type": "integer", "minimum": 1},
        "at": {"type": "string", "format": "date-time", "pattern": r"\.[0-9]{6}Z$"},
        "kind": {"type": "string"},
    }
    kinds = {str(cls.__struct_config__.tag): cls.__name__ for cls in KINDS}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "meterlink journal, format 1: one line",
        "type": "object",
        "properties": head,
        "required": list(head),
        "allOf": [
            {
                "if": {"properties": {"kind": {"const": kind}}},
                "then": {"$ref": f"#/$defs/{name}"},
            }
            for kind, name in kinds.items()
        ],
        "$defs": parts,
    }
