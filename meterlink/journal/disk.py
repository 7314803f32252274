"""Every operation that the journal's writer asks of the disk, so that tests can make the Nth one fail.

Thin on purpose: one system call each, OSError goes up. A file descriptor is closed on exec, a new file is
readable by its owner alone. Source: open(2), fsync(2), flock(2), posix_fadvise(2).
"""

from __future__ import annotations

import errno
import fcntl
import os
from pathlib import Path
from typing import NamedTuple


class Seen(NamedTuple):
    """What the system says of a file or folder: stat(2)."""

    device: int
    inode: int
    links: int
    size: int


def _seen(found: os.stat_result) -> Seen:
    return Seen(found.st_dev, found.st_ino, found.st_nlink, found.st_size)


class Disk:
    """The real disk."""

    def make_folder(self, folder: Path) -> None:
        """The folder and what is missing above it, each entry on the disk; mode 0700."""
        missing = [f for f in (folder, *folder.parents) if not f.exists()]
        for one in reversed(missing):
            one.mkdir(mode=0o700, exist_ok=True)
            self.sync_folder(one.parent)

    def names(self, folder: Path) -> list[str]:
        return os.listdir(folder)  # noqa: PTH208 - names, not paths

    def open(self, path: Path, flags: int) -> int:
        """Never through a link, never waiting for a pipe's other end, never taking a terminal for the service's own."""
        return os.open(path, flags | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_NOCTTY, 0o600)

    def open_folder(self, folder: Path) -> int:
        return os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)

    def close(self, fd: int) -> None:
        os.close(fd)

    def size(self, fd: int) -> int:
        """By its end: fstat would make the next write store a fine time stamp, which takes as long as the write."""
        return os.lseek(fd, 0, os.SEEK_END)

    def held(self, fd: int) -> Seen:
        """The file that a descriptor holds, whatever its name has become."""
        return _seen(os.fstat(fd))

    def named(self, path: Path) -> Seen:
        """The file that bears this name now."""
        return _seen(os.lstat(path))

    def read(self, fd: int, count: int, at: int) -> bytes:
        """Up to count bytes from the offset on; none at the end of the file."""
        return os.pread(fd, count, at)

    def write(self, fd: int, data: bytes | memoryview) -> int:
        """Gives how many bytes were taken, perhaps fewer than asked."""
        return os.write(fd, data)

    def overwrite(self, fd: int, data: bytes) -> None:
        """These bytes from the begin of the file on, in place."""
        os.pwrite(fd, data, 0)

    def truncate(self, fd: int, size: int) -> None:
        os.ftruncate(fd, size)

    def sync(self, fd: int) -> None:
        """fdatasync: the data, and the size that is needed to read it back."""
        os.fdatasync(fd)

    def sync_folder(self, folder: Path) -> None:
        fd = self.open_folder(folder)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)

    def forget(self, fd: int) -> None:
        """Drop the clean pages of the cache, so that what is read next comes from the device."""
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)

    def rename(self, old: Path, new: Path) -> None:
        old.rename(new)

    def lock(self, fd: int) -> bool:
        """Take the advisory lock without waiting; False when another holder has it.

        A network file system may lock no folder (flock(2), "NFS details": the descriptor must be open for
        writing); the lock on the file that lies in it holds there.
        """
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError as error:
            if error.errno != errno.EBADF:
                raise
        return True


REAL = Disk()
