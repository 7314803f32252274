"""From a journal to the file."""

from __future__ import annotations

from pathlib import Path

from meterlink.bench.sheet import of_job
from meterlink.journal.reader import whole
from meterlink.report.collect import Material, collect
from meterlink.report.page import page
from meterlink.wholefile import whole_file


def material(journal: Path, job: str, sheets: Path) -> Material:
    """What the report of a job is made of: its journal, and the copy of its sheet if that is at hand.

    Raises  BadInput (no such journal or job); JournalBroken.
    """
    found = collect(whole(journal), job)
    found.sheet = of_job(found.ledger, found.job, sheets)
    return found


def write(found: Material, target: Path, *, named: bool = False) -> None:
    """Write the page; an older file of that name is replaced only by a whole new one. `named` as whole_file has it.

    Raises  BadInput.
    """
    with whole_file(target, named=named) as file:
        file.writelines(piece.encode() for piece in page(found))
