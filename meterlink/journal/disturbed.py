"""What somebody else did to a journal while it is written, and what a fault of its disk is to the user.

Pure: what the system says of files comes in, the reason why nothing may be acknowledged goes out. Source: stat(2).
"""

from __future__ import annotations

import errno
from pathlib import Path

from meterlink.errors import JournalBroken, JournalFailed
from meterlink.journal.disk import Seen

FULL = (errno.ENOSPC, errno.EDQUOT)
GONE = (errno.ENOENT, errno.ENOTDIR, errno.ESTALE, errno.ELOOP)


def same(a: Seen, b: Seen) -> bool:
    """Two looks at one file, whatever its size."""
    return (a.device, a.inode) == (b.device, b.inode)


def as_written(segment: str, size: int, written: int) -> None:
    """Nobody but its writer has written to a segment, or cut it. Raises JournalBroken."""
    if size != written:
        raise JournalBroken(
            f"{segment} was changed by another program while it was written: it holds {size} bytes, not {written}"
        )


def alone(segment: str, held: Seen, written: int) -> None:
    """As `as_written`, and nobody has linked or removed it. Raises JournalBroken."""
    as_written(segment, held.size, written)
    if held.links != 1:
        what = "was removed" if held.links < 1 else "has a second name (a hard link)"
        raise JournalBroken(f"{segment} {what} while it was written")


def in_place(what: str, held: Seen, named: Seen) -> None:
    """The name of a segment or folder still leads to what its writer holds. Raises JournalBroken."""
    if not same(held, named):
        raise JournalBroken(f"{what} was moved or replaced while it was written")


def refusal(folder: Path, error: OSError | JournalBroken, dropped: dict[str, int]) -> JournalFailed:
    """The fault as the line that the user reads: what it is, and what to do about it."""
    code = error.errno if isinstance(error, OSError) else None
    what = (error.strerror if isinstance(error, OSError) else None) or str(error)
    if code == errno.ELOOP:
        what = "a link stands in its place"
    elif code in GONE:
        what = "its segment or folder is not there any more"
    if code in FULL:
        do = "free space on its disk"
    elif code is None or code in GONE:
        do = "put it back as it was, or stop the service and begin a new journal with `meterlink run --new-journal`"
    else:
        do = "check the disk (`meterlink doctor`) and its cables"
    return JournalFailed(
        f"the journal in {folder} cannot be written: {what}; {do}; nothing is acknowledged until a write works",
        full=code in FULL,
        dropped=dropped,
    )
