"""The only thing that writes a journal: chained lines, in order, on the disk when `commit` returns.

Invariants, held by code:
- one process (the lock on the folder itself: removing a file in it lets nobody in), one thread, never entered twice;
- every line below `durable_seq` was synced by a call that succeeded; a segment is synced before the next one
  begins; no more than UNSYNCED_MAX bytes wait for a sync;
- after JournalFailed every record from `next_seq` on is withdrawn: it is in no segment and its number is
  given out again. So what was refused to the technician does not turn up later.
- what was synced counts only while its path leads to it, at the size that was written: a segment or folder that
  somebody removed, replaced, cut or appended to is a disk that failed, and nothing of theirs is touched;
How a fault ends:
- a write that fails, or comes back short and cannot be finished: the segment is cut back to where this write
  began, what waited is withdrawn, the segment goes on;
- an fdatasync that fails (or a cut that fails): all that is not durable is withdrawn; the segment is closed,
  cut back to what is durable, synced, read back past the cache and checked against the chain, and a new one
  begins (the same name when nothing durable was in it). Until all of that works every call raises
  JournalFailed: the kernel may have dropped the pages, so a second fdatasync that succeeds proves nothing.
Source: docs/journal.md (the promises); fsync(2), fdatasync(2), stat(2); derived here from what they leave open.
"""

from __future__ import annotations

import errno
import hashlib
import os
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import datetime, timezone
from functools import wraps
from pathlib import Path
from threading import get_ident
from typing import Concatenate, NamedTuple, ParamSpec, TypeVar

from meterlink import records
from meterlink.errors import BadInput, JournalBroken
from meterlink.journal.disk import REAL, Disk, Seen
from meterlink.journal.disturbed import alone, as_written, in_place, refusal, same
from meterlink.journal.hold import Hold
from meterlink.journal.recovery import UNSYNCED_MAX, Found, Mark, recover, walk
from meterlink.journal.segments import segment_key, segment_name

P = ParamSpec("P")
T = TypeVar("T")


class Waiting(NamedTuple):
    """A line that is in no segment yet."""

    day: str  # of the segment that it belongs to
    seq: int
    head: str
    line: bytes
    instrument: str | None  # of a reading


def _alone(method: Callable[Concatenate[Writer, P], T]) -> Callable[Concatenate[Writer, P], T]:
    """Raise RuntimeError when the writer is entered twice, from a second thread, or after close()."""

    @wraps(method)
    def guarded(self: Writer, /, *args: P.args, **kwargs: P.kwargs) -> T:
        if self._busy:
            raise RuntimeError("the journal's writer was entered twice: one owner, one call at a time")
        if self._owner not in (None, get_ident()):
            raise RuntimeError("the journal's writer belongs to the thread that used it first")
        if self._hold is None:
            raise RuntimeError("the journal's writer is closed")
        self._owner = get_ident()
        self._busy = True
        try:
            return method(self, *args, **kwargs)
        finally:
            self._busy = False

    return guarded


class Writer:
    """Take the lock, recover a torn end, then append, flush and commit until close().

    Takes   the journal's folder; it is made, with mode 0700, when it is missing.
    Raises  Refused when another process writes this journal; JournalBroken when whole records in the last
            segment do not link (nothing is touched); JournalFailed when the disk fails.

    A segment is named for the UTC date of its first record. A clock that goes back does not: segments stay
    in order, the one with the newest date goes on until the clock is past it.
    """

    def __init__(self, folder: Path, *, disk: Disk = REAL) -> None:
        self.folder = folder
        self._disk = disk
        self._busy = False
        self._owner: int | None = None
        self._hold: Hold | None = None
        self._file = Seen(0, 0, 0, 0)  # the segment that is written, as it was opened
        self._path = folder  # of that segment
        self._fd: int | None = None
        self._half = False  # a write is under way: the segment may hold half a line
        self._doubt = False  # what is in the segment above _durable is not known
        self._reached = 0  # the most that the segment may hold of ours
        self._waiting: list[Waiting] = []
        self._unsynced: Counter[str] = Counter()  # readings that are written and not durable
        try:
            disk.make_folder(folder.resolve())  # a link to another disk leads to where it is to be
            self._hold = Hold(disk, folder)
            self._resume(recover(disk, folder, self._hold.left), self._hold)
        except OSError as error:
            self._release()
            raise refusal(folder, error, {}) from error
        except BaseException:
            self._release()
            raise

    @property
    def next_seq(self) -> int:
        """The number that the next record gets."""
        return (self._waiting[-1].seq if self._waiting else self._written.seq) + 1

    @property
    def head(self) -> str:
        """The SHA-256 of the newest line, waiting ones included: the `prev` of the next record."""
        return self._waiting[-1].head if self._waiting else self._written.head

    @property
    def written_seq(self) -> int:
        """The newest record that is in a segment."""
        return self._written.seq

    @property
    def durable_seq(self) -> int:
        """The newest record that is on the disk."""
        return self._durable.seq

    @property
    def segment(self) -> str | None:
        """The name of the segment that was written last; None in an empty journal."""
        return self._segment

    @property
    def due(self) -> list[records.Recovered | records.SetAside]:
        """Torn ends, and a journal set aside, that no durable record tells of: append these first, and commit."""
        return list(self._due[max(0, self._durable.seq - self._found) :])

    @_alone
    def append(self, record: records.Record, at: datetime) -> int:
        """Chain a record to the journal; it waits for flush() or commit(). Does no I/O.

        Takes   an aware datetime: when its last byte arrived, or when it happened.
        Gives   its seq.
        Raises  BadInput for a record that readers would refuse, or one that makes a line longer than UNSYNCED_MAX;
                ValueError for a naive datetime; RuntimeError for any record before those in `due`.
                Nothing is appended then.
        """
        return self._chain((record,), at)[0]

    @_alone
    def append_all(self, batch: Sequence[records.Record], at: datetime) -> list[int]:
        """All of these records or, where one of them is refused, none; else as append()."""
        return self._chain(batch, at)

    def _chain(self, batch: Sequence[records.Record], at: datetime) -> list[int]:
        lined: list[Waiting] = []
        seq, head, day = self.next_seq, self.head, self._day()
        for record in batch:
            lined.append(self._lined(record, at, seq, head, day))
            seq, head, day = seq + 1, lined[-1].head, lined[-1].day
        self._waiting += lined
        return [item.seq for item in lined]

    def _lined(self, record: records.Record, at: datetime, seq: int, head: str, day: str) -> Waiting:
        if at.tzinfo is None:
            raise ValueError(f"a record's time has no zone: {at.isoformat()}")
        due = seq - 1 - self._found
        if due < len(self._due) and record != (one := self._due[due]):
            what = one.moved_to if isinstance(one, records.Recovered) else one.folder
            raise RuntimeError(f"the record of {what} comes before any other")
        try:
            line = records.encode(record, head, seq, records.timestamp(at))
        except ValueError as error:
            raise BadInput(str(error)) from error
        if len(line) >= UNSYNCED_MAX:
            raise BadInput(f"a record of {len(line)} bytes; {UNSYNCED_MAX >> 20} MiB is the most: shorten its text")
        day = max(at.astimezone(timezone.utc).date().isoformat(), day)
        instrument = record.instrument if isinstance(record, records.Reading) else None
        return Waiting(day, seq, hashlib.sha256(line).hexdigest(), line + b"\n", instrument)

    @_alone
    def flush(self) -> None:
        """Write what waits, in one go; readers see it, a power cut may take it.

        Raises  JournalFailed; every record from `next_seq` on is then withdrawn.
        """
        self._reach(sync=False)

    @_alone
    def commit(self) -> None:
        """Write what waits and sync: every record appended so far is on the disk when this returns.

        Raises  JournalFailed; every record from `next_seq` on is then withdrawn. Call it again, with
                nothing or new records waiting, to try whether the disk takes records now.
        """
        self._reach(sync=True)

    def close(self) -> None:
        """Commit, and give the lock back even when that fails. A second call does nothing."""
        if self._hold is not None:
            self._end()

    @_alone
    def _end(self) -> None:
        try:
            self._reach(sync=True)
        finally:
            self._release()

    # -- start

    def _resume(self, found: Found, hold: Hold) -> None:
        self._segment = found.segment
        self._base = found.base  # the chain before the segment's first record
        self._written = self._durable = found.end
        self._reached = found.end.size
        self._found = found.end.seq
        self._due = found.due
        if found.segment is not None:
            self._path = hold.path / found.segment
            self._fd = self._disk.open(self._path, os.O_WRONLY | os.O_APPEND)
            self._file = self._disk.held(self._fd)
        hold.note(self._segment, self._durable.size, sync=True)

    def _release(self) -> None:
        fd, self._fd = self._fd, None
        hold, self._hold = self._hold, None
        if fd is not None:
            with suppress(OSError):  # nothing is acknowledged on the strength of a close
                self._disk.close(fd)
        if hold is not None:
            hold.release()

    # -- to the disk

    def _reach(self, *, sync: bool) -> None:
        try:
            if self._doubt:
                self._mend()
            self._write_waiting()
            if sync:
                self._sync()
        except (OSError, JournalBroken) as error:
            raise refusal(self.folder, error, self._withdraw()) from error
        except BaseException:
            self._withdraw()
            raise

    def _day(self) -> str:
        """The date that the newest line belongs to, "" in an empty journal."""
        if self._waiting:
            return self._waiting[-1].day
        key = segment_key(self._segment) if self._segment else None
        return key[0] if key else ""

    def _write_waiting(self) -> None:
        """One write for all that waits, but for the borders between segments and of UNSYNCED_MAX."""
        while self._waiting:
            day = self._waiting[0].day
            key = segment_key(self._segment) if self._segment else None
            if self._fd is None or key is None or day != key[0]:
                self._begin(day)
            room = UNSYNCED_MAX - (self._written.size - self._durable.size)
            if room < len(self._waiting[0].line):
                self._sync()
                room = UNSYNCED_MAX
            count = 1
            room -= len(self._waiting[0].line)
            for item in self._waiting[1:]:
                room -= len(item.line)
                if item.day != day or room < 0:
                    break
                count += 1
            self._write(self._waiting[:count])

    def _write(self, items: list[Waiting]) -> None:
        assert self._fd is not None
        as_written(self._path.name, self._disk.size(self._fd), self._written.size)
        data = b"".join(item.line for item in items)
        rest = memoryview(data)
        self._reached = self._written.size + len(data)
        self._half = True
        while rest:
            taken = self._disk.write(self._fd, rest)
            if not taken:
                raise OSError(errno.EIO, "the disk took no byte of a write")
            rest = rest[taken:]
        self._half = False
        last = items[-1]
        w = self._written
        self._written = Mark(w.size + len(data), w.line + len(items), last.seq, last.head)
        self._unsynced.update(item.instrument for item in items if item.instrument)
        del self._waiting[: len(items)]

    def _sync(self) -> None:
        if self._durable == self._written:
            return
        assert self._fd is not None
        assert self._hold is not None
        self._doubt = True
        self._disk.sync(self._fd)
        self._still_there()
        self._doubt = False
        self._durable = self._written
        self._unsynced.clear()
        with suppress(OSError):  # then the older note stands: it says less, and nothing false
            self._hold.note(self._segment, self._durable.size)

    def _still_there(self) -> None:
        """What was synced is what the journal's path leads to. Raises JournalBroken, or OSError where nothing is."""
        assert self._hold is not None
        self._hold.still_there()
        named = self._disk.named(self._path)
        in_place(self._path.name, self._file, named)
        alone(self._path.name, named, self._written.size)

    def _begin(self, day: str) -> None:
        """Sync and close the segment that was written so far, and begin the next one of this day.

        One that was begun and holds nothing is taken again: a start that failed uses up no name.
        """
        self._sync()
        if self._fd is not None:
            fd, self._fd = self._fd, None
            self._disk.close(fd)
        old, part = (segment_key(self._segment) if self._segment else None) or ("", 0)
        name = segment_name(day, 1 if day != old else part + 1 if self._written.size else part)
        fd = self._disk.open(self.folder / name, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        try:
            file = self._disk.held(fd)
            if file.size:
                raise JournalBroken(f"{name} holds bytes that this writer did not write")
            self._disk.sync_folder(self.folder)
        except BaseException:
            self._disk.close(fd)
            raise
        self._fd, self._segment, self._file, self._reached = fd, name, file, 0
        self._path = self.folder.resolve() / name
        self._base = self._written = self._durable = self._written.fresh()

    # -- when it fails

    def _withdraw(self) -> dict[str, int]:
        """Take back what is not in a segment, or not durable when the segment is in doubt.

        Gives   the readings that are lost by it, by instrument.
        """
        lost = Counter(item.instrument for item in self._waiting if item.instrument)
        self._waiting.clear()
        if self._half and not self._doubt:
            self._doubt = True
            with suppress(OSError):
                assert self._fd is not None
                self._disk.truncate(self._fd, self._written.size)
                self._doubt = False
        self._half = False
        if self._doubt:
            lost += self._unsynced
            self._unsynced.clear()
            self._written = self._durable
            with suppress(OSError, JournalBroken):  # the next call tries again, and tells
                self._mend()
        return dict(lost)

    def _mend(self) -> None:
        """Close the segment in doubt, cut it back to what is durable, and see that this is really there.

        Raises  OSError; JournalBroken when something acknowledged is not there.
        """
        if self._fd is not None:
            fd, self._fd = self._fd, None
            with suppress(OSError):  # wherever it is now, what was refused is not to turn up in it
                if self._durable.size < self._disk.held(fd).size <= self._reached:
                    self._disk.truncate(fd, self._durable.size)
            self._disk.close(fd)
        assert self._segment is not None
        fd = self._disk.open(self.folder / self._segment, os.O_RDWR)
        try:
            file = self._disk.held(fd)
            if not same(file, self._file) or file.links != 1 or file.size > self._reached:
                raise JournalBroken(f"{self._segment} was replaced, linked or changed by another program")
            if file.size > self._durable.size:
                self._disk.truncate(fd, self._durable.size)
            self._disk.sync(fd)
            self._disk.forget(fd)
            walked = walk(self._disk, fd, self._base)
        finally:
            self._disk.close(fd)
        if walked.fault or walked.end != self._durable:
            raise JournalBroken(
                f"after line {walked.end.line} of {self._segment} something acknowledged is not on the disk"
                f" ({walked.fault or 'the segment ends there'})"
            )
        self._doubt = False
