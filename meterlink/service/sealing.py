"""Seals as records: those that a command made, and those of the bench's own key at a new segment and at a job's end."""

from __future__ import annotations

from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import Any

from meterlink import records
from meterlink.errors import JournalFailed, Refused
from meterlink.journal.reader import lines, locate, seq_of
from meterlink.service.clock import Moment
from meterlink.service.requests import text, whole
from meterlink.service.scribe import Scribe
from meterlink.service.sealer import Sealer, Signed


class Sealing:
    """Owned by the loop. `key` is the bench's own, or None; `say` takes a line, `refuse` one that has to be heard."""

    def __init__(
        self,
        scribe: Scribe,
        key: str | None,
        put: Callable[[Signed], None],
        say: Callable[[str], None],
        refuse: Callable[[str], None],
    ) -> None:
        self._scribe = scribe
        self._say, self._refuse = say, refuse
        folder = scribe.writer.folder
        self._sealer = Sealer(folder, Path(key).expanduser(), put) if key else None
        self._segment = scribe.writer.segment
        self._wanted = False

    def start(self) -> None:
        if self._sealer:
            self._sealer.start()

    def stop(self) -> None:
        if self._sealer:
            self._sealer.stop()

    def took(self, record: records.Record) -> None:
        """A record is on the disk: the end of a job is sealed."""
        self._wanted = self._wanted or (isinstance(record, records.Job) and record.event == "closed")

    def due(self) -> None:
        """Ask for a seal where a segment has begun, or a job has ended."""
        writer = self._scribe.writer
        if self._sealer is None or self._scribe.failing or not writer.durable_seq:
            return
        if self._wanted or writer.segment != self._segment:
            self._wanted, self._segment = False, writer.segment
            self._sealer.ask(writer.durable_seq)

    def signed(self, item: Signed, now: Moment) -> None:
        """Record what the key gave, or say why it gave none."""
        if item.seal is None:
            self._refuse(f"the journal was not sealed: {item.why}")
            return
        try:
            self._scribe.promise((item.seal,), now)
        except JournalFailed:
            return  # told; verify finds the signature all the same
        self._say(f"sealed through record {item.seal.through}: {item.seal.signature_file}")

    def request(self, fields: dict[str, Any], now: Moment) -> int:
        """Record a signature that a command made; gives the record's seq.

        Raises  Refused for a head that is not on the disk: it could still be withdrawn, and the seal would lie;
                BadInput for what is none, JournalFailed.
        """
        through, head = whole(fields, "through", required=True), text(fields, "head")
        self._scribe.sync(now)
        if through is None or head is None or not self._holds(through, head):
            raise Refused(f"record {through} with that head is not on the disk: seal again")
        record = records.Seal(head=head, through=through, signature_file=str(text(fields, "signature_file")))
        (seq,) = self._scribe.promise((record,), now)
        return seq

    def _holds(self, through: int, head: str) -> bool:
        """The newest segment holds this record, under this head."""
        writer = self._scribe.writer
        if writer.segment is None or not 1 <= through <= writer.durable_seq:
            return False
        path = writer.folder / writer.segment
        _, offset = locate([path], through)
        line = next(lines([path], offset), None)
        return line is not None and seq_of(line.text) == through and sha256(line.text).hexdigest() == head
