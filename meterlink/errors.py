"""What can go wrong, one class for each person who must act.

The message says what, where (file, line, key, offset, hex) and what to do; it is one line and
reaches the user as it is. Exit codes are mapped in meterlink/exits.py and nowhere else.
Foreign exceptions stop at the border where they arise (`raise ... from`).
"""


class MeterlinkError(Exception):
    """The root: everything that meterlink raises on purpose."""


class BadInput(MeterlinkError):  # noqa: N818 - named for what the user gave
    """The user's file, argument or name is wrong: they correct it and call again."""


class CheckFailed(MeterlinkError):  # noqa: N818
    """A check ran and found something wrong (verify, driver check, doctor)."""


class Unreachable(MeterlinkError):  # noqa: N818
    """The service does not answer: start it, or name the right bench."""


class Refused(MeterlinkError):  # noqa: N818
    """A safety limit, a full disk or a lock forbids it; nothing was done."""


class NoBoard(Refused):
    """What was asked for needs a board, and none is on the bench."""


class RailFed(Refused):
    """A rail of the board on the bench is fed: it stays there until its supply is off."""


class LinkLost(MeterlinkError):  # noqa: N818
    """The port is gone or cannot be opened: the supervisor backs off and tries again."""


class JournalBroken(MeterlinkError):  # noqa: N818
    """A line of a journal does not say what the format promises (segment, line, reason)."""


class JournalFailed(MeterlinkError):  # noqa: N818
    """The disk did not take what was written: nothing of it may be acknowledged.

    full      the disk or the quota is full: free space, then go on
    dropped   readings that were withdrawn, by instrument: the caller counts them and writes a `gap`
    """

    def __init__(self, message: str = "", *, full: bool = False, dropped: dict[str, int] | None = None) -> None:
        super().__init__(message)
        self.full = full
        self.dropped: dict[str, int] = dropped or {}
