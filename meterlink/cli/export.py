"""Exporting the journal to other tools, as `journal export csv|parquet`."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from meterlink.cli.output import Dir, raw, say
from meterlink.folders import bench_folder

if TYPE_CHECKING:
    from meterlink.export.table import Column, Row

app = typer.Typer(help="Tables for other tools: CSV, Parquet.", no_args_is_help=True)


class Rows(str, Enum):
    """What a row is."""

    kept = "kept"
    readings = "readings"


Which = Annotated[Rows, typer.Option("--rows", help="One row per kept reading, or per reading.")]
Board = Annotated[str | None, typer.Option(help="Only this board.")]
Job = Annotated[str | None, typer.Option(help="Only this job.")]
Since = Annotated[str | None, typer.Option(metavar="TIME", help="From this time on (RFC 3339, or a date).")]
Until = Annotated[str | None, typer.Option(metavar="TIME", help="Up to this time.")]


@app.command("csv")
def csv_(
    output: Annotated[Path | None, typer.Option("-o", "--output", metavar="FILE", help="Default: stdout.")] = None,
    rows: Which = Rows.kept,
    board: Board = None,
    job: Job = None,
    since: Since = None,
    until: Until = None,
    dir_: Dir = None,
) -> None:
    """Write kept readings, or readings, as CSV (RFC 4180); the columns are in docs/export.md.

    Example: meterlink journal export csv --job GC-2611 -o kept.csv
    """
    from meterlink.export.as_csv import lines
    from meterlink.wholefile import whole_file

    with _table(rows, board, job, since, until, dir_) as (heads, source):
        if output is None:
            raw(lines(heads, source))
        else:
            with whole_file(output, named=True) as file:
                file.writelines(lines(heads, source))


@app.command()
def parquet(
    output: Annotated[Path, typer.Option("-o", "--output", metavar="FILE", help="The file to write.")],
    rows: Which = Rows.kept,
    board: Board = None,
    job: Job = None,
    since: Since = None,
    until: Until = None,
    dir_: Dir = None,
) -> None:
    """Write kept readings, or readings, as a Parquet file; the columns are in docs/export.md.

    Example: meterlink journal export parquet --rows readings -o readings.parquet
    """
    from meterlink.export.as_parquet import write
    from meterlink.wholefile import whole_file

    with _table(rows, board, job, since, until, dir_) as (heads, source), whole_file(output, named=True) as file:
        count = write(file, heads, source)
    say(f"{os.fspath(output)}: {count} rows")


@contextmanager
def _table(
    rows: Rows, board: str | None, job: str | None, since: str | None, until: str | None, dir_: Path | None
) -> Iterator[tuple[tuple[Column, ...], Iterator[Row]]]:
    from meterlink.export.table import columns, rows_of
    from meterlink.journal.index import Index, Query
    from meterlink.journal.reader import instant

    query = Query(
        board=board, job=job, since=instant(since) if since else None, until=instant(until) if until else None
    )
    with Index(bench_folder(dir_).journal) as index:
        yield columns(rows.value), rows_of(index, rows.value, query)
