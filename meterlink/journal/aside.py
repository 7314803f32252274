"""A journal that cannot be gone on with is set aside whole, and the new one beside it says what it was.

The old folder gets another name, which is one step of the file system: `journal` becomes `journal.before-1`. A journal
that holds no record and has such a folder beside it tells of the newest one in its first record: so a crash between
the two leaves nothing untold. Nothing in the old folder is changed.
"""

from __future__ import annotations

import os
import re
from hashlib import sha256
from pathlib import Path

from meterlink import records
from meterlink.errors import Refused
from meterlink.journal.disk import Disk
from meterlink.journal.hold import LOCK, Hold

CHUNK = 1 << 20


def set_aside(disk: Disk, folder: Path) -> Path | None:
    """Rename a journal's folder; gives its new path, None where there is no folder.

    Raises  Refused when a service writes it, or it cannot be renamed.
    """
    folder = folder.resolve()
    if not folder.is_dir():
        return None
    target = folder.with_name(f"{folder.name}.before-{max(_numbers(disk, folder), default=0) + 1}")
    try:
        hold = Hold(disk, folder)
        try:
            disk.rename(folder, target)
            disk.sync_folder(folder.parent)
        finally:
            hold.release()
    except OSError as error:
        raise Refused(f"{folder} cannot be renamed to {target.name}: {error.strerror}") from error
    return target


def untold(disk: Disk, folder: Path) -> tuple[records.SetAside, ...]:
    """What the first record of an empty journal tells: the newest journal that was set aside beside it, if any."""
    folder = folder.resolve()
    newest = max(_numbers(disk, folder), default=0)
    if not newest:
        return ()
    old = folder.with_name(f"{folder.name}.before-{newest}")
    files = [_file(disk, old / name) for name in sorted(disk.names(old)) if name != LOCK]
    return (records.SetAside(folder=old.name, files=[f for f in files if f is not None]),)


def _numbers(disk: Disk, folder: Path) -> list[int]:
    pattern = re.compile(re.escape(folder.name) + r"\.before-([1-9][0-9]{0,8})")
    return [int(m[1]) for name in disk.names(folder.parent) if (m := pattern.fullmatch(name))]


def _file(disk: Disk, path: Path) -> records.SetAsideFile | None:
    """A plain file's size and hash; None for anything else that lies there."""
    if not path.is_file() or path.is_symlink():
        return None
    fd = disk.open(path, os.O_RDONLY)
    try:
        digest, at = sha256(), 0
        while part := disk.read(fd, CHUNK, at):
            digest.update(part)
            at += len(part)
    finally:
        disk.close(fd)
    return records.SetAsideFile(name=path.name, bytes=at, sha256=digest.hexdigest())
