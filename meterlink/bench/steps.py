"""What the steps of an injection ask for, one thing at a time, and what they are given. Pure values."""

from __future__ import annotations

from collections.abc import Generator
from decimal import Decimal
from typing import Literal

import msgspec

from meterlink import records
from meterlink.framing import Query


class Send(msgspec.Struct, frozen=True):
    """Send this query; give its reply, or None when none came in time or the link is lost."""

    query: Query


class Put(msgspec.Struct, frozen=True):
    """Have this record on the disk; give whether it is."""

    record: records.Supply


class Show(msgspec.Struct, frozen=True):
    """Something measured while the output is on; nothing is given back but the time."""

    volts: Decimal
    amperes: Decimal
    mode: Literal["cv", "cc"] | None


class Rest(msgspec.Struct, frozen=True):
    """Let so many seconds pass."""

    seconds: float


class Quiet(msgspec.Struct, frozen=True):
    """Where an answer is still owed, let it come and drop it: it would be read as the answer to the next query."""


class Given(msgspec.Struct, frozen=True):
    """What came of it: at monotonic second t; `stop` says why the injection has to end now, or None."""

    t: float
    reply: bytes | None = None
    done: bool = True
    stop: str | None = None


class Ended(msgspec.Struct, frozen=True):
    """How it ended.

    off          False when the set never confirmed that its output is off: sound the alarm
    switched_on  the output was on, or may have been
    seen         it was switched off and the set said so; False with `off` where nothing was sent at all
    """

    why: str
    off: bool
    switched_on: bool
    energy_j: float = 0.0
    seen: bool = False


Wanted = Send | Put | Show | Rest | Quiet
Steps = Generator[Wanted, Given, Ended]
