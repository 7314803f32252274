"""What verify found, as data: `docs/auditor.md` says what each line means."""

from __future__ import annotations

import msgspec

from meterlink.journal.reader import Place

NAMED = 10  # faults that are told in full


class Fault(msgspec.Struct, frozen=True):
    """One wrong line."""

    segment: str
    line: int
    reason: str

    def __str__(self) -> str:
        return f"{Place(self.segment, self.line)}: {self.reason}"


class Report(msgspec.Struct):
    """The whole of one pass.

    signed_through  the newest record up to which a signature holds, and `signed_by` whose; `signer_allowed` says
                    whether that was held against an allowed-signers file
    trusted_seq     the record of the head that was given, where the chain passes through it
    """

    ok: bool = True
    faults: list[Fault] = []
    fault_count: int = 0
    chain_broken: bool = False
    chain_only: bool = False
    segments: list[str] = []
    records: int = 0
    bytes: int = 0
    first_seq: int = 1
    last_seq: int = 0
    first_at: str | None = None
    last_at: str | None = None
    head: str = ""
    trusted: str | None = None
    trusted_seq: int | None = None
    kinds: dict[str, int] = {}
    unknown: int = 0
    readings_checked: dict[str, int] = {}
    readings_unchecked: dict[str, int] = {}
    keeps_checked: int = 0
    keeps_unchecked: dict[str, int] = {}
    voided: int = 0
    seals: list[str] = []
    signed_through: int | None = None
    signed_by: str | None = None
    signer_allowed: bool = False
    starts: int = 0
    broken_off: int = 0
    torn: list[str] = []
    lost: dict[str, int] = {}  # readings that the disk refused, by instrument
    aside: list[str] = []
    notes: list[str] = []
