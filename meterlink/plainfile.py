"""A file that somebody names is opened as a file: a pipe or device holds nobody up, a huge one fills no memory.

The name is looked at first: to open a device is an act on it (a serial port's lines rise, a terminal becomes that of a
service which has none, and ends it when it hangs up). Then the descriptor: what was a file a moment ago may be a pipe
now. Source: open(2), O_NOCTTY and O_NONBLOCK; fifo(7).
"""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import BinaryIO

from meterlink.errors import BadInput


def opened(path: Path, *, follow: bool = True) -> BinaryIO:
    """A plain file, to be read from its begin.

    Takes   follow=False where a link is not to lead elsewhere: in a folder that somebody else made.
    Raises  BadInput, one line: not there, not to be read, no plain file.
    """
    flags = os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC | (0 if follow else os.O_NOFOLLOW)
    fd = -1
    try:
        looked_at = path.stat(follow_symlinks=follow)
        if stat.S_ISREG(looked_at.st_mode) or (not follow and stat.S_ISLNK(looked_at.st_mode)):
            fd = os.open(path, flags)  # a link that is not followed is refused by open, in its words
    except FileNotFoundError as error:
        raise BadInput(f"{path} is not there: check the name") from error
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        raise BadInput(f"{path} cannot be read: {getattr(error, 'strerror', None) or error}") from error
    if fd < 0 or not stat.S_ISREG(os.fstat(fd).st_mode):
        if fd >= 0:
            os.close(fd)
        raise BadInput(f"{path} is no file: write what it gives into one")
    return os.fdopen(fd, "rb")


def content(path: Path, most: int, *, follow: bool = True) -> bytes:
    """All of a plain file of at most so many bytes. Raises BadInput as `opened` does, and for a longer one."""
    with opened(path, follow=follow) as file:
        try:
            data = file.read(most + 1)
        except OSError as error:
            raise BadInput(f"{path} cannot be read: {error.strerror}") from error
    if len(data) > most:
        raise BadInput(f"{path} has more than {most >> 10} KiB: that is the most")
    return data
