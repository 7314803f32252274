"""What the writer finds at its start: the end of the chain, with a torn end moved aside.

Only the last segment that holds anything is read wholly, of the others the first and the last line, which must join: a
segment is synced before the next one begins, so that no earlier one can have a torn end (`journal verify` reads all).
Only bytes that no completed sync covered can be torn by a power cut, and nothing else is ever taken away:
- what stands below the writer's own note (synced.py) was synced;
- the writer lets no more than UNSYNCED_MAX bytes go unsynced, and they are the last ones;
- the first line that is wrong, and every line after it, is no whole record; or the first wrong line holds NUL
  bytes (blocks that never reached the disk, while later ones did);
- where there is no note (an older version, segments that were copied): no reading follows a promised record,
  since a promised record is synced before anything else is written;
- no power cut makes CR LF of LF.
All of these hold: torn, moved aside from the first wrong line on. Else it was changed afterwards: JournalBroken,
nothing is touched.
A torn end goes to SEGMENT.torn-N, synced, before the segment is cut. A torn-N that no `recovered` record
names yet is due again at the next start, so a crash at any step loses neither bytes nor the record of it.
Source: docs/journal.md (the promises); fsync(2); the rules above are derived here.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator
from pathlib import Path

import msgspec

from meterlink import records
from meterlink.errors import JournalBroken
from meterlink.journal import aside
from meterlink.journal.disk import Disk
from meterlink.journal.reader import LONGEST
from meterlink.journal.segments import in_order, segment_key
from meterlink.journal.synced import Note

UNSYNCED_MAX = 1 << 20
CHUNK = 1 << 20

_LINE = re.compile(rb'\{"prev":"([0-9a-f]{64})","seq":([1-9][0-9]*),"at":"[^"]*","kind":"([^"]*)"')
_READING = b'"kind":"reading"'
_TORN = re.compile(r"(.+)\.torn-([0-9]+)")
_head = msgspec.json.Decoder(records.Head)


class Mark(msgspec.Struct, frozen=True):
    """A place in a segment where a whole record ends (or none has begun)."""

    size: int  # bytes of the segment up to here
    line: int  # lines up to here
    seq: int  # of the last record
    head: str  # SHA-256 of its line

    def after(self, line: bytes) -> Mark:
        """The mark after one more line (with its LF)."""
        digest = hashlib.sha256(line[:-1]).hexdigest()
        return Mark(self.size + len(line), self.line + 1, self.seq + 1, digest)

    def fresh(self) -> Mark:
        """The same place in the chain, at the begin of a new segment."""
        return Mark(0, 0, self.seq, self.head)


BEGIN = Mark(0, 0, 0, records.GENESIS)


class Walked(msgspec.Struct, frozen=True):
    """How far the chain holds in one segment, why not further (None: to the end), torn ends it names."""

    end: Mark
    fault: str | None
    named: frozenset[str]


class Found(msgspec.Struct, frozen=True):
    """Where writing goes on: the last segment, the marks before and after its records, records due."""

    segment: str | None
    base: Mark
    end: Mark
    due: tuple[records.Recovered | records.SetAside, ...]


def recover(disk: Disk, folder: Path, note: Note) -> Found:
    """Move a torn end aside and find where the chain goes on; `note` is what the writer left before.

    Raises  JournalBroken (segment, line) when whole records do not link; OSError from the disk.
    """
    disk.sync_folder(folder)  # a predecessor that was killed may not have come to it
    names = in_order(disk.names(folder))
    if note.synced and note.synced.segment not in names:
        raise JournalBroken(f"{note.synced.segment} was written and is not there; {_remedy(folder)}")
    base = end = BEGIN
    named: frozenset[str] = frozenset()
    holder = None
    marks = _joined(disk, folder, names)
    for i in reversed(range(len(names))):
        walked = _settle(disk, folder, names[i], marks[i], note)
        if walked.end.size:
            holder, base, end, named = names[i], marks[i], walked.end, walked.named
            break
    segment = names[-1] if names else None
    if segment != holder:
        base = end = end.fresh()
    torn = _due(disk, folder, holder, named)
    return Found(segment, base, end, torn if end.seq else (*aside.untold(disk, folder), *torn))


def walk(disk: Disk, fd: int, base: Mark) -> Walked:
    """Follow the chain through one segment, from the mark before its first record on.

    A line is confirmed by the `prev` of the next one; only the last one, and one whose successor does not
    link, is parsed: 100 MB take one to two seconds.
    """
    before = mark = base
    last = b""
    named = set()
    fault = None
    for line in _lines(disk, fd, 0):
        if fault := _unlinked(line, mark):
            break
        if b'"kind":"recovered"' in line[:160] and (name := _moved_to(line)):
            named.add(name)
        before, mark, last = mark, mark.after(line), line
    if last and (why := _no_record(last)):
        mark, fault = before, why
    return Walked(mark, fault, frozenset(named))


def _lines(disk: Disk, fd: int, at: int) -> Iterator[bytes]:
    """The lines from an offset on, each with its LF; the last one without it, if it has none or is longer than any."""
    held = bytearray()
    while len(held) <= LONGEST and (chunk := disk.read(fd, CHUNK, at)):
        at += len(chunk)
        held += chunk
        if b"\n" not in chunk:
            continue
        *whole, rest = held.split(b"\n")
        for line in whole:
            yield bytes(line) + b"\n"
        held = bytearray(rest)
    if held:
        yield bytes(held)


def _unlinked(line: bytes, mark: Mark) -> str | None:
    """Why this line does not follow the mark, or None."""
    if not line.endswith(b"\n"):
        return "does not end in LF"
    match = _LINE.match(line)
    if not match:
        return "is no record"
    if match[1] != mark.head.encode():
        return "its prev is not the SHA-256 of the line before"
    if int(match[2]) != mark.seq + 1:
        return f"its seq is {int(match[2])}, not {mark.seq + 1}"
    return None


def _whole(line: bytes) -> bool:
    """Whether these bytes are one record with its LF; of a kind or fields that we need not know."""
    if not line.endswith(b"}\n"):
        return False
    try:
        line.decode()
        records.moment(_head.decode(line).at)
    except (ValueError, RecursionError):
        return False
    return True


def _no_record(line: bytes) -> str | None:
    """Why the last line is not gone on with: a chain behind it would vouch for it."""
    if not _whole(line):
        return "is no whole record"
    try:
        records.decode(line[:-1])
    except JournalBroken as error:
        return f"is no record of format {records.FORMAT} ({error})"
    return None


def _moved_to(line: bytes) -> str | None:
    try:
        record = records.decode(line[:-1]).record
    except JournalBroken:
        return None
    return record.moved_to if isinstance(record, records.Recovered) else None


def _joined(disk: Disk, folder: Path, names: list[str]) -> list[Mark]:
    """The mark before each of these segments; but for the newest that holds anything, each must begin where the one
    before it ends. Raises JournalBroken: one was taken away, or its first or last line changed."""
    marks, mark, before = [], BEGIN, None
    for name in names:
        fd = disk.open(folder / name, os.O_RDONLY)
        try:
            first = next(_lines(disk, fd, 0), None)
        finally:
            disk.close(fd)
        if first is not None and before:  # that one is not the newest: its last line was synced before this one began
            mark = _end_of(disk, folder, before, mark)
        marks.append(mark)
        before = name if first is not None else before
    return marks


def _end_of(disk: Disk, folder: Path, name: str, base: Mark) -> Mark:
    """The mark after an older segment, whose first line must follow `base`."""
    fd = disk.open(folder / name, os.O_RDONLY)
    try:
        fault = _unlinked(next(_lines(disk, fd, 0)), base)
        line = _last_line(disk, fd)
    finally:
        disk.close(fd)
    if fault:
        raise JournalBroken(f"{name}, line 1: {fault}; {_remedy(folder)}")
    if not _whole(line):
        raise JournalBroken(f"{name}: its last line is no whole record; {_remedy(folder)}")
    return Mark(0, 0, _head.decode(line).seq, hashlib.sha256(line[:-1]).hexdigest())


def _last_line(disk: Disk, fd: int) -> bytes:
    """The last line of a segment that holds something, read from its tail; the end of one that is longer than any."""
    parts: list[bytes] = []
    at, ends = disk.size(fd), 0
    while at and ends < 2 and len(parts) << 16 <= LONGEST:
        step = min(at, 1 << 16)
        at -= step
        parts.append(_read(disk, fd, step, at))
        ends += parts[-1].count(b"\n")
    tail = b"".join(reversed(parts))
    return tail[tail[:-1].rfind(b"\n") + 1 :]


def _settle(disk: Disk, folder: Path, name: str, base: Mark, note: Note) -> Walked:
    """Check one segment as the device holds it, and move a torn end aside."""
    fd = disk.open(folder / name, os.O_RDWR)
    try:
        disk.sync(fd)
        disk.forget(fd)
        size = disk.size(fd)
        walked = walk(disk, fd, base)
        synced = _synced(name, size, note)
        if walked.end.size < synced:
            where = f"{name}, line {walked.end.line + 1}"
            fault = walked.fault or "the segment ends there"
            raise JournalBroken(f"{where}: {fault}, and {synced} bytes had been synced; {_remedy(folder)}")
        if walked.fault:
            if why := _not_torn(disk, fd, walked.end.size, size, note):
                where = f"{name}, line {walked.end.line + 1}"
                raise JournalBroken(f"{where}: {walked.fault}; {why}; {_remedy(folder)}")
            _move_aside(disk, folder, name, _read(disk, fd, size - walked.end.size, walked.end.size))
            disk.truncate(fd, walked.end.size)
            disk.sync(fd)
        return walked
    finally:
        disk.close(fd)


def _synced(name: str, size: int, note: Note) -> int:
    """How many bytes of a segment were synced for certain."""
    if note.synced is None:
        return 0
    if name == note.synced.segment:
        return note.synced.size
    older = (segment_key(name) or ("", 0)) < (segment_key(note.synced.segment) or ("", 0))
    return size if older else 0


def _not_torn(disk: Disk, fd: int, at: int, size: int, note: Note) -> str | None:
    """Why the bytes from the first wrong line on cannot be what a power cut left, or None."""
    if size - at > UNSYNCED_MAX:
        return f"it is {size - at} bytes from the end, and no more than {UNSYNCED_MAX} wait for a sync"
    hole, promised = True, False
    for i, line in enumerate(_lines(disk, fd, at)):
        hole = hole and (i > 0 or b"\0" in line)
        if not _whole(line.replace(b"\r\n", b"\n")):
            continue
        if i == 0:
            return "it is whole: it was changed, or a later version of meterlink wrote it"
        if not hole:
            return "whole records stand after it"
        reading = _READING in line[:160]
        if note.absent and promised and reading:
            return "a promised record stands after it, and readings after that: it had been synced"
        promised = promised or not reading
    return None


def _move_aside(disk: Disk, folder: Path, name: str, torn: bytes) -> None:
    """Keep the torn bytes as SEGMENT.torn-N, on the disk under that name when this returns.

    A last try that came as far as this name, and not to the cut, left the same bytes there.
    """
    numbers = [int(m[2]) for n in disk.names(folder) if (m := _TORN.fullmatch(n)) and m[1] == name]
    newest = max(numbers, default=0)
    if newest and _content(disk, folder / f"{name}.torn-{newest}") == torn:
        return
    target = folder / f"{name}.torn-{newest + 1}"
    part = folder / f"{target.name}.part"
    fd = disk.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    try:
        rest = memoryview(torn)
        while rest:
            rest = rest[disk.write(fd, rest) :]
        disk.sync(fd)
    finally:
        disk.close(fd)
    disk.rename(part, target)
    disk.sync_folder(folder)


def _due(disk: Disk, folder: Path, holder: str | None, named: frozenset[str]) -> tuple[records.Recovered, ...]:
    """The torn ends that no record tells of. The record comes before any other: one of a segment older
    than the last that holds records is told already."""
    since = segment_key(holder) if holder else None
    torn = []
    for name in disk.names(folder):
        match = _TORN.fullmatch(name)
        key = segment_key(match[1]) if match else None
        if match and key and name not in named and (since is None or key >= since):
            torn.append((key, int(match[2]), match[1], name))
    due = []
    for _, _, segment, name in sorted(torn):
        data = _content(disk, folder / name)
        digest = hashlib.sha256(data).hexdigest()
        due.append(records.Recovered(segment=segment, bytes=len(data), sha256=digest, moved_to=name))
    return tuple(due)


def _content(disk: Disk, path: Path) -> bytes:
    fd = disk.open(path, os.O_RDONLY)
    try:
        return _read(disk, fd, disk.size(fd), 0)
    finally:
        disk.close(fd)


def _read(disk: Disk, fd: int, count: int, at: int) -> bytes:
    parts = []
    while count and (part := disk.read(fd, count, at)):
        parts.append(part)
        at += len(part)
        count -= len(part)
    return b"".join(parts)


def _remedy(folder: Path) -> str:
    return (
        f"nothing was touched: put the files of {folder} back as they were, or begin a new journal beside it"
        " with `meterlink run --new-journal` (`meterlink journal verify` says what holds)"
    )
