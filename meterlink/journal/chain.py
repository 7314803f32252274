"""Proof 1: every `prev` is the SHA-256 of the line before, every `seq` the next one.

The check is bytes against bytes: a line must begin with exactly the head that the line before it asks for, so no
JSON is parsed. Finding a fault is cheap, naming the line that was changed takes a second look: a line that was
edited shows in the `prev` of the NEXT line. Source: docs/journal.md; FIPS 180-4.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from hashlib import sha256
from typing import NamedTuple

import msgspec

from meterlink import records
from meterlink.journal.reader import seq_of

_PREV = slice(9, 73)  # of a line: the digits of its prev
_FIRST_FOUR = re.compile(rb'\{"prev":"[0-9a-f]{64}","seq":[1-9][0-9]*,"at":"[^"\\]*","kind":"[^"\\]*"[,}]')
_head = msgspec.json.Decoder(records.Head)


class Wrong(NamedTuple):
    """A fault: `back` is 1 when the line before the one that does not link is the wrong one."""

    back: int
    reason: str


class Chain:
    """How far the chain holds; it begins before the first record, or behind a line that is given.

    seq, head  of the last line that linked
    trusted    a head that the chain must pass through; `met` is the seq of its line once it did
    """

    def __init__(self, seq: int = 0, head: str = records.GENESIS, trusted: str | None = None) -> None:
        self.seq = seq
        self._head = head.encode()
        self._trusted = trusted.encode() if trusted else b""
        self.met = seq if self._trusted == self._head else None

    @property
    def head(self) -> str:
        return self._head.decode()

    def take(self, lines: Sequence[bytes]) -> int | None:
        """Follow the chain through these lines.

        Gives   the index of the first that does not link (the state stays at the line before it), or None.
        """
        seq, head, trusted, wrong = self.seq, self._head, self._trusted, None
        for line in lines:
            if not line.startswith(b'{"prev":"%b","seq":%d,"at":"' % (head, seq + 1)):
                wrong = seq - self.seq
                break
            seq += 1
            head = sha256(line).hexdigest().encode()
            if head == trusted:
                self.met = seq
        self.seq, self._head = seq, head
        return wrong

    def explain(self, line: bytes, following: bytes | None, first: bool) -> Wrong:
        """Which line is wrong where `take` stopped, and why.

        Takes   the line that does not link, the one after it, whether it is the first of its segment.
        """
        if reason := form(line):
            return Wrong(0, reason)
        prev = line[_PREV]
        found, due = seq_of(line) or 0, self.seq + 1
        if found != due:
            if prev == self._head:
                return Wrong(0, f"its seq was changed: it is {found}, {due} is due")
            if found > due:
                what = "a segment is missing or renamed" if first else "lines are missing before it"
                return Wrong(0, f"its seq is {found}, {due} is due: {what}")
            what = "a segment is there twice or renamed" if first else "a line was put in or moved"
            return Wrong(0, f"its seq is {found}, {due} is due: {what}")
        if sum(a == b for a, b in zip(prev, self._head, strict=True)) > 32:  # two digests agree in 4 of 64
            return Wrong(0, "its prev was changed: it is not the SHA-256 of the line before")
        intact = following is None or following[_PREV] == sha256(line).hexdigest().encode()
        if self.seq and intact:
            return Wrong(1, "was changed after it was written: the next line's prev is not its SHA-256")
        return Wrong(0, "its prev is not the SHA-256 of the line before")


def form(line: bytes) -> str | None:
    """What is wrong with a line as a record of any kind, or None."""
    if not line:
        return "a blank line"
    if line.startswith(b"\xef\xbb\xbf"):
        return "begins with a byte-order mark: the file was saved by an editor"
    if line.endswith(b"\r"):
        return "ends in CR: the line ends were changed"
    try:
        line.decode()
    except UnicodeDecodeError as error:
        return f"byte {error.start + 1} is not UTF-8"
    try:
        _head.decode(line)
    except (ValueError, RecursionError) as error:
        return f"is no record: {error}"
    if not _FIRST_FOUR.match(line):
        return "does not begin with prev, seq, at and kind as the format spells them"
    return None
