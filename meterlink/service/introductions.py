"""Records by which the service introduces itself and its instruments to whoever reads the journal."""

from __future__ import annotations

import socket
import time

from meterlink import __version__, records
from meterlink.journal.wording import words
from meterlink.journal.writer import Writer
from meterlink.service.clock import Moment
from meterlink.service.config import Loaded
from meterlink.service.supervisor import Changed


def start_record(loaded: Loaded) -> records.Start:
    """The service begins to write."""
    return records.Start(
        format=records.FORMAT,
        program="meterlink",
        version=__version__,
        bench=loaded.config.bench,
        host=socket.gethostname(),
        config_sha256=loaded.sha256,
        timezone=time.strftime("%z"),
    )


def begin(writer: Writer, loaded: Loaded, now: Moment) -> list[str]:
    """Write what comes before anything else: what is due, and the start. Gives a line for each that was due.

    Raises  JournalFailed.
    """
    due = writer.due
    for record in (*due, start_record(loaded)):
        writer.append(record, now.at)
    writer.commit()
    return [words(record) for record in due]


def instrument_record(loaded: Loaded, item: Changed, port: str) -> records.Instrument:
    """An instrument came, went or fell silent."""
    spec = loaded.specs[item.instrument]
    profile = loaded.profiles.get(item.instrument)
    return records.Instrument(
        instrument=item.instrument,
        event=item.event,  # type: ignore[arg-type]
        driver=spec.name,
        driver_version=spec.info.version,
        port=port,
        accuracy=profile.source if profile else None,
        why=item.why,
    )
