"""Follow: new lines as they come, across segments, like tail -F. A slow consumer slows nobody but itself.

Pure but for reading files: the caller says when to look. A line is given as soon as it is in a segment; one that
the disk then refuses is withdrawn by the writer, and its `seq` comes a second time with what is written instead.
Source: docs/journal.md.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from meterlink.errors import JournalBroken
from meterlink.journal.reader import LONGEST, TOO_LONG, Segment, locate, segments
from meterlink.plainfile import opened

POLL_S = 0.05  # half of the time in which a reading must be in the file


class Follower:
    """A place in a journal that moves on.

    Takes   the journal's folder; the first seq that is wanted, or None for what comes from now on.
    Raises  BadInput when the folder is no journal; JournalBroken for a line that is no line.
    """

    def __init__(self, folder: Path, first_seq: int | None = None) -> None:
        self._folder = folder
        self._path: Path | None = None
        self._offset = 0
        paths = segments(folder)
        if not paths:
            return
        if first_seq is None:
            self._path = paths[-1]
            self._offset = _end(paths[-1])
        else:
            index, self._offset = locate(paths, first_seq)
            self._path = paths[index]

    def look(self) -> Iterator[list[bytes]]:
        """Whole lines (without their LF) that came since, some at a time."""
        while True:
            if self._path is not None:
                size = self._path.stat().st_size
                if size < self._offset:  # the writer cut back what the disk refused
                    self._offset = size
                segment = Segment(self._path, self._offset)
                for batch in segment:
                    yield batch
                    self._offset += sum(map(len, batch)) + len(batch)
            following = self._next()
            if following is None:
                return
            self._path, self._offset = following, 0

    def _next(self) -> Path | None:
        """The segment after this one. It is begun only when this one will not grow any more; what this one
        got between our last read and that is read first."""
        paths = segments(self._folder)
        if self._path is None:
            return paths[0] if paths else None
        later = paths[paths.index(self._path) + 1 :]
        if not later or _end(self._path) > self._offset:
            return None
        return later[0]


def _end(path: Path) -> int:
    """Offset behind the last whole line. Raises JournalBroken for a line longer than LONGEST."""
    with opened(path) as file:
        end = at = file.seek(0, 2)
        while at:
            if end - at > LONGEST:
                raise JournalBroken(f"{path.name}: {TOO_LONG}; run `meterlink journal verify`")
            step = min(at, 1 << 16)
            file.seek(at - step)
            found = file.read(step).rfind(b"\n")
            if found >= 0:
                return at - step + found + 1
            at -= step
    return 0
