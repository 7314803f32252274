"""Which of several measured points lies nearest the short, and which cannot be told apart. Pure.

While current is injected into a rail it flows towards the short and drops voltage along the copper on the way; beyond
the short nothing flows and nothing drops. So of the rail's points, measured against the return at one place, the one
with the lowest potential is nearest, and points beyond the short read the same as the nearest one.
Source: Ohm's law; sheet resistance of copper, 0.4926 mOhm per square of 35 um foil at 20 Cel
(International Annealed Copper Standard, 1.7241e-8 Ohm.m); two values are told apart when they differ by more than
the expanded uncertainty of their difference, sqrt(U1^2 + U2^2) (JCGM 100:2008, 5.1.2, uncorrelated).
"""

from __future__ import annotations

import math

import msgspec

from meterlink import records
from meterlink.bench.ledger import BoardView, Ledger, Noted

IACS_OHM_M = 1.7241e-8
FOIL_M = 35e-6  # 1 oz/ft2


class Place(msgspec.Struct, frozen=True, kw_only=True):
    """A point, its potential in V and expanded uncertainty, and how far it is above the lowest.

    same      it cannot be told apart from the nearest point
    squares   of 35 um copper that would drop the difference at this current; None where no current is known
    """

    point: str
    seq: int
    volts: float
    expanded: float
    above: float
    same: bool
    squares: float | None


def sheet_resistance(foil_m: float = FOIL_M) -> float:
    """Ohms per square of copper foil at 20 Cel."""
    return IACS_OHM_M / foil_m


def injected(board: BoardView) -> list[tuple[int, int | None]]:
    """The stretches of seq during which a supply's output was on for this board; an open end is None."""
    out: list[tuple[int, int | None]] = []
    for n in board.supplies:
        if n.record.event == "on":
            out.append((n.seq, None))
        elif n.record.event in ("off", "tripped") and out and out[-1][1] is None:
            out[-1] = (out[-1][0], n.seq)
    return out


def made(ledger: Ledger, seq: int) -> tuple[int, BoardView | None]:
    """When a keep was made, and on which board: a keep that was moved, or written once more, is the one that was
    made first."""
    noted = ledger.withdrawable[seq]  # of a keep
    while (of := noted.record.moved) in ledger.withdrawable and of < noted.seq:  # a stranger's may name itself
        noted = ledger.withdrawable[of]
    return noted.seq, ledger.board(noted.record.job, noted.record.board)


def while_injecting(ledger: Ledger, seq: int) -> bool:
    """Whether a keep was made in such a stretch: that is a potential along the rail, and says nothing of the point by
    itself, wherever it was moved."""
    at, board = made(ledger, seq)
    return board is not None and any(first < at and (last is None or at < last) for first, last in injected(board))


def own_keeps(ledger: Ledger, board: BoardView) -> list[Noted]:
    """The standing keeps that are values of their points: those not made while injecting."""
    return [n for n in ledger.standing(board.keeps) if not while_injecting(ledger, n.seq)]


def injecting(board: BoardView | None) -> bool:
    """The output is on for this board now, as far as the records say."""
    return board is not None and any(end is None for _, end in injected(board))


def flowed(board: BoardView) -> float | None:
    """The current limit of the last injection: at a short, what flows at most. None where none was."""
    limits = [n.record.current_limit for n in board.supplies if n.record.event == "on"]
    return limits[-1] if limits else None


def rank(ledger: Ledger, board: BoardView, amperes: float | None = None) -> list[Place]:
    """The points whose volts were kept during the last injection that has any, nearest the short first."""
    for first, last in reversed(injected(board)):
        keeps = [
            n
            for n in ledger.standing(board.keeps)
            if n.record.function == "voltage" and _within(made(ledger, n.seq), board, first, last)
        ]
        latest = {n.record.point: n for n in keeps if n.record.point and n.record.value is not None}
        if latest:
            return _ranked(list(latest.values()), amperes)
    return []


def _within(keep: tuple[int, BoardView | None], board: BoardView, first: int, last: int | None) -> bool:
    at, of = keep
    return of is board and first < at and (last is None or at < last)


def _ranked(keeps: list[Noted], amperes: float | None) -> list[Place]:
    keeps = sorted(keeps, key=lambda n: n.record.value)
    least: records.Kept = keeps[0].record
    out = []
    for n in keeps:
        r: records.Kept = n.record
        above = (r.value or 0.0) - (least.value or 0.0)
        together = math.hypot(_expanded(r), _expanded(least))
        squares = above / (amperes * sheet_resistance()) if amperes else None
        out.append(
            Place(
                point=r.point or "",
                seq=n.seq,
                volts=r.value or 0.0,
                expanded=_expanded(r),
                above=above,
                same=above <= together,
                squares=squares,
            )
        )
    return out


def _expanded(r: records.Kept) -> float:
    """The stated uncertainty; without one, a count of the display either way (rectangular, k = 2)."""
    if r.uncertainty:
        return r.uncertainty.expanded
    return 2 * (r.resolution or 0.0) / math.sqrt(3)
