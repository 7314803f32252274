"""From a journal to the file."""

from __future__ import annotations

from pathlib import Path

from meterlink.journal.reader import lines, segments
from meterlink.report.collect import Material, collect
from meterlink.report.page import page
from meterlink.wholefile import whole_file


def material(journal: Path, job: str) -> Material:
    """What the report of a job is made of. Raises BadInput (no such journal or job); JournalBroken."""
    return collect(lines(segments(journal)), job)


def write(found: Material, target: Path) -> None:
    """Write the page; an older file of that name is replaced only by a whole new one. Raises BadInput."""
    with whole_file(target) as file:
        file.writelines(piece.encode() for piece in page(found))
