"""Text for the page: escaped; numbers and times are worded in meterlink.wording.

Invariant: nothing from a journal reaches the page but through `esc`.
"""

from __future__ import annotations

import html
import re
from hashlib import sha256

from meterlink import records, wording
from meterlink.visible import visible
from meterlink.wording import quantity


def esc(text: object) -> str:
    """Text as HTML text or attribute value. Line breaks stay; what else acts or hides is spelled out."""
    return html.escape("\n".join(map(visible, str(text).split("\n"))), quote=True)


def file_name(job: str) -> str:
    """A file's name for a job's mark, of letters, digits, dot, minus and underscore alone.

    A mark that had to be changed for it gets eight digits of its SHA-256, so that two marks never share a file.
    """
    plain = re.sub(r"[^A-Za-z0-9_.-]+", "-", job).strip(".-")[:80]
    if plain and plain == job:
        return plain
    return f"{plain or 'job'}-{sha256(job.encode('utf-8', 'surrogatepass')).hexdigest()[:8]}"


def uncertainty(u: records.Uncertainty, unit: str) -> str:
    """An expanded uncertainty and its factor; not HTML yet."""
    return f"{wording.uncertainty(u.expanded, unit)} (k = {u.k:g})"


def value(kept: records.Kept) -> str:
    """What a keep shows, not HTML yet: its value, or in words why there is none."""
    return quantity(kept.value, kept.unit, kept.resolution, kept.state)


def measured(kept: records.Kept) -> str:
    """What was measured: "voltage dc", "resistance"."""
    return " ".join(filter(None, (kept.function, kept.coupling)))
