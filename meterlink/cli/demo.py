"""`meterlink demo`: the whole job on virtual instruments, for somebody who has just installed it."""

from __future__ import annotations

import signal
import tempfile
import time
from pathlib import Path
from typing import Annotated

import typer

from meterlink.cli import boards, journal
from meterlink.cli.output import echo, say
from meterlink.errors import CheckFailed
from meterlink.folders import bench_folder

RATE_HZ = 20.0  # readings a second; the chip whose frames they are sends 4, and the demo would take minutes
QUICK_HZ = 40.0


def demo(
    dir_: Annotated[Path | None, typer.Option("--dir", help="Keep everything in this folder.")] = None,
    quick: Annotated[bool, typer.Option("--quick", help="Faster instruments; nothing waits for show.")] = False,
    keep: Annotated[
        bool, typer.Option("--keep", help="Leave the bench running at the end, to try commands; Ctrl-C ends it.")
    ] = False,
) -> None:
    """The whole job on virtual instruments: a real service, real pseudo-terminals, a scripted technician, a journal.

    Example: meterlink demo --quick --dir demo-bench
    """
    from meterlink.demo.play import play, stay
    from meterlink.demo.world import JOB
    from meterlink.report.text import file_name
    from meterlink.report.write import material, write

    for number in (signal.SIGTERM, signal.SIGHUP):  # ended from outside, it still ends the service that it started
        signal.signal(number, signal.default_int_handler)
    root = dir_ or Path(tempfile.mkdtemp(prefix="meterlink-demo-"))
    folders = bench_folder(root)
    began = time.monotonic()
    try:
        play(folders, QUICK_HZ if quick else RATE_HZ, echo, stay if keep else None)
    except TimeoutError as error:
        raise CheckFailed(f"the demo stopped: {error}; its journal is in {folders.journal}") from error
    echo()
    boards.job_show(JOB, dir_=root)
    journal.verify(dir_=root)
    page = folders.reports / f"{file_name(JOB)}.html"
    page.parent.mkdir(parents=True, exist_ok=True)
    write(material(folders.journal, JOB, folders.sheets), page)
    echo(f"the report: {page}")
    echo(f"the journal: {folders.journal}")
    say(f"it took {time.monotonic() - began:.1f} s; look closer: meterlink board show GC-04 --dir {root}")
