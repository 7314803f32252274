"""The report of a job: one HTML file, made from the journal alone."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from meterlink.cli.output import Dir, say
from meterlink.errors import BadInput
from meterlink.folders import bench_folder


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
    from meterlink.report.write import write

    folders = bench_folder(dir_)
    target = output or folders.reports / f"{file_name(job)}.html"
    if output is None and folders.journal.is_dir():
        try:
            folders.reports.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise BadInput(f"{folders.reports} cannot be made ({error.strerror}): name a file with -o") from error
    material = write(folders.journal, job, target)
    typer.echo(str(target))
    say(f"{len(material.ledger.counted(job))} boards, through record {material.last_seq}, head {material.head}")
