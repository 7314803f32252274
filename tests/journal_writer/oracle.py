"""A second implementation of what the format promises, and a caller that behaves like the service.

Nothing here uses meterlink's own walk: json and hashlib from the standard library.
"""

from __future__ import annotations

import hashlib
import json
import re
from datetime import datetime, timedelta, timezone
from pathlib import Path

from meterlink import records
from meterlink.errors import JournalFailed
from meterlink.journal import synced
from meterlink.journal.disk import Disk
from meterlink.journal.writer import Writer

from .disks import Forgetful

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=timezone.utc)
EVENING = datetime(2026, 11, 25, 23, 59, 59, 999_999, tzinfo=timezone.utc)
MIDNIGHT = EVENING + timedelta(microseconds=1)


def note(text: str) -> records.Finding:
    return records.Finding(job="GC-2611", board="GC-03", what="note", part=None, text=text, by="command")


def reading(raw: str, instrument: str = "dmm") -> records.Reading:
    return records.Reading(
        instrument=instrument,
        t=12.5,
        function="voltage",
        coupling="dc",
        value=3.301,
        unit="V",
        resolution=0.001,
        state="ok",
        flags=[],
        display="3.301 V",
        channel=None,
        job="GC-2611",
        board="GC-03",
        point="+3V3",
        raw=raw,
    )


def contents(place: Path | Forgetful) -> dict[str, bytes]:
    if isinstance(place, Forgetful):
        return {name: file.cache for name, file in place.files.items()}
    return {path.name: path.read_bytes() for path in place.glob("*")}


def lines_of(place: Path | Forgetful) -> list[bytes]:
    """All lines in the order of a plain `cat *.jsonl`, checked: chain, seq, names, form."""
    files = contents(place)
    prev, out = "0" * 64, []
    for name in sorted(n for n in files if n.endswith(".jsonl")):
        assert re.fullmatch(r"\d{4}-\d\d-\d\d(p\d{3})?\.jsonl", name)
        data = files[name]
        assert data == b"" or data.endswith(b"\n")
        for line in data.split(b"\n")[:-1]:
            fields = json.loads(line)
            assert list(fields)[:4] == ["prev", "seq", "at", "kind"]
            assert fields["prev"] == prev, f"{name}: seq {fields['seq']} does not link"
            assert fields["seq"] == len(out) + 1
            prev = hashlib.sha256(line).hexdigest()
            out.append(line)
    return out


class Caller:
    """Appends, flushes and commits as the service does, and remembers what was acknowledged to it."""

    def __init__(self, folder: Path, disk: Disk) -> None:
        self.folder, self.disk = folder, disk
        self.writer: Writer | None = None
        self.acknowledged: dict[int, records.Record] = {}
        self.pending: dict[int, records.Record] = {}
        self.withdrawn: list[records.Record] = []

    def start(self) -> bool:
        try:
            self.writer = Writer(self.folder, disk=self.disk)
        except JournalFailed:
            return False
        return True

    def append(self, record: records.Record, at: datetime) -> None:
        assert self.writer
        for due in self.writer.due:  # first, and promised
            self.pending[self.writer.append(due, at)] = due
        if self.writer.due and not self.commit():
            return
        seq = self.writer.append(record, at)
        assert seq not in self.pending
        assert seq not in self.acknowledged
        self.pending[seq] = record

    def flush(self) -> bool:
        assert self.writer
        try:
            self.writer.flush()
        except JournalFailed as error:
            self._failed(error)
            return False
        assert self.writer.written_seq == self.writer.next_seq - 1
        return True

    def commit(self) -> bool:
        assert self.writer
        try:
            self.writer.commit()
        except JournalFailed as error:
            self._failed(error)
            return False
        assert self.writer.durable_seq == self.writer.next_seq - 1
        self.acknowledged.update(self.pending)
        self.pending.clear()
        return True

    def close(self) -> None:
        assert self.writer
        try:
            self.writer.close()
            self.acknowledged.update(self.pending)
        except JournalFailed as error:
            self._failed(error)
        self.pending.clear()
        self.writer = None

    def gone(self) -> None:
        """The process is dead: what was pending may be there or not."""
        self.pending.clear()
        self.writer = None

    def _failed(self, error: JournalFailed) -> None:
        assert self.writer
        assert self.writer.next_seq > max(self.acknowledged, default=0)
        lost = [r for seq, r in self.pending.items() if seq >= self.writer.next_seq]
        readings = [r for r in lost if isinstance(r, records.Reading)]
        assert sum(error.dropped.values()) == len(readings)
        self.withdrawn += lost
        self.pending = {seq: r for seq, r in self.pending.items() if seq < self.writer.next_seq}

    def check(self, place: Path | Forgetful) -> list[bytes]:
        """Every acknowledged record is there under its number, and the chain holds."""
        lines = lines_of(place)
        for seq, record in self.acknowledged.items():
            assert records.decode(lines[seq - 1]).record == record
        return lines


def morning(caller: Caller, tag: str) -> None:
    """A stretch of work: streams, promised records, a midnight, and going on after every failure."""
    if not caller.start():
        return
    for i in range(7):
        at = (NOON, EVENING, MIDNIGHT)[i // 3]
        caller.append(reading(f"{i:02x}"), at)
        if i % 3 == 1:
            caller.flush()
            caller.append(reading(f"f{i:x}", "dmm2"), at)
        caller.append(note(f"{tag}-{i}"), at)
        if i % 2:
            caller.commit()
    caller.close()


def lost_note(folder: Path) -> None:
    """The power went before the note of the last syncs was on the disk: the one of the start stands there."""
    (folder / "journal.lock").write_bytes(synced.line(1, None))
