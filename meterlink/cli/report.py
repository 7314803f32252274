"""The report of a job: one HTML file, made from the journal alone."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from meterlink.cli.output import Dir, echo, say
from meterlink.errors import BadInput
from meterlink.folders import bench_folder, make_private


def report(
    job: Annotated[str, typer.Argument(metavar="JOB", help="The job's mark.")],
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="FILE.html", help="Default: reports/JOB.html of the bench.")
    ] = None,
    dir_: Dir = None,
) -> None:
    """Write the report of a job as one HTML file that needs nothing else; print its name.

    Example: meterlink report GC-2611 -o GC-2611.html
    """
    from meterlink.report.text import file_name
    from meterlink.report.write import material, write

    folders = bench_folder(dir_)
    found = material(folders.journal, job, folders.sheets)
    target = output or folders.reports / f"{file_name(job)}.html"
    if output is None:
        try:
            make_private(folders.reports)
        except OSError as error:
            raise BadInput(f"{folders.reports} cannot be made ({error.strerror}): name a file with -o") from error
    write(found, target, named=output is not None)
    echo(target)
    boards = len(found.ledger.counted(job))
    say(f"{boards} {'board' if boards == 1 else 'boards'}, through record {found.last_seq}, head {found.head}")
