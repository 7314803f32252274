"""Proof 5: a reading and a keep stand where the last `context` says that the bench stood; a keep that was moved, or
brought back, is the one that it names, at another place. Pure. Source: docs/journal.md.

A settled keep's point and stage are those at which the probe landed, and no record says when that was: they are not
looked at. Memory is bounded: of the keeps that can be named, the newest KEEPS are held, by their digests.
"""

from __future__ import annotations

from collections import OrderedDict
from hashlib import sha256

import msgspec

from meterlink import records

KEEPS = 1 << 16  # as many as a bench keeps in months

# what a keep at another place may say otherwise
_ELSEWHERE = {"job": None, "board": None, "point": None, "band": None, "verdict": None, "moved": None, "with_": None}

_encoder = msgspec.json.Encoder()


class Places:
    """Where the bench stands, record by record. `whole` says that the records begin at seq 1."""

    def __init__(self, whole: bool) -> None:
        self._at: tuple[str | None, ...] | None = (None,) * 4 if whole else None  # job, board, point, stage

    def stand(self, context: records.Context) -> None:
        """From here on the bench stands there."""
        self._at = (context.job, context.board, context.point, context.stage)

    def lose(self) -> None:
        """A record of a later format may have moved it."""
        self._at = None

    def check(self, record: records.Reading | records.Kept) -> str | None:
        """What is wrong with the place of a reading, or of a keep in its first place; or None."""
        match record:
            case records.Reading():
                says: tuple[str | None, ...] = (record.job, record.board, record.point)
            case records.Kept(moved=int()):
                return None  # it may stand anywhere: Moves
            case records.Kept(by="settled"):
                says = (record.job, record.board)
            case _:
                says = (record.job, record.board, record.point, record.stage)
        if self._at is None or says == self._at[: len(says)]:
            return None
        return f"it says {_words(says)}, the bench stood at {_words(self._at[: len(says)])}"


def _words(place: tuple[str | None, ...]) -> str:
    names = ("job", "board", "point", "stage")
    return ", ".join(f"{name} {said or 'none'}" for name, said in zip(names, place, strict=False))


class Moves:
    """The keeps that a later one may name in `moved`."""

    def __init__(self, first_seq: int) -> None:
        self._first_seq = first_seq
        self._forgotten = 0  # the newest keep that is not held any more
        self._keeps: OrderedDict[int, bytes] = OrderedDict()
        self._withdrawn: set[int] = set()

    def hold(self, seq: int, kept: records.Kept) -> None:
        """A keep that a later one may name."""
        if len(self._keeps) >= KEEPS:
            self._forgotten, _ = self._keeps.popitem(last=False)
            self._withdrawn.discard(self._forgotten)
        self._keeps[seq] = _digest(kept)

    def withdraw(self, seq: int) -> None:
        """A record is withdrawn."""
        if seq in self._keeps:
            self._withdrawn.add(seq)

    def held(self, of: int) -> bool:
        """Whether a keep with this number would be known here."""
        return of >= self._first_seq and of > self._forgotten

    def check(self, kept: records.Kept, of: int) -> str | None:
        """What is wrong with a keep that stands in the place of record `of`, which would be `held`; or None."""
        if of not in self._keeps:
            return f"it stands in the place of record {of}, which is no keep before it"
        if of not in self._withdrawn:
            return f"it stands in the place of record {of}, which is not withdrawn"
        if self._keeps[of] != _digest(kept):
            return f"it stands in the place of record {of}, and says of it more than another place"
        return None


def _digest(kept: records.Kept) -> bytes:
    return sha256(_encoder.encode(msgspec.structs.replace(kept, **_ELSEWHERE))).digest()
