"""The other benches of the shop, by their journals: read only, so that one board is not taken on two benches."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from meterlink import records
from meterlink.errors import MeterlinkError
from meterlink.journal.index import Index, Query, entries_of


def on_another_bench(journals: Sequence[Path], job: str, board: str) -> str | None:
    """A word on the bench where this board is on the bench now, or None. A journal that cannot be read counts for
    nothing: a neighbour that is switched off must not stop this bench."""
    for folder in journals:
        try:
            with Index(folder) as index:
                found = [
                    e for e, gone in entries_of(index.select(Query(job=job, board=board, kind="board"))) if not gone
                ]
                starts = [e.record.bench for e, _ in entries_of(index.select(Query(kind="start")))]
        except (MeterlinkError, OSError):
            continue
        states = [e for e in found if isinstance(e.record, records.Board) and e.record.state]
        if states and states[-1].record.state == "on the bench":
            return f"board {board} is on {starts[-1] if starts else folder} since {states[-1].at[:19]}Z"
    return None
