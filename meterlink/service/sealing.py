"""A seal as a record: a head of the journal that was signed."""

from __future__ import annotations

from typing import Any

from meterlink import records
from meterlink.errors import Refused
from meterlink.service.clock import Moment
from meterlink.service.requests import text, whole
from meterlink.service.scribe import Scribe


def seal(scribe: Scribe, fields: dict[str, Any], now: Moment) -> int:
    """Record a signature over the segment's head; gives the record's seq.

    Raises  Refused for a head beyond what is on the disk: it could still be withdrawn, and the seal would lie.
    """
    through = whole(fields, "through", required=True)
    scribe.sync(now)
    if through is None or through > scribe.writer.durable_seq:
        raise Refused(f"record {through} is not on the disk yet: seal again")
    record = records.Seal(
        head=str(text(fields, "head")), through=through, signature_file=str(text(fields, "signature_file"))
    )
    (seq,) = scribe.promise((record,), now)
    return seq
