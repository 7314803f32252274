"""CSV: a header line, then one line per row, CRLF, UTF-8, no byte-order mark.

None is an empty field. Doubles are the shortest decimals that read back to the same double; true and false are
those words. A table of a stranger's journal is opened in a spreadsheet and printed on terminals: in texts what is
hidden is spelled out (meterlink/visible.py), and one that a spreadsheet could take for a formula has an apostrophe
before it. Parquet has every text exactly.
Source: RFC 4180, section 2; OWASP, "CSV Injection" (which first characters, and the apostrophe; from memory).
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence

from meterlink.export.table import Column, Row
from meterlink.visible import visible

LINES = 500  # that are handed over together
# What may begin a formula, full-width forms too; and the apostrophe, so that taking the first one away gives the text.
MARKED = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20", "'")
RAIL = re.compile(r"[+-][0-9]+(\.[0-9]+)?V[0-9]*")  # +3V3, -12V: the usual names of rails are no formulas


def lines(columns: Sequence[Column], rows: Iterable[Row]) -> Iterator[bytes]:
    """The file, in pieces."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(c.name for c in columns)
    flags = [i for i, c in enumerate(columns) if c.type == "boolean"]
    for count, row in enumerate(rows, 1):
        cells = [_text(c) if isinstance(c, str) else c for c in row]
        for i in flags:
            cells[i] = "true" if cells[i] else "false"
        writer.writerow(cells)
        if count % LINES == 0:
            yield text.getvalue().encode()
            text.seek(0)
            text.truncate()
    yield text.getvalue().encode()


def _text(text: str) -> str:
    shown = visible(text)
    return f"'{shown}" if shown.startswith(MARKED) and not RAIL.fullmatch(shown) else shown
