"""A file that appears whole or not at all: written beside its place, then renamed over it (rename(2)).

What is there and is no plain file (a pipe, /dev/stdout) is written to as it is: a rename would take its place.
"""

from __future__ import annotations

import errno
import os
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
def whole_file(target: Path) -> Iterator[BinaryIO]:
    """What is written reaches `target` when the block ends without an error; an older file stays until then.

    Raises  BadInput when the place cannot be written, Refused when the disk is full.
    """
    if target.is_dir():
        raise BadInput(f"{target} is a folder: name the file to write (-o)")
    plain = target.is_file() or not target.exists()
    part = target.with_name(f".{os.getpid()}.part") if plain else target
    try:
        with part.open("wb") as file:
            yield file
        if plain:
            part.replace(target)
    except OSError as error:
        raise not_written(target, error, "name another file (-o)") from error
    finally:
        if plain:
            with suppress(OSError):  # not there any more, or never was
                part.unlink()
