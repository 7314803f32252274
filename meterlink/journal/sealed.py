"""What the signatures beside a journal say of it, while verify passes through: those that a record names, and orphans.

A signature that no `seal` record names is no less a witness: it holds for these bytes, or they were altered since.
Where it holds, its record was cut off with all that came after, or sealing was broken off; verify says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import msgspec

from meterlink import records
from meterlink.errors import BadInput
from meterlink.journal import seal as seals


class Signature(msgspec.Struct, frozen=True):
    """A signature that holds: through which record, whose it is, and whether that is an allowed signer."""

    through: int
    who: str
    allowed: bool
    orphan: bool = False

    def __str__(self) -> str:
        orphan = "; no seal record names it: that was cut off, or sealing was broken off" if self.orphan else ""
        return f"through record {self.through}: signed by {self.who}{orphan}"


class Seals:
    """Of one pass over these segments. The signature files are looked for at its begin: one that is made meanwhile is
    of records that the pass may not reach."""

    def __init__(self, paths: Sequence[Path], signers: Path | None) -> None:
        self._signers = signers
        self._orphans = {name: (path, through) for path in paths for through, name in seals.beside(path).items()}
        self.holding: list[Signature] = []
        self.unchecked: list[str] = []

    def record(self, folder: Path, record: records.Seal) -> str | None:
        """Take a seal record in; gives what is wrong with it, or None."""
        self._orphans.pop(record.signature_file, None)
        return self._taken(seals.check, folder, record, orphan=False)

    def cut_off(self, last_seq: int) -> list[str]:
        """What the names of the signatures alone say of a chain that ends with this record."""
        return [
            f"the journal ends at record {last_seq}; {name} signed more: newer records were cut off"
            for name, (_, through) in self._orphans.items()
            if through > last_seq
        ]

    def end(self, last_seq: int) -> list[str]:
        """What is wrong at the end of a chain that holds through this record, beside what was cut off."""
        wrong = []
        for name, (path, through) in sorted(self._orphans.items(), key=lambda item: item[1][1]):
            record = records.Seal(head=records.GENESIS, through=through, signature_file=name)
            if through <= last_seq and (found := self._taken(seals.held_against, path.parent, record, orphan=True)):
                wrong.append(f"{found}; no seal record names it: it was made of other records than these")
        if self._signers is not None and not any(s.allowed for s in self.holding):
            wrong.append("no seal of an allowed signer")
        return wrong

    def _taken(self, check: seals.Check, folder: Path, record: records.Seal, *, orphan: bool) -> str | None:
        try:
            found = check(folder, record, self._signers)
        except BadInput as error:
            found = seals.Sealed(unchecked=str(error))
        if found.unchecked and self._signers is not None:
            return f"its seal cannot be checked: {found.unchecked}"
        if found.unchecked:
            self.unchecked.append(f"through record {record.through}: not checked: {found.unchecked}")
        elif found.wrong is None:
            who, allowed = found.who or "?", self._signers is not None
            self.holding.append(Signature(record.through, who, allowed, orphan))
        return found.wrong
