"""Verify: the four proofs of the format in one streaming pass over the segments alone, in constant memory.

Needs no configuration, no service and no index. The first chain fault ends the pass: what comes after a broken link
proves nothing. Faults of readings and keeps are all counted, the first ones named. Source: docs/journal.md.
"""

from __future__ import annotations

import json
import re
import time
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import date
from functools import lru_cache
from hashlib import sha256
from pathlib import Path

import msgspec

from meterlink import records
from meterlink.errors import JournalBroken
from meterlink.journal.chain import Chain, form
from meterlink.journal.findings import NAMED, Fault, Report
from meterlink.journal.places import Places
from meterlink.journal.proofs import Keeps, Readings
from meterlink.journal.reader import TOO_LONG, Place, Segment, lines, seq_of
from meterlink.journal.sealed import Seals
from meterlink.journal.segments import segment_key
from meterlink.plainfile import opened
from meterlink.registry import Spec, find

SMALL_S = 1.0  # a step back of the clock that is no matter: arrivals of two instruments are written together
BEING_WRITTEN_S = 1.0  # how long a line without LF may grow until it counts as torn

_TIME = re.compile(r"T([01][0-9]|2[0-3])(:[0-5][0-9]){2}\.[0-9]{6}Z", re.ASCII)

_encoder = msgspec.json.Encoder()

Progress = Callable[[int], None]


@lru_cache(maxsize=8)
def _is_date(text: str) -> bool:
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def _digest(path: Path) -> str:
    digest = sha256()
    with opened(path, follow=False) as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


class Verification:
    """One pass; `run` gives the report."""

    def __init__(
        self,
        paths: Sequence[Path],
        *,
        signers: Path | None = None,
        trusted: str | None = None,
        chain_only: bool = False,
        partial: bool = False,
        lookup: Callable[[str], Spec] = find,
        progress: Progress = lambda n: None,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        """Takes the segments in order; `partial`: they may begin in the middle of a journal; `lookup` finds drivers."""
        self.report = Report(chain_only=chain_only, trusted=trusted)
        self._paths = list(paths)
        self._signers = signers
        self._progress = progress
        self._wait = wait
        first = next(lines(self._paths), None) if partial else None
        seq = seq_of(first.text) if first else None
        self._chain = Chain(trusted=trusted)
        if first and seq and seq > 1:
            self._chain = Chain(seq - 1, first.text[9:73].decode(), trusted)
            self.report.first_seq = seq
            self.report.notes.append(f"begins at record {seq}: what came before was not given")
        self._readings = Readings(self.report.first_seq == 1, lookup)
        self._keeps = Keeps(self.report.first_seq)
        self._places = Places(self.report.first_seq == 1)
        self._kinds: Counter[str] = Counter()
        self._running = False
        self._newer = False
        self._before = Place(self._paths[-1].name if self._paths else "", 0)  # of the last line that linked
        self._at = ""
        self._day = ""
        self._steps_back = 0

    def run(self) -> Report:
        """Raises BadInput when a file cannot be read."""
        self._seals = Seals(self._paths, self._signers)
        for path in self._paths:
            self.report.segments.append(path.name)
            segment = Segment(path)
            try:
                if not self._segment(path, segment):
                    break
            except JournalBroken:  # of a line that is too long: all else is told where it is found
                self._wrong(Place(path.name, segment.lines + 1), TOO_LONG)
                break
        r = self.report
        if not r.fault_count and r.trusted and self._chain.met is None:
            self._wrong(self._before, f"the journal ends here and never passes through the head {r.trusted}")
        if not r.fault_count:
            last = self._chain.seq
            for wrong in self._seals.cut_off(last) + ([] if r.chain_only else self._seals.end(last)):
                self._wrong(self._before, wrong)
        self._signed()
        r.last_seq, r.head, r.trusted_seq = self._chain.seq, self._chain.head, self._chain.met
        r.records = max(0, r.last_seq - r.first_seq + 1)
        r.kinds = dict(sorted(self._kinds.items()))
        r.readings_checked = dict(self._readings.checked)
        r.readings_unchecked = dict(self._readings.unchecked)
        r.keeps_checked, r.keeps_unchecked = self._keeps.checked, dict(self._keeps.unchecked)
        r.last_at = self._at or None
        if self._steps_back:
            r.notes.append(f"{self._steps_back} times the clock stepped back without a clock record")
        r.ok = r.fault_count == 0 and r.records > 0
        return r

    def _signed(self) -> None:
        r, found = self.report, self._seals
        r.seals = [str(one) for one in found.holding] + found.unchecked
        if newest := max(found.holding, key=lambda one: (one.allowed, one.through), default=None):
            r.signed_through, r.signed_by, r.signer_allowed = newest.through, newest.who, newest.allowed

    # -- one segment

    def _segment(self, path: Path, segment: Segment) -> bool:
        """Whether the pass may go on."""
        done = 0
        for batch in segment:
            start, offset = segment.lines, segment.offset
            stop = self._chain.take(batch)
            if not self.report.chain_only:
                for number, text in enumerate(batch[:stop], start + 1):
                    self._prove(path, number, text)
            if stop is None or stop > 0:
                self._before = Place(path.name, start + (len(batch) if stop is None else stop))
            if stop is not None:
                self._broken(path, start + stop + 1, batch[stop], self._following(path, offset, batch, stop))
                return False
            step = sum(map(len, batch)) + len(batch)
            self.report.bytes += step
            done += step
            self._progress(step)
        if segment.tail:
            return self._unended(path, segment, done)
        if not done:
            self.report.notes.append(f"{path.name} is empty")
        return True

    def _unended(self, path: Path, segment: Segment, done: int) -> bool:
        """Bytes behind the last LF: being written, or torn."""
        number = segment.lines + 1
        if path == self._paths[-1]:
            for _ in range(10):
                self._wait(BEING_WRITTEN_S / 10)
                if (line := next(lines([path], done), None)) is not None:
                    if self._chain.take([line.text]) is None:
                        if not self.report.chain_only:
                            self._prove(path, number, line.text)
                        return True
                    self._broken(path, number, line.text, None)
                    return False
        self._wrong(
            Place(path.name, number),
            f"{len(segment.tail)} bytes without a line end: cut off there, or torn by a power cut"
            " (the next `meterlink run` moves a torn end aside)",
        )
        return False

    def _following(self, path: Path, offset: int, batch: list[bytes], stop: int) -> bytes | None:
        """The line after the one that does not link."""
        if stop + 1 < len(batch):
            return batch[stop + 1]
        behind = offset + sum(map(len, batch)) + len(batch)
        rest = self._paths[self._paths.index(path) :]
        with suppress(JournalBroken):  # too long to be one
            line = next(lines(rest, behind), None)
            return line.text if line else None
        return b""

    def _broken(self, path: Path, number: int, line: bytes, following: bytes | None) -> None:
        self.report.chain_broken = True
        wrong = self._chain.explain(line, following, number == 1)
        self._wrong(self._before if wrong.back else Place(path.name, number), wrong.reason)

    def _wrong(self, place: Place, reason: str) -> None:
        self.report.fault_count += 1
        if len(self.report.faults) < NAMED:
            self.report.faults.append(Fault(place.segment, place.line, reason))

    # -- one record that links

    def _prove(self, path: Path, number: int, text: bytes) -> None:
        place = Place(path.name, number)
        try:
            entry = records.decode(text)
        except JournalBroken as error:
            wrong = form(text)
            if wrong is None and self._newer:
                self.report.unknown += 1
                self._places.lose()
                return
            self._wrong(place, wrong or f"is no record of format {records.FORMAT}: {error}")
            return
        self._kinds[entry.kind] += 1
        if number == 1:
            self._first(place, entry)
        self._time(place, entry)
        if entry.record is None:
            self.report.unknown += 1
        if reason := self._strict(text, entry) or self._one(path, entry):
            self._wrong(place, reason)

    def _first(self, place: Place, entry: records.Entry) -> None:
        """A segment is named for the date of its first record, or a later one if the clock went back."""
        key = segment_key(place.segment)
        if key is None:
            return
        day = entry.at[:10]
        if day > key[0]:
            self._wrong(place, f"is of {day} and stands in the segment of {key[0]}: it was renamed")
        elif max(day, self._day) < key[0]:
            self.report.notes.append(
                f"{place.segment} begins with a record of {day}: the clock went back, or it was renamed"
            )
        self._day = key[0]

    def _time(self, place: Place, entry: records.Entry) -> None:
        if not (_TIME.fullmatch(entry.at, 10) and _is_date(entry.at[:10])):
            self._wrong(place, f"its at {entry.at!r} is no UTC time with six decimals (RFC 3339)")
            return
        if entry.at < self._at and entry.kind not in ("clock", "start"):
            back = records.moment(self._at) - records.moment(entry.at)
            self._steps_back += back.total_seconds() > SMALL_S
        self._at = entry.at
        self.report.first_at = self.report.first_at or entry.at

    @staticmethod
    def _strict(text: bytes, entry: records.Entry) -> str | None:
        """A line that is not spelt as meterlink spells it is read once more, in full: names given twice, bytes
        that are not UTF-8 in fields that nobody reads, nesting without end."""
        head = b'{"prev":"%b","seq":%d,"at":"%b",' % (entry.prev.encode(), entry.seq, entry.at.encode())
        if entry.record is not None and text == head + _encoder.encode(entry.record)[1:]:
            return None
        if reason := form(text):
            return reason

        def once(pairs: list[tuple[str, object]]) -> dict[str, object]:
            found = dict(pairs)
            if len(found) < len(pairs):
                raise ValueError("a name is given twice (RFC 8259, 4): readers would not agree on its value")
            return found

        try:
            json.loads(text.decode(), object_pairs_hook=once)
        except (ValueError, RecursionError) as error:
            return f"is no record: {error}"
        return None

    def _one(self, path: Path, entry: records.Entry) -> str | None:
        record = entry.record
        match record:
            case records.Reading():
                self._keeps.hold(entry.seq, record)
                return self._readings.check(record) or self._places.check(record)
            case records.Kept():
                return self._keeps.check(entry.seq, record) or self._places.check(record)
            case records.Context():
                self._places.stand(record)
            case records.Instrument():
                if note := self._readings.introduce(record):
                    self.report.notes.append(note)
            case records.Void():
                if not 1 <= record.of < entry.seq:
                    return f"withdraws record {record.of}, which is not before it"
                self.report.voided += 1
                self._keeps.withdraw(record.of)
            case records.Start():
                self.report.starts += 1
                self.report.broken_off += self._running
                self._running = True
                self._newer = record.format > records.FORMAT
                if self._newer:
                    self.report.notes.append(
                        f"record {entry.seq} begins format {record.format}; this program knows {records.FORMAT}"
                    )
            case records.Stop():
                self._running = False
            case records.Recovered():
                self._recovered(path, record)
            case records.Gap():
                self.report.lost[record.instrument] = self.report.lost.get(record.instrument, 0) + record.count
            case records.SetAside():
                count = f"{len(record.files)} file" + ("s" if len(record.files) != 1 else "")
                self.report.aside.append(f"an older journal lies in {record.folder}: {count}")
            case records.Seal():
                return self._seals.record(path.parent, record)
            case _:
                pass  # the chain vouches for it
        return None

    def _recovered(self, path: Path, record: records.Recovered) -> None:
        """The torn end is no part of the chain; it is held against its record where it is still there."""
        self.report.torn.append(f"{record.bytes} bytes off the end of {record.segment}, in {record.moved_to}")
        torn = path.parent / Path(record.moved_to).name
        if not torn.is_file() or torn.is_symlink():
            self.report.notes.append(f"the torn end {record.moved_to} ({record.bytes} bytes) is not here")
        elif _digest(torn) != record.sha256:
            self.report.notes.append(f"the torn end {record.moved_to} is not the one that its record tells of")
