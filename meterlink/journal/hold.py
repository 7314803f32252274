"""A writer's hold of a journal's folder: the locks, and the note of how far all is synced.

The lock is on the folder itself, so removing a file in it lets nobody in; and on journal.lock too, for network file
systems that lock no folder (flock(2), "NFS details"), and against an older version that knows that lock alone.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from meterlink.errors import Refused
from meterlink.journal import synced
from meterlink.journal.disk import Disk
from meterlink.journal.disturbed import in_place, same

LOCK = "journal.lock"


class Hold:
    """Held until release(); `left` is the note of the writer before.

    Raises  Refused where another one writes; OSError.
    """

    def __init__(self, disk: Disk, folder: Path) -> None:
        self._disk = disk
        self.path = folder.resolve()
        self._place = self.path / LOCK
        self._held: list[int] = []
        try:
            home = self._open(disk.open_folder(folder))
            self._home = disk.held(home)
            free = disk.lock(home)
            self._file = self._open_lock()
            self._lock = disk.held(self._file)
            self.left = synced.read(disk.read(self._file, synced.LENGTH, 0))
            if not free or not disk.lock(self._file):
                raise Refused(
                    f"{folder} is being written by process {self.left.pid or '(not known)'}: stop that service, "
                    "or give this bench its own folder with --dir"
                )
        except BaseException:
            self.release()
            raise

    def _open(self, fd: int) -> int:
        self._held.append(fd)
        return fd

    def note(self, segment: str | None, size: int, *, sync: bool = False) -> None:
        """Leave word that this segment is synced up to there. Raises OSError."""
        self._put_back()
        there = synced.Synced(segment, size) if segment else None
        self._disk.overwrite(self._file, synced.line(os.getpid(), there))
        if sync:
            self._disk.sync(self._file)

    def _put_back(self) -> None:
        """The file of the note is where the next start looks for it, whoever took it away. Raises OSError."""
        with suppress(FileNotFoundError):
            if same(self._lock, self._disk.named(self._place)):
                return
        spare = self._open_lock()
        try:
            if self._disk.lock(spare):
                self._file, self._lock, spare = spare, self._disk.held(spare), self._file
        finally:
            self._held.remove(spare)
            self._disk.close(spare)

    def _open_lock(self) -> int:
        return self._open(self._disk.open(self._place, os.O_RDWR | os.O_CREAT))

    def still_there(self) -> None:
        """The path leads to the folder that is held. Raises JournalBroken, or OSError where nothing is there."""
        in_place("the folder", self._home, self._disk.named(self.path))

    def release(self) -> None:
        held, self._held = self._held, []
        for fd in held:
            with suppress(OSError):  # nothing is acknowledged on the strength of a close
                self._disk.close(fd)
