"""A file that appears whole or not at all: written beside its place, then renamed over it (rename(2)).

A new file is its owner's alone (mode 0600, as the journal is), one that was there keeps its mode. The file beside it
has a name that nobody can foresee, and is never one that is there already: in a folder that others may write too, no
link of theirs is followed (open(2), O_EXCL).
Where a person named the place, what is there and is no plain file (a pipe, /dev/stdout) is written to as it is; else
the new file takes its place: nobody is made to wait by a pipe that lies in a folder.
"""

from __future__ import annotations

import errno
import os
import secrets
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from meterlink.errors import BadInput, MeterlinkError, Refused


def not_written(target: Path, error: OSError, remedy: str) -> MeterlinkError:
    """What a write that failed is to the user: a full disk is Refused, any other place is theirs to mend (BadInput)."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return Refused(f"{target} cannot be written: the disk is full; free space, or {remedy}")
    return BadInput(f"{target} cannot be written ({error.strerror}): {remedy}")


@contextmanager
def whole_file(target: Path, *, named: bool = False) -> Iterator[BinaryIO]:
    """What is written reaches `target` when the block ends without an error; an older file stays until then.

    Raises  BadInput when the place cannot be written, Refused when the disk is full.
    """
    if target.is_dir():
        raise BadInput(f"{target} is a folder: name the file to write (-o)")
    plain = not named or target.is_file() or not target.exists()
    part = target.with_name(f".{secrets.token_hex(8)}.part") if plain else target
    try:
        mode = stat.S_IMODE(target.stat().st_mode) if target.is_file() else 0o600
        with _new(part, mode) if plain else part.open("wb") as file:
            yield file
        if plain:
            part.replace(target)
    except OSError as error:
        raise not_written(target, error, "name another file (-o)") from error
    finally:
        if plain:
            with suppress(OSError):  # not there any more, or never was
                part.unlink()


def _new(path: Path, mode: int) -> BinaryIO:
    """A file that was not there, with this mode whatever the umask."""
    fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    os.fchmod(fd, mode)
    return os.fdopen(fd, "wb")
