"""From a journal to the file."""

from __future__ import annotations

from pathlib import Path

from meterlink.journal.reader import lines, segments
from meterlink.report.collect import Material, collect
from meterlink.report.page import page
from meterlink.wholefile import whole_file


def write(journal: Path, job: str, target: Path) -> Material:
    """Write the report of a job; an older file of that name is replaced only by a whole new one.

    Gives   what the report was made of.
    Raises  BadInput (no such journal or job, or the file cannot be written); JournalBroken.
    """
    material = collect(lines(segments(journal)), job)
    with whole_file(target) as file:
        file.writelines(piece.encode() for piece in page(material))
    return material
