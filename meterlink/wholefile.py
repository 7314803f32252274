"""A file that appears whole or not at all: written beside its place, then renamed over it (rename(2))."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from meterlink.errors import BadInput


@contextmanager
def whole_file(target: Path) -> Iterator[BinaryIO]:
    """What is written reaches `target` when the block ends without an error; an older file stays until then.

    Raises  BadInput when the place cannot be written.
    """
    part = target.with_name(f".{os.getpid()}.part")
    if target.is_dir():
        raise BadInput(f"{target} is a folder: name the file to write (-o)")
    try:
        with part.open("wb") as file:
            yield file
        part.replace(target)
    except OSError as error:
        raise BadInput(f"{target} cannot be written ({error.strerror}): name another file (-o)") from error
    finally:
        part.unlink(missing_ok=True)
