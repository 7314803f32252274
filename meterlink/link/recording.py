"""Recordings: an instrument's bytes with their timing, as text; and a link that plays one.

The format is docs/recordings.md: header lines `# key: value`, then `OFFSET < HEX` (from the instrument),
`OFFSET > HEX` (to it) and `OFFSET = TEXT` (what a person saw on the display). The readings that must come out stand
beside it in FILE.expected.jsonl, in the journal's names.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import msgspec

from meterlink.errors import BadInput, LinkLost
from meterlink.plainfile import content

SUFFIX = ".rec"
EXPECTED = ".expected.jsonl"
HEADERS = ("driver", "instrument", "source")  # every recording has these
FIELDS = ("function", "coupling", "value", "unit", "resolution", "state", "flags", "display", "channel")
MUST = ("function", "value", "unit", "state")
EVENT = re.compile(r"([0-9]+(?:\.[0-9]+)?) ([<>=]) (.+)")


class Event(msgspec.Struct, frozen=True):
    """One line: seconds from the start, and bytes from (<) or to (>) the instrument, or what was seen (=)."""

    at: float
    way: str
    data: bytes = b""
    text: str = ""


class Recording(msgspec.Struct, frozen=True):
    """A whole file; `headers` in their order, `events` in the order of time."""

    headers: dict[str, str]
    events: tuple[Event, ...]
    path: Path | None = None

    @property
    def driver(self) -> str:
        """As a bench names it: "manson" or "manson:HCS-3102"."""
        return self.headers["driver"]

    @property
    def received(self) -> bytes:
        """All bytes from the instrument, joined."""
        return b"".join(e.data for e in self.events if e.way == "<")


def parse(text: str, where: str = "recording") -> Recording:
    """The recording that a text holds. Raises BadInput naming the line."""
    headers: dict[str, str] = {}
    events: list[Event] = []
    for number, line in enumerate(text.splitlines(), 1):
        line = line.strip()
        if not line:
            continue
        if line.startswith("#"):
            key, colon, value = line[1:].partition(":")
            if colon and not events:
                headers[key.strip().lower()] = value.strip()
            continue
        match = EVENT.fullmatch(line)
        if match is None:
            raise BadInput(f"{where}, line {number}: no OFFSET, one of < > =, and bytes or text: {line[:60]!r}")
        at, way, rest = float(match[1]), match[2], match[3]
        if events and at < events[-1].at:
            raise BadInput(f"{where}, line {number}: {match[1]} s is before the line above")
        try:
            events.append(Event(at, way, text=rest) if way == "=" else Event(at, way, bytes.fromhex(rest)))
        except ValueError as error:
            raise BadInput(f"{where}, line {number}: {rest[:60]!r} is not bytes in hex") from error
    missing = [key for key in HEADERS if not headers.get(key)]
    if missing:
        raise BadInput(f"{where}: no line '# {missing[0]}: ...' at the top; see docs/recordings.md")
    return Recording(headers, tuple(events))


def read(path: Path) -> Recording:
    """The recording in a file. Raises BadInput naming file and line."""
    return msgspec.structs.replace(parse(_text(path), str(path)), path=path)


def dump(recording: Recording) -> str:
    """The text of a recording; parse gives it back."""
    lines = [f"# {key}: {value}" for key, value in recording.headers.items()]
    lines += [line(event) for event in recording.events]
    return "\n".join(lines) + "\n"


def line(event: Event) -> str:
    """One event as its line, without the line end; offsets to the millisecond."""
    return f"{event.at:.3f} {event.way} {event.text or event.data.hex(' ')}"


def expected(path: Path) -> list[dict[str, Any]]:
    """The readings that a recording must decode to, one dict a line of FILE.expected.jsonl.

    Raises  BadInput naming file and line for what is no reading.
    """
    beside = path.with_suffix(EXPECTED)
    out = []
    for number, text in enumerate(_text(beside).splitlines(), 1):
        try:
            row = msgspec.json.decode(text)
        except ValueError as error:
            raise BadInput(f"{beside}, line {number}: {error}") from error
        if not isinstance(row, dict) or any(key not in row for key in MUST):
            raise BadInput(f"{beside}, line {number}: no reading with {', '.join(MUST)}")
        if unknown := sorted(set(row) - set(FIELDS)):
            raise BadInput(f"{beside}, line {number}: unknown field {unknown[0]!r}; there are: {', '.join(FIELDS)}")
        out.append(row)
    return out


def recordings(folders: Sequence[Path], driver: str) -> list[Recording]:
    """All recordings below the folders whose header names this driver, with or without a model, by path.

    Raises  BadInput for a recording that cannot be read.
    """
    paths = sorted({p.resolve() for folder in folders for p in folder.rglob(f"*{SUFFIX}")})
    return [r for r in map(read, paths) if r.driver.partition(":")[0] == driver]


LARGEST = 1 << 26  # bytes of a recording: days of a fast meter


def _text(path: Path) -> str:
    try:
        return content(path, LARGEST).decode()
    except UnicodeDecodeError as error:
        raise BadInput(f"{path} cannot be read: {error}") from error


class RecordingLink:
    """Plays a recording as an instrument: the Link protocol.

    Bytes from the instrument come in their time (pace 1), faster (pace 10), or at once (pace 0). A `>` line holds
    back what follows it until those bytes are written; what is written out of turn goes to the next place where it
    was asked, and is not answered where there is none. After the last line the instrument is silent.
    """

    def __init__(
        self,
        path: Path,
        pace: float = 1.0,
        *,
        now: Callable[[], float] = time.monotonic,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        """Raises  LinkLost for a file that cannot be read or is no recording."""
        try:
            events = read(path).events
        except BadInput as error:
            raise LinkLost(str(error)) from error
        self._events = [e for e in events if e.way != "="]
        self._path = path
        self._pace = pace
        self._now = now
        self._wait = wait
        self._next = 0
        self._zero = now()
        self._written = b""
        self._open = True

    def read(self, wait_s: float) -> bytes:
        self._check()
        end = self._now() + max(wait_s, 0.0)
        while True:
            data = self._due()
            if data or self._now() >= end:
                return data
            due = self._next_time()
            until = end if due is None else min(due, end)
            self._wait(max(until - self._now(), 1e-4))

    def write(self, data: bytes) -> None:
        self._check()
        self._written += data
        for i in range(self._next, len(self._events)):
            event = self._events[i]
            if event.way == ">" and self._written.endswith(event.data):
                self._next = i + 1
                self._zero = self._now() - self._scaled(event.at)
                self._written = b""
                return
        self._written = self._written[-256:]

    def close(self) -> None:
        self._open = False

    def _check(self) -> None:
        if not self._open:
            raise LinkLost(f"{self._path} was closed")

    def _scaled(self, at: float) -> float:
        return at / self._pace if self._pace else 0.0

    def _next_time(self) -> float | None:
        """When the next bytes come by themselves; None where none do."""
        if self._next == len(self._events) or self._events[self._next].way == ">":
            return None
        return self._zero + self._scaled(self._events[self._next].at)

    def _due(self) -> bytes:
        out = b""
        while (due := self._next_time()) is not None and due <= self._now():
            out += self._events[self._next].data
            self._next += 1
        return out
