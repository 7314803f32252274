"""Replay: one board's story, told in order, from the journal alone.

Contacts are not recorded; what is: keeps with their verdicts, findings, stages, the board's states, the supply, and
what was withdrawn. Pure: the pauses between two steps are given, the caller waits them or not.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator

import msgspec

from meterlink import records
from meterlink.errors import BadInput, JournalBroken
from meterlink.journal.index import Index, Query
from meterlink.journal.wording import words


class Step(msgspec.Struct, frozen=True):
    """One step of a story.

    pause_s       seconds since the step before it, 0 where the clock went back
    line          the record as it stands in the journal
    withdrawn_by  the seq of the record that withdrew it
    """

    pause_s: float
    text: str
    line: bytes
    withdrawn_by: int | None


def story(index: Index, board: str, job: str | None = None) -> Iterator[Step]:
    """The steps of one board.

    Raises  BadInput when no record names this board (with the nearest marks), or boards of several jobs bear it.
    """
    jobs = index.jobs_of(board)
    if job is None and len(jobs) > 1:
        raise BadInput(f"boards of several jobs are marked {board!r}: name one with --job ({', '.join(jobs)})")
    if not jobs or (job is not None and job not in jobs):
        near = difflib.get_close_matches(str(job) if jobs else board, jobs or index.boards(), 3, 0.4)
        where = f" in job {job!r}" if jobs else ""
        raise BadInput(f"no record names a board {board!r}{where}" + (f"; near it: {', '.join(near)}" if near else ""))
    before: records.Context | None = None
    last = None
    for found in index.select(Query(board=board, job=job)):
        try:
            entry = records.decode(found.text)
            now = records.moment(entry.at)
        except (JournalBroken, ValueError) as error:
            raise JournalBroken(f"a record of {board!r}: {error}; run `meterlink journal verify`") from error
        pause = max(0.0, (now - last).total_seconds()) if last else 0.0
        last = now
        text = _told(entry, before)
        if isinstance(entry.record, records.Context):
            before = entry.record
        if found.withdrawn_by:
            text += f"  [withdrawn by record {found.withdrawn_by}]"
        yield Step(pause, text, found.text, found.withdrawn_by)


def _told(entry: records.Entry, before: records.Context | None) -> str:
    record = entry.record
    point = getattr(record, "point", None)
    match record:
        case records.Context():
            stage = f", {record.stage}" if record.stage and (before is None or before.stage != record.stage) else ""
            power = ""
            if record.powered is not None and (before is None or before.powered != record.powered):
                power = ", power on confirmed" if record.powered else ", power off confirmed"
            return f"at {point}{stage}{power}" if point else f"on the bench, at no point{stage}{power}"
        case records.Kept():
            stage = f" ({record.stage})" if record.stage else ""
            return f"kept {point or 'free'}{stage}: {words(record)}"
        case None:
            return f"{entry.kind} (a kind that this version does not know)"
        case _:
            pass
    return f"{entry.kind}: {words(record)}"
