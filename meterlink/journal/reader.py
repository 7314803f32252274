"""Reading a journal: whole lines out of segments in the chain's order, in constant memory.

Lines are bytes between 0x0A and nothing else (U+2028 in a text is no line end). What follows the last LF is
not a record yet: it is being written, or a power cut took the rest. Any number of processes may read while
one writes. Source: docs/journal.md; RFC 8259; jsonlines.org.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import NamedTuple

from meterlink import records
from meterlink.errors import BadInput, JournalBroken
from meterlink.journal.segments import in_order, segment_key
from meterlink.plainfile import opened

CHUNK = 1 << 18
LONGEST = 1 << 24  # bytes of a line that a reader holds in memory; no record comes near it
TOO_LONG = f"longer than {LONGEST >> 20} MiB, no record is"

DIGEST = re.compile(r"[0-9a-f]{64}")  # a head as it is written

_COMPRESSED = (".gz", ".xz", ".bz2", ".zst", ".zip", ".lz4", ".Z")
_OURS = re.compile(
    r"journal\.lock|index\.sqlite(-journal|-wal|-shm)?"
    r"|.+\.jsonl\.(torn-[0-9]+(\.part)?|through-[0-9]+\.sig)"
)
_SEQ = re.compile(rb'\{"prev":"[0-9a-f]{64}","seq":([1-9][0-9]{0,17}),')
_INSTANT = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)(?:[Tt ](\d\d):(\d\d)(?::(\d\d)(\.\d+)?)? ?([Zz]|[+-]\d\d:\d\d))?", re.ASCII
)


class Place(NamedTuple):
    """Where a line stands; lines count from 1."""

    segment: str
    line: int

    def __str__(self) -> str:
        return f"{self.segment}, line {self.line}"


class Line(NamedTuple):
    """One line without its LF, and where it stands."""

    path: Path
    number: int
    offset: int  # of its first byte
    text: bytes


def segments(folder: Path) -> list[Path]:
    """The segments of a journal, oldest first.

    Raises  BadInput when the folder cannot be read, or a segment's name stands on something else than a file.
    """
    try:
        names = os.listdir(folder)  # noqa: PTH208 - names, not paths
    except OSError as error:
        raise BadInput(f"there is no journal in {folder} ({error.strerror}): name the bench (--dir)") from error
    paths = [folder / name for name in in_order(names)]
    for path in paths:
        if not path.is_file() or path.is_symlink():
            raise BadInput(f"{path} has a segment's name and is no plain file: move it out of the journal")
    return paths


def strangers(folder: Path) -> list[str]:
    """A word on each thing in the folder that belongs to no journal."""
    said = []
    for name in sorted(os.listdir(folder)):  # noqa: PTH208
        if segment_key(name) or _OURS.fullmatch(name):
            continue
        if name.endswith(_COMPRESSED):
            said.append(f"{name!r} is compressed and was not read: unpack a copy of it beside the others")
        else:
            said.append(f"{name!r} is no segment of a journal and was not read")
    return said


class Segment:
    """The whole lines of one file, some at a time, from an offset on.

    `tail` holds, after the last batch, the bytes behind the last LF; `lines` and `offset` count what was given.
    Raises  BadInput when the file cannot be read; JournalBroken for a line longer than LONGEST.
    """

    def __init__(self, path: Path, offset: int = 0) -> None:
        self.path = path
        self.offset = offset
        self._whole = not offset
        self.lines = 0
        self.tail = b""

    def __iter__(self) -> Iterator[list[bytes]]:
        try:
            with opened(self.path) as file:
                file.seek(self.offset)
                while block := file.read(CHUNK):
                    lines = (self.tail + block).split(b"\n")
                    self.tail = lines.pop()
                    if lines:
                        yield lines
                        self.lines += len(lines)
                        self.offset = file.tell() - len(self.tail)
                    if len(self.tail) > LONGEST:
                        raise JournalBroken(f"{self._here()}: {TOO_LONG}; run `meterlink journal verify`")
        except OSError as error:
            raise BadInput(f"{self.path} cannot be read: {error.strerror}") from error

    def _here(self) -> str:
        """The line that comes next; where it was not read from its begin, the segment alone."""
        return str(Place(self.path.name, self.lines + 1)) if self._whole else self.path.name


def lines(paths: Iterable[Path], offset: int = 0) -> Iterator[Line]:
    """Every whole line of these segments; the first one is read from an offset on (a line's first byte).

    A number then counts from that offset, not from the segment's begin.
    """
    for path in paths:
        segment = Segment(path, offset)
        for batch in segment:
            at = segment.offset
            for number, text in enumerate(batch, segment.lines + 1):
                yield Line(path, number, at, text)
                at += len(text) + 1
        offset = 0


def whole(folder: Path) -> Iterator[Line]:
    """Every whole line of a journal, in order. Raises BadInput; JournalBroken where a segment is missing."""
    last: Line | None = None
    for line in lines(segments(folder)):
        if last is None or line.path is not last.path:
            joins(line, seq_of(last.text) if last else 0)
        last = line
        yield line


def joins(line: Line, before: int | None) -> None:
    """See that a segment's first line follows the record before it: boards of a day that is gone are counted by nobody.

    Raises  JournalBroken, where both have a seq (a line that is none is told where it is read).
    """
    seq = seq_of(line.text)
    if seq is not None and before is not None and seq != before + 1:
        missing = f"its seq is {seq}, {before + 1} is due: a segment is missing, put it back"
        raise JournalBroken(f"{Place(line.path.name, line.number)}: {missing} (`meterlink journal verify`)")


def entries(folder: Path, *, readings: bool = True) -> Iterator[records.Entry]:
    """Every record of a journal, in order; an entry of an unknown kind has no record.

    Takes   the journal's folder; readings=False passes over readings without decoding them.
    Raises  BadInput; JournalBroken (segment, line, reason).
    """
    for line in whole(folder):
        if readings or not is_reading(line.text):
            yield entry(line)


def entry(line: Line) -> records.Entry:
    """The record on a line. Raises JournalBroken (segment, line, reason)."""
    try:
        return records.decode(line.text)
    except JournalBroken as error:
        raise JournalBroken(f"{Place(line.path.name, line.number)}: {error}; run `meterlink journal verify`") from error


def is_reading(line: bytes) -> bool:
    """Whether the head of a line says so; the head's order is part of the format."""
    return line.find(b'"kind":"reading"', 80, 160) > 0


def seq_of(line: bytes) -> int | None:
    """The seq in a line's head, or None when it has none."""
    match = _SEQ.match(line)
    return int(match[1]) if match else None


def locate(paths: list[Path], seq: int) -> tuple[int, int]:
    """Where the first record with this seq or a later one stands, found by bisection.

    Takes   segments whose chain is whole.
    Gives   index into paths and the offset of the line; behind the last whole line when there is none.
    """
    begin = 0
    for i, path in enumerate(paths):
        first = next(lines([path]), None)
        if first is not None and (number := seq_of(first.text)) is not None and number <= seq:
            begin = i
    for i in range(begin, len(paths)):
        offset, found = _bisect(paths[i], seq)
        if found or i == len(paths) - 1:
            return i, offset
    return 0, 0


def _bisect(path: Path, seq: int) -> tuple[int, bool]:
    """Offset of the first line with this seq or a later one, and whether there is one in this segment."""
    with path.open("rb") as file:
        low, high = 0, file.seek(0, os.SEEK_END)  # low: a line's begin; the line sought begins in low..high
        while high - low > CHUNK:
            middle = (low + high) // 2
            file.seek(middle)
            file.readline(LONGEST)
            start = file.tell()
            number = seq_of(file.readline(LONGEST)) if start < high else None
            if number is not None and number < seq:
                low = start
            else:
                high = middle
        file.seek(low)
        while (line := file.readline(LONGEST)).endswith(b"\n"):
            number = seq_of(line)
            if number is not None and number >= seq:
                return low, True
            low += len(line)
        return low, False


def instant(text: str) -> str:
    """A moment that a user names, as records spell it: UTC, six decimals, Z; such texts sort in time's order.

    Takes   RFC 3339 with any offset; as a view shows it, with spaces and without seconds; or a date alone: its UTC
            midnight. Second 60 is the begin of the next minute; digits after the sixth decimal are dropped.
    Raises  BadInput.
    Source  RFC 3339, 5.6-5.8.
    """
    wrong = BadInput(f"{text!r} is no time: write 2026-11-25, or 2026-11-25T14:30:00Z, or ...T15:30:00+01:00")
    match = _INSTANT.fullmatch(text.strip())
    if not match:
        raise wrong
    year, month, day, hour, minute, second = (int(x or 0) for x in match.groups()[:6])
    zone = match[8] or "Z"
    away = timedelta() if zone in "Zz" else timedelta(hours=int(zone[1:3]), minutes=int(zone[4:6]))
    if second > 60 or away >= timedelta(days=1) or int(zone[4:6] or 0) > 59:
        raise wrong
    try:
        at = datetime(year, month, day, hour, minute, min(second, 59), tzinfo=timezone.utc)
        at += timedelta(seconds=second - min(second, 59), microseconds=int((match[7] or ".0")[1:7].ljust(6, "0")))
        return records.timestamp(at + away if zone[0] == "-" else at - away)
    except (ValueError, OverflowError):
        raise wrong from None
