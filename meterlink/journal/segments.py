"""The names of a journal's segments, and their order: writer and readers take both from here.

`YYYY-MM-DD.jsonl` is the first segment of a day. Where that name is taken (a segment was closed after a
failed fsync) the day goes on in `YYYY-MM-DDp002.jsonl`, `p003`, ...: the order is (date, part). "p" sorts
after "." and after "jsonl", so that a stranger's `cat journal/*.jsonl` gives the chain's order, by bytes and
in a locale that passes over punctuation.
A segment may be empty: it was begun, and the power went before its first record.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

_NAME = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2})(?:p([0-9]{3,}))?\.jsonl")


def segment_name(day: str, part: int = 1) -> str:
    """The name of the part'th segment of a day ("2026-11-25")."""
    return f"{day}.jsonl" if part == 1 else f"{day}p{part:03}.jsonl"


def segment_key(name: str) -> tuple[str, int] | None:
    """(date, part) of a segment's name, or None for any other file (a lock, a torn end, a signature)."""
    match = _NAME.fullmatch(name)
    return (match[1], int(match[2] or 1)) if match else None


def in_order(names: Iterable[str]) -> list[str]:
    """The segments among these file names, oldest first."""
    keyed = [(key, name) for name in names if (key := segment_key(name))]
    return [name for _, name in sorted(keyed)]
