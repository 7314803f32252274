"""The loop's hand on the journal: promised records committed before they count, readings flushed and synced in time.

When the disk refuses, nothing that waited counts; the readings that are lost from then on are counted by instrument and
told in a `gap` as the first records that it takes again. One owner, no thread of its own; times are passed in.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from meterlink import records
from meterlink.errors import JournalFailed
from meterlink.journal.writer import Writer
from meterlink.service.clock import Moment

FLUSH_S = 0.05  # the promise is 0.1 s
SYNC_S = 0.5  # the promise is 1 s
LATER_S = 1.0  # between tries while the disk refuses

Took = Callable[[int, str, records.Record], None]


class Scribe:
    """`took` hears of each promised record once it is on the disk, `failed` of a first refusal, `mended` of the end."""

    def __init__(
        self, writer: Writer, took: Took, failed: Callable[[str], None], mended: Callable[[], None] = lambda: None
    ) -> None:
        self.writer = writer
        self.failing: str | None = None  # why the disk refuses, while it does
        self.dropped: dict[str, int] = {}
        self._took = took
        self._failed = failed
        self._mended = mended
        self._lost_since: dict[str, list[str]] = {}
        self._waiting_since: float | None = None
        self._unsynced_since: float | None = None
        self._try_again_at = 0.0

    def promise(self, batch: Sequence[records.Record], moment: Moment) -> list[int]:
        """Append and commit; only then are they taken in. Gives their seqs.

        Raises  JournalFailed; BadInput for a record that readers would refuse: then none of them is written.
        """
        if self.failing and not self.mend(moment):
            raise JournalFailed(self.failing)
        try:
            seqs = self.writer.append_all(batch, moment.at)
            self.writer.commit()
        except JournalFailed as error:
            self._refused(error, moment)
            raise
        self._waiting_since = self._unsynced_since = None
        for seq, record in zip(seqs, batch, strict=True):
            self._took(seq, records.timestamp(moment.at), record)
        return seqs

    def stream(self, record: records.Reading, moment: Moment) -> int | None:
        """Append a reading, to be on the disk in time; gives its seq, None while the disk refuses: it is counted."""
        if self.failing and not self.mend(moment):
            self._drop(record.instrument, moment, 1)
            return None
        seq = self.writer.append(record, moment.at)
        self._waiting_since = moment.t if self._waiting_since is None else self._waiting_since
        self._unsynced_since = moment.t if self._unsynced_since is None else self._unsynced_since
        return seq

    def sync(self, now: Moment) -> None:
        """What was streamed so far onto the disk now. Raises JournalFailed."""
        try:
            self.writer.commit()
        except JournalFailed as error:
            self._refused(error, now)
            raise
        self._waiting_since = self._unsynced_since = None

    def due(self, now: Moment) -> None:
        """Flush and sync what the promises ask for; try again where the disk refused."""
        if self.failing:
            self.mend(now)
            return
        try:
            if self._unsynced_since is not None and now.t - self._unsynced_since >= SYNC_S:
                self.sync(now)
            elif self._waiting_since is not None and now.t - self._waiting_since >= FLUSH_S:
                self._flush(now)
        except JournalFailed:
            pass  # told and counted where it was met

    def _flush(self, now: Moment) -> None:
        try:
            self.writer.flush()
        except JournalFailed as error:
            self._refused(error, now)
            raise
        self._waiting_since = None

    def mend(self, now: Moment) -> bool:
        """Try whether the disk takes records again, the gaps first."""
        if now.t < self._try_again_at:
            return False
        self._try_again_at = now.t + LATER_S
        try:
            for name, (since, to) in self._lost_since.items():
                gap = records.Gap(
                    instrument=name,
                    count=self.dropped[name],
                    from_=since,
                    to=to,
                    why=self.failing or "the disk refused",
                )
                self.writer.append(gap, now.at)
            self.writer.commit()
        except JournalFailed as error:
            self.failing = str(error)
            return False
        self.failing = None
        self.dropped.clear()
        self._lost_since.clear()
        self._mended()
        return True

    def _refused(self, error: JournalFailed, moment: Moment) -> None:
        for name, n in error.dropped.items():
            self._drop(name, moment, n)
        self._waiting_since = self._unsynced_since = None
        self._try_again_at = moment.t + LATER_S
        self.failing = str(error)
        self._failed(self.failing)

    def _drop(self, instrument: str, moment: Moment, n: int) -> None:
        at = records.timestamp(moment.at)
        self.dropped[instrument] = self.dropped.get(instrument, 0) + n
        self._lost_since.setdefault(instrument, [at, at])[1] = at
