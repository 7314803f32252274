"""Disks that fail and disks that forget: what the real one does once in a year, on demand.

Source: "How SQLite Is Tested" (sqlite.org/testing.html), 3.2 I/O error testing, 3.3 crash testing; from memory: make
the Nth operation fail, once and for good; drop what was not synced.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path
from random import Random
from typing import Any

from meterlink.journal.disk import Disk, Seen

OPERATIONS = [n for n in vars(Disk) if not n.startswith("_")]  # found, never listed by hand


class Faulty(Disk):
    """Passes every operation on to another disk, and makes the Nth from now fail, once or from then on.

    A write that fails leaves half of its bytes behind; an fdatasync that fails lets the inner disk lose
    what it was to keep.
    """

    def __init__(self, inner: Disk) -> None:
        self.inner = inner
        self.left: int | None = None
        self.forever = False
        self.code = errno.EIO
        self.only: str | None = None
        self.failed: list[str] = []

    def arm(self, n: int, *, forever: bool = False, code: int = errno.EIO, only: str | None = None) -> None:
        """The nth operation from now fails; `only` counts and fails those of one name."""
        self.left, self.forever, self.code, self.only = n, forever, code, only

    def disarm(self) -> None:
        self.left = None

    def _pass(self, name: str, *args: Any) -> Any:
        if self.left is not None and self.only in (None, name):
            self.left -= 1
            if self.left == 0 or (self.left < 0 and self.forever):
                self.failed.append(name)
                if name == "write":
                    self.inner.write(args[0], bytes(args[1][: len(args[1]) // 2]))
                if name == "sync" and isinstance(self.inner, Forgetful):
                    self.inner.lose(args[0])
                if name == "close":
                    self.inner.close(args[0])  # the descriptor is gone either way: close(2)
                raise OSError(self.code, os.strerror(self.code))
        return getattr(self.inner, name)(*args)


def _forward(name: str) -> Any:
    return lambda self, *args: self._pass(name, *args)


for _name in OPERATIONS:
    setattr(Faulty, _name, _forward(_name))


class Content:
    """One file: what the device holds, what the cache shows, and the operations between the two."""

    def __init__(self) -> None:
        self.device = b""
        self.cache = b""
        self.dirty: list[tuple[int, bytes | None]] = []  # (offset, data); data None: cut to offset

    def do(self, at: int, data: bytes | None) -> None:
        self.cache = applied(self.cache, at, data)
        self.dirty.append((at, data))


def applied(content: bytes, at: int, data: bytes | None) -> bytes:
    before = content[:at].ljust(at, b"\0")
    return before if data is None else before + data + content[at + len(data) :]


class Forgetful(Disk):
    """A disk in memory. `crash` keeps what was synced and any part of the rest; `lose` is a failed fdatasync:
    the pages are clean, the cache still shows them, no later fdatasync writes them (fsync(2), "ERRORS", EIO:
    since Linux 4.13 a write-back error is told once)."""

    def __init__(self) -> None:
        self.files: dict[str, Content] = {}
        self.entries: dict[str, Content] = {}  # as the device has the folder
        self.fds: dict[int, Content] = {}
        self.folder = Content()
        self.locked: list[Content] = []
        self.next_fd = 100

    def make_folder(self, folder: Path) -> None:
        pass

    def names(self, folder: Path) -> list[str]:
        return list(self.files)

    def open(self, path: Path, flags: int) -> int:
        if path.name not in self.files:
            if not flags & os.O_CREAT:
                raise FileNotFoundError(errno.ENOENT, path.name)
            self.files[path.name] = Content()
        self.next_fd += 1
        self.fds[self.next_fd] = self.files[path.name]
        if flags & os.O_TRUNC:
            self.truncate(self.next_fd, 0)
        return self.next_fd

    def open_folder(self, folder: Path) -> int:
        self.next_fd += 1
        self.fds[self.next_fd] = self.folder
        return self.next_fd

    def close(self, fd: int) -> None:
        closed = self.fds.pop(fd)
        if closed in self.locked and closed not in self.fds.values():
            self.locked.remove(closed)

    def size(self, fd: int) -> int:
        return len(self.fds[fd].cache)

    def _seen(self, file: Content) -> Seen:
        return Seen(1, id(file), int(file is self.folder or file in self.files.values()), len(file.cache))

    def held(self, fd: int) -> Seen:
        return self._seen(self.fds[fd])

    def named(self, path: Path) -> Seen:
        if path.name in self.files:
            return self._seen(self.files[path.name])
        if path.name.endswith(".jsonl"):
            raise FileNotFoundError(errno.ENOENT, path.name)
        return self._seen(self.folder)

    def overwrite(self, fd: int, data: bytes) -> None:
        self.fds[fd].do(0, data)

    def read(self, fd: int, count: int, at: int) -> bytes:
        return self.fds[fd].cache[at : at + count]

    def write(self, fd: int, data: bytes | memoryview) -> int:
        self.fds[fd].do(len(self.fds[fd].cache), bytes(data))
        return len(data)

    def truncate(self, fd: int, size: int) -> None:
        self.fds[fd].do(size, None)

    def sync(self, fd: int) -> None:
        file = self.fds[fd]
        for at, data in file.dirty:
            file.device = applied(file.device, at, data)
        file.dirty = []

    def lose(self, fd: int) -> None:
        file = self.fds[fd]
        for at, data in file.dirty:  # half of what waited came through
            file.device = applied(file.device, at, data and data[: (len(data) + 1) // 2])
        file.dirty = []

    def forget(self, fd: int) -> None:
        file = self.fds[fd]
        file.cache = file.device
        for at, data in file.dirty:
            file.cache = applied(file.cache, at, data)

    def sync_folder(self, folder: Path) -> None:
        self.entries = dict(self.files)

    def rename(self, old: Path, new: Path) -> None:
        self.files[new.name] = self.files.pop(old.name)

    def lock(self, fd: int) -> bool:
        if self.fds[fd] in self.locked:
            return False
        self.locked.append(self.fds[fd])
        return True

    def crash(self, random: Random) -> None:
        """The power goes: of what was not synced a part is there, cut anywhere, with holes of NULs."""
        names: dict[str, Content] = {}
        for name in {**self.entries, **self.files}:
            file = random.choice([self.entries.get(name), self.files.get(name)])
            if self.entries.get(name) is self.files.get(name):
                file = self.files[name]
            if file is not None:
                names[name] = file
        for file in {id(f): f for f in names.values()}.values():
            content = file.device
            done = random.randint(0, len(file.dirty))
            for i, (at, data) in enumerate(file.dirty[:done]):
                if data is not None and i == done - 1:
                    data = data[: random.randint(0, len(data))]
                    if data and random.random() < 0.4:
                        a, b = sorted(random.randint(0, len(data)) for _ in range(2))
                        data = data[:a] + bytes(b - a) + data[b:]
                content = applied(content, at, data)
            file.device = file.cache = content
            file.dirty = []
        self.files, self.entries = names, dict(names)
        self.fds, self.locked = {}, []

    def kill(self) -> None:
        """The process goes and the power stays: the cache is whole, the lock is free."""
        self.fds, self.locked = {}, []
