"""What a row holds: the columns of both tables, and how a record becomes one.

One list for each table is the header of a CSV, the schema of a Parquet file and the table in docs/export.md.
Numbers are those of the record, in the base unit; `value`'s unit stands beside it in every row.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Literal

import msgspec

from meterlink import records
from meterlink.errors import JournalBroken
from meterlink.journal.index import Index, Query

Type = Literal["integer", "double", "text", "boolean", "time"]
Row = tuple[Any, ...]


class Column(msgspec.Struct, frozen=True):
    """One column: its name, its type, what it says, and where in a record it is found."""

    name: str
    type: Type
    says: str
    of: Callable[[Any], Any]


def _field(name: str, type_: Type, says: str) -> Column:
    def of(record: Any) -> Any:
        return getattr(record, name)

    return Column(name, type_, says, of)


def _part(name: str, type_: Type, says: str, whole: str, part: str) -> Column:
    def of(record: Any) -> Any:
        found = getattr(record, whole)
        return None if found is None else getattr(found, part)

    return Column(name, type_, says, of)


_WHERE = (
    _field("job", "text", "the job's mark"),
    _field("board", "text", "the board's mark"),
    _field("point", "text", "the test point; none when probing freely"),
    _field("instrument", "text", "the instrument's name on this bench"),
)
_MEASURED = (
    _field("function", "text", "voltage, current, resistance, continuity, diode, ..."),
    _field("coupling", "text", "dc, ac, acdc"),
    _field("value", "double", "what was shown, in `unit`; none where `state` is not ok"),
    _field("unit", "text", "UCUM"),
    _field("resolution", "double", "one count of the display, in `unit`"),
    _field("state", "text", "ok, over, under, blank"),
)

KEPT: tuple[Column, ...] = (
    *_WHERE,
    _field("stage", "text", "before, after"),
    *_MEASURED,
    Column("first_reading", "integer", "`seq` of the first reading that it stands on", lambda r: r.readings[0]),
    Column("last_reading", "integer", "`seq` of the last one", lambda r: r.readings[1]),
    _field("n", "integer", "how many readings"),
    _field("spread", "double", "largest minus smallest of them, in `unit`"),
    _part("uncertainty", "double", "expanded uncertainty, in `unit`", "uncertainty", "expanded"),
    _part("k", "double", "its coverage factor", "uncertainty", "k"),
    _part("uncertainty_from", "text", "whose figures it comes from", "uncertainty", "from_"),
    _part("band_low", "double", "lower end of the band, in `unit`", "band", "low"),
    _part("band_high", "double", "upper end", "band", "high"),
    _part("band_short", "double", "limit for a short, in `unit`", "band", "short"),
    _part("band_open", "double", "limit for open, in `unit`", "band", "open"),
    _part("expect", "text", "band, short, open, known-good", "band", "expect"),
    _part("band_from", "text", "where the band comes from", "band", "from_"),
    _part("band_n", "integer", "boards that a known-good band was learned from", "band", "n"),
    _field("verdict", "text", "ok, low, high, short, open, unsure"),
    _field("by", "text", "settled, pedal, key, command"),
)

READINGS: tuple[Column, ...] = (
    *_WHERE,
    _field("channel", "text", "channel of a supply"),
    _field("t", "double", "monotonic seconds of the arrival; comparable within one run of the service"),
    *_MEASURED,
    Column("flags", "text", "what else the display shows, with spaces between", lambda r: " ".join(r.flags)),
    _field("display", "text", "the value as the instrument writes it"),
    _field("raw", "text", "the frame's bytes, hex"),
)

_HEAD: tuple[Column, ...] = (
    Column("seq", "integer", "number of the record in the journal", lambda e: e.seq),
    Column("at", "time", "when, UTC", lambda e: e.at),
)
WITHDRAWN: tuple[Column, ...] = (
    Column("withdrawn", "boolean", "true: a later record takes it back; count it for nothing", bool),
    Column("withdrawn_by", "integer", "`seq` of that record", lambda seq: seq),
)

Rows = Literal["kept", "readings"]
BODIES: dict[Rows, tuple[Column, ...]] = {"kept": KEPT, "readings": READINGS}
KINDS: dict[Rows, str] = {"kept": "kept", "readings": "reading"}


def columns(rows: Rows) -> tuple[Column, ...]:
    """The columns of a table, in their order."""
    return (*_HEAD, *BODIES[rows], *WITHDRAWN)


def rows_of(index: Index, rows: Rows, query: Query) -> Iterator[Row]:
    """The rows of a table in the order of `seq`; `at` as the record spells it. Needs no memory to speak of.

    Takes   an index of the journal, which says what is withdrawn; a query without `kind`.
    Raises  JournalBroken for a line that is no such record.
    """
    body = BODIES[rows]
    for found in index.select(msgspec.structs.replace(query, kind=KINDS[rows])):
        try:
            entry = records.decode(found.text)
        except JournalBroken as error:
            raise JournalBroken(f"a {KINDS[rows]} record: {error}; run `meterlink journal verify`") from error
        yield (
            *(c.of(entry) for c in _HEAD),
            *(c.of(entry.record) for c in body),
            *(c.of(found.withdrawn_by) for c in WITHDRAWN),
        )
