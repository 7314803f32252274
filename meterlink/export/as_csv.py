"""CSV: a header line, then one line per row, CRLF, UTF-8, no byte-order mark.

None is an empty field. Doubles are the shortest decimals that read back to the same double; true and false are
those words. Fields are what the journal says: one that begins with =, +, - or @ is not altered (docs/export.md). NUL
is no character of a text file: it becomes U+FFFD.
Source: RFC 4180, section 2.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence

from meterlink.export.table import Column, Row

LINES = 500  # that are handed over together


def lines(columns: Sequence[Column], rows: Iterable[Row]) -> Iterator[bytes]:
    """The file, in pieces."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(c.name for c in columns)
    flags = [i for i, c in enumerate(columns) if c.type == "boolean"]
    for count, row in enumerate(rows, 1):
        cells = [c.replace("\0", "\N{REPLACEMENT CHARACTER}") if isinstance(c, str) else c for c in row]
        for i in flags:
            cells[i] = "true" if cells[i] else "false"
        writer.writerow(cells)
        if count % LINES == 0:
            yield text.getvalue().encode()
            text.seek(0)
            text.truncate()
    yield text.getvalue().encode()
