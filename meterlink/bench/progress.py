"""What of a check sheet is still to be measured on a board, in the order in which the bench leads through it. Pure.

Before the repair: the sheet's order, skip rules honoured. After it: first the points that were bad, then those on the
same rail or tied to one of them by `only_if`, then what was never measured. A point is done when it is kept, or was
left out on purpose, in this stage; a sheet is done when each of its points is.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping

import msgspec

from meterlink import records
from meterlink.bench.ledger import BoardView, Ledger
from meterlink.bench.nearest import own_keeps
from meterlink.bench.sheet import Point, Sheet

GOOD = ("ok", None)  # verdicts of a point that is not measured again after a repair
ORDER = ("ok", "low", "high", "short", "open", "unsure", "kept")


class Progress(msgspec.Struct, frozen=True, kw_only=True):
    """Names of points.

    pending   still to be measured, in the order they are led through
    left_out  left out on purpose in this stage
    verdicts  what was kept in this stage: the verdict by point, None where there was nothing to hold it against
    """

    pending: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    verdicts: Mapping[str, str | None] = {}

    @property
    def counts(self) -> dict[str, int]:
        """How many points got each verdict, and how many were left out."""
        tally = Counter(v or "kept" for v in self.verdicts.values())
        return {**{word: tally[word] for word in ORDER if tally[word]}, "left out": len(self.left_out)}

    def after(self, sheet: Sheet, point: str | None, stage: records.Stage | None) -> tuple[str | None, bool]:
        """The point to go to from this one, or None when the sheet is done; and whether points had been passed over
        to which this goes back."""
        left = [p for p in self.pending if p != point]
        if not left:
            return None, False
        if stage == "after":
            return left[0], False
        names = [p.name for p in sheet.points]
        here = names.index(point) if point in names else -1
        ahead = [p for p in left if names.index(p) > here]
        return (ahead[0], False) if ahead else (left[0], True)


def progress(
    ledger: Ledger,
    board: BoardView | None,
    sheet: Sheet,
    stage: records.Stage | None,
    fresh: Mapping[str, str | None] | None = None,
    left_out: Iterable[str] = (),
) -> Progress:
    """How far a board is; `fresh` are verdicts and `left_out` points that are not in the ledger yet."""
    before = _kept(ledger, board, "before")
    after = _kept(ledger, board, "after")
    here = {**(after if stage == "after" else before), **(fresh or {})}
    out = {*_left_out(ledger, board, stage), *left_out} - set(here)
    # a skip rule before the repair asks nothing of after it: such a keep came from another board
    said = {**before, **after, **here} if stage == "after" else here
    verdicts = {name: v for name, v in said.items() if v}
    if stage == "after":
        skipped = _left_out(ledger, board, "before")
        order = _after_repair(sheet, before, verdicts, skipped)
    else:
        order = [p for p in sheet.points if p.applies(verdicts)]
    names = [p.name for p in sheet.points]
    return Progress(
        pending=tuple(p.name for p in order if p.name not in here and p.name not in out),
        left_out=tuple(name for name in names if name in out),
        verdicts={name: here[name] for name in names if name in here},
    )


def stage_of(ledger: Ledger, board: BoardView) -> records.Stage:
    """The stage that the board is in by its findings."""
    return "after" if ledger.worked_on(board) else "before"


def standing_progress(ledger: Ledger, board: BoardView, sheet: Sheet) -> Progress:
    """How far a board is in its stage, wherever it is now."""
    return progress(ledger, board, sheet, stage_of(ledger, board))


def left_before(ledger: Ledger, board: BoardView, sheet: Sheet) -> tuple[str, ...]:
    """Of a board after its repair: points that were left out before it and have no value to this day."""
    if stage_of(ledger, board) == "before":
        return ()
    now = standing_progress(ledger, board, sheet)
    shown = {*now.verdicts, *now.left_out, *now.pending}
    return tuple(p for p in progress(ledger, board, sheet, "before").left_out if p not in shown)


def _after_repair(
    sheet: Sheet, before: Mapping[str, str | None], verdicts: Mapping[str, str], skipped: set[str]
) -> list[Point]:
    bad = [p for p in sheet.points if before.get(p.name, "ok") not in GOOD]
    names = {p.name for p in bad}
    rails = {p.rail for p in bad if p.rail}
    tied = {p.only_if.point for p in bad if p.only_if}
    near = [
        p
        for p in sheet.points
        if p.applies(verdicts) and (p.rail in rails or p.name in tied or (p.only_if and p.only_if.point in names))
    ]
    never = [p for p in sheet.points if p.applies(verdicts) and p.name not in before and p.name not in skipped]
    return list({p.name: p for p in [*bad, *near, *never]}.values())


def _kept(ledger: Ledger, board: BoardView | None, stage: records.Stage) -> dict[str, str | None]:
    """Verdicts of the standing keeps of a stage; a keep without a stage is one of before."""
    if board is None:
        return {}
    return {
        n.record.point: n.record.verdict
        for n in own_keeps(ledger, board)
        if n.record.point and (n.record.stage or "before") == stage
    }


def _left_out(ledger: Ledger, board: BoardView | None, stage: records.Stage | None) -> set[str]:
    if board is None:
        return set()
    return {
        p
        for n in ledger.standing(board.left_out)
        if (n.record.stage or "before") == (stage or "before")
        for p in n.record.points
    }
