"""Parquet, by pyarrow (the extra `parquet`): typed columns, written a row group at a time.

Source: parquet.apache.org (format, logical types); pyarrow.parquet.ParquetWriter.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from itertools import islice
from typing import Any, BinaryIO

from meterlink import __version__
from meterlink.errors import BadInput, JournalBroken
from meterlink.export.table import Column, Row

VERIFY = "run `meterlink journal verify`"
GROUP = 16_384  # rows in memory at a time


def write(file: BinaryIO, columns: Sequence[Column], rows: Iterable[Row]) -> int:
    """Write the whole file. Gives the number of rows.

    Raises  BadInput without pyarrow; JournalBroken for a time that is none, a whole number beyond 64 bits.
    """
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as error:
        raise BadInput("Parquet needs pyarrow: pip install meterlink[parquet]") from error
    types: dict[str, Any] = {
        "integer": pyarrow.int64(),
        "double": pyarrow.float64(),
        "text": pyarrow.string(),
        "boolean": pyarrow.bool_(),
        "time": pyarrow.timestamp("us", "UTC"),
    }
    schema = pyarrow.schema(
        [pyarrow.field(c.name, types[c.type], metadata={"says": c.says}) for c in columns],
        metadata={"program": f"meterlink {__version__}"},
    )
    times = [i for i, c in enumerate(columns) if c.type == "time"]
    written = 0
    source = iter(rows)
    with pyarrow.parquet.ParquetWriter(file, schema) as writer:
        while batch := list(islice(source, GROUP)):
            table: list[Any] = list(zip(*batch, strict=True))
            for i in times:
                table[i] = [_instant(at) for at in table[i]]
            try:
                arrays = [pyarrow.array(cells, f.type) for cells, f in zip(table, schema, strict=True)]
            except (OverflowError, UnicodeError) as error:
                raise JournalBroken(f"a record holds what no column can ({error}): {VERIFY}") from error
            writer.write_table(pyarrow.Table.from_arrays(arrays, schema=schema), row_group_size=GROUP)
            written += len(batch)
    return written


def _instant(at: str) -> datetime:
    try:
        return datetime.fromisoformat(at.replace("Z", "+00:00"))
    except ValueError as error:
        raise JournalBroken(f"{at!r} is no time: {VERIFY}") from error
