"""The note of how far the journal was synced: a line in journal.lock, written anew after each sync that succeeded.

It is what tells a power cut from a change that came later: bytes below the note were on the disk, so no power cut
can have taken them. The note itself is not synced: after a power cut an older one may stand there, which says less
and nothing false. Its check sum tells one that was half written. Derived here; the order of writes that it leans on:
fdatasync(2) returns before the note is written.
"""

from __future__ import annotations

from zlib import crc32

import msgspec

LENGTH = 128  # of the line: in one sector, written in place


class Synced(msgspec.Struct, frozen=True):
    """Up to which byte of which segment all was synced; every segment before it is synced whole."""

    segment: str
    size: int


class Note(msgspec.Struct, frozen=True):
    """What journal.lock says.

    pid     of who writes, or wrote last; None where no line of a writer is there
    synced  None in a journal without a segment, and where the note cannot be read
    absent  nobody wrote such a note here: an older version, or segments that were copied without it
    """

    pid: int | None
    synced: Synced | None
    absent: bool


def line(pid: int, synced: Synced | None) -> bytes:
    """The note's bytes, LENGTH of them."""
    words = f"{pid} {synced.segment} {synced.size}" if synced else f"{pid} - 0"
    return f"{words} {_sum(words)}".ljust(LENGTH - 1).encode() + b"\n"


def read(data: bytes) -> Note:
    """What the bytes of journal.lock say; any bytes are taken."""
    words = data.decode("ascii", "replace").split()
    pid = int(words[0]) if words and words[0].isascii() and words[0].isdigit() else None
    if len(words) < 2 and not data.strip(b"0123456789\n"):  # nothing, or the bare pid of an older version
        return Note(pid, None, absent=True)
    if len(words) != 4 or words[3] != _sum(" ".join(words[:3])) or not words[2].isdigit():
        return Note(None, None, absent=False)
    return Note(pid, None if words[1] == "-" else Synced(words[1], int(words[2])), absent=False)


def _sum(words: str) -> str:
    return f"{crc32(words.encode()):08x}"
