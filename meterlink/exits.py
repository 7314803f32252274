"""The exit codes: what an error means to a script, on the command line and on the service's socket. The one place.

0 done, 1 a check found something wrong, 2 wrong usage or bad input, 3 the service (or a port) cannot be reached,
4 refused; 70 a fault of meterlink's own (EX_SOFTWARE of sysexits.h). Source: docs/commands.md.
"""

from __future__ import annotations

from meterlink import errors

FAULT = 70
EXIT: dict[type, int] = {
    errors.CheckFailed: 1,
    errors.JournalBroken: 1,
    errors.BadInput: 2,
    errors.Unreachable: 3,
    errors.LinkLost: 3,
    errors.Refused: 4,
    errors.JournalFailed: 4,
}
CLASS = {1: errors.CheckFailed, 2: errors.BadInput, 3: errors.Unreachable, 4: errors.Refused}


def exit_code(error: errors.MeterlinkError) -> int:
    """The exit code of an error: that of the nearest class in EXIT, else 2."""
    return next((EXIT[c] for c in type(error).__mro__ if c in EXIT), 2)


def error_of(code: int, text: str) -> errors.MeterlinkError:
    """The error that a peer tells by its code."""
    return CLASS.get(code, errors.MeterlinkError)(text)
