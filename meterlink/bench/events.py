"""What the bench core is told, and what it wants done: frozen, so that a run can be written down and repeated."""

from __future__ import annotations

from typing import Literal

import msgspec

from meterlink import records
from meterlink.bench.sheet import Sheet
from meterlink.reading import Reading

SoundName = Literal[
    "kept",  # kept, nothing to hold it against
    "ok",
    "not-ok",
    "short",
    "refused",
    "no-board",  # a touch, and no board is on the bench
    "wrong-function",
    "moved",
    "stepped",  # went on, or something was recorded
    "sheet-done",
    "passed-over",  # the sheet's end, and back to a point that was passed over
    "taken-back",
    "confirm",
    "alarm",
    "short-cleared",
]


class Heard(msgspec.Struct, frozen=True):
    """A reading came; `t` is the monotonic second of its arrival."""

    instrument: str
    reading: Reading
    t: float


class Gone(msgspec.Struct, frozen=True):
    """An instrument was lost or changed: what it showed before counts for nothing."""

    instrument: str


class Press(msgspec.Struct, frozen=True):
    """One of the pedal's three actions, wherever it came from; `t` as in Heard."""

    action: Literal["keep", "back", "next"]
    source: Literal["pedal", "key", "command"]
    t: float


class LeaveOut(msgspec.Struct, frozen=True):
    """These points are left out on purpose; None: all that are still pending."""

    points: tuple[str, ...] | None
    why: str | None
    by: str
    source: records.Source


class Undo(msgspec.Struct, frozen=True):
    """The last thing that this person recorded is taken back, with what it set."""

    by: str
    source: records.Source


class Move(msgspec.Struct, frozen=True, kw_only=True):
    """A keep (None: the last one of the board on the bench) belongs to another point or board."""

    by: str
    source: records.Source
    of: int | None = None
    point: str | None = None
    board: str | None = None
    job: str | None = None


class Who(msgspec.Struct, frozen=True):
    """This person is at the bench from now on."""

    name: str
    source: records.Source


class OpenJob(msgspec.Struct, frozen=True, kw_only=True):
    job: str
    by: str
    model: str | None = None
    customer: str | None = None
    expected: int | None = None
    sheet: Sheet | None = None
    sheet_name: str | None = None  # how the job record names it, to find it again
    source: records.Source = "command"


class CloseJob(msgspec.Struct, frozen=True):
    job: str | None  # None: the current one
    by: str
    source: records.Source = "command"


class NoteJob(msgspec.Struct, frozen=True):
    job: str | None
    text: str
    by: str


class ReceiveBoard(msgspec.Struct, frozen=True):
    """A board comes in: it is counted, and not put on the bench."""

    board: str
    by: str
    job: str | None = None


class TakeBoard(msgspec.Struct, frozen=True):
    """A board is put on the bench: what is kept from now on is its.

    count_in  a mark that the job does not have is counted in; else it is refused
    """

    board: str
    by: str
    source: records.Source
    job: str | None = None
    count_in: bool = False


class SetState(msgspec.Struct, frozen=True):
    state: str
    by: str
    board: str | None = None
    job: str | None = None
    text: str | None = None
    source: records.Source = "command"


class Find(msgspec.Struct, frozen=True, kw_only=True):
    """Something was found or done; `what` as in records.Finding."""

    what: str
    by: str
    part: str | None = None
    text: str | None = None
    board: str | None = None
    job: str | None = None
    source: records.Source = "command"


class GoTo(msgspec.Struct, frozen=True):
    point: str
    source: records.Source


class SetStage(msgspec.Struct, frozen=True):
    stage: records.Stage | None
    source: records.Source


class Withdraw(msgspec.Struct, frozen=True):
    of: int
    why: str
    by: str
    source: records.Source = "command"


class Resume(msgspec.Struct, frozen=True):
    """An injection is over: the bench leads along the sheet again."""


class ConfirmPower(msgspec.Struct, frozen=True):
    """The technician says that the board's power is on, or off and the capacitors are discharged; None: the other of
    the two."""

    source: records.Source
    on: bool | None = None


Event = (
    Heard
    | Gone
    | Press
    | LeaveOut
    | Undo
    | Move
    | Who
    | OpenJob
    | CloseJob
    | NoteJob
    | ReceiveBoard
    | TakeBoard
    | SetState
    | Find
    | GoTo
    | SetStage
    | Withdraw
    | ConfirmPower
    | Resume
)


class Effect(msgspec.Struct, frozen=True):
    """Something to hear and to read, after the records it stands for are on the disk."""

    sound: SoundName
    text: str


class Outcome(msgspec.Struct, frozen=True):
    """What an event leads to."""

    records: tuple[records.Record, ...] = ()
    effects: tuple[Effect, ...] = ()
