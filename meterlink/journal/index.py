"""An index of a journal: where each record but the readings stands, and which stretches hold whose readings.

Readers bring it up to date when they ask; it may be deleted at any time, and verify never looks at it. A line that
it points to is read from the journal, so the index can make an answer slow or miss a line, not change one.
It lies in the user's cache, under a name made from the journal's path; none is ever read from a journal's folder, where
a stranger could have left one. Where the cache cannot be written it is made in memory, anew each time.
"""

from __future__ import annotations

import errno
import os
import sqlite3
import stat
from collections.abc import Iterable, Iterator
from contextlib import suppress
from hashlib import sha256
from itertools import islice
from pathlib import Path
from typing import Annotated, Literal

import msgspec
import platformdirs

from meterlink import records
from meterlink.errors import JournalBroken
from meterlink.folders import make_private
from meterlink.journal.reader import Line, Place, is_reading, joins, lines, segments, seq_of

VERSION = 1
BATCH = 10_000

_SCHEMA = """
CREATE TABLE segments (number INTEGER PRIMARY KEY, name TEXT, size INTEGER, end INTEGER, lines INTEGER);
CREATE TABLE last (segment INTEGER, offset INTEGER, length INTEGER, sha256 TEXT);
CREATE TABLE entries (seq INTEGER PRIMARY KEY, segment INTEGER, offset INTEGER, length INTEGER,
                      at TEXT, kind TEXT, job TEXT, board TEXT, point TEXT, "of" INTEGER);
CREATE INDEX entries_board ON entries (board, job, seq) WHERE board IS NOT NULL;
CREATE INDEX entries_job ON entries (job, seq) WHERE job IS NOT NULL;
CREATE INDEX entries_kind ON entries (kind, seq);
CREATE INDEX entries_at ON entries (at);
CREATE INDEX entries_of ON entries ("of") WHERE "of" IS NOT NULL;
CREATE TABLE runs (seq INTEGER PRIMARY KEY, segment INTEGER, offset INTEGER, end INTEGER,
                   first_at TEXT, last_at TEXT, job TEXT, board TEXT);
CREATE INDEX runs_board ON runs (board, seq) WHERE board IS NOT NULL;
CREATE INDEX runs_job ON runs (job, seq) WHERE job IS NOT NULL;
"""


class Query(msgspec.Struct, frozen=True, kw_only=True):
    """What is asked for; None asks for any. since and until as records spell time, both included."""

    board: str | None = None
    job: str | None = None
    point: str | None = None
    kind: str | None = None
    since: str | None = None
    until: str | None = None


class Found(msgspec.Struct, frozen=True):
    """One line that was asked for, and the seq of the record that withdrew it."""

    text: bytes
    withdrawn_by: int | None


Whole = Annotated[int, msgspec.Meta(ge=-(2**63), le=2**63 - 1)]  # what SQLite has: datatype3.html, section 2


class _Row(msgspec.Struct, frozen=True):
    seq: Whole
    at: str
    kind: str
    job: str | None = None
    board: str | None = None
    point: str | None = None
    of: Whole | None = None


_row = msgspec.json.Decoder(_Row)


class Index:
    """The index of one journal, as the journal is now.

    Raises  BadInput when there is no journal; JournalBroken for a line that is no record.
    """

    def __init__(self, folder: Path, cache: Path | None = None) -> None:
        self._folder = folder
        self._paths = segments(folder)
        self.rebuilt = False
        self._database = self._open(cache or Path(platformdirs.user_cache_dir("meterlink")) / "journal-index")

    def close(self) -> None:
        self._database.close()

    def __enter__(self) -> Index:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- asking

    def select(self, query: Query) -> Iterator[Found]:
        """The lines that match, in the order of seq. Readings only when their kind is asked for."""
        if query.kind == "reading":
            yield from self._readings(query)
            return
        # where a board or job is named, the + keeps SQLite from walking all keeps, or all of a day, instead
        few = "+" if query.board or query.job else ""
        where, values = _where(query, ("board", "job", "+point", f"{few}kind"))
        if query.since:
            where += f" AND {few}at >= ?"
            values.append(query.since)
        if query.until:
            where += f" AND {few}at <= ?"
            values.append(query.until)
        rows = self._database.execute(
            'SELECT segment, offset, length, (SELECT min(v.seq) FROM entries v WHERE v."of" = entries.seq)'
            f" FROM entries WHERE {where} ORDER BY seq",
            values,
        )
        with _Files(self._paths) as files:
            for segment, offset, length, by in rows:
                yield Found(files.read(segment, offset, length), by)

    def jobs_of(self, board: str) -> list[str]:
        """The jobs in which a board of this mark is known."""
        rows = self._database.execute(
            "SELECT DISTINCT job FROM entries WHERE board = ? AND job IS NOT NULL ORDER BY job", (board,)
        )
        return [job for (job,) in rows]

    def boards(self) -> list[str]:
        """Every board's mark."""
        rows = self._database.execute("SELECT DISTINCT board FROM entries WHERE board IS NOT NULL ORDER BY board")
        return [board for (board,) in rows]

    def _readings(self, query: Query) -> Iterator[Found]:
        where, values = _where(query, ("board", "job"))
        if query.since:
            where += " AND last_at >= ?"
            values.append(query.since)
        if query.until:
            where += " AND first_at <= ?"
            values.append(query.until)
        runs = self._database.execute(
            f"SELECT segment, offset, end FROM runs WHERE {where} ORDER BY seq",
            values,
        )
        for segment, offset, end in runs:
            for line in lines([self._paths[segment]], offset):
                if line.offset >= end:
                    break
                if is_reading(line.text) and _matches(query, self._decode(line)):
                    yield Found(line.text, self._withdrawn(line))

    def _withdrawn(self, line: Line) -> int | None:
        seq = _row.decode(line.text).seq
        (by,) = self._database.execute('SELECT min(seq) FROM entries WHERE "of" = ?', (seq,)).fetchone()
        return None if by is None else int(by)

    # -- building

    def _open(self, cache: Path) -> sqlite3.Connection:
        """In the cache or, where that cannot be, in no file at all; brought up to date."""
        place = cache / f"{sha256(os.fsencode(self._folder.resolve())).hexdigest()[:24]}.sqlite"
        for _ in range(2):
            with suppress(sqlite3.Error, OSError):
                _own(place)
                return self._refreshed(str(place))
            with suppress(OSError):  # damaged, or of another version: once more from nothing
                place.unlink()
        return self._refreshed("")

    def _refreshed(self, place: str) -> sqlite3.Connection:
        database = sqlite3.connect(place, timeout=60.0, isolation_level=None)
        try:
            if self._standing(database) != "current":
                database.execute("PRAGMA synchronous = OFF")  # what a power cut damages is built again
                database.execute("BEGIN IMMEDIATE")
                if self._standing(database) == "other":
                    self._clear(database)
                self._extend(database)
                database.execute("COMMIT")
        except BaseException:
            database.close()
            raise
        return database

    def _clear(self, database: sqlite3.Connection) -> None:
        for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
            database.execute(f'DROP TABLE "{name}"')
        for statement in _SCHEMA.split(";"):
            database.execute(statement)
        database.execute(f"PRAGMA user_version = {VERSION}")
        self.rebuilt = True

    def _standing(self, database: sqlite3.Connection) -> Literal["current", "behind", "other"]:
        """Whether what is indexed is the journal, or its begin, or something else: names, sizes, and the last line
        that was read are looked at, so that the answer takes no longer on a large journal."""
        (version,) = database.execute("PRAGMA user_version").fetchone()
        if version != VERSION:
            return "other"
        known = database.execute("SELECT name, size, end FROM segments ORDER BY number").fetchall()
        if [name for name, _, _ in known] != [p.name for p in self._paths[: len(known)]]:
            return "other"
        grown = len(known) < len(self._paths)
        for i, (path, (_, size, end)) in enumerate(zip(self._paths, known)):  # noqa: B905 - new ones may follow
            now = path.stat().st_size
            if now < end or (i < len(known) - 1 and now != size):
                return "other"
            grown = grown or now != size
        last = database.execute("SELECT segment, offset, length, sha256 FROM last").fetchone()
        if last is not None:
            segment, offset, length, digest = last
            with self._paths[segment].open("rb") as file:
                file.seek(offset)
                if sha256(file.read(length)).hexdigest() != digest:
                    return "other"
        elif any(end for _, _, end in known):
            return "other"
        return "behind" if grown else "current"

    def _extend(self, database: sqlite3.Connection) -> None:
        """Take in what came since."""
        known = database.execute("SELECT number, end, lines FROM segments ORDER BY number DESC LIMIT 1").fetchone()
        first, end, count = known or (0, 0, 0)
        (newest,) = database.execute("SELECT max(seq) FROM entries").fetchone()
        before = self._last_seq(database)  # of the last line that was read
        for number in range(first, len(self._paths)):
            path = self._paths[number]
            size = path.stat().st_size
            last = None
            new = (Line(p, count + n, offset, text) for p, n, offset, text in lines([path], end))
            runs = _Runs(database, number)
            while batch := list(islice(new, BATCH)):
                if last is None and count == 0:
                    joins(batch[0], before)
                self._insert(database, number, batch, runs)
                last = batch[-1]
            if last:
                end, count, before = last.offset + len(last.text) + 1, last.number, seq_of(last.text)
                database.execute("DELETE FROM last")
                digest = sha256(last.text).hexdigest()
                database.execute("INSERT INTO last VALUES (?, ?, ?, ?)", (number, last.offset, len(last.text), digest))
            database.execute(
                "INSERT OR REPLACE INTO segments VALUES (?, ?, ?, ?, ?)",
                (number, path.name, max(size, end), end, count),
            )
            end = count = 0
        database.execute(  # a withdrawal belongs to the board of what it withdraws
            "UPDATE entries SET (job, board, point) ="
            ' (SELECT job, board, point FROM entries e WHERE e.seq = entries."of")'
            " WHERE kind = 'void' AND seq > ?",
            (newest or 0,),
        )

    def _last_seq(self, database: sqlite3.Connection) -> int | None:
        """The seq of the last line that was taken in, 0: none."""
        last = database.execute("SELECT segment, offset, length FROM last").fetchone()
        if last is None:
            return 0
        with _Files(self._paths) as files:
            return seq_of(files.read(*last))

    def _insert(self, database: sqlite3.Connection, segment: int, batch: list[Line], runs: _Runs) -> None:
        rows = []
        for line in batch:
            row = self._decode(line)
            if row.kind == "reading":
                runs.take(line, row)
            else:
                where = (row.job, row.board, row.point, row.of)
                rows.append((row.seq, segment, line.offset, len(line.text), row.at, row.kind, *where))
        runs.save()
        database.executemany("INSERT OR REPLACE INTO entries VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)

    def _decode(self, line: Line) -> _Row:
        try:
            return _row.decode(line.text)
        except (ValueError, RecursionError) as error:
            place = Place(line.path.name, line.number)
            raise JournalBroken(f"{place}: {error}; run `meterlink journal verify`") from error


def _own(place: Path) -> None:
    """See that a database's file is a plain one of this user's own, in a folder of their own; it is made if need be.

    Raises  OSError for a link, a file of another user or with a second name, or a folder that others may write.
    """
    make_private(place.parent)
    folder = place.parent.lstat()
    if not stat.S_ISDIR(folder.st_mode) or folder.st_uid != os.geteuid() or folder.st_mode & 0o022:
        raise OSError(errno.EPERM, "not a folder of this user's own", str(place.parent))
    fd = os.open(place, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, 0o600)
    try:
        found = os.fstat(fd)
    finally:
        os.close(fd)
    if not stat.S_ISREG(found.st_mode) or found.st_uid != os.geteuid() or found.st_nlink != 1:
        raise OSError(errno.EPERM, "not a file of this user's own", str(place))


class _Runs:
    """Stretches of one segment in which every reading belongs to the same job and board."""

    def __init__(self, database: sqlite3.Connection, segment: int) -> None:
        self._database = database
        self._segment = segment
        self._run: list[int | str | None] | None = None
        last = database.execute("SELECT * FROM runs WHERE segment = ? ORDER BY seq DESC LIMIT 1", (segment,)).fetchone()
        if last:
            self._run = list(last)

    def take(self, line: Line, row: _Row) -> None:
        end = line.offset + len(line.text) + 1
        run = self._run
        if run is not None and run[6] == row.job and run[7] == row.board:
            run[3], run[5] = end, max(str(run[5]), row.at)
            return
        self.save()
        self._run = [row.seq, self._segment, line.offset, end, row.at, row.at, row.job, row.board]

    def save(self) -> None:
        if self._run:
            self._database.execute("INSERT OR REPLACE INTO runs VALUES (?, ?, ?, ?, ?, ?, ?, ?)", self._run)


class _Files:
    """Segments held open while lines are picked out of them; one at a time."""

    def __init__(self, paths: list[Path]) -> None:
        self._paths = paths
        self._number = -1
        self._fd = -1

    def __enter__(self) -> _Files:
        return self

    def __exit__(self, *_: object) -> None:
        if self._fd >= 0:
            os.close(self._fd)

    def read(self, number: int, offset: int, length: int) -> bytes:
        if number != self._number:
            if self._fd >= 0:
                os.close(self._fd)
            self._fd, self._number = os.open(self._paths[number], os.O_RDONLY), number
        return os.pread(self._fd, length, offset)


def _where(query: Query, columns: Iterable[str]) -> tuple[str, list[str]]:
    asked = [(name, value) for name in columns if (value := getattr(query, name.lstrip("+"))) is not None]
    return " AND ".join([f"{name} = ?" for name, _ in asked] or ["1"]), [value for _, value in asked]


def _matches(query: Query, row: _Row) -> bool:
    return (
        all(getattr(query, n) in (None, getattr(row, n)) for n in ("board", "job", "point"))
        and (query.since is None or row.at >= query.since)
        and (query.until is None or row.at <= query.until)
    )


def entries_of(found: Iterable[Found]) -> Iterator[tuple[records.Entry, int | None]]:
    """The records on lines that were found."""
    for one in found:
        yield records.decode(one.text), one.withdrawn_by
