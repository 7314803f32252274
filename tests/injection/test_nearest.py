"""Nearest to the short: Ohm's law along a strip of copper, against published readings and by hand."""

from __future__ import annotations

import pytest

from meterlink import records
from meterlink.bench.ledger import Ledger
from meterlink.bench.nearest import injecting, rank, sheet_resistance


def kept(point: str, volts: float, expanded: float | None) -> records.Kept:
    u = records.Uncertainty(expanded=expanded, k=2, from_="test") if expanded is not None else None
    return records.Kept(
        job="GC-2611", board="GC-06", point=point, instrument="handheld", function="voltage", coupling="dc",
        value=volts, unit="V", resolution=0.0001, state="ok", readings=(1, 1), n=1, spread=0.0, uncertainty=u,
        band=None, verdict=None, by="settled", stage="before",
    )  # fmt: skip


def supply(event: str) -> records.Supply:
    return records.Supply(
        instrument="supply", event=event, voltage=1.0, current_limit=1.5, why=None, by="demo",  # type: ignore[arg-type]
        job="GC-2611", board="GC-06", rail="+3V3",
    )  # fmt: skip


def ledger(*body: object) -> Ledger:
    out = Ledger()
    for seq, record in enumerate(body, 1):
        out.apply(seq, "2026-11-25T00:00:00.000000Z", record)
    return out


def test_sheet_resistance_of_one_ounce_copper() -> None:
    """0.4926 mOhm per square at 35 um, 20 Cel: 1.7241E-8 Ohm.m of annealed copper (International Annealed Copper
    Standard: IEC 60028, from memory) over the foil's thickness. Derived here."""
    assert sheet_resistance() == pytest.approx(0.4926e-3, rel=1e-4)
    assert sheet_resistance(17.5e-6) == pytest.approx(0.985e-3, rel=1e-3)


def test_the_lowest_is_nearest_and_neighbours_are_told() -> None:
    """84.2, 35.9 and 11.3 mOhm on the way to a short, at 1 A: such as are read on a real rail, from memory. The order
    and the squares between are derived here."""
    book = ledger(
        supply("on"),
        kept("far", 0.0842, 0.001),
        kept("middle", 0.0359, 0.001),
        kept("near", 0.0113, 0.001),
        kept("beside", 0.0119, 0.001),
        supply("off"),
    )
    board = book.jobs["GC-2611"].boards["GC-06"]
    places = rank(book, board, 1.0)
    assert [p.point for p in places] == ["near", "beside", "middle", "far"]
    assert [p.same for p in places] == [True, True, False, False]
    assert places[2].squares == pytest.approx((0.0359 - 0.0113) / 0.4926e-3, rel=1e-3)
    assert not injecting(board)


def test_only_what_was_kept_while_the_output_was_on_counts() -> None:
    book = ledger(kept("early", 0.001, None), supply("on"), kept("A", 0.02, None), kept("B", 0.03, None))
    board = book.jobs["GC-2611"].boards["GC-06"]
    assert [p.point for p in rank(book, board)] == ["A", "B"]
    assert injecting(board)


def test_without_a_stated_uncertainty_one_count_is_taken() -> None:
    """U = 2 q / sqrt(3) each; the difference of two: sqrt(2) times that, 0.163 mV for q = 0.1 mV."""
    book = ledger(supply("on"), kept("A", 0.0200, None), kept("B", 0.0201, None), kept("C", 0.0202, None))
    assert [p.same for p in rank(book, book.jobs["GC-2611"].boards["GC-06"])] == [True, True, False]
