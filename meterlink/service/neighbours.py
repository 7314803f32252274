"""The other benches of the shop, by their journals: read only, so that one board is not taken on two benches.

A thread for each journal follows it beside the loop and holds which boards are on that bench now; the loop looks that
up. Invariants: nothing is written into a neighbour's folder; a look-up takes no longer than LONGEST_WAIT_S; a journal
that is missing, slow, huge or broken counts for nothing and holds nobody up, its neighbours neither.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path

from meterlink import records
from meterlink.bench.events import Effect, Outcome
from meterlink.bench.ledger import Ledger, mark_key
from meterlink.errors import MeterlinkError, Refused
from meterlink.journal.follow import Follower
from meterlink.journal.reader import is_reading, segments
from meterlink.wording import local

LONGEST_WAIT_S = 0.08  # for what a neighbour wrote just now; with the loop's own work it stays below 100 ms
LOOK_S = 1.0  # between two looks that nobody asked for
BACK_OFF_S = (0.25, 1.0, 5.0, 30.0)  # after a journal could not be read
ON = "on the bench"

Key = tuple[str, str]


def _key(job: str, board: str) -> Key:
    """A board as it is compared: a mark is one without regard to case and blanks."""
    return mark_key(job), mark_key(board)


class Neighbours:
    """All of them; `folders` are their journals, `own` is this bench's, which is passed over if it is among them."""

    def __init__(self, folders: Sequence[Path], own: Path) -> None:
        self._all = [_Neighbour(folder, own) for folder in folders]
        self._doubts: set[tuple[str, str]] = set()

    def start(self) -> None:
        for one in self._all:
            one.start()

    def stop(self) -> None:
        """Ask them to end; one that hangs in a read is left behind."""
        for one in self._all:
            one.stop()
        for one in self._all:
            one.join(0.2)

    def elsewhere(self, job: str, board: str) -> str | None:
        """A word on the bench where this board is now, as far as the journals were read; None where none has it."""
        asked = [one.ask() for one in self._all]
        end = time.monotonic() + LONGEST_WAIT_S
        for one, number in zip(self._all, asked, strict=True):
            one.wait(number, end - time.monotonic())
        return self._known(job, board)

    def checked(self, outcome: Outcome) -> Outcome:
        """What taking a board leads to; while the journals are still being read it says so.

        Raises  Refused when another bench of the shop has this board.
        """
        taken = next((r for r in outcome.records if isinstance(r, records.Board) and r.event == "taken"), None)
        if taken is None:
            return outcome
        if where := self.elsewhere(taken.job, taken.board):
            raise Refused(f"{where}: set its state there first")
        if not self.unread:
            return outcome
        self.doubt(taken.job, taken.board)
        words = f"board {taken.board}: the neighbours' journals are still being read, one of them may have it"
        return Outcome(outcome.records, (*outcome.effects, Effect("stepped", words)))

    @property
    def unread(self) -> list[Path]:
        """The journals that are being read for the first time, so that what they say of a board is not known yet."""
        return [one.folder for one in self._all if not one.read]

    def doubt(self, job: str, board: str) -> None:
        """This board was taken here while journals were unread: `cleared` tells if one of them turns out to have it."""
        self._doubts.add((job, board))

    def cleared(self) -> str | None:
        """Once, when everything is read: a word on a board that was taken here and is on another bench too."""
        if not self._doubts or self.unread:
            return None
        words = [word for job, board in sorted(self._doubts) if (word := self._known(job, board))]
        self._doubts.clear()
        return "; ".join(words) or None

    def _known(self, job: str, board: str) -> str | None:
        for one in self._all:
            if found := one.on.get(_key(job, board)):
                return f"board {board} is on {found[0]} since {local(found[1])}"
        return None


class _Neighbour(threading.Thread):
    """Follows one journal until `stop()`.

    on    the boards on that bench now, with its name and since when; replaced, never changed, so that it is read
          without a lock
    read  the journal was read to its end once, or it was found that it cannot be read
    """

    def __init__(self, folder: Path, own: Path) -> None:
        super().__init__(name=f"neighbour {folder}", daemon=True)
        self.folder = folder
        self.on: dict[Key, tuple[str, str]] = {}
        self.read = False
        self._own = own
        self._state = threading.Condition()
        self._asked = self._looked = 0
        self._failures = 0
        self._ending = threading.Event()

    def stop(self) -> None:
        self._ending.set()
        with self._state:
            self._state.notify_all()

    def ask(self) -> int:
        """Have it look now; gives a number to wait for."""
        with self._state:
            self._asked += 1
            self._state.notify_all()
            return self._asked

    def wait(self, number: int, limit_s: float) -> None:
        """Until a look that began after that `ask` is done, at most so long; not at all for one that is unreadable."""
        with self._state:
            self._state.wait_for(lambda: self._looked >= number or self._failures > 0, max(0.0, limit_s))

    def run(self) -> None:
        fold: _Fold | None = None
        while not self._ending.is_set():
            number = self._asked
            try:
                fold = fold or _Fold(self.folder, self._own)
                fold.look(self._ending)
                self._failures = 0
                self._done(number, fold.on)
            except (MeterlinkError, OSError, ValueError):  # ValueError: its segments are not those of before
                fold = None
                self._failures += 1
                if self._failures > 1 or not self.read:  # what was read before stands until it is read anew
                    self._done(number, {})
            self._pause(number)

    def _done(self, number: int, on: dict[Key, tuple[str, str]]) -> None:
        if self._ending.is_set():
            return  # perhaps in the middle of a journal
        self.on = on
        with self._state:
            self._looked = number
            self.read = True
            self._state.notify_all()

    def _pause(self, number: int) -> None:
        """Until it is time to look again, or somebody asks."""
        pause = BACK_OFF_S[min(self._failures, len(BACK_OFF_S)) - 1] if self._failures else LOOK_S
        with self._state:
            self._state.wait_for(lambda: self._ending.is_set() or (not self._failures and self._asked > number), pause)


class _Fold:
    """One journal from its begin: the few records that say where boards are. Raises what reading raises, and
    ValueError where a line does not follow the one before: the disk had refused that one, and all is read anew."""

    def __init__(self, folder: Path, own: Path) -> None:
        self.on: dict[Key, tuple[str, str]] = {}
        self._none = own.exists() and folder.samefile(own)
        segments(folder)
        self._follower = Follower(folder, 1)
        self._last: bytes | None = None
        self._ledger = Ledger()
        self._bench = str(folder)

    def look(self, ending: threading.Event) -> None:
        """Take in what came since; gives up in the middle when it is to end."""
        changed = False
        for batch in () if self._none else self._follower.look():
            if self._last is not None and not _follows(batch[0], self._last):
                raise ValueError("a line was replaced")
            self._last = batch[-1]
            for line in batch:
                if not is_reading(line):
                    changed = self._take(records.decode(line)) or changed
            if ending.is_set():
                return
        if changed:
            self.on = dict(self._boards())

    def _take(self, entry: records.Entry) -> bool:
        """Whether the record says something of where boards are."""
        match entry.record:
            case records.Start(bench=bench):
                self._bench = bench
            case records.Board() | records.Void():
                self._ledger.apply(entry.seq, entry.at, entry.record)
                return True
            case _:
                pass  # says nothing of where boards are
        return False

    def _boards(self) -> list[tuple[Key, tuple[str, str]]]:
        out = []
        for job in self._ledger.jobs.values():
            for board in job.boards.values():
                if self._ledger.state(board) != ON:
                    continue
                since = next(n.at for n in reversed(self._ledger.standing(board.events)) if n.record.state)
                out.append((_key(job.job, board.board), (self._bench, since)))
        return out


def _follows(line: bytes, before: bytes) -> bool:
    """Whether a line's `prev` is the digest of the line before it; its place is part of the format."""
    return line.startswith(b'{"prev":"%s"' % sha256(before).hexdigest().encode())
