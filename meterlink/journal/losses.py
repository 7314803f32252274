"""What a journal says is missing from it: readings that the disk refused, ends that a power cut tore off."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from meterlink import records
from meterlink.journal.wording import words


class Losses:
    """Looks on while the records of a journal pass by; `lines` then tells of the newest run of the service."""

    def __init__(self) -> None:
        self._found: list[records.Record] = []

    def watch(self, entries: Iterable[records.Entry]) -> Iterator[records.Entry]:
        """The same entries."""
        for entry in entries:
            if isinstance(entry.record, records.Start):
                self._found.clear()
            elif isinstance(entry.record, records.Gap | records.Recovered):
                self._found.append(entry.record)
            yield entry

    def lines(self) -> list[str]:
        """A line for each loss of the newest run."""
        return [f"in the run before: {words(record)}" for record in self._found]
